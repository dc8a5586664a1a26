//! `keep --from VAULT`: takes of another vault, or of another line of this one, with dates, labels and origins.

use std::path::Path;
use std::time::Duration;

use crate::error::{Error, Kind, Next, Result};
use crate::intake::Piece;
use crate::model::contents::Contents;
use crate::model::date::Moment;
use crate::model::hash::Hash;
use crate::model::ids::{DeviceId, SectionName};
use crate::model::take::Finding;
use crate::model::timeline::Dated;
use crate::ops::keep::{KeepResult, KeepTotals, Status, store};
use crate::vault::Vault;
use crate::vault::catalogue::{DeviceRow, Form, SectionRow, TakeRow};
use crate::vault::keeping::{self, Incoming, Into};
use crate::vault::ledger::{self, Event};
use crate::vault::pieces::Pieces;

/// Bytes gathered before they are written.
const GROUP_BYTES: usize = 24 << 20;

/// Brings every take of the vault in `from` over. Each result is told once it is durable; a take whose bytes are not
/// good there any more is told as failed, and the others go on.
///
/// # Errors
/// If the other vault cannot be opened or writing fails: what was told before is kept.
pub fn bring(
    vault: &Vault,
    from: &Path,
    wait: Duration,
    tell: &mut dyn FnMut(&KeepResult) -> Result<()>,
) -> Result<KeepTotals> {
    let disk = &vault.world().disk;
    let same = match (disk.canonical(from), disk.canonical(vault.dir())) {
        (Ok(a), Ok(b)) => a == b,
        _ => false,
    };
    if same {
        return Err(Error::usage("a vault cannot bring over its own takes")
            .next(Next::say("name the other vault's folder after --from")));
    }
    let other = Vault::open(from, vault.world().clone())?;
    let mut totals = KeepTotals::default();
    bring_layouts(vault, &other, wait)?;
    for device in other.catalogue().devices()? {
        let mover = Mover {
            vault,
            other: &other,
            pieces: Pieces::new(&other),
            gathered: Vec::new(),
            bytes: 0,
            wait,
        };
        match device.name.parse() {
            Ok(id) => mover.device(&id, &device, &mut totals, tell)?,
            Err(_) => mover.device_without_id(&device, &mut totals, tell)?,
        }
    }
    Ok(totals)
}

/// The person's own layouts go along, unless there is one of that name here.
fn bring_layouts(vault: &Vault, other: &Vault, wait: Duration) -> Result<()> {
    let here = vault.catalogue().layouts()?;
    let mut theirs = other.catalogue().layouts()?;
    theirs.retain(|(name, _)| !here.iter().any(|(known, _)| known == name));
    if theirs.is_empty() {
        return Ok(());
    }
    let mut writer = vault.writer(wait)?;
    for (layout, text) in theirs {
        let mut bytes = Vec::new();
        // One whose text is damaged stays behind; its takes come all the same.
        if Pieces::new(other).copy(&text, &mut bytes).is_ok() {
            writer.put_piece(Form::Layout, text, &bytes)?;
            writer.record(&Event::Layout(ledger::Layout {
                layout,
                blake3: Some(text.to_string()),
                begins: vec![String::new()],
            }))?;
        }
    }
    writer.commit()
}

struct Mover<'a> {
    vault: &'a Vault,
    other: &'a Vault,
    pieces: Pieces<'a>,
    gathered: Vec<Piece>,
    bytes: usize,
    wait: Duration,
}

impl Mover<'_> {
    /// None of its takes can be kept: ids become names of files and parts of references.
    fn device_without_id(
        self,
        device: &DeviceRow,
        totals: &mut KeepTotals,
        tell: &mut dyn FnMut(&KeepResult) -> Result<()>,
    ) -> Result<()> {
        for take in self.other.catalogue().takes_of_device(device.id)? {
            let source = self.source(device, &take);
            let e = Error::new(
                Kind::BadInput,
                format!(
                    "{source} was not brought over: {} cannot name a device",
                    device.name
                ),
            )
            .next(Next::say(
                "it stays in that vault; recovery by hand (README.txt at a shelf) gets it out, then keep it with --device ID",
            ));
            totals.failed += 1;
            tell(&failed(&source, &device.name, e))?;
        }
        Ok(())
    }

    fn device(
        mut self,
        id: &DeviceId,
        device: &DeviceRow,
        totals: &mut KeepTotals,
        tell: &mut dyn FnMut(&KeepResult) -> Result<()>,
    ) -> Result<()> {
        let mut incoming = Vec::new();
        let mut takes = Vec::new();
        for take in self.other.catalogue().takes_of_device(device.id)? {
            match self.gather_take(&take) {
                Ok(()) => {
                    incoming.push(self.incoming(&take)?);
                    takes.push(take);
                }
                Err(e) if e.kind == Kind::Damaged || e.kind == Kind::NotFound => {
                    totals.failed += 1;
                    tell(&failed(&self.source(device, &take), &device.name, e))?;
                }
                Err(e) => return Err(e),
            }
        }
        self.flush()?;
        let mut writer = self.vault.writer(self.wait)?;
        if self.vault.catalogue().device(&device.name)?.is_none() {
            writer.record(&Event::Device(device.record.clone()))?;
        }
        for section in self.other.catalogue().sections(device.id)? {
            if let Some(record) = self.section_to_make(&device.name, &section)? {
                writer.record(&Event::Section(record))?;
            }
        }
        let placed = keeping::place(&mut writer, id, &mut incoming)?;
        for (take, placed) in takes.iter().zip(&placed) {
            self.say_the_same(&mut writer, &device.name, take, placed.take)?;
        }
        writer.commit()?;
        drop(writer);
        let row = self.vault.catalogue().device_id(&device.name)?.unwrap_or(0);
        for (take, placed) in takes.iter().zip(placed) {
            let status = if placed.new {
                Status::Kept
            } else {
                Status::Unchanged
            };
            match status {
                Status::Kept => totals.kept += 1,
                _ => totals.unchanged += 1,
            }
            // As it is here: words that persons gave in either vault count.
            let id = (row << 32) | i64::from(placed.take);
            let here = self.vault.catalogue().take(id)?;
            let here = here.as_ref().unwrap_or(take);
            let result = KeepResult {
                source: self.source(device, take),
                device: Some(device.name.clone()),
                loose: placed.section.is_none(),
                section: placed.section,
                take: Some(placed.take),
                status,
                condition: here.condition(),
                evidence: here.evidence,
                bytes: take.bytes,
                blake3: Some(take.hash),
                messages: take.messages,
                findings: placed.findings,
                error: None,
            };
            totals.doubtful += u64::from(result.is_doubtful());
            tell(&result)?;
        }
        Ok(())
    }

    fn source(&self, device: &DeviceRow, take: &TakeRow) -> String {
        format!(
            "{}: {}@{}",
            self.other.dir().display(),
            device.name,
            take.number()
        )
    }

    /// A section that is not here yet, with the keys that lead nowhere here; none for a name that no section may have.
    fn section_to_make(
        &self,
        device: &str,
        section: &SectionRow,
    ) -> Result<Option<ledger::Section>> {
        let here = match self.vault.catalogue().device_id(device)? {
            Some(id) => self.vault.catalogue().sections(id)?,
            None => Vec::new(),
        };
        let is_name = section.name.parse::<SectionName>().is_ok();
        if !is_name || here.iter().any(|s| s.name == section.name) {
            return Ok(None);
        }
        let mut record = section.record.clone();
        record.device = device.to_string();
        record
            .keys
            .retain(|k| !here.iter().any(|s| s.record.keys.contains(k)));
        Ok(Some(record))
    }

    fn gather_take(&mut self, take: &TakeRow) -> Result<()> {
        match take.form {
            Form::Folder => {
                let mut files = Vec::new();
                for entry in self.pieces.entries(&take.hash)? {
                    self.gather_piece(&entry.hash)?;
                    files.push((entry.hash, entry.path));
                }
                self.gather(Piece::FolderList(files))
            }
            _ => self.gather_piece(&take.hash),
        }
    }

    fn gather_piece(&mut self, hash: &Hash) -> Result<()> {
        if self
            .vault
            .catalogue()
            .holding(hash)?
            .is_some_and(|h| !h.damaged)
        {
            return Ok(());
        }
        let form = self.other.catalogue().holding(hash)?.map(|h| h.form);
        if form == Some(Form::Chunked) {
            // All of it is checked before a part of it is believed.
            self.pieces.check(hash)?;
            let chunks = self.pieces.chunks(hash)?;
            for (chunk, _) in &chunks {
                let mut bytes = Vec::new();
                self.pieces.copy(chunk, &mut bytes)?;
                self.gather(Piece::Chunk(*chunk, bytes))?;
            }
            return self.gather(Piece::ChunkList(*hash, chunks));
        }
        let mut bytes = Vec::new();
        self.pieces.copy(hash, &mut bytes)?;
        self.gather(Piece::Whole(*hash, bytes))
    }

    fn gather(&mut self, piece: Piece) -> Result<()> {
        self.bytes += match &piece {
            Piece::Whole(_, data) | Piece::Chunk(_, data) => data.len(),
            Piece::ChunkList(_, chunks) => chunks.len() * 72,
            Piece::FolderList(files) => files.len() * 128,
        } + 64;
        self.gathered.push(piece);
        if self.bytes >= GROUP_BYTES {
            self.flush()
        } else {
            Ok(())
        }
    }

    fn flush(&mut self) -> Result<()> {
        if self.gathered.is_empty() {
            return Ok(());
        }
        let mut writer = self.vault.writer(self.wait)?;
        for piece in self.gathered.drain(..) {
            store(&mut writer, piece)?;
        }
        self.bytes = 0;
        writer.commit()
    }

    fn incoming(&self, take: &TakeRow) -> Result<Incoming> {
        let catalogue = self.other.catalogue();
        let sightings = catalogue.sightings_of_take(take.id)?;
        let mut seen: Vec<Dated> = sightings
            .iter()
            .filter(|s| !s.corrected)
            .map(|s| Dated {
                moment: s.date.parse().unwrap_or(Moment::UNKNOWN),
                by: s.by,
            })
            .collect();
        if seen.is_empty() {
            let moment = take.date.parse().unwrap_or(Moment::UNKNOWN);
            seen.push(Dated {
                moment,
                by: take.dated_by,
            });
        }
        let origin = sightings.into_iter().next().map(|s| s.origin);
        let section: Option<SectionName> = if take.loose {
            None
        } else {
            take.section_name.parse().ok()
        };
        Ok(Incoming {
            into: match section {
                None => Into::Loose,
                Some(name) if take.by_hand => Into::Section(name),
                Some(name) => Into::Known(name),
            },
            hash: take.hash,
            content: take.content,
            bytes: take.bytes,
            messages: take.messages,
            key: take.key.clone(),
            sysex: take.messages > 0,
            evidence: take.evidence,
            findings: catalogue
                .findings_of_take(take.id)?
                .into_iter()
                .map(|f| Finding::new(f.code, f.severity, f.message))
                .collect(),
            contents: Contents {
                sysex_number: take.sysex_number,
                ..Contents::default()
            },
            seen,
            origin: origin.unwrap_or(crate::vault::catalogue::OriginRow {
                via: crate::model::take::Via::File,
                folder: String::new(),
                name: String::new(),
                mtime: None,
            }),
            tie: format!("{:010}", take.number()),
        })
    }

    /// Labels and words of persons go along, unless another take here has that label.
    fn say_the_same(
        &self,
        writer: &mut crate::vault::writer::Writer<'_>,
        device: &str,
        there: &TakeRow,
        here: u32,
    ) -> Result<()> {
        let catalogue = self.vault.catalogue();
        let Some(row) = catalogue.device_id(device)? else {
            return Ok(());
        };
        let Some(take) = catalogue.take((row << 32) | i64::from(here))? else {
            return Ok(());
        };
        for label in self.other.catalogue().labels_of_take(there.id)? {
            let taken = catalogue.takes_with_label(row, &label)?;
            if !taken.iter().any(|t| t.section == take.section) {
                let takes = vec![here];
                let device = device.to_string();
                writer.record(&Event::Label(ledger::Label {
                    device,
                    takes,
                    label,
                    removed: false,
                }))?;
            }
        }
        let known: Vec<String> = catalogue
            .vouches_of_take(take.id)?
            .into_iter()
            .map(|v| v.text)
            .collect();
        for vouch in self.other.catalogue().vouches_of_take(there.id)? {
            if !known.contains(&vouch.text) {
                writer.record(&Event::Vouch(ledger::Vouch {
                    device: device.to_string(),
                    take: here,
                    text: vouch.text,
                }))?;
            }
        }
        Ok(())
    }
}

fn failed(source: &str, device: &str, error: Error) -> KeepResult {
    KeepResult {
        source: source.to_string(),
        device: Some(device.to_string()),
        section: None,
        take: None,
        status: Status::Failed,
        loose: false,
        condition: crate::model::take::Condition::Doubtful,
        evidence: crate::model::take::Evidence::None,
        bytes: 0,
        blake3: None,
        messages: 0,
        findings: Vec::new(),
        error: Some(error),
    }
}
