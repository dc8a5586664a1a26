//! `health`

use crate::care::health::lines;
use crate::cli::Face;
use crate::cli::exit::Outcome;
use crate::cli::json::copies as json;
use crate::error::Result;
use crate::ops;

pub(super) fn health(face: &Face) -> Result<Outcome> {
    let vault = face.vault()?;
    let (health, standings) = ops::health::health(&vault)?;
    face.warnings(&vault);
    face.printer
        .document(&json::Health::of(&health, &standings))?;
    for line in lines(&health) {
        if health.good {
            face.printer.done(line)?;
        } else {
            face.printer.line(line)?;
        }
    }
    for step in health.steps() {
        if let Some(text) = step.text() {
            face.printer.hint(text);
        }
    }
    Ok(Outcome::attention_if(!health.good))
}
