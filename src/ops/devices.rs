//! Devices and their sections: add, edit, list, logbook.

use std::time::Duration;

use crate::error::{Error, Kind, Next, Result};
use crate::model::ids::{DeviceId, SectionName};
use crate::ops::layouts;
use crate::vault::Vault;
use crate::vault::catalogue::{DeviceRow, LogRow, SectionRow};
use crate::vault::ledger::{self, Event};
use crate::vault::writer::Writer;

/// The error for a device that is not there, with the nearest name as the next step.
///
/// # Errors
/// As the catalogue's.
pub fn no_device(vault: &Vault, id: &str) -> Result<Error> {
    let e = Error::new(Kind::NotFound, format!("there is no device {id}"));
    Ok(match nearest_device(vault, id)? {
        Some(near) => e.next(Next::say(format!(
            "did you mean {near}? device list shows them all"
        ))),
        None => e.next(Next::run("add it", format!("device add {id}"))),
    })
}

/// The device whose id is nearest to `id`, if one is near.
///
/// # Errors
/// As the catalogue's.
pub fn nearest_device(vault: &Vault, id: &str) -> Result<Option<String>> {
    let names = vault.catalogue().devices()?.into_iter().map(|d| d.name);
    Ok(nearest(id, names))
}

/// The candidate nearest to `word`: at most a third of its letters differ.
pub fn nearest(word: &str, candidates: impl Iterator<Item = String>) -> Option<String> {
    candidates
        .map(|c| (distance(word, &c), c))
        .filter(|(d, c)| *d <= (c.chars().count().max(3)) / 3)
        .min()
        .map(|(_, c)| c)
}

fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, cb) in b.iter().enumerate() {
            let replaced = diagonal + usize::from(ca != *cb);
            diagonal = row[j + 1];
            row[j + 1] = replaced.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

/// A device with its sections.
#[derive(Debug, Clone)]
pub struct DeviceView {
    /// The device.
    pub device: DeviceRow,
    /// Its sections.
    pub sections: Vec<SectionRow>,
    /// Takes kept.
    pub takes: u64,
    /// Its logbook.
    pub log: Vec<LogRow>,
}

/// What to change about a device; `None` leaves a field, an empty text clears it.
#[derive(Debug, Clone, Default)]
pub struct DeviceChange {
    /// Name in the owner's words.
    pub name: Option<String>,
    /// Who made it.
    pub maker: Option<String>,
    /// Model.
    pub model: Option<String>,
    /// Serial number.
    pub serial: Option<String>,
    /// Where it stands.
    pub place: Option<String>,
    /// Whose it is.
    pub owner: Option<String>,
    /// SysEx number, 0 to 127.
    pub sysex_number: Option<u8>,
    /// Port.
    pub port: Option<String>,
    /// Layout.
    pub layout: Option<String>,
    /// What holds its memory.
    pub power: Option<String>,
    /// When the battery was fitted.
    pub fitted_on: Option<String>,
    /// Years it is trusted for.
    pub life_years: Option<u32>,
    /// When it was last switched on.
    pub last_powered: Option<String>,
    /// Free text.
    pub text: Option<String>,
}

/// The kinds of power a device's memory can hang on.
pub const POWER: &[&str] = &[
    "coin-soldered",
    "coin-holder",
    "rechargeable",
    "capacitor",
    "none",
    "unknown",
];

/// The kinds of lines in a logbook.
pub const LOG_KINDS: &[&str] = &[
    "battery",
    "repair",
    "firmware",
    "unit-swapped",
    "lent",
    "returned",
    "reset",
    "note",
];

fn check_change(vault: &Vault, change: &DeviceChange) -> Result<()> {
    if let Some(layout) = change.layout.as_deref().filter(|l| !l.is_empty()) {
        layouts::show(vault, layout)?;
    }
    if let Some(power) = change
        .power
        .as_deref()
        .filter(|p| !p.is_empty() && !POWER.contains(p))
    {
        return Err(Error::usage(format!(
            "{power} is no kind of power: {}",
            POWER.join(", ")
        )));
    }
    if change.sysex_number.is_some_and(|n| n > 127) {
        return Err(Error::usage("a SysEx number lies between 0 and 127"));
    }
    for date in [&change.fitted_on, &change.last_powered]
        .into_iter()
        .flatten()
    {
        if !date.is_empty() {
            date.parse::<crate::model::date::Moment>()
                .map_err(|e| Error::usage(e.to_string()))?;
        }
    }
    if let Some(place) = change.place.as_deref().filter(|p| !p.is_empty()) {
        place
            .parse::<crate::model::place::Place>()
            .map_err(|e| Error::usage(e.to_string()))?;
    }
    Ok(())
}

fn changed(mut record: ledger::Device, change: DeviceChange) -> ledger::Device {
    fn set(field: &mut Option<String>, new: Option<String>) {
        if let Some(text) = new {
            *field = (!text.is_empty()).then_some(text);
        }
    }
    set(&mut record.name, change.name);
    set(&mut record.maker, change.maker);
    set(&mut record.model, change.model);
    set(&mut record.serial, change.serial);
    set(&mut record.place, change.place);
    set(&mut record.owner, change.owner);
    set(&mut record.port, change.port);
    set(&mut record.layout, change.layout);
    set(&mut record.power, change.power);
    set(&mut record.fitted_on, change.fitted_on);
    set(&mut record.last_powered, change.last_powered);
    set(&mut record.text, change.text);
    record.sysex_number = change.sysex_number.or(record.sysex_number);
    record.life_years = change.life_years.or(record.life_years);
    record
}

/// Adds a device.
///
/// # Errors
/// `AlreadyThere`; `Usage` for a value that makes no sense; as the writer's.
pub fn add(
    vault: &Vault,
    id: &DeviceId,
    change: DeviceChange,
    wait: Duration,
) -> Result<DeviceView> {
    check_change(vault, &change)?;
    let writer = vault.writer(wait)?;
    if vault.catalogue().device(id.as_str())?.is_some() {
        return Err(Error::new(
            Kind::AlreadyThere,
            format!("there is a device {id} already; it was left alone"),
        )
        .next(Next::run("change it", format!("device edit {id}"))));
    }
    let record = ledger::Device {
        device: id.to_string(),
        ..ledger::Device::default()
    };
    said(vault, id, writer, &[Event::Device(changed(record, change))])
}

/// Changes a device's record.
///
/// # Errors
/// `NotFound`; `Usage`; as the writer's.
pub fn edit(
    vault: &Vault,
    id: &DeviceId,
    change: DeviceChange,
    wait: Duration,
) -> Result<DeviceView> {
    check_change(vault, &change)?;
    let writer = vault.writer(wait)?;
    let row = find(vault, id)?;
    said(
        vault,
        id,
        writer,
        &[Event::Device(changed(row.record, change))],
    )
}

/// Marks a device as gone for good, or back again; its takes stay.
///
/// # Errors
/// `NotFound`; as the writer's.
pub fn retire(vault: &Vault, id: &DeviceId, retired: bool, wait: Duration) -> Result<DeviceView> {
    let writer = vault.writer(wait)?;
    let row = find(vault, id)?;
    let device = ledger::Device {
        retired,
        ..row.record
    };
    said(vault, id, writer, &[Event::Device(device)])
}

/// Records what a person said of a device and gives it back as it is then.
fn said(
    vault: &Vault,
    id: &DeviceId,
    mut writer: Writer<'_>,
    events: &[Event],
) -> Result<DeviceView> {
    for event in events {
        writer.record(event)?;
    }
    writer.commit()?;
    drop(writer);
    show(vault, id)
}

/// A device that must exist.
///
/// # Errors
/// `NotFound` with the nearest name.
pub fn find(vault: &Vault, id: &DeviceId) -> Result<DeviceRow> {
    match vault.catalogue().device(id.as_str())? {
        Some(row) => Ok(row),
        None => Err(no_device(vault, id.as_str())?),
    }
}

/// A device with its sections and logbook.
///
/// # Errors
/// `NotFound` with the nearest name.
pub fn show(vault: &Vault, id: &DeviceId) -> Result<DeviceView> {
    view(vault, find(vault, id)?)
}

fn view(vault: &Vault, device: DeviceRow) -> Result<DeviceView> {
    Ok(DeviceView {
        sections: vault.catalogue().sections(device.id)?,
        takes: vault.catalogue().count_takes_of_device(device.id)?,
        log: vault.catalogue().log_of_device(device.id)?,
        device,
    })
}

/// All devices.
///
/// # Errors
/// As the catalogue's.
pub fn list(vault: &Vault) -> Result<Vec<DeviceView>> {
    vault
        .catalogue()
        .devices()?
        .into_iter()
        .map(|d| view(vault, d))
        .collect()
}

/// Writes a line into a device's logbook. Returns the device as it is then.
///
/// # Errors
/// `NotFound`; `Usage` for an unknown kind or a date that is none; as the writer's.
pub fn log(
    vault: &Vault,
    id: &DeviceId,
    kind: &str,
    date: Option<&str>,
    text: &str,
    wait: Duration,
) -> Result<DeviceView> {
    if !LOG_KINDS.contains(&kind) {
        return Err(Error::usage(format!(
            "{kind} is no kind of log line: {}",
            LOG_KINDS.join(", ")
        )));
    }
    let writer = vault.writer(wait)?;
    let row = find(vault, id)?;
    let today = crate::sys::clock::day(vault.world().now(), &vault.world().zone);
    let date = date.unwrap_or(&today);
    date.parse::<crate::model::date::Moment>()
        .map_err(|e| Error::usage(e.to_string()))?;
    let mut events = vec![Event::Log(ledger::Log {
        device: id.to_string(),
        kind: kind.to_string(),
        date: date.to_string(),
        text: text.to_string(),
    })];
    if kind == "battery" {
        // A new battery counts from the day it was fitted.
        events.push(Event::Device(ledger::Device {
            fitted_on: Some(date.to_string()),
            ..row.record
        }));
    }
    said(vault, id, writer, &events)
}

/// What to change about a section; `None` leaves a field, an empty text clears it.
#[derive(Debug, Clone, Default)]
pub struct SectionChange {
    /// A new name.
    pub rename: Option<SectionName>,
    /// Whether dumps of it are expected.
    pub expected: Option<bool>,
    /// Whether what lies here is no state.
    pub loose: Option<bool>,
    /// A dump every so many days; 0 returns to the vault's setting.
    pub every_days: Option<u32>,
    /// How to send the dump.
    pub dump_steps: Option<String>,
    /// How to load it.
    pub load_steps: Option<String>,
    /// Dumps with this header key belong here.
    pub key: Option<String>,
}

/// Changes a section, or makes it when a key or anything else is to lead there.
///
/// # Errors
/// `NotFound`; `AlreadyThere` when the new name is taken, or when a label would stand on two takes of the section; as the
/// writer's.
pub fn section(
    vault: &Vault,
    id: &DeviceId,
    name: &SectionName,
    change: SectionChange,
    wait: Duration,
) -> Result<DeviceView> {
    let writer = vault.writer(wait)?;
    let device = find(vault, id)?;
    let sections = vault.catalogue().sections(device.id)?;
    let existing = sections.iter().find(|s| s.name == name.as_str());
    if existing.is_none() && (change.rename.is_some() || change.loose == Some(true)) {
        let e = Error::new(Kind::NotFound, format!("{id} has no section {name}"));
        return Err(
            match nearest(name.as_str(), sections.iter().map(|s| s.name.clone())) {
                Some(near) => e.next(Next::say(format!("did you mean {near}?"))),
                None => e.next(Next::run("see its sections", format!("device show {id}"))),
            },
        );
    }
    let mut record = existing
        .map(|s| s.record.clone())
        .unwrap_or_else(|| ledger::Section {
            section: name.to_string(),
            expected: true,
            ..ledger::Section::default()
        });
    record.device = id.to_string();
    if let Some(new) = &change.rename {
        if sections.iter().any(|s| s.name == new.as_str()) {
            return Err(Error::new(
                Kind::AlreadyThere,
                format!("{id} has a section {new} already; nothing was changed"),
            )
            .next(Next::say(
                "choose another name, or lead its dumps there with --like REF",
            )));
        }
        record.renamed_from = Some(name.to_string());
        record.section = new.to_string();
    }
    if change.loose == Some(true) {
        record.expected = false;
    }
    record.loose = change.loose.unwrap_or(record.loose);
    record.expected = change.expected.unwrap_or(record.expected);
    match change.every_days {
        Some(0) => record.every_days = None,
        Some(days) => record.every_days = Some(days),
        None => {}
    }
    for (field, new) in [
        (&mut record.dump_steps, change.dump_steps),
        (&mut record.load_steps, change.load_steps),
    ] {
        if let Some(text) = new {
            *field = (!text.is_empty()).then_some(text);
        }
    }
    if let Some(key) = change.key
        && !record.keys.contains(&key)
    {
        if let Some(into) = existing {
            refuse_second_label(vault, &device, &sections, into, &key)?;
        }
        record.keys.push(key);
        record.keys.sort();
    }
    said(vault, id, writer, &[Event::Section(record)])
}

/// Refuses to lead `key` into a section where one of the takes that come along would bring a label that a take there
/// has: a label names at most one take of a section.
fn refuse_second_label(
    vault: &Vault,
    device: &DeviceRow,
    sections: &[SectionRow],
    into: &SectionRow,
    key: &String,
) -> Result<()> {
    let catalogue = vault.catalogue();
    let Some(from) = sections.iter().find(|s| s.record.keys.contains(key)) else {
        return Ok(());
    };
    let takes = catalogue.takes_of_section(from.id)?;
    for coming in takes.iter().filter(|t| t.key == *key && !t.by_hand) {
        for label in catalogue.labels_of_take(coming.id)? {
            let holders = catalogue.takes_with_label(device.id, &label)?;
            let Some(there) = holders.iter().find(|t| t.section == into.id) else {
                continue;
            };
            let (id, there, coming) = (&device.name, there.number(), coming.number());
            return Err(Error::new(
                Kind::AlreadyThere,
                format!(
                    "{id}@{there} and {id}@{coming} both have the label {label}, and in one section only one take may have it; nothing was changed"
                ),
            )
            .next(Next::run(
                "take it away from one",
                format!("label {id}@{coming} \"{label}\" --remove"),
            )));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_name_is_suggested_only_when_near() {
        let names = || {
            ["pit-organ", "drum-box", "strings"]
                .iter()
                .map(|s| s.to_string())
        };
        assert_eq!(nearest("pit-orgam", names()).as_deref(), Some("pit-organ"));
        assert_eq!(nearest("pitorgan", names()).as_deref(), Some("pit-organ"));
        assert_eq!(nearest("piano", names()), None);
    }
}
