//! `reindex`

use crate::cli::exit::Outcome;
use crate::cli::print::{cell, number};
use crate::cli::{Face, json};
use crate::error::Result;
use crate::sys::text::counted;
use crate::vault::Vault;

pub(super) fn reindex(face: &Face) -> Result<Outcome> {
    let (vault, rebuilt) = Vault::reindex(&face.dir()?, face.world.clone(), face.wait())?;
    face.warnings(&vault);
    let printer = &face.printer;
    printer.document(&json::Reindexed::of(&rebuilt))?;
    printer.done(format!(
        "read {} and rebuilt the index: {}",
        if printer.verbose() {
            counted(rebuilt.reels, "reel")
        } else {
            "everything".to_string()
        },
        counted(rebuilt.takes, "take")
    ))?;
    for reel in &rebuilt.set_aside {
        printer.note(format!(
            "the file numbered {reel} only repeats other reels; it was moved to incoming/"
        ));
    }
    for (reel, detail) in &rebuilt.damaged {
        printer.note(format!("reel {reel} is damaged: {detail}"));
    }
    if !rebuilt.lost.is_empty() {
        printer.note(format!(
            "known before and not there any more: {}",
            counted(rebuilt.lost.len() as u64, "take")
        ));
        let rows = rebuilt
            .lost
            .iter()
            .map(|l| vec![cell(&l.device), number(l.take.to_string())])
            .collect();
        printer.table(&["device", "take"], rows)?;
    }
    let bad = !rebuilt.damaged.is_empty() || !rebuilt.lost.is_empty();
    if bad {
        printer.hint("look for them in the copies: farshelf repair");
    }
    Ok(Outcome::attention_if(bad))
}
