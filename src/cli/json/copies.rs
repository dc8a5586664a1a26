//! Shapes of what tells of copies: shelves, health, mirror, fixity, repair.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::care::health;
use crate::care::standing::Standing;
use crate::ops::fixity::FixityReport;
use crate::ops::mirror::MirroredShelf;
use crate::ops::repair::RepairReport;
use crate::ops::rescue::RescueReport;
use crate::ops::shelf::{Accepted, Added, Dropped, ShelfShown};
use crate::sys::clock::rfc3339;

/// A shelf in `shelf list` and `health`.
#[derive(Debug, Serialize)]
pub(crate) struct Shelf {
    name: String,
    kind: String,
    location: String,
    place: String,
    offsite: bool,
    state: &'static str,
    reason: Option<String>,
    reels: u64,
    behind_takes: u64,
    bytes: u64,
    mirrored_at: Option<String>,
    verified_at: Option<String>,
    opened_at: Option<String>,
    reported_at: Option<String>,
    reachable: bool,
}

impl Shelf {
    pub(crate) fn of(s: &Standing) -> Shelf {
        Shelf {
            name: s.name.clone(),
            kind: s.kind.clone(),
            location: s.location.clone(),
            place: s.place.clone(),
            offsite: s.offsite,
            state: s.state.as_str(),
            reason: s.reason.clone(),
            reels: s.reels,
            behind_takes: s.behind_takes,
            bytes: s.bytes,
            mirrored_at: s.mirrored_at.map(rfc3339),
            verified_at: s.verified_at.map(rfc3339),
            opened_at: s.opened_at.map(rfc3339),
            reported_at: s.reported_at.map(rfc3339),
            reachable: s.reachable,
        }
    }
}

/// `shelf list`.
#[derive(Debug, Serialize)]
pub(crate) struct Shelves {
    pub shelves: Vec<Shelf>,
}

/// `shelf add`.
#[derive(Debug, Serialize)]
pub(crate) struct ShelfAdded {
    #[serde(flatten)]
    shelf: Shelf,
    taken_up: bool,
    same_file_system: bool,
    honours: BTreeMap<String, String>,
}

impl ShelfAdded {
    pub(crate) fn of(a: &Added) -> ShelfAdded {
        ShelfAdded {
            shelf: Shelf::of(&a.shelf),
            taken_up: a.taken_up,
            same_file_system: a.same_file_system,
            honours: a.honours.clone(),
        }
    }
}

/// `shelf show`.
#[derive(Debug, Serialize)]
pub(crate) struct ShelfInFull {
    #[serde(flatten)]
    shelf: Shelf,
    shelf_id: String,
    every_days: u32,
    separate: bool,
    honours: BTreeMap<String, String>,
    limit: Option<String>,
    seen_at: Option<String>,
    damage: Vec<String>,
    copies: Vec<ShelfCopy>,
}

#[derive(Debug, Serialize)]
struct ShelfCopy {
    reel: u64,
    object: String,
    bytes: u64,
    mirrored_at: Option<String>,
    verified_at: Option<String>,
    damage: Option<String>,
}

impl ShelfInFull {
    pub(crate) fn of(s: &ShelfShown) -> ShelfInFull {
        ShelfInFull {
            shelf: Shelf::of(&s.shelf),
            shelf_id: s.shelf_id.clone(),
            every_days: s.every_days,
            separate: s.separate,
            honours: s.honours.clone(),
            limit: s.limit.clone(),
            seen_at: s.seen_at.map(rfc3339),
            damage: s.damage.clone(),
            copies: s
                .reels
                .iter()
                .map(|r| ShelfCopy {
                    reel: r.reel,
                    object: r.object.clone(),
                    bytes: r.bytes,
                    mirrored_at: r.mirrored_at.map(rfc3339),
                    verified_at: r.verified_at.map(rfc3339),
                    damage: r.damage.clone(),
                })
                .collect(),
        }
    }
}

/// `shelf accept`.
#[derive(Debug, Serialize)]
pub(crate) struct ShelfAccepted {
    name: String,
    reels: Vec<TaggedReel>,
}

#[derive(Debug, Serialize)]
struct TaggedReel {
    reel: u64,
    tag: String,
}

impl ShelfAccepted {
    pub(crate) fn of(a: &Accepted) -> ShelfAccepted {
        ShelfAccepted {
            name: a.name.clone(),
            reels: a
                .reels
                .iter()
                .map(|(reel, tag)| TaggedReel {
                    reel: *reel,
                    tag: tag.clone(),
                })
                .collect(),
        }
    }
}

/// `shelf drop`.
#[derive(Debug, Serialize)]
pub(crate) struct ShelfDropped {
    name: String,
    location: String,
}

impl ShelfDropped {
    pub(crate) fn of(d: &Dropped) -> ShelfDropped {
        ShelfDropped {
            name: d.name.clone(),
            location: d.location.clone(),
        }
    }
}

/// `mirror`.
#[derive(Debug, Serialize)]
pub(crate) struct Mirrored {
    shelves: Vec<MirroredTo>,
}

#[derive(Debug, Serialize)]
struct MirroredTo {
    name: String,
    reels_sent: u64,
    bytes_sent: u64,
    reels_total: u64,
    verified: u64,
    reached: bool,
    state: &'static str,
    reason: Option<String>,
    notes: Vec<String>,
    error: Option<String>,
}

impl Mirrored {
    pub(crate) fn of(shelves: &[MirroredShelf]) -> Mirrored {
        Mirrored {
            shelves: shelves
                .iter()
                .map(|s| MirroredTo {
                    name: s.name.clone(),
                    reels_sent: s.reels_sent,
                    bytes_sent: s.bytes_sent,
                    reels_total: s.reels_total,
                    verified: s.verified,
                    reached: s.reached,
                    state: s.state.as_str(),
                    reason: s.reason.clone(),
                    notes: s.notes.clone(),
                    error: s.error.clone(),
                })
                .collect(),
        }
    }
}

/// `health`.
#[derive(Debug, Serialize)]
pub(crate) struct Health {
    good: bool,
    devices: Vec<Device>,
    shelves: Vec<Shelf>,
    key: Key,
    problems: Vec<Problem>,
    lost: Vec<Take>,
}

#[derive(Debug, Serialize)]
struct Device {
    id: String,
    state: &'static str,
    /// A sentence each, worst first.
    reasons: Vec<String>,
    /// Their stable words, in the same order.
    codes: Vec<&'static str>,
    sections: Vec<Section>,
    copies: u32,
    offsite_copies: u32,
    battery_due: Option<String>,
}

#[derive(Debug, Serialize)]
struct Section {
    section: String,
    newest_take: Option<u32>,
    date: Option<String>,
    age_days: Option<i64>,
    condition: Option<&'static str>,
    evidence: Option<&'static str>,
}

#[derive(Debug, Serialize)]
struct Key {
    confirmed: bool,
    places: Vec<String>,
}

#[derive(Debug, Serialize)]
struct Problem {
    reel: u64,
    detail: String,
}

#[derive(Debug, Serialize)]
struct Take {
    device: String,
    take: u32,
}

impl Health {
    pub(crate) fn of(h: &health::Health, shelves: &[Standing]) -> Health {
        Health {
            good: h.good,
            devices: h.devices.iter().map(Device::of).collect(),
            shelves: shelves.iter().map(Shelf::of).collect(),
            key: Key {
                confirmed: h.key.confirmed,
                places: h.key.places.clone(),
            },
            problems: h
                .problems
                .iter()
                .map(|p| Problem {
                    reel: p.reel,
                    detail: p.detail.clone(),
                })
                .collect(),
            lost: h
                .lost
                .iter()
                .map(|l| Take {
                    device: l.device.clone(),
                    take: l.take,
                })
                .collect(),
        }
    }
}

impl Device {
    fn of(d: &health::DeviceHealth) -> Device {
        Device {
            id: d.id.clone(),
            state: d.state.as_str(),
            reasons: d.reasons.iter().map(|r| r.text.clone()).collect(),
            codes: d.reasons.iter().map(|r| r.code.as_str()).collect(),
            sections: d
                .sections
                .iter()
                .map(|s| Section {
                    section: s.section.clone(),
                    newest_take: s.newest_take,
                    date: s.date.clone(),
                    age_days: s.age_days,
                    condition: s.condition.map(|c| c.as_str()),
                    evidence: s.evidence.map(|e| e.as_str()),
                })
                .collect(),
            copies: d.copies,
            offsite_copies: d.offsite_copies,
            battery_due: d.battery_due.clone(),
        }
    }
}

/// `fixity`.
#[derive(Debug, Serialize)]
pub(crate) struct Fixity {
    checked_reels: u64,
    checked_bytes: u64,
    complete: bool,
    damaged: Vec<Damage>,
    skipped: Vec<Skipped>,
    good: bool,
}

#[derive(Debug, Serialize)]
struct Damage {
    #[serde(rename = "where")]
    at: String,
    reel: Option<u64>,
    detail: String,
}

#[derive(Debug, Serialize)]
struct Skipped {
    #[serde(rename = "where")]
    at: String,
    reason: String,
}

impl Fixity {
    pub(crate) fn of(r: &FixityReport) -> Fixity {
        Fixity {
            checked_reels: r.checked_reels,
            checked_bytes: r.checked_bytes,
            complete: r.complete,
            damaged: r
                .damaged
                .iter()
                .map(|d| Damage {
                    at: d.place.clone(),
                    reel: d.reel,
                    detail: d.detail.clone(),
                })
                .collect(),
            skipped: r
                .skipped
                .iter()
                .map(|(at, reason)| Skipped {
                    at: at.clone(),
                    reason: reason.clone(),
                })
                .collect(),
            good: r.good(),
        }
    }
}

/// `repair`.
#[derive(Debug, Serialize)]
pub(crate) struct Repair {
    repaired: Vec<Repaired>,
    unrepairable: Vec<Damage>,
    lost: Vec<Take>,
    key_needed: bool,
}

#[derive(Debug, Serialize)]
struct Repaired {
    #[serde(rename = "where")]
    at: String,
    reel: Option<u64>,
    what: String,
    from: String,
}

impl Repair {
    pub(crate) fn of(r: &RepairReport) -> Repair {
        Repair {
            repaired: r
                .repaired
                .iter()
                .map(|m| Repaired {
                    at: m.place.clone(),
                    reel: m.reel,
                    what: m.what.clone(),
                    from: m.from.clone(),
                })
                .collect(),
            unrepairable: r
                .unrepairable
                .iter()
                .map(|u| Damage {
                    at: u.place.clone(),
                    reel: u.reel,
                    detail: u.detail.clone(),
                })
                .collect(),
            lost: r
                .lost_takes
                .iter()
                .map(|(device, take)| Take {
                    device: device.clone(),
                    take: *take,
                })
                .collect(),
            key_needed: r.key_needed,
        }
    }
}

/// `rescue`.
#[derive(Debug, Serialize)]
pub(crate) struct Rescued {
    vault: String,
    devices: u64,
    takes: u64,
    reels: u64,
    last_word: LastWord,
    damaged: Vec<Lost>,
    withheld: Vec<String>,
    left: Vec<TaggedReel>,
    notes: Vec<String>,
}

#[derive(Debug, Serialize)]
struct LastWord {
    date: Option<String>,
    reel: u64,
}

#[derive(Debug, Serialize)]
struct Lost {
    reel: Option<u64>,
    device: Option<String>,
    take: Option<u32>,
    detail: String,
}

impl Rescued {
    pub(crate) fn of(r: &RescueReport) -> Rescued {
        Rescued {
            vault: r.vault.display().to_string(),
            devices: r.devices,
            takes: r.takes,
            reels: r.reels,
            last_word: LastWord {
                date: r.last_date.map(rfc3339),
                reel: r.last_reel,
            },
            damaged: r
                .damaged
                .iter()
                .map(|l| Lost {
                    reel: l.reel,
                    device: l.take.as_ref().map(|(device, _)| device.clone()),
                    take: l.take.as_ref().map(|(_, take)| *take),
                    detail: l.detail.clone(),
                })
                .collect(),
            withheld: r.withheld.clone(),
            left: r
                .left
                .iter()
                .map(|(reel, tag)| TaggedReel {
                    reel: *reel,
                    tag: tag.clone(),
                })
                .collect(),
            notes: r.notes.clone(),
        }
    }
}
