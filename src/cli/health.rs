//! `health`

use crate::care::health::{ShelfState, ShelfWord, lines};
use crate::care::standing::{self, Standing};
use crate::cli::Face;
use crate::cli::exit::Outcome;
use crate::cli::json::copies as json;
use crate::error::Result;
use crate::ops;

pub(super) fn health(face: &Face) -> Result<Outcome> {
    let vault = face.vault()?;
    let standings = ops::shelf::list(&vault)?;
    let health = ops::health::health(&vault, standings.iter().map(for_health).collect())?;
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

/// What health needs to know of a shelf.
fn for_health(s: &Standing) -> ShelfState {
    ShelfState {
        name: s.name.clone(),
        place: s.place.clone(),
        offsite: s.offsite,
        state: match s.state {
            standing::ShelfState::Good => ShelfWord::Good,
            standing::ShelfState::Behind => ShelfWord::Behind,
            standing::ShelfState::Away => ShelfWord::Away,
            standing::ShelfState::Damaged => ShelfWord::Damaged,
        },
        reason: s.reason.clone(),
    }
}
