//! `mirror`, `fixity` and `repair`.

use crate::care::copies::LOCAL;
use crate::cli::Face;
use crate::cli::args::{FixityArgs, Mirror, RepairArgs};
use crate::cli::exit::Outcome;
use crate::cli::json::copies as json;
use crate::cli::print::{cell, number, toned};
use crate::cli::shelf::tone;
use crate::error::Result;
use crate::ops::fixity::{self, FixityOptions};
use crate::ops::key;
use crate::ops::mirror::{self, MirrorOptions};
use crate::ops::repair::{self, Look, RETOLD};
use crate::shelf::keyfile::KeyFile;
use crate::sys::text::{grouped, size};

pub(super) fn mirror(face: &Face, what: &Mirror) -> Result<Outcome> {
    let vault = face.vault()?;
    let options = MirrorOptions {
        shelves: what.shelves.clone(),
        limit: what.limit,
        progress: face.printer.travel(),
    };
    let report = mirror::mirror(&vault, &options, face.wait())?;
    face.warnings(&vault);
    let printer = &face.printer;
    printer.document(&json::Mirrored::of(&report.shelves))?;
    if report.shelves.is_empty() {
        printer.line("there are no shelves yet")?;
        printer.hint("add one: farshelf shelf add NAME FOLDER --place PLACE");
    }
    if !face.global.quiet {
        let rows = report
            .shelves
            .iter()
            .map(|s| {
                vec![
                    cell(&s.name),
                    toned(s.state.as_str(), tone(s.state)),
                    number(match (s.reached, s.reels_sent) {
                        (false, 0) => "not reached".to_string(),
                        (true, 0) => "nothing new".to_string(),
                        _ => size(s.bytes_sent),
                    }),
                    number(match s.reached {
                        true => grouped(s.verified),
                        false => String::new(),
                    }),
                    cell(s.reason.as_deref().unwrap_or_default()),
                ]
            })
            .collect();
        printer.table(&["shelf", "state", "sent", "read back", "why"], rows)?;
    }
    for s in &report.shelves {
        for note in &s.notes {
            printer.note(format!("{}: {note}", s.name));
        }
        if let Some(e) = &s.error {
            printer.note(format!("{}: {e}", s.name));
        }
        if let Some(next) = s.next.text() {
            printer.hint(next);
        }
    }
    if report.needs_attention() {
        printer.hint("mend it: farshelf repair");
    }
    Ok(if report.failed() {
        Outcome::Failed
    } else {
        Outcome::attention_if(report.needs_attention())
    })
}

pub(super) fn fixity(face: &Face, what: &FixityArgs) -> Result<Outcome> {
    let vault = face.vault()?;
    let options = FixityOptions {
        local: what.which.iter().any(|w| w == LOCAL),
        shelves: what.which.iter().filter(|w| *w != LOCAL).cloned().collect(),
        budget: what.budget,
    };
    let report = fixity::fixity(&vault, &options, face.wait())?;
    face.warnings(&vault);
    let printer = &face.printer;
    printer.document(&json::Fixity::of(&report))?;
    for d in &report.damaged {
        printer.line(match d.reel {
            Some(reel) => format!("damaged: reel {reel} at {}: {}", d.place, d.detail),
            None => format!("damaged: {}: {}", d.place, d.detail),
        })?;
    }
    for (shelf, reason) in &report.skipped {
        printer.note(format!("{shelf} was not read: {reason}"));
    }
    let said = match (report.checked_reels, report.damaged.len()) {
        (0, 0) if !report.skipped.is_empty() => "nothing was read".to_string(),
        (_, 0) => format!(
            "read {} of copies again; all as it was written",
            size(report.checked_bytes)
        ),
        (_, n) => format!(
            "read {} of copies again; {} damaged",
            size(report.checked_bytes),
            grouped(n as u64)
        ),
    };
    printer.done(if report.complete || report.checked_reels == 0 {
        said
    } else {
        format!("{said}; some was not read this time")
    })?;
    if !report.good() {
        printer.hint("mend it: farshelf repair");
    }
    let missed = |shelf: &String| report.skipped.iter().any(|(name, _)| name == shelf);
    Ok(match what.which.iter().any(missed) {
        true => Outcome::Failed,
        false => Outcome::attention_if(!report.good()),
    })
}

pub(super) fn repair(face: &Face, what: &RepairArgs) -> Result<Outcome> {
    let vault = face.vault()?;
    let unlock = what.unlock.passphrase_from.as_deref();
    let key = key::read(vault.world().disk.as_ref(), vault.dir());
    // Most repairs need no key, so nobody is asked for a passphrase before it is known to be needed.
    let (identity, locked) = match key {
        Ok(KeyFile::Open(identity)) => (Some(identity), None),
        Ok(locked) if unlock.is_some() => (
            Some(key::open(locked, &mut || face.passphrase(unlock))?),
            None,
        ),
        Ok(locked) => (None, Some(locked)),
        Err(e) => {
            face.printer.note(e.fact());
            (None, None)
        }
    };
    let (mut vault, mut report) =
        repair::repair(vault, identity.as_ref(), Look::Everywhere, face.wait())?;
    if report.key_needed
        && face.may_ask()
        && let Some(locked) = locked
    {
        let identity = key::open(locked, &mut || face.passphrase(None))?;
        let first = report;
        (vault, report) = repair::repair(vault, Some(&identity), Look::AsRecorded, face.wait())?;
        report.repaired.splice(0..0, first.repaired);
    }
    face.warnings(&vault);
    let printer = &face.printer;
    printer.document(&json::Repair::of(&report))?;
    for m in &report.repaired {
        printer.done(match m.reel {
            Some(reel) if m.what == RETOLD => {
                format!("kept again what was noted of takes in reel {reel}, which no copy holds any more")
            }
            Some(reel) => format!("mended reel {reel} at {} from {}", m.place, m.from),
            None => format!("mended {} at {} from {}", m.what, m.place, m.from),
        })?;
    }
    for u in &report.unrepairable {
        printer.line(match u.reel {
            Some(reel) => format!("not mended: reel {reel} at {}: {}", u.place, u.detail),
            None => format!("not mended: {}: {}", u.place, u.detail),
        })?;
    }
    for (device, take) in &report.lost_takes {
        printer.line(format!(
            "lost: {device}@{take}; keeping the same dump again brings it back"
        ))?;
    }
    if report.repaired.is_empty() && report.unrepairable.is_empty() && report.lost_takes.is_empty()
    {
        printer.done("nothing needed mending")?;
    } else {
        printer.done(format!(
            "{} mended, {} not",
            grouped(report.repaired.len() as u64),
            grouped(report.unrepairable.len() as u64)
        ))?;
    }
    if report.key_needed {
        printer.hint("some of it needs the key: farshelf repair --passphrase-from FILE");
    }
    let bad = !report.unrepairable.is_empty() || !report.lost_takes.is_empty();
    Ok(Outcome::attention_if(bad || report.key_needed))
}
