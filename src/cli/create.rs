//! `create`

use crate::cli::args::Create;
use crate::cli::exit::Outcome;
use crate::cli::{Face, json};
use crate::error::Result;
use crate::ops;

pub(super) fn create(face: &Face, what: &Create) -> Result<Outcome> {
    let vault = ops::create::create(&face.dir()?, what.place.as_ref(), &face.world)?;
    face.warnings(&vault);
    let recipient = ops::key::recipient(&vault)?;
    let place = vault.settings().place.clone();
    let printer = &face.printer;
    printer.document(&json::Created {
        vault: vault.dir().display().to_string(),
        vault_id: vault.id().to_string(),
        recipient: recipient.clone(),
        place: place.clone(),
    })?;
    match &place {
        Some(place) => printer.done(format!(
            "created a vault in {}; it stands at {place}",
            vault.dir().display()
        ))?,
        None => {
            printer.done(format!("created a vault in {}", vault.dir().display()))?;
            printer.remark(
                "it has no place, so no copy counts as being elsewhere; write place = \"studio\" into farshelf.toml to give it one",
            );
        }
    }
    if printer.verbose() {
        printer.line(format!("vault id {}, recipient {recipient}", vault.id()))?;
    }
    printer.hint("tell it about an instrument: farshelf device add ID");
    printer.hint("then keep what it sent: farshelf keep --device ID FILE");
    printer.hint("print the key and keep it elsewhere: farshelf key sheet --to key-sheet.html");
    Ok(Outcome::Good)
}
