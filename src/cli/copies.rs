//! Health, shelves and what keeps their copies right.

use super::args::{PassphraseArg, ShelfCommand};
use super::devices::days;
use super::exit::Exit;
use super::keep::usage;
use super::print::Tone;
use super::{Desk, json, keys};
use crate::care::health::{ShelfState as ShelfHealth, ShelfWord, lines};
use crate::care::standing::{ShelfState, Standing};
use crate::error::{Error, Kind, Next, Result};
use crate::ops::fixity::{Extent, Fixity};
use crate::ops::repair::Repair;
use crate::ops::shelf::{self as shelves, AddOptions};
use crate::sys::text::{counted, printable, size};
use crate::vault::Vault;

pub(super) fn health(desk: &Desk) -> Result<Exit> {
    let vault = desk.vault()?;
    let standings = shelves::list(&vault)?;
    let health = crate::ops::health::health(&vault, standings.iter().map(for_health).collect())?;
    desk.print.document(&json::health(&health, &standings))?;
    if !desk.print.quiet || !health.good {
        for line in lines(&health) {
            let tone = if health.good { Tone::Good } else { Tone::Plain };
            desk.print.line(&desk.print.tone(tone, &line))?;
        }
        for step in health.steps() {
            if let Some(text) = step.text() {
                desk.print.line(&format!("next: {}", printable(&text)))?;
            }
        }
    }
    Ok(Exit::attention(!health.good))
}

/// A shelf as health looks at it.
pub(crate) fn for_health(s: &Standing) -> ShelfHealth {
    ShelfHealth {
        name: s.name.clone(),
        place: s.place.clone(),
        offsite: s.offsite,
        state: match s.state {
            ShelfState::Good => ShelfWord::Good,
            ShelfState::Behind => ShelfWord::Behind,
            ShelfState::Away => ShelfWord::Away,
            ShelfState::Damaged => ShelfWord::Damaged,
        },
        reason: s.reason.clone(),
    }
}

pub(super) fn shelf(desk: &Desk, command: ShelfCommand) -> Result<Exit> {
    let vault = desk.vault()?;
    match command {
        ShelfCommand::Add {
            name,
            location,
            place,
            every,
            separate,
        } => {
            let options = AddOptions {
                name,
                location: location.into(),
                place: Some(place.parse().map_err(usage)?),
                every_days: Some(days(&every)?),
                separate,
            };
            let added = shelves::add(&vault, &options, desk.wait)?;
            desk.warn(&vault);
            desk.print.document(&json::shelf(&added.shelf))?;
            let s = &added.shelf;
            let how = if added.taken_up {
                "taken up again"
            } else {
                "added"
            };
            desk.print.success(&format!(
                "shelf {} {how}: {} ({})",
                s.name,
                printable(&s.location),
                printable(&s.place)
            ))?;
            if added.same_file_system && !separate {
                desk.print.note("it lies on the vault's own disk, so the two count as one copy; if that is not so: --separate");
            }
            desk.print.success("next: farshelf mirror")?;
        }
        ShelfCommand::List => {
            let all = shelves::list(&vault)?;
            desk.print.document(&serde_json::json!({
                "shelves": all.iter().map(json::shelf).collect::<Vec<_>>()
            }))?;
            list(desk, &all)?;
        }
        ShelfCommand::Show { name } => {
            let shown = shelves::show(&vault, &name)?;
            let mut document = json::shelf(&shown.shelf);
            if let Some(map) = document.as_object_mut() {
                map.insert("every_days".into(), shown.every_days.into());
                map.insert("separate".into(), shown.separate.into());
                map.insert("damage".into(), shown.damage.clone().into());
                let reels: Vec<_> = shown
                    .reels
                    .iter()
                    .map(|r| {
                        serde_json::json!({
                            "reel": r.reel,
                            "object": r.object,
                            "bytes": r.bytes,
                            "mirrored_at": json::time(r.mirrored_at),
                            "verified_at": json::time(r.verified_at),
                            "damage": r.damage,
                        })
                    })
                    .collect();
                map.insert("copies".into(), reels.into());
            }
            desk.print.document(&document)?;
            show(desk, &shown)?;
        }
        ShelfCommand::Accept { name } => {
            let accepted = shelves::accept(&vault, &name, desk.wait)?;
            desk.print.document(&serde_json::json!({
                "name": accepted.name,
                "reels": accepted.reels.iter().map(|(n, t)| serde_json::json!({ "number": n, "tag": t })).collect::<Vec<_>>(),
            }))?;
            desk.print.success(&format!(
                "what the other computer wrote to {} stands beside yours from now on ({})",
                accepted.name,
                counted(accepted.reels.len() as u64, "reel")
            ))?;
        }
        ShelfCommand::Drop { name, confirm } => {
            confirmed(desk, &name, confirm.as_deref())?;
            let dropped = shelves::drop_shelf(&vault, &name, desk.wait)?;
            desk.print.document(
                &serde_json::json!({ "name": dropped.name, "location": dropped.location }),
            )?;
            desk.print.success(&format!(
                "shelf {} is given up; what lies in {} was left alone",
                dropped.name,
                printable(&dropped.location)
            ))?;
        }
    }
    desk.warn(&vault);
    Ok(Exit::Good)
}

/// Giving up a shelf wants its name typed again.
fn confirmed(desk: &Desk, name: &str, confirm: Option<&str>) -> Result<()> {
    use std::io::IsTerminal;
    let typed = match confirm {
        Some(typed) => typed.to_string(),
        None if desk.no_input || !std::io::stdin().is_terminal() => {
            return Err(
                usage(format!("giving up {name} wants its name once more")).next(Next::say(
                    format!("farshelf shelf drop {name} --confirm {name}"),
                )),
            );
        }
        None => {
            desk.print.err(&format!(
                "type the name of the shelf to give it up ({name}): "
            ));
            let mut line = String::new();
            std::io::stdin()
                .read_line(&mut line)
                .map_err(|e| Error::io("cannot read the answer", e))?;
            line.trim().to_string()
        }
    };
    if typed != name {
        return Err(Error::new(
            Kind::Refused,
            format!("{} is not {name}; the shelf was kept", printable(&typed)),
        ));
    }
    Ok(())
}

fn tone(state: ShelfState) -> Tone {
    match state {
        ShelfState::Good => Tone::Good,
        ShelfState::Damaged => Tone::Bad,
        ShelfState::Away | ShelfState::Behind => Tone::Warn,
    }
}

fn list(desk: &Desk, all: &[Standing]) -> Result<()> {
    if all.is_empty() {
        return desk
            .print
            .line("there is no shelf yet: farshelf shelf add NAME FOLDER --place PLACE");
    }
    let rows = all
        .iter()
        .map(|s| {
            let state = match &s.reason {
                Some(reason) => format!("{}: {reason}", s.state.as_str()),
                None => s.state.as_str().to_string(),
            };
            vec![
                s.name.clone(),
                s.place.clone() + if s.offsite { "" } else { " (as the vault)" },
                s.location.clone(),
                size(s.bytes),
                desk.moment(s.mirrored_at),
                desk.moment(s.verified_at),
                state,
            ]
        })
        .collect();
    desk.print.table(
        &[
            "SHELF",
            "PLACE",
            "WHERE",
            "SIZE",
            "MIRRORED",
            "LAST READ",
            "STATE",
        ],
        rows,
    )
}

fn show(desk: &Desk, shown: &shelves::ShelfShown) -> Result<()> {
    let (s, p) = (&shown.shelf, &desk.print);
    p.line(&format!(
        "{}, {}",
        s.name,
        p.tone(tone(s.state), s.state.as_str())
    ))?;
    if let Some(reason) = &s.reason {
        p.line(&format!("  because    {}", printable(reason)))?;
    }
    p.line(&format!(
        "  where      {} ({})",
        printable(&s.location),
        s.kind
    ))?;
    let offsite = if s.offsite {
        "another place than the vault's"
    } else {
        "the vault's own place"
    };
    p.line(&format!("  place      {} ({offsite})", printable(&s.place)))?;
    p.line(&format!("  size       {}", size(s.bytes)))?;
    p.line(&format!(
        "  mirrored   {} (asked for every {})",
        desk.moment(s.mirrored_at),
        counted(u64::from(shown.every_days), "day")
    ))?;
    p.line(&format!("  last read  {}", desk.moment(s.verified_at)))?;
    p.line(&format!("  behind by  {}", counted(s.behind_takes, "take")))?;
    for line in &shown.damage {
        p.line(&format!("  wrong      {}", printable(line)))?;
    }
    for r in shown
        .reels
        .iter()
        .filter(|r| p.verbose || r.damage.is_some())
    {
        let how = match &r.damage {
            Some(damage) => printable(damage),
            None => format!("read {}", desk.moment(r.verified_at)),
        };
        p.line(&format!("  reel {:>6}  {}, {how}", r.reel, size(r.bytes)))?;
    }
    Ok(())
}

pub(super) fn mirror(desk: &Desk, names: &[String]) -> Result<Exit> {
    let vault = desk.vault()?;
    let report = crate::ops::mirror::mirror(&vault, names, desk.wait)?;
    desk.warn(&vault);
    desk.print.document(&json::mirror(&report))?;
    if report.shelves.is_empty() {
        desk.print
            .line("there is no shelf yet: farshelf shelf add NAME FOLDER --place PLACE")?;
    }
    for s in &report.shelves {
        let sent = match s.reels_sent {
            0 => "nothing to send".to_string(),
            _ => format!("{} sent", size(s.bytes_sent)),
        };
        let word = desk.print.tone(tone(s.state), s.state.as_str());
        desk.print
            .success(&format!("{}: {sent}, all read back; {word}", s.name))?;
        if let Some(reason) = &s.reason {
            desk.print.success(&format!("  {}", printable(reason)))?;
        }
        for note in &s.notes {
            desk.print.note(&format!("{}: {note}", s.name));
        }
        if let Some(e) = &s.error {
            desk.print.note(&format!("{}: {e}", s.name));
        }
    }
    Ok(if report.failed() {
        Exit::Failed
    } else {
        Exit::attention(report.needs_attention())
    })
}

/// `500MB`, `2GB`, or bytes.
fn bytes(text: &str) -> Result<u64> {
    let low = text.trim().to_ascii_lowercase();
    let (digits, factor) = [
        ("tb", 1u64 << 40),
        ("gb", 1_000_000_000),
        ("mb", 1_000_000),
        ("kb", 1_000),
    ]
    .iter()
    .find_map(|(unit, factor)| Some((low.strip_suffix(unit)?, *factor)))
    .unwrap_or((low.as_str(), 1));
    let factor = if low.ends_with("tb") {
        1_000_000_000_000
    } else {
        factor
    };
    digits
        .trim()
        .parse::<u64>()
        .ok()
        .and_then(|n| n.checked_mul(factor))
        .filter(|n| *n > 0)
        .ok_or_else(|| usage(format!("{text} is no size, such as 500MB or 2GB")))
}

pub(super) fn fixity(desk: &Desk, which: &[String], budget: Option<&str>) -> Result<Exit> {
    let budget = budget.map(bytes).transpose()?;
    let vault = desk.vault()?;
    let extent = if which.is_empty() {
        Extent {
            budget,
            ..Extent::everything()
        }
    } else {
        Extent {
            local: which.iter().any(|w| w == "local"),
            shelves: Some(which.iter().filter(|w| *w != "local").cloned().collect()),
            budget,
        }
    };
    let found = crate::ops::fixity::fixity(&vault, &extent, desk.wait)?;
    desk.warn(&vault);
    desk.print.document(&fixity_json(&found))?;
    for d in &found.damaged {
        let reel = d.reel.map_or(String::new(), |n| format!(" reel {n}:"));
        let word = desk.print.tone(Tone::Bad, "damaged");
        desk.print.line(&format!(
            "{word} {}:{reel} {}",
            printable(&d.where_),
            printable(&d.detail)
        ))?;
    }
    for note in &found.notes {
        desk.print.note(note);
    }
    let read = format!(
        "{} read in {}",
        size(found.checked_bytes),
        counted(found.checked_reels, "copy")
    );
    if found.good() {
        let all = if found.complete {
            "everything is as it was written"
        } else {
            "what was read is as it was written"
        };
        desk.print
            .success(&format!("{}: {read}", desk.print.tone(Tone::Good, all)))?;
    } else {
        desk.print.line(&read)?;
        desk.print.line("next: farshelf repair")?;
    }
    Ok(Exit::attention(!found.good()))
}

fn fixity_json(f: &Fixity) -> serde_json::Value {
    let damaged: Vec<_> = f
        .damaged
        .iter()
        .map(|d| serde_json::json!({ "where": d.where_, "reel": d.reel, "detail": d.detail }))
        .collect();
    serde_json::json!({
        "checked_reels": f.checked_reels,
        "checked_bytes": f.checked_bytes,
        "complete": f.complete,
        "damaged": damaged,
        "notes": f.notes,
        "good": f.good(),
    })
}

pub(super) fn repair(desk: &Desk, passphrase: &PassphraseArg) -> Result<Exit> {
    let vault = desk.vault()?;
    let identity = repair_key(desk, &vault, passphrase)?;
    let done = crate::ops::repair::repair(&vault, identity.as_ref(), desk.wait)?;
    desk.warn(&vault);
    desk.print.document(&repair_json(&done))?;
    for m in &done.repaired {
        let what = m.reel.map_or(String::new(), |n| format!(" reel {n}"));
        let from = match m.reel {
            Some(_) => format!(" from {}", printable(&m.from)),
            None => format!(": {}", printable(&m.from)),
        };
        desk.print
            .success(&format!("mended {}{what}{from}", printable(&m.where_)))?;
    }
    for u in &done.unrepairable {
        let what = u.reel.map_or(String::new(), |n| format!(" reel {n}"));
        let word = desk.print.tone(Tone::Bad, "not mended");
        desk.print.line(&format!(
            "{word} {}{what}: {}",
            printable(&u.where_),
            printable(&u.detail)
        ))?;
    }
    for note in &done.notes {
        desk.print.note(note);
    }
    if done.repaired.is_empty() && done.unrepairable.is_empty() {
        desk.print
            .success("nothing to mend: everything that could be read is as it was written")?;
    }
    Ok(Exit::attention(!done.unrepairable.is_empty()))
}

/// The key for mending the vault itself; a locked one is asked for only where that is possible.
fn repair_key(
    desk: &Desk,
    vault: &Vault,
    passphrase: &PassphraseArg,
) -> Result<Option<crate::shelf::cipher::Identity>> {
    use std::io::IsTerminal;
    let key = match crate::ops::key::read(vault.world().disk.as_ref(), vault.dir()) {
        Ok(key) => key,
        Err(e) => {
            desk.print
                .note(&format!("{}; shelves can be mended without it", e.fact()));
            return Ok(None);
        }
    };
    let can_ask =
        passphrase.passphrase_from.is_some() || (!desk.no_input && std::io::stdin().is_terminal());
    if matches!(key, crate::shelf::keyfile::KeyFile::Locked(_)) && !can_ask {
        desk.print
            .note("the key is locked, so only shelves are mended; --passphrase-from FILE opens it");
        return Ok(None);
    }
    crate::ops::key::open(key, &mut || keys::ask(desk, passphrase)).map(Some)
}

fn repair_json(r: &Repair) -> serde_json::Value {
    let repaired: Vec<_> = r
        .repaired
        .iter()
        .map(|m| serde_json::json!({ "where": m.where_, "reel": m.reel, "from": m.from }))
        .collect();
    let unrepairable: Vec<_> = r
        .unrepairable
        .iter()
        .map(|u| serde_json::json!({ "where": u.where_, "reel": u.reel, "detail": u.detail }))
        .collect();
    serde_json::json!({ "repaired": repaired, "unrepairable": unrepairable, "notes": r.notes })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_are_read_with_their_units() {
        for (text, n) in [
            ("500", 500),
            ("500MB", 500_000_000),
            ("2 gb", 2_000_000_000),
            ("1TB", 1_000_000_000_000),
        ] {
            assert_eq!(bytes(text).unwrap(), n, "{text}");
        }
        for text in ["", "0", "-1", "many", "99999999999999TB"] {
            assert!(bytes(text).is_err(), "{text}");
        }
    }
}
