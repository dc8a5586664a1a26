//! Telling facts again whose ledger lines are lost in every copy, as long as the catalogue still knows them (I4).
//!
//! A line that rotted before its reel was closed stands nowhere else. Which facts stood there is not known exactly;
//! what may have stood there is written again into the open reel, wrapped in `again`, which says nothing twice. Bytes
//! behind a header that does not read are in the same case, and are stored again too.

use std::time::Duration;

use crate::error::Result;
use crate::model::take::Via;
use crate::sys::clock::rfc3339;
use crate::vault::Vault;
use crate::vault::catalogue::{Form, OriginRow, SightingRow, TakeRow};
use crate::vault::keeping::{origin, take_event};
use crate::vault::ledger::{self, Event};
use crate::vault::pieces::Pieces;
use crate::vault::recover;
use crate::vault::writer::Writer;

impl Vault {
    /// Tells again what the ledger of reel `number` may have told. False, and nothing done, if it was before.
    ///
    /// # Errors
    /// As the writer's.
    pub fn retell(&self, number: u64, wait: Duration) -> Result<bool> {
        let mut writer = self.writer(wait)?;
        if self.catalogue().is_retold(number)? {
            return Ok(false);
        }
        Teller {
            vault: self,
            writer: &mut writer,
        }
        .reel(number)?;
        writer.record(&Event::Retold(ledger::Retold { reel: number }))?;
        writer.commit()?;
        Ok(true)
    }
}

struct Teller<'w, 'v> {
    vault: &'v Vault,
    writer: &'w mut Writer<'v>,
}

impl Teller<'_, '_> {
    fn again(&mut self, at: i64, what: Event) -> Result<()> {
        self.writer.record(&Event::Again(ledger::Again {
            at: rfc3339(at),
            what: Box::new(what),
        }))
    }

    fn reel(&mut self, number: u64) -> Result<()> {
        let catalogue = self.vault.catalogue();
        let now = self.writer.now();
        self.pieces(number, now)?;
        self.whole_records(now)?;
        for id in catalogue.takes_told_in(number)? {
            if let Some(take) = catalogue.take(id)? {
                self.take(&take)?;
            }
        }
        // Further sightings have no line number; they were recorded while the reel was open.
        let (from, to) = catalogue.time_of_reel(number)?.unwrap_or((0, now));
        for id in catalogue.takes_seen_between(from, to)? {
            if let Some(take) = catalogue.take(id)?.filter(|t| t.reel != number) {
                let sightings = catalogue.sightings_of_take(id)?;
                self.sightings(&take, &sightings)?;
            }
        }
        self.words()
    }

    /// Bytes that only the catalogue still finds.
    fn pieces(&mut self, number: u64, now: i64) -> Result<()> {
        let bytes = self.vault.read_reel(number).unwrap_or_default();
        let pieces = Pieces::new(self.vault);
        for (hash, holding) in recover::headless(self.vault, number, &bytes)? {
            // What is not right any more waits until it is kept again.
            if pieces.check(&hash).is_err() {
                continue;
            }
            let is_list = matches!(holding.form, Form::Chunked | Form::Folder);
            let mut data = Vec::new();
            match is_list {
                true => data.extend(pieces.list_text(&hash)?.into_bytes()),
                false => {
                    pieces.copy(&hash, &mut data)?;
                }
            }
            // Until it is stored anew nothing else may count on it.
            self.vault
                .catalogue()
                .mark_piece_damaged(holding.piece, now)?;
            match is_list {
                true => {
                    let text = String::from_utf8_lossy(&data);
                    self.writer.put_list(holding.form, hash, &text)?
                }
                false => self.writer.put_piece(holding.form, hash, &data)?,
            };
        }
        Ok(())
    }

    /// Records of which the last one holds.
    fn whole_records(&mut self, now: i64) -> Result<()> {
        let catalogue = self.vault.catalogue();
        if let Some(settings) = catalogue.settings()? {
            self.again(now, Event::Settings(settings))?;
        }
        for device in catalogue.devices()? {
            self.again(now, Event::Device(device.record.clone()))?;
            for section in catalogue.sections(device.id)? {
                let mut record = section.record;
                record.device.clone_from(&device.name);
                self.again(now, Event::Section(record))?;
            }
        }
        for shelf in catalogue.shelves()? {
            self.again(now, Event::Shelf(shelf.record))?;
        }
        let reels = catalogue.foreign_reels()?;
        if !reels.is_empty() {
            self.again(now, Event::Accept(ledger::Accept { reels }))?;
        }
        for key in catalogue.key_places()? {
            let place = key.place;
            self.again(
                key.confirmed_at,
                Event::KeySheet(ledger::KeySheet { place }),
            )?;
        }
        for (layout, text) in catalogue.layouts()? {
            let blake3 = Some(text.to_string());
            let begins = vec![String::new()];
            self.again(
                now,
                Event::Layout(ledger::Layout {
                    layout,
                    blake3,
                    begins,
                }),
            )?;
        }
        Ok(())
    }

    fn take(&mut self, take: &TakeRow) -> Result<()> {
        let catalogue = self.vault.catalogue();
        let sightings = catalogue.sightings_of_take(take.id)?;
        let device = catalogue.device_name(take.device())?;
        let event = ledger::Take {
            date: take.anchor.0.clone(),
            by: take.anchor.1.to_string(),
            origin: origin(&origin_of_anchor(take, &sightings)),
            ..take_event(&device, take, &catalogue.findings_of_take(take.id)?)
        };
        self.again(take.kept_at, Event::Take(event))?;
        self.sightings(take, &sightings)
    }

    fn sightings(&mut self, take: &TakeRow, sightings: &[SightingRow]) -> Result<()> {
        let device = self.vault.catalogue().device_name(take.device())?;
        let anchor = origin_of_anchor(take, sightings);
        for row in sightings {
            let seen = ledger::Sighting {
                device: device.clone(),
                take: take.number(),
                date: row.date.clone(),
                by: row.by.to_string(),
                corrects: None,
                origin: origin(&row.origin),
            };
            self.again(row.seen_at, Event::Sighting(seen.clone()))?;
            if row.corrected {
                let correction = ledger::Sighting {
                    date: take.anchor.0.clone(),
                    by: take.anchor.1.to_string(),
                    corrects: Some((seen.date, seen.by)),
                    origin: origin(&anchor),
                    ..seen
                };
                self.again(row.seen_at, Event::Sighting(correction))?;
            }
        }
        Ok(())
    }

    /// What persons said: little, so all of it.
    fn words(&mut self) -> Result<()> {
        let catalogue = self.vault.catalogue();
        let now = self.writer.now();
        for (label, id) in catalogue.labels_like("")? {
            let label = ledger::Label {
                device: catalogue.device_name(id >> 32)?,
                takes: vec![(id & 0xffff_ffff) as u32],
                label,
                removed: false,
            };
            self.again(now, Event::Label(label))?;
        }
        for (id, vouch) in catalogue.vouches()? {
            let word = ledger::Vouch {
                device: catalogue.device_name(id >> 32)?,
                take: (id & 0xffff_ffff) as u32,
                text: vouch.text,
            };
            self.again(vouch.at, Event::Vouch(word))?;
        }
        for device in catalogue.devices()? {
            for line in catalogue.log_of_device(device.id)? {
                let log = ledger::Log {
                    device: device.name.clone(),
                    kind: line.kind,
                    date: line.date,
                    text: line.text,
                };
                self.again(line.at, Event::Log(log))?;
            }
        }
        Ok(())
    }
}

fn origin_of_anchor(take: &TakeRow, sightings: &[SightingRow]) -> OriginRow {
    sightings
        .iter()
        .find(|s| s.date == take.anchor.0 && s.by == take.anchor.1)
        .or(sightings.first())
        .map_or(
            OriginRow {
                via: Via::File,
                folder: String::new(),
                name: String::new(),
                mtime: None,
            },
            |s| s.origin.clone(),
        )
}
