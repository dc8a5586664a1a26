//! `find`.

use crate::cli::args::Find;
use crate::cli::exit::Outcome;
use crate::cli::print::cell;
use crate::cli::{Face, json};
use crate::error::Result;
use crate::ops::find::{self, HitKind};

pub(super) fn find(face: &Face, what: &Find) -> Result<Outcome> {
    let vault = face.vault()?;
    let hits = find::find(&vault, &what.text)?;
    face.printer.document(&json::Found {
        hits: hits.iter().map(json::FoundHit::of).collect(),
    })?;
    if hits.is_empty() {
        face.printer
            .line(format!("nothing that is kept bears {}", what.text))?;
    }
    let rows = hits
        .iter()
        .map(|h| {
            let at = match h.take {
                Some(take) => format!("{}@{take}", h.device),
                None => h.device.clone(),
            };
            let kind = match h.kind {
                HitKind::Patch { number, takes: 1 } => format!("patch {number}"),
                HitKind::Patch { number, takes } => {
                    format!("patch {number}; the name stands in {takes} takes")
                }
                other => other.as_str().to_string(),
            };
            vec![cell(at), cell(kind), cell(&h.name)]
        })
        .collect();
    face.printer.table(&["where", "found in", "text"], rows)?;
    Ok(Outcome::Good)
}
