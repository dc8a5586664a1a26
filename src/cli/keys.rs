//! `key`, and where passphrases come from.

use std::io::{IsTerminal, Read};
use std::path::Path;

use super::Desk;
use super::args::{KeyCommand, PassphraseArg};
use super::exit::Exit;
use super::keep::usage;
use crate::error::{Error, Kind, Next, Result};
use crate::ops::key::{self, NewHolder};
use crate::shelf::cipher::SecretString;
use crate::sys::disk::{self, Privacy, Replace};

pub(super) fn key(desk: &Desk, command: KeyCommand) -> Result<Exit> {
    let vault = desk.vault()?;
    match command {
        KeyCommand::Sheet { to, passphrase } => {
            let sheet = key::sheet(&vault, &mut || ask(desk, &passphrase))?;
            match to {
                None if desk.print.json => {
                    desk.print
                        .document(&serde_json::json!({ "sheet": sheet.text.as_str() }))?;
                }
                None => desk.print.raw(&sheet.text)?,
                Some(path) => {
                    let html = path.extension().is_some_and(|e| {
                        e.eq_ignore_ascii_case("html") || e.eq_ignore_ascii_case("htm")
                    });
                    let text = if html { &sheet.html } else { &sheet.text };
                    let disk = desk.world.disk.as_ref();
                    disk::publish(disk, &path, text.as_bytes(), Privacy::Owner, Replace::No)?;
                    desk.print
                        .document(&serde_json::json!({ "to": path.display().to_string() }))?;
                    desk.print.success(&format!(
                        "the key sheet is in {}; print it and remove the file: whoever has it can read every copy",
                        path.display()
                    ))?;
                }
            }
            desk.print.note(
                "when the printed sheet lies in another place: farshelf key confirm --place PLACE",
            );
        }
        KeyCommand::Confirm { place } => {
            let place = place.parse().map_err(usage)?;
            key::confirm(&vault, &place, desk.wait)?;
            desk.print
                .document(&serde_json::json!({ "place": place.as_str() }))?;
            desk.print
                .success(&format!("noted: a key sheet lies at {place}"))?;
            if vault.settings().place()?.as_ref() == Some(&place) {
                desk.print.note("that is where the vault stands; a sheet in another place is what survives a fire");
            }
        }
        KeyCommand::Add {
            recipient,
            new_passphrase_from,
            passphrase,
        } => {
            let holder =
                match recipient {
                    Some(text) => NewHolder::Recipient(text.parse().map_err(|_| {
                        usage(format!("{text} is no public key; it begins with age1"))
                    })?),
                    None => {
                        NewHolder::Passphrase(new_passphrase(desk, new_passphrase_from.as_deref())?)
                    }
                };
            let name = key::add(&vault, &holder, &mut || ask(desk, &passphrase), desk.wait)?;
            desk.print.document(&serde_json::json!({ "file": name }))?;
            desk.print.success(
                "the key is wrapped once more; it goes to every shelf with the next mirror",
            )?;
        }
        KeyCommand::Passphrase {
            remove,
            new_passphrase_from,
            passphrase,
        } => {
            let new = match remove {
                true => None,
                false => Some(new_passphrase(desk, new_passphrase_from.as_deref())?),
            };
            key::set_passphrase(
                &vault,
                new.as_ref(),
                &mut || ask(desk, &passphrase),
                desk.wait,
            )?;
            desk.print
                .document(&serde_json::json!({ "locked": !remove }))?;
            desk.print.success(match remove {
                true => "the key is not locked any more",
                false => "the key is locked; the key sheet still holds it bare, and copies are not touched",
            })?;
        }
    }
    desk.warn(&vault);
    Ok(Exit::Good)
}

/// The passphrase of a locked key: from a file, standard input or a person.
pub(super) fn ask(desk: &Desk, from: &PassphraseArg) -> Result<SecretString> {
    match &from.passphrase_from {
        Some(path) => read_secret(desk, path),
        None => prompt(desk, "passphrase of the key: "),
    }
}

fn new_passphrase(desk: &Desk, from: Option<&Path>) -> Result<SecretString> {
    use crate::shelf::cipher::ExposeSecret;
    if let Some(path) = from {
        return read_secret(desk, path);
    }
    let first = prompt(desk, "new passphrase: ")?;
    let second = prompt(desk, "the same again: ")?;
    if first.expose_secret() != second.expose_secret() {
        return Err(usage("the two were not the same; nothing was changed"));
    }
    Ok(first)
}

fn prompt(desk: &Desk, question: &str) -> Result<SecretString> {
    if desk.no_input || !std::io::stdin().is_terminal() {
        return Err(Error::new(Kind::WrongKey, "the key is locked and nobody can be asked for its passphrase")
            .next(Next::say("name a file that holds it with --passphrase-from FILE (new ones: --new-passphrase-from)")));
    }
    rpassword::prompt_password(question)
        .map(SecretString::from)
        .map_err(|e| Error::io("cannot read the passphrase", e))
}

/// One line, without its line end.
fn read_secret(desk: &Desk, path: &Path) -> Result<SecretString> {
    let text = if path.as_os_str() == "-" {
        let mut text = String::new();
        std::io::stdin()
            .take(4096)
            .read_to_string(&mut text)
            .map_err(|e| Error::io("cannot read the passphrase from standard input", e))?;
        text
    } else {
        disk::read_text(desk.world.disk.as_ref(), path, 4096)
            .map_err(|e| Error::io(format!("cannot read {}", path.display()), e))?
    };
    let line = text.lines().next().unwrap_or_default();
    Ok(SecretString::from(line.to_string()))
}

/// What was typed or pasted for `rescue --key -`.
pub(super) fn typed(desk: &Desk) -> Result<zeroize::Zeroizing<String>> {
    if std::io::stdin().is_terminal() && !desk.no_input {
        desk.print.err("type or paste the key from its sheet, with or without the group numbers; end with Ctrl-D\n");
    }
    let mut text = zeroize::Zeroizing::new(String::new());
    std::io::stdin()
        .take(1 << 16)
        .read_to_string(&mut text)
        .map_err(|e| Error::io("cannot read the key from standard input", e))?;
    Ok(text)
}
