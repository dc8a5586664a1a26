//! How the vault, its devices and its shelves are.

use std::collections::{BTreeMap, HashMap};

use crate::care::copies::{Copies, tally};
use crate::care::health::{
    self, DeviceFacts, Health, KeyHealth, LostDump, Measure, Newest, Power, SectionFacts,
    ShelfGlance,
};
use crate::care::standing::{self, Standing};
use crate::error::Result;
use crate::model::place::Place;
use crate::vault::Vault;
use crate::vault::catalogue::{DeviceRow, SectionRow};

/// How everything stands, and how the shelves do in full.
///
/// Takes time by the number of devices and sections, not of takes (as long as nothing is missing everywhere).
///
/// # Errors
/// As the catalogue's; `BadInput` if the vault's place cannot be read.
pub fn health(vault: &Vault) -> Result<(Health, Vec<Standing>)> {
    let standings = standing::standings(vault)?;
    let health = health_beside(vault, standings.iter().map(shelf).collect())?;
    Ok((health, standings))
}

/// How everything stands, where the shelves do as told.
///
/// # Errors
/// As [`health()`].
pub fn health_beside(vault: &Vault, shelves: Vec<ShelfGlance>) -> Result<Health> {
    let catalogue = vault.catalogue();
    let home = vault.settings().place()?;
    let measure = Measure {
        now: vault.world().now(),
        asked: vault.settings().asked.clone(),
        place: vault.settings().place.clone(),
        key: key(vault, home.as_ref())?,
    };
    let copies = Copies::of(vault)?;
    let mut lost: BTreeMap<i64, Vec<u32>> = BTreeMap::new();
    for take in copies.lost_takes()? {
        lost.entry(take >> 32)
            .or_default()
            .push((take & 0xffff_ffff) as u32);
    }
    let mut sections: HashMap<i64, Vec<SectionRow>> = HashMap::new();
    for section in catalogue.sections_of_all_devices()? {
        sections.entry(section.device).or_default().push(section);
    }
    let mut devices = Vec::new();
    let mut lost_dumps = Vec::new();
    let mut retired = 0;
    for device in catalogue.devices()? {
        let lost = lost.remove(&device.id).unwrap_or_default();
        lost_dumps.extend(lost.iter().map(|take| LostDump {
            device: device.name.clone(),
            take: *take,
        }));
        if device.retired {
            retired += 1;
            continue;
        }
        let sections = sections.remove(&device.id).unwrap_or_default();
        let facts = facts(vault, &copies, device, sections, lost)?;
        devices.push(health::judge(facts, &measure));
    }
    // By id they are sorted already.
    devices.sort_by_key(|d| std::cmp::Reverse(d.state));
    let mut health = Health {
        good: false,
        devices,
        retired,
        shelves,
        key: measure.key,
        problems: copies.problems().to_vec(),
        lost: lost_dumps,
        place: measure.place,
        asked: measure.asked,
        reach: copies.reach(),
        sharing_a_disk: copies
            .sharing_a_disk()
            .into_iter()
            .map(String::from)
            .collect(),
    };
    health.good = health::is_good(&health);
    Ok(health)
}

fn shelf(s: &Standing) -> ShelfGlance {
    ShelfGlance {
        name: s.name.clone(),
        place: s.place.clone(),
        offsite: s.offsite,
        state: s.state,
        reason: s.reason.clone(),
        located: s.located,
    }
}

fn key(vault: &Vault, home: Option<&Place>) -> Result<KeyHealth> {
    let mut key = KeyHealth::default();
    for sheet in vault.catalogue().key_places()? {
        let place: Option<Place> = sheet.place.parse().ok();
        key.confirmed |= home.is_some() && place.is_some() && place.as_ref() != home;
        key.places.push(sheet.place);
    }
    Ok(key)
}

fn facts(
    vault: &Vault,
    copies: &Copies<'_>,
    device: DeviceRow,
    sections: Vec<SectionRow>,
    lost: Vec<u32>,
) -> Result<DeviceFacts> {
    let all = sections.len();
    let mut judged = Vec::new();
    for section in sections {
        if section.expected && !section.loose {
            judged.push(section_facts(vault, copies, section)?);
        }
    }
    let record = device.record;
    Ok(DeviceFacts {
        id: device.name,
        name: record.name,
        power: Power {
            kind: record.power,
            fitted_on: record.fitted_on,
            life_years: record.life_years,
            last_powered: record.last_powered,
        },
        has_other_sections: judged.len() < all,
        sections: judged,
        lost,
    })
}

fn section_facts(vault: &Vault, copies: &Copies<'_>, section: SectionRow) -> Result<SectionFacts> {
    let catalogue = vault.catalogue();
    let newest = match catalogue.newest_take(section.id)? {
        None => None,
        Some(take) => {
            let found = copies.of_take(&take)?;
            Some(Newest {
                take: take.number(),
                date: take.date.clone(),
                seen: take.newest,
                condition: take.condition(),
                evidence: take.evidence,
                recent: tally(found.iter().filter(|copy| copy.recent)),
                ever: tally(&found),
            })
        }
    };
    let doubtful = catalogue
        .newest_dump(section.id)?
        .filter(|(_, doubtful)| *doubtful)
        .map(|(take, _)| take);
    Ok(SectionFacts {
        name: section.name,
        every_days: section
            .record
            .every_days
            .unwrap_or(vault.settings().asked.dump_every_days),
        newest,
        doubtful,
    })
}
