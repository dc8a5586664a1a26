//! From a reference in words to takes.

use crate::error::{Error, Kind, Next, Result};
use crate::model::ids::SectionName;
use crate::model::reference::{Reference, Which};
use crate::ops::devices::{find, nearest};
use crate::vault::Vault;
use crate::vault::catalogue::{DeviceRow, SectionRow, TakeRow};

/// What a reference named.
#[derive(Debug, Clone)]
pub struct Named {
    /// The device.
    pub device: DeviceRow,
    /// Its takes: one, those of a label, or the state, in the device's order of sections.
    pub takes: Vec<TakeRow>,
}

/// Finds what `text` names.
///
/// # Errors
/// `Usage` if it is no reference; `NotFound` saying what is there instead.
pub fn resolve(vault: &Vault, text: &str) -> Result<Named> {
    let reference = parse(vault, text)?;
    let device = find(vault, &reference.device)?;
    let catalogue = vault.catalogue();
    let sections = sections_named(vault, &device, reference.section.as_ref())?;
    let narrowed = reference.section.is_some();
    let takes = match &reference.which {
        Which::Take(number) => {
            let take = catalogue.take((device.id << 32) | i64::from(*number))?;
            match take.filter(|t| !narrowed || sections.iter().any(|s| s.id == t.section)) {
                Some(take) => vec![take],
                None => return Err(no_take(vault, &device, text)?),
            }
        }
        Which::Label(label) => {
            let mut takes = catalogue.takes_with_label(device.id, label)?;
            takes.retain(|t| !narrowed || sections.iter().any(|s| s.id == t.section));
            if takes.is_empty() {
                return Err(no_take(vault, &device, text)?);
            }
            takes
        }
        Which::Now | Which::At(_) => {
            let mut takes = Vec::new();
            for section in sections
                .iter()
                .filter(|s| narrowed || (s.expected && !s.loose))
            {
                let take = match &reference.which {
                    Which::At(moment) => catalogue.timeline(section.id)?.at(*moment).cloned(),
                    _ => catalogue.newest_take(section.id)?,
                };
                takes.extend(take);
            }
            if takes.is_empty() {
                return Err(no_state(vault, &device, text)?);
            }
            takes
        }
    };
    Ok(Named { device, takes })
}

/// Reads a reference.
///
/// # Errors
/// `Usage` if it is none.
pub fn parse(vault: &Vault, text: &str) -> Result<Reference> {
    let world = vault.world();
    Reference::parse(text, world.clock.now(), &world.zone).map_err(|e| {
        Error::usage(e.to_string()).next(Next::say(
            "DEVICE, DEVICE/SECTION, DEVICE@12, DEVICE@2026-10-25, DEVICE@30d or \"DEVICE@a label\"",
        ))
    })
}

fn sections_named(
    vault: &Vault,
    device: &DeviceRow,
    section: Option<&SectionName>,
) -> Result<Vec<SectionRow>> {
    let sections = vault.catalogue().sections(device.id)?;
    let Some(name) = section else {
        return Ok(sections);
    };
    let names: Vec<String> = sections.iter().map(|s| s.name.clone()).collect();
    match sections.into_iter().find(|s| s.name == name.as_str()) {
        Some(section) => Ok(vec![section]),
        None => {
            let e = Error::new(
                Kind::NotFound,
                format!("{} has no section {name}", device.name),
            );
            Err(match nearest(name.as_str(), names.into_iter()) {
                Some(near) => e.next(Next::say(format!("did you mean {}/{near}?", device.name))),
                None => e.next(Next::run(
                    "see its sections",
                    format!("device show {}", device.name),
                )),
            })
        }
    }
}

fn no_take(vault: &Vault, device: &DeviceRow, text: &str) -> Result<Error> {
    let last = vault.catalogue().last_take_number(device.id)?;
    let fact = match last {
        0 => format!(
            "nothing is kept of {} yet, so there is no {text}",
            device.name
        ),
        n => format!(
            "there is no {text}; the last take of {} is {}@{n}",
            device.name, device.name
        ),
    };
    Ok(Error::new(Kind::NotFound, fact).next(Next::run(
        "see what is kept",
        format!("history {}", device.name),
    )))
}

fn no_state(vault: &Vault, device: &DeviceRow, text: &str) -> Result<Error> {
    let last = vault.catalogue().last_take_number(device.id)?;
    let fact = match last {
        0 => format!("nothing is kept of {} yet", device.name),
        _ => format!("no whole dump stands for {text}"),
    };
    Ok(Error::new(Kind::NotFound, fact).next(Next::run(
        "see what is kept",
        format!("history {}", device.name),
    )))
}
