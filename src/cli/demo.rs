//! `demo`

use serde::Serialize;

use crate::cli::Face;
use crate::cli::args;
use crate::cli::exit::Outcome;
use crate::error::Result;
use crate::sys::{World, entropy, settings};

pub(super) fn demo(face: &Face, what: args::Demo) -> Result<Outcome> {
    let folder = match what.to {
        Some(to) => to,
        None => {
            let id = entropy::identifier(face.world.entropy.as_ref())?;
            settings::temporary_folder().join(format!("farshelf-demo-{}", &id[..8]))
        }
    };
    // What it notes on this computer lies in its own folder too.
    let world = World {
        state_dir: Some(folder.join("state")),
        ..face.world.clone()
    };
    let left = crate::demo::run(&folder, &world, &mut |text| face.printer.line(text))?;
    face.printer.document(&Left {
        folder: left.folder.display().to_string(),
        vault: left.vault.display().to_string(),
    })?;
    Ok(Outcome::Good)
}

/// What the demonstration left behind.
#[derive(Debug, Serialize)]
struct Left {
    folder: String,
    vault: String,
}
