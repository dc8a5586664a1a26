//! `recall`

use crate::cli::args::{FileForm, Recall};
use crate::cli::exit::Outcome;
use crate::cli::{Face, json};
use crate::error::{Error, Next, Result};
use crate::ops;
use crate::ops::recall::{Altered, PatchRef};
use crate::sys::disk::Replace;
use crate::sys::text::{counted, size};

pub(super) fn recall(face: &Face, what: &Recall) -> Result<Outcome> {
    let to_stream = what.to.as_os_str() == "-";
    if to_stream && face.printer.json() {
        return Err(Error::usage("--to - and --json both want standard output")
            .next(Next::say("write to a file, or leave --json out")));
    }
    let replace = if what.force {
        Replace::Yes
    } else {
        Replace::No
    };
    let vault = face.vault()?;
    let mut out = face.printer.raw();
    let altered = Altered {
        patch: what.patch.clone().map(PatchRef),
        sysex_number: what.sysex_number,
        as_midi_file: what.form == Some(FileForm::Mid),
    };
    let result = ops::recall::recall(
        &vault,
        &what.reference,
        &what.to,
        replace,
        &altered,
        &mut out,
    );
    drop(out);
    face.warnings(&vault);
    let result = result?;
    face.printer.document(&json::Recalled::of(&result))?;
    let bytes = result.takes.iter().map(|t| t.bytes).sum();
    let which = match result.takes.as_slice() {
        [one] => match &one.patch {
            Some(patch) => format!("patch {patch} of {}@{}", result.device, one.take),
            None => format!("{}@{}", result.device, one.take),
        },
        several => format!(
            "{} of {}",
            counted(several.len() as u64, "take"),
            result.device
        ),
    };
    let said = format!("recalled {which} ({})", size(bytes));
    if to_stream {
        face.printer.remark(format!("{said}, checked"));
    } else {
        face.printer
            .done(format!("{said} to {}, checked", result.to))?;
        if result.takes.len() > 1 && !face.global.quiet {
            for take in &result.takes {
                let section = take.section.as_deref().unwrap_or("(loose)");
                face.printer.line(format!(
                    "  {}@{}  {section}  {}",
                    result.device,
                    take.take,
                    size(take.bytes)
                ))?;
            }
        }
    }
    Ok(Outcome::Good)
}
