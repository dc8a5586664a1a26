//! Beginning, rebuilding and rehearsing a vault.

use std::path::{Path, PathBuf};

use super::args::PassphraseArg;
use super::exit::Exit;
use super::keep::usage;
use super::takes::parse_date;
use super::{Desk, keys};
use crate::error::{Error, Kind, Next, Result};
use crate::model::place::Place;
use crate::ops;
use crate::ops::rescue::{RescueOptions, Until};
use crate::shelf::cipher::Identity;
use crate::shelf::copying::Copying;
use crate::shelf::typed::parse_typed;
use crate::sys::text::{counted, printable};
use crate::vault::Vault;

pub(super) fn create(desk: &Desk, place: Option<String>) -> Result<Exit> {
    let place: Option<Place> = place.map(|p| p.parse().map_err(usage)).transpose()?;
    let dir = desk.dir()?;
    let vault = ops::create::create(&dir, place.as_ref(), &desk.world)?;
    desk.warn(&vault);
    let copying = Copying::read(desk.world.disk.as_ref(), vault.dir())?;
    desk.print.document(&serde_json::json!({
        "vault": dir.display().to_string(),
        "vault_id": vault.id(),
        "recipient": copying.recipient.to_string(),
        "place": vault.settings().place,
    }))?;
    desk.print.success(&format!(
        "a new vault is in {}",
        printable(&dir.display().to_string())
    ))?;
    if place.is_none() {
        desk.print.note(
            "it has no place, so no copy counts as being elsewhere; write one into farshelf.toml: place = \"studio\"",
        );
    }
    desk.print
        .success("next: farshelf device add ID, then farshelf keep --device ID FILE…")?;
    desk.print
        .success("      farshelf key sheet, and keep the printed sheet in another place")?;
    Ok(Exit::Good)
}

pub(super) fn reindex(desk: &Desk) -> Result<Exit> {
    let (vault, rebuilt) = Vault::reindex(&desk.dir()?, desk.world.clone(), desk.wait)?;
    desk.warn(&vault);
    let damaged: Vec<_> = rebuilt
        .damaged
        .iter()
        .map(|(n, d)| serde_json::json!({ "reel": n, "detail": d }))
        .collect();
    let lost: Vec<_> = rebuilt
        .lost
        .iter()
        .map(|l| serde_json::json!({ "device": l.device, "take": l.take }))
        .collect();
    desk.print.document(&serde_json::json!({
        "reels": rebuilt.reels, "takes": rebuilt.takes, "damaged": damaged, "lost": lost,
    }))?;
    desk.print.success(&format!(
        "{} found in {}",
        counted(rebuilt.takes, "take"),
        counted(rebuilt.reels, "reel")
    ))?;
    for (number, detail) in &rebuilt.damaged {
        desk.print
            .line(&format!("damaged reel {number}: {}", printable(detail)))?;
    }
    for take in &rebuilt.lost {
        desk.print.line(&format!(
            "missing {}@{}: it was kept once and no reel here holds it",
            printable(&take.device),
            take.take
        ))?;
    }
    let bad = !rebuilt.damaged.is_empty() || !rebuilt.lost.is_empty();
    if bad {
        desk.print.line("next: farshelf repair")?;
    }
    Ok(Exit::attention(bad))
}

#[expect(clippy::too_many_arguments, reason = "the flags of one command")]
pub(super) fn rescue(
    desk: &Desk,
    locations: &[PathBuf],
    key: &Path,
    to: &Path,
    line: Option<String>,
    until: Option<String>,
    passphrase: &PassphraseArg,
) -> Result<Exit> {
    let until = match until {
        None => None,
        Some(text) if text.chars().all(|c| c.is_ascii_digit()) && text.len() != 4 => {
            Some(Until::Reel(text.parse().map_err(usage)?))
        }
        Some(text) => Some(Until::Date(parse_date(&text)?)),
    };
    let identity = key_for_rescue(desk, key, passphrase)?;
    let options = RescueOptions {
        locations: locations.to_vec(),
        to: to.to_path_buf(),
        line,
        until,
    };
    let done = ops::rescue::rescue(&options, &identity, &desk.world)?;
    let damaged: Vec<_> = done
        .damaged
        .iter()
        .map(|d| serde_json::json!({ "reel": d.reel, "detail": d.detail }))
        .collect();
    let lost: Vec<_> = done
        .lost
        .iter()
        .map(|(d, t)| serde_json::json!({ "device": d, "take": t }))
        .collect();
    let last = done
        .last_word
        .as_ref()
        .map(|w| serde_json::json!({ "date": w.date, "reel": w.reel }));
    desk.print.document(&serde_json::json!({
        "vault": done.vault.display().to_string(),
        "devices": done.devices,
        "takes": done.takes,
        "reels": done.reels,
        "last_word": last,
        "damaged": damaged,
        "lost": lost,
        "notes": done.notes,
    }))?;
    desk.print.success(&format!(
        "{} of {} are back in {}",
        counted(done.takes, "take"),
        counted(done.devices, "device"),
        printable(&done.vault.display().to_string())
    ))?;
    if let Some(word) = &done.last_word {
        desk.print.success(&format!(
            "the last word found is of {}",
            desk.when(&word.date)
        ))?;
    }
    for d in &done.damaged {
        desk.print.line(&format!(
            "missing or damaged everywhere: reel {}: {}",
            d.reel,
            printable(&d.detail)
        ))?;
    }
    for (device, take) in &done.lost {
        desk.print
            .line(&format!("not there any more: {}@{take}", printable(device)))?;
    }
    for note in &done.notes {
        desk.print.note(note);
    }
    desk.print.success(
        "next: take each shelf up again: farshelf shelf add NAME LOCATION --place PLACE",
    )?;
    Ok(Exit::attention(
        !done.damaged.is_empty() || !done.lost.is_empty(),
    ))
}

pub(super) fn demo(desk: &Desk, to: Option<PathBuf>) -> Result<Exit> {
    let folder = match to {
        Some(to) => to,
        None => crate::sys::settings::temporary_folder().join(format!(
            "farshelf-demo-{}",
            crate::sys::entropy::identifier(desk.world.entropy.as_ref())?
                .get(..8)
                .unwrap_or("0")
        )),
    };
    // What it notes on this computer lies in its own folder too.
    let world = crate::sys::World {
        state_dir: Some(folder.join("state")),
        ..desk.world.clone()
    };
    let left = crate::demo::run(&folder, &world, &mut |text| desk.print.line(text))?;
    desk.print.document(&serde_json::json!({
        "folder": left.folder.display().to_string(),
        "vault": left.vault.display().to_string(),
    }))?;
    Ok(Exit::Good)
}

/// The key for a rescue: a file, or what a person types from the sheet.
fn key_for_rescue(desk: &Desk, key: &Path, passphrase: &PassphraseArg) -> Result<Identity> {
    if key.as_os_str() == "-" {
        let text = keys::typed(desk)?;
        return parse_typed(&text).map_err(|e| {
            Error::new(Kind::WrongKey, format!("the typed key cannot be used: {e}")).next(
                Next::say(
                    "compare that group with the sheet and type it again; nothing was changed",
                ),
            )
        });
    }
    let file = ops::key::read_file(desk.world.disk.as_ref(), key)?;
    ops::key::open(file, &mut || keys::ask(desk, passphrase))
}
