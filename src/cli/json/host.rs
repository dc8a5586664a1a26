//! Shapes of what tells of a host and its guests.

use serde::Serialize;

use crate::error::{Error, Kind, Result};
use crate::host::{Adopted, Checked, GuestView, HostFolder, Invited, Retired, Serving};
use crate::sys::clock::rfc3339;

/// `host init`.
#[derive(Debug, Serialize)]
pub(crate) struct Made {
    folder: String,
    host: String,
    address: String,
    listen: String,
    print: String,
}

impl Made {
    pub(crate) fn of(h: &HostFolder) -> Made {
        Made {
            folder: h.root.display().to_string(),
            host: h.id.to_string(),
            address: h.address.authority(),
            listen: h.listen.to_string(),
            print: h.print.to_string(),
        }
    }
}

/// `host invite`.
#[derive(Debug, Serialize)]
pub(crate) struct Invite {
    guest: String,
    invite: String,
    generation: u32,
    quota: Option<u64>,
}

impl Invite {
    pub(crate) fn of(guest: &str, i: &Invited) -> Invite {
        Invite {
            guest: guest.to_string(),
            invite: i.line.to_string(),
            generation: i.line.generation,
            quota: i.quota,
        }
    }
}

/// `host serve`, once it listens.
#[derive(Debug, Serialize)]
pub(crate) struct Listening {
    listening: String,
    address: String,
    print: Option<String>,
}

impl Listening {
    pub(crate) fn of(s: &Serving, h: &HostFolder, plain: bool) -> Listening {
        Listening {
            listening: s.listening.to_string(),
            address: h.address.authority(),
            print: (!plain).then(|| h.print.to_string()),
        }
    }

    /// The one line.
    pub(crate) fn line(&self) -> Result<String> {
        serde_json::to_string(self)
            .map(|text| text + "\n")
            .map_err(|e| Error::new(Kind::Bug, "an answer has no JSON form").because(e))
    }
}

/// A guest in `host list`.
#[derive(Debug, Serialize)]
pub(crate) struct Guest {
    name: String,
    in_use: bool,
    invited: bool,
    generation: u32,
    objects: u64,
    bytes: u64,
    quota: Option<u64>,
    last_came_at: Option<String>,
    checked_at: Option<String>,
    damaged: Vec<String>,
    unreadable: bool,
}

impl Guest {
    pub(crate) fn of(g: &GuestView) -> Guest {
        Guest {
            name: g.name.to_string(),
            in_use: g.in_use,
            invited: g.invited,
            generation: g.generation,
            objects: g.report.objects,
            bytes: g.report.bytes,
            quota: g.report.quota,
            last_came_at: g.last_came.map(rfc3339),
            checked_at: g.report.checked_at.clone(),
            damaged: g.report.damaged.clone(),
            unreadable: g.unreadable.is_some(),
        }
    }
}

/// `host list`.
#[derive(Debug, Serialize)]
pub(crate) struct Guests {
    pub guests: Vec<Guest>,
}

#[derive(Debug, Serialize)]
struct Damage {
    guest: String,
    key: String,
    detail: String,
}

/// `host check`.
#[derive(Debug, Serialize)]
pub(crate) struct CheckedHost {
    checked_objects: u64,
    checked_bytes: u64,
    recorded: u64,
    unrecorded: u64,
    damaged: Vec<Damage>,
    good: bool,
}

impl CheckedHost {
    pub(crate) fn of(c: &Checked) -> CheckedHost {
        CheckedHost {
            checked_objects: c.objects,
            checked_bytes: c.bytes,
            recorded: c.recorded,
            unrecorded: c.unrecorded,
            damaged: c
                .damaged
                .iter()
                .map(|d| Damage {
                    guest: d.guest.to_string(),
                    key: d.key.clone(),
                    detail: d.detail.to_string(),
                })
                .collect(),
            good: c.damaged.is_empty(),
        }
    }
}

/// `host adopt`.
#[derive(Debug, Serialize)]
pub(crate) struct AdoptedShelf {
    guest: String,
    new_guest: bool,
    needs_invite: bool,
    copied: u64,
    unchanged: u64,
    bytes: u64,
}

impl AdoptedShelf {
    pub(crate) fn of(a: &Adopted) -> AdoptedShelf {
        AdoptedShelf {
            guest: a.guest.to_string(),
            new_guest: a.new_guest,
            needs_invite: a.needs_invite,
            copied: a.copied,
            unchanged: a.unchanged,
            bytes: a.bytes,
        }
    }
}

/// `host retire`.
#[derive(Debug, Serialize)]
pub(crate) struct RetiredGuest {
    guest: String,
    moved_to: String,
}

impl RetiredGuest {
    pub(crate) fn of(r: &Retired) -> RetiredGuest {
        RetiredGuest {
            guest: r.guest.to_string(),
            moved_to: r.moved_to.display().to_string(),
        }
    }
}
