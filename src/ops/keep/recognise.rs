//! Whose dump it is, where nobody said so: by its header, its layout, the SysEx number in it, and the folders it lies in.

use super::{Group, Run, Waiting};
use crate::error::{Error, Kind, Next, Result};
use crate::intake::Arrival;
use crate::intake::examine::Part;
use crate::intake::file::{self, FOLDER_KEY};
use crate::intake::walk::Found;
use crate::midi::message::MakerId;
use crate::model::ids::{self, DeviceId};
use crate::model::take::Finding;
use crate::sys::text::{counted, grouped};
use crate::vault::Vault;
use crate::vault::catalogue::DeviceRow;

impl Run<'_, '_> {
    /// Finds the device of a dump whose device was not named, or says how to choose.
    pub(super) fn recognise(&mut self, mut arrival: Arrival, found: Option<Found>) -> Result<()> {
        let parts = std::mem::take(&mut arrival.parts);
        match self.whose_parts(&arrival, &parts)? {
            Parts::OfSeveral(devices) => {
                return self.take_apart(arrival, found, &parts, &devices);
            }
            Parts::OfStrangers(e) => return self.failed(arrival.source, None, e),
            Parts::Together => {}
        }
        let (device, why) = match recognised(self.vault, &self.devices, &arrival)? {
            Ok(known) => known,
            Err(e) => return self.failed(arrival.source, None, e),
        };
        self.wait_with(
            device,
            Waiting {
                arrival,
                found,
                why: vec![why],
                loose: false,
            },
        );
        Ok(())
    }

    fn wait_with(&mut self, device: DeviceId, waiting: Waiting) {
        match self.groups.iter_mut().find(|g| g.device == device) {
            Some(group) => group.arrivals.push(waiting),
            None => self.groups.push(Group {
                device,
                arrivals: vec![waiting],
            }),
        }
    }

    /// Whose the parts of a MIDI file are.
    fn whose_parts(&self, arrival: &Arrival, parts: &[Part]) -> Result<Parts> {
        let mut devices: Vec<Option<DeviceId>> = Vec::new();
        for part in parts {
            let of_its_own = Arrival {
                key: part.key.clone(),
                contents: part.contents.clone(),
                ..arrival.clone()
            };
            let known = recognised(self.vault, &self.devices, &of_its_own)?;
            devices.push(known.ok().map(|(device, _)| device));
        }
        let mut names: Vec<&DeviceId> = devices.iter().flatten().collect();
        names.sort();
        names.dedup();
        if names.is_empty() {
            return Ok(Parts::Together);
        }
        // What begins in a new way may be a new section of the one device it goes with, if the maker is the same.
        let maker = |part: &Part| {
            part.messages
                .first()
                .and_then(|(_, m)| MakerId::from_bytes(m.get(1..)?))
        };
        let makers: Vec<Option<MakerId>> = parts
            .iter()
            .zip(&devices)
            .filter(|(_, device)| device.is_some())
            .map(|(part, _)| maker(part))
            .collect();
        let strangers = parts
            .iter()
            .zip(&devices)
            .filter(|(part, device)| {
                device.is_none() && (names.len() > 1 || !makers.contains(&maker(part)))
            })
            .map(|(part, _)| part.messages.len() as u64)
            .sum::<u64>();
        if strangers > 0 {
            let names: Vec<String> = names.iter().map(ToString::to_string).collect();
            return Ok(Parts::OfStrangers(
                Error::new(
                    Kind::BadInput,
                    format!(
                        "{} holds dumps of {}, and {} of no device that is known; nothing was kept on a guess",
                        arrival.source,
                        names.join(" and "),
                        counted(strangers, "message")
                    ),
                )
                .next(Next::say(
                    "add the other device and keep a dump of it, or say whose the whole file is with --device ID",
                )),
            ));
        }
        if names.len() < 2 {
            return Ok(Parts::Together);
        }
        Ok(Parts::OfSeveral(devices.into_iter().flatten().collect()))
    }

    /// Makes a dump of its own of what each device sent, and keeps the file loose, so that nothing of it is lost.
    fn take_apart(
        &mut self,
        arrival: Arrival,
        found: Option<Found>,
        parts: &[Part],
        devices: &[DeviceId],
    ) -> Result<()> {
        let mut order: Vec<&DeviceId> = Vec::new();
        for device in devices {
            if !order.contains(&device) {
                order.push(device);
            }
        }
        for device in &order {
            let mut messages: Vec<&(usize, Vec<u8>)> = parts
                .iter()
                .zip(devices)
                .filter(|(_, d)| d == device)
                .flat_map(|(part, _)| &part.messages)
                .collect();
            messages.sort_by_key(|(place, _)| *place);
            let n_messages = messages.len() as u64;
            let bytes: Vec<u8> = messages.into_iter().flat_map(|(_, m)| m.clone()).collect();
            let lens = self.lens(Some(device))?;
            let mut pieces = Vec::new();
            let part = file::part(&arrival, bytes, &lens, &mut |piece| {
                pieces.push(piece);
                Ok(())
            })?;
            for piece in pieces {
                self.gather(piece)?;
            }
            let why = Finding::note(
                "part-of-file",
                format!(
                    "{} of {} in the file are of {device}; the file itself is kept loose with {}",
                    grouped(n_messages),
                    counted(arrival.messages, "message"),
                    order[0]
                ),
            );
            self.wait_with(
                (*device).clone(),
                Waiting {
                    arrival: part,
                    found: None,
                    why: vec![why],
                    loose: false,
                },
            );
        }
        self.wait_with(
            order[0].clone(),
            Waiting {
                arrival,
                found,
                why: Vec::new(),
                loose: true,
            },
        );
        Ok(())
    }
}

/// Whose the parts of a MIDI file are.
enum Parts {
    /// They need not be told apart.
    Together,
    /// The device of each.
    OfSeveral(Vec<DeviceId>),
    /// Some are of devices that are known and some are not.
    OfStrangers(Error),
}

/// A device that a dump may belong to, and what speaks for it.
struct Candidate<'d> {
    device: &'d DeviceRow,
    reasons: Vec<String>,
    /// The SysEx number it is known to have.
    number: Option<u8>,
}

/// The device that a dump belongs to and why, or why none could be chosen.
fn recognised(
    vault: &Vault,
    devices: &[DeviceRow],
    arrival: &Arrival,
) -> Result<std::result::Result<(DeviceId, Finding), Error>> {
    let mut candidates = by_bytes(vault, devices, arrival)?;
    let other_numbers = keep_that_number(&mut candidates, arrival.contents.sysex_number);
    let folders: Vec<String> = arrival.source.split('/').filter_map(ids::fold).collect();
    if candidates.is_empty() && other_numbers.is_empty() {
        for device in devices {
            candidates.push(Candidate {
                device,
                reasons: Vec::new(),
                number: None,
            });
        }
        keep_named(&mut candidates, &folders, Keep::OnlyNamed);
    } else if candidates.len() > 1 {
        keep_named(&mut candidates, &folders, Keep::AllIfNone);
    }
    match candidates.as_slice() {
        [one] => {
            let name = &one.device.name;
            let device = name
                .parse()
                .map_err(|_| Error::new(Kind::Bug, format!("{name} is no device id")))?;
            let why = format!("taken for a dump of {name}: {}", one.reasons.join(", "));
            Ok(Ok((device, Finding::note("recognised", why))))
        }
        [] if other_numbers.is_empty() => Ok(Err(Error::new(
            Kind::BadInput,
            format!(
                "no device is known whose dumps begin like {}; nothing of it was kept",
                arrival.source
            ),
        )
        .next(Next::say(
            "say whose it is with --device ID (device list shows them, device add makes one)",
        )))),
        [] => Ok(Err(Error::new(
            Kind::BadInput,
            format!(
                "{} has the SysEx number {}, and {}; nothing was kept on a guess",
                arrival.source,
                arrival.contents.sysex_number.unwrap_or(0),
                other_numbers.join(", ")
            ),
        )
        .next(Next::say("say whose it is with --device ID")))),
        several => {
            let listed: Vec<String> = several
                .iter()
                .map(|c| match c.reasons.as_slice() {
                    [] => c.device.name.clone(),
                    reasons => format!("{} ({})", c.device.name, reasons.join(", ")),
                })
                .collect();
            Ok(Err(Error::new(
                Kind::BadInput,
                format!(
                    "{} could belong to {}; nothing was kept on a guess",
                    arrival.source,
                    listed.join(" or ")
                ),
            )
            .next(Next::say("say whose it is with --device ID"))))
        }
    }
}

/// The devices whose dumps begin like this one or have its layout.
fn by_bytes<'d>(
    vault: &Vault,
    devices: &'d [DeviceRow],
    arrival: &Arrival,
) -> Result<Vec<Candidate<'d>>> {
    let catalogue = vault.catalogue();
    let with_key = match arrival.key.as_str() {
        FOLDER_KEY => Vec::new(),
        key if arrival.sysex => catalogue.devices_with_key(key)?,
        _ => Vec::new(),
    };
    let mut candidates = Vec::new();
    for device in devices {
        let mut reasons = Vec::new();
        if with_key.contains(&device.name) {
            reasons.push(format!("its dumps begin with {}", arrival.key));
        }
        if let Some(layout) = &arrival.contents.layout
            && device.record.layout.as_ref() == Some(layout)
        {
            reasons.push(format!("its layout is {layout}"));
        }
        if !reasons.is_empty() {
            candidates.push(Candidate {
                number: number_of(vault, device)?,
                device,
                reasons,
            });
        }
    }
    Ok(candidates)
}

/// The SysEx number that a device is set to, else the one in its newest dump that has one.
fn number_of(vault: &Vault, device: &DeviceRow) -> Result<Option<u8>> {
    if device.record.sysex_number.is_some() {
        return Ok(device.record.sysex_number);
    }
    vault.catalogue().newest_sysex_number(device.id)
}

/// Leaves those that may have the number in the dump; says of the others which they have.
fn keep_that_number(candidates: &mut Vec<Candidate<'_>>, number: Option<u8>) -> Vec<String> {
    let Some(number) = number else {
        return Vec::new();
    };
    let mut others = Vec::new();
    candidates.retain_mut(|c| match c.number {
        Some(known) if known != number => {
            others.push(format!("that of {} is {known}", c.device.name));
            false
        }
        Some(_) => {
            c.reasons.push(format!("SysEx number {number}"));
            true
        }
        None => true,
    });
    // Of two units of one model, the one that is known by this number.
    if candidates.iter().any(|c| c.number.is_some()) {
        candidates.retain(|c| c.number.is_some());
    }
    others
}

#[derive(PartialEq, Eq)]
enum Keep {
    OnlyNamed,
    AllIfNone,
}

/// Leaves those that one of the folders is named after.
fn keep_named(candidates: &mut Vec<Candidate<'_>>, folders: &[String], which: Keep) {
    let is_named = |c: &Candidate<'_>| folders.contains(&c.device.name);
    if which == Keep::AllIfNone && !candidates.iter().any(is_named) {
        return;
    }
    candidates.retain_mut(|c| {
        let named = is_named(c);
        if named {
            c.reasons.push("its folder is named so".to_string());
        }
        named
    });
}
