//! `key`: sheet, confirm, add, passphrase.

use crate::cli::args::{Key, KeyAdd, KeyPassphrase, KeySheet};
use crate::cli::exit::Outcome;
use crate::cli::{Face, json};
use crate::error::{Error, Kind, Next, Result};
use crate::ops::key::{self, NewHolder};
use crate::sys::disk::{self, Privacy, Replace};

pub(super) fn key(face: &Face, what: Key) -> Result<Outcome> {
    match what {
        Key::Sheet(what) => sheet(face, &what),
        Key::Confirm(what) => {
            let vault = face.vault()?;
            key::confirm(&vault, &what.place, face.wait())?;
            face.warnings(&vault);
            face.printer.document(&json::KeyConfirmed {
                place: what.place.to_string(),
            })?;
            face.printer
                .done(format!("noted: a key sheet lies at {}", what.place))?;
            match vault.settings().place()? {
                Some(place) if place == what.place => face.printer.note(
                    "the vault stands there too: if that place is lost, so are vault and sheet; keep one elsewhere",
                ),
                _ => {}
            }
            Ok(Outcome::Good)
        }
        Key::Add(what) => add(face, &what),
        Key::Passphrase(what) => passphrase(face, &what),
    }
}

fn sheet(face: &Face, what: &KeySheet) -> Result<Outcome> {
    let html = match &what.to {
        None => false,
        Some(to) => match to.extension().and_then(|e| e.to_str()) {
            Some(e) if e.eq_ignore_ascii_case("html") => true,
            Some(e) if e.eq_ignore_ascii_case("txt") => false,
            _ => {
                return Err(Error::usage(format!(
                    "{} ends neither in .html nor in .txt",
                    to.display()
                ))
                .next(Next::run("for example", "key sheet --to key-sheet.html")));
            }
        },
    };
    if let Some(to) = &what.to
        && disk::exists(face.world.disk.as_ref(), to)
    {
        return Err(Error::new(
            Kind::AlreadyThere,
            format!("{} is already there; it was left alone", to.display()),
        )
        .next(Next::say("name another file with --to")));
    }
    let vault = face.vault()?;
    let sheet = key::sheet(&vault, &mut || {
        face.passphrase(what.unlock.passphrase_from.as_deref())
    })?;
    face.warnings(&vault);
    let Some(to) = &what.to else {
        face.printer.document(&json::Sheet::itself(&sheet))?;
        face.printer.text(&sheet.text)?;
        return Ok(Outcome::Good);
    };
    let text = if html { &sheet.html } else { &sheet.text };
    disk::publish(
        face.world.disk.as_ref(),
        to,
        text.as_bytes(),
        Privacy::Owner,
        Replace::No,
    )?;
    face.printer
        .document(&json::Sheet::written(to.display().to_string()))?;
    face.printer.done(format!(
        "wrote the key sheet to {}; print it, keep it elsewhere and delete the file",
        to.display()
    ))?;
    face.printer
        .hint("when it lies there: farshelf key confirm --place PLACE");
    Ok(Outcome::Good)
}

fn add(face: &Face, what: &KeyAdd) -> Result<Outcome> {
    let vault = face.vault()?;
    let holder = match &what.recipient {
        Some(text) => NewHolder::Recipient(text.parse().map_err(|_| {
            Error::usage(format!("{text} cannot be used as a public key")).next(Next::say(
                "ask its owner for the line that begins with age1",
            ))
        })?),
        None => NewHolder::Passphrase(face.new_passphrase(what.new_passphrase_from.as_deref())?),
    };
    let file = key::add(
        &vault,
        &holder,
        &mut || face.passphrase(what.unlock.passphrase_from.as_deref()),
        face.wait(),
    )?;
    face.warnings(&vault);
    face.printer
        .document(&json::KeyAdded { file: file.clone() })?;
    face.printer.done(match &holder {
        NewHolder::Recipient(_) => "that key opens the copies too, once they hold it",
        NewHolder::Passphrase(_) => "that passphrase opens the copies too, once they hold it",
    })?;
    if face.printer.verbose() {
        face.printer.line(format!("wrote keys/{file}"))?;
    }
    face.printer.hint("bring it to the copies: farshelf mirror");
    Ok(Outcome::Good)
}

fn passphrase(face: &Face, what: &KeyPassphrase) -> Result<Outcome> {
    let vault = face.vault()?;
    // The old one is asked for first.
    let mut old = None;
    if let crate::shelf::keyfile::KeyFile::Locked(_) =
        key::read(vault.world().disk.as_ref(), vault.dir())?
    {
        old = Some(face.passphrase(what.unlock.passphrase_from.as_deref())?);
    }
    let new = match what.remove {
        true => None,
        false => Some(face.new_passphrase(what.new_passphrase_from.as_deref())?),
    };
    let mut ask = || match &old {
        Some(old) => Ok(old.clone()),
        None => face.passphrase(what.unlock.passphrase_from.as_deref()),
    };
    key::set_passphrase(&vault, new.as_ref(), &mut ask, face.wait())?;
    face.warnings(&vault);
    let locked = new.is_some();
    face.printer.document(&json::KeyLocked { locked })?;
    face.printer.done(if locked {
        "the key on this computer is locked; printed sheets open everything as before"
    } else {
        "the key on this computer is not locked any more"
    })?;
    Ok(Outcome::Good)
}
