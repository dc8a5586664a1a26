//! Beginning, rebuilding and rehearsing a vault.

use std::path::{Path, PathBuf};

use super::args::PassphraseArg;
use super::exit::Exit;
use super::keep::usage;
use super::{Desk, json, keys};
use crate::error::{Error, Kind, Next, Result};
use crate::model::place::Place;
use crate::ops;
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
    desk.print.success(&format!("a new vault is in {}", printable(&dir.display().to_string())))?;
    if place.is_none() {
        desk.print.note(
            "it has no place, so no copy counts as being elsewhere; write one into farshelf.toml: place = \"studio\"",
        );
    }
    desk.print.success("next: farshelf device add ID, then farshelf keep --device ID FILE…")?;
    desk.print.success("      farshelf key sheet, and keep the printed sheet in another place")?;
    Ok(Exit::Good)
}

pub(super) fn reindex(desk: &Desk) -> Result<Exit> {
    let (vault, rebuilt) = Vault::reindex(&desk.dir()?, desk.world.clone(), desk.wait)?;
    desk.warn(&vault);
    let damaged: Vec<_> =
        rebuilt.damaged.iter().map(|(n, d)| serde_json::json!({ "reel": n, "detail": d })).collect();
    let lost: Vec<_> =
        rebuilt.lost.iter().map(|l| serde_json::json!({ "device": l.device, "take": l.take })).collect();
    desk.print.document(&serde_json::json!({
        "reels": rebuilt.reels, "takes": rebuilt.takes, "damaged": damaged, "lost": lost,
    }))?;
    desk.print.success(&format!(
        "{} found in {}",
        counted(rebuilt.takes, "take"),
        counted(rebuilt.reels, "reel")
    ))?;
    for (number, detail) in &rebuilt.damaged {
        desk.print.line(&format!("damaged reel {number}: {}", printable(detail)))?;
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

/// The key for a rescue: a file, or what a person types from the sheet.
fn key_for_rescue(desk: &Desk, key: &Path, passphrase: &PassphraseArg) -> Result<Identity> {
    if key.as_os_str() == "-" {
        let text = keys::typed(desk)?;
        return parse_typed(&text).map_err(|e| {
            Error::new(Kind::WrongKey, format!("the typed key cannot be used: {e}"))
                .next(Next::say("compare that group with the sheet and type it again; nothing was changed"))
        });
    }
    let file = ops::key::read_file(desk.world.disk.as_ref(), key)?;
    ops::key::open(file, &mut || keys::ask(desk, passphrase))
}
