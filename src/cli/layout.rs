//! `layout`.

use crate::cli::args::Layout;
use crate::cli::exit::Outcome;
use crate::cli::print::{cell, number};
use crate::cli::{Face, json, words};
use crate::error::Result;
use crate::layout::Reading;
use crate::model::take::Condition;
use crate::ops::layouts::{self, Tried};
use crate::sys::text::{counted, grouped};

/// So many patches are listed of a dump, unless all are asked for with --verbose.
const LISTED: usize = 20;

pub(super) fn layout(face: &Face, what: &Layout) -> Result<Outcome> {
    match what {
        Layout::List => list(face),
        Layout::Show { name, text } => show(face, name, *text),
        Layout::Check { file, dumps } => check(face, file, dumps),
        Layout::Draft { dumps, name } => draft(face, dumps, name),
        Layout::Add { file } => add(face, file),
        Layout::Drop { name } => {
            let vault = face.vault()?;
            layouts::drop(&vault, name, face.wait())?;
            face.printer
                .document(&json::layout::Dropped { dropped: name })?;
            face.printer.done(format!("gave up the layout {name}"))?;
            Ok(Outcome::Good)
        }
    }
}

fn list(face: &Face) -> Result<Outcome> {
    let vault = face.vault()?;
    let listed = layouts::list(&vault)?;
    face.printer.document(&json::layout::List::of(&listed))?;
    let unusable = listed.iter().any(|l| !l.usable);
    let rows = listed
        .iter()
        .map(|l| {
            vec![
                cell(&l.name),
                cell(match (l.own, l.usable) {
                    (_, false) => "cannot be used",
                    (true, true) => "your own",
                    (false, true) => "published",
                }),
                cell(&l.title),
                cell(l.devices.join(", ")),
            ]
        })
        .collect();
    face.printer
        .table(&["layout", "whose", "for", "devices"], rows)?;
    Ok(if unusable {
        Outcome::Attention
    } else {
        Outcome::Good
    })
}

fn show(face: &Face, name: &str, text: bool) -> Result<Outcome> {
    let vault = face.vault()?;
    let shown = layouts::show(&vault, name)?;
    face.printer.document(&json::layout::Shown::of(&shown))?;
    if text {
        face.printer.text(&printable_lines(shown.layout.text()))?;
        return Ok(Outcome::Good);
    }
    for line in &shown.words {
        face.printer.line(line)?;
    }
    Ok(Outcome::Good)
}

fn printable_lines(text: &str) -> String {
    text.lines()
        .map(|line| format!("{}\n", crate::sys::text::printable(line)))
        .collect()
}

fn check(face: &Face, file: &std::path::Path, dumps: &[std::path::PathBuf]) -> Result<Outcome> {
    let (shown, tried) = layouts::check(&face.world, file, dumps)?;
    face.printer
        .document(&json::layout::Checked::of(&shown, &tried))?;
    for line in &shown.words {
        face.printer.line(line)?;
    }
    let mut good = true;
    for one in &tried {
        good &= on_dump(face, one)?;
    }
    Ok(if good {
        Outcome::Good
    } else {
        Outcome::Attention
    })
}

/// Tells how the layout fares on a dump; true if nothing speaks against it.
fn on_dump(face: &Face, tried: &Tried) -> Result<bool> {
    let path = tried.path.display();
    let messages = counted(tried.messages, "whole message");
    face.printer.line("")?;
    let Some(reading) = &tried.reading else {
        face.printer
            .line(format!("{path}: {messages}, and the layout does not fit"))?;
        return Ok(false);
    };
    let number = match reading.sysex_number {
        Some(number) => format!(
            ", SysEx number {}",
            words::sysex_number(number, reading.layout.panel)
        ),
        None => String::new(),
    };
    let section = match (&reading.section, reading.loose) {
        (_, true) => ", no state of the memory".to_string(),
        (Some(section), _) => format!(", section {section}"),
        (None, _) => String::new(),
    };
    face.printer
        .line(format!("{path}: {messages}{section}{number}"))?;
    face.printer
        .line(format!("  checked: {}", words::evidence(reading.evidence)))?;
    for finding in &reading.findings {
        face.printer.line(format!(
            "  {}: {}",
            finding.severity.as_str(),
            finding.message
        ))?;
    }
    patches(face, reading)?;
    Ok(Condition::of(&reading.findings) == Condition::Whole)
}

fn patches(face: &Face, reading: &Reading) -> Result<()> {
    let all = reading.patches.len();
    let shown = if face.printer.verbose() { all } else { LISTED };
    let rows = reading
        .patches
        .iter()
        .take(shown)
        .map(|p| {
            vec![
                cell("  "),
                number(grouped(u64::from(p.number))),
                cell(&p.slot),
                cell(p.name.as_deref().unwrap_or_default()),
            ]
        })
        .collect();
    face.printer.table(&["", "patch", "slot", "name"], rows)?;
    if all > shown {
        face.printer.line(format!(
            "  and {} more; --verbose lists all",
            counted((all - shown) as u64, "patch")
        ))?;
    }
    Ok(())
}

fn draft(face: &Face, dumps: &[std::path::PathBuf], name: &str) -> Result<Outcome> {
    let found = layouts::draft(&face.world, dumps)?;
    let text = found.to_toml(name);
    face.printer
        .document(&json::layout::Drafted::of(&text, &found.words()))?;
    face.printer.text(&printable_lines(&text))?;
    if !face.printer.json() {
        // The text goes to standard output, to be written to a file; what is to be said about it does not.
        for line in found.words() {
            face.printer.remark(line);
        }
    }
    Ok(Outcome::Good)
}

fn add(face: &Face, file: &std::path::Path) -> Result<Outcome> {
    let vault = face.vault()?;
    let layout = layouts::add(&vault, file, face.wait())?;
    let read = face.bring_up_to_date(&vault, usize::MAX)?;
    face.printer
        .document(&json::layout::Added::of(&layout.name, &read))?;
    face.printer.done(match read.read {
        0 => format!("kept the layout {}", layout.name),
        n => format!(
            "kept the layout {}; read {} anew with it",
            layout.name,
            counted(n, "take")
        ),
    })?;
    face.printer.hint(format!(
        "say which device it is for: farshelf device edit DEVICE --layout {}",
        layout.name
    ));
    Ok(if read.doubtful > 0 {
        Outcome::Attention
    } else {
        Outcome::Good
    })
}
