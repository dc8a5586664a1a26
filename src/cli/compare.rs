//! `compare`.

use crate::cli::args::Compare;
use crate::cli::exit::Outcome;
use crate::cli::print::{Tone, cell, number, toned};
use crate::cli::{Face, json};
use crate::error::Result;
use crate::layout::{Change, MessageChanges, PatchChange};
use crate::ops::compare::{self, SectionChange, What};
use crate::sys::text::{counted, grouped, size};

pub(super) fn compare(face: &Face, what: &Compare) -> Result<Outcome> {
    let vault = face.vault()?;
    let found = compare::compare(&vault, &what.a, &what.b)?;
    face.warnings(&vault);
    face.printer
        .document(&json::compare::Comparison::of(&found))?;
    if found.is_same() {
        face.printer
            .line(format!("{} and {} are the same", found.a, found.b))?;
        return Ok(Outcome::Good);
    }
    if !face.printer.json() {
        for section in &found.sections {
            one_section(face, section, found.sections.len() > 1)?;
        }
    }
    Ok(Outcome::Attention)
}

fn one_section(face: &Face, change: &SectionChange, several: bool) -> Result<()> {
    let printer = &face.printer;
    let heading = |said: String| match several {
        true => format!("{}: {said}", change.section),
        false => said,
    };
    match &change.what {
        What::Same => printer.line(heading("the same".to_string())),
        What::Added => printer.line(heading("only the later one has it".to_string())),
        What::Gone => printer.line(heading("only the earlier one has it".to_string())),
        What::Differs => printer.line(heading("they differ".to_string())),
        What::Patches {
            patches,
            other_messages,
            ..
        } => {
            printer.line(heading(in_short(patches)))?;
            if *other_messages > 0 {
                printer.line(format!(
                    "  {} beside the patches differ",
                    counted(*other_messages as u64, "message")
                ))?;
            }
            patch_table(face, patches)
        }
        What::Messages(messages) => {
            printer.line(heading(messages_in_short(messages)))?;
            message_table(face, messages)
        }
        What::Bytes {
            bytes_a,
            bytes_b,
            n_bytes,
            ranges,
        } => {
            let lengths = match bytes_a == bytes_b {
                true => String::new(),
                false => format!(", {} before and {} now", size(*bytes_a), size(*bytes_b)),
            };
            printer.line(heading(format!(
                "{} differ{lengths}",
                counted(*n_bytes, "byte")
            )))?;
            for range in ranges {
                printer.line(format!("  {}", stretch(range)))?;
            }
            Ok(())
        }
        What::Files(files) => {
            printer.line(heading(format!(
                "{} differ",
                counted(files.len() as u64, "file")
            )))?;
            let rows = files
                .iter()
                .map(|(path, change)| vec![cell("  "), cell(change.as_str()), cell(path)])
                .collect();
            printer.table(&["", "change", "file"], rows)
        }
    }
}

fn stretch(range: &std::ops::Range<usize>) -> String {
    match range.len() {
        1 => format!("byte {}", grouped(range.start as u64)),
        _ => format!(
            "bytes {} to {}",
            grouped(range.start as u64),
            grouped(range.end.saturating_sub(1) as u64)
        ),
    }
}

/// `2 changed, 1 renamed; 29 the same`
fn in_short(patches: &[PatchChange]) -> String {
    let mut counts: Vec<(&str, u64)> = ["changed", "renamed", "moved", "added", "gone", "same"]
        .into_iter()
        .map(|word| (word, 0))
        .collect();
    for patch in patches {
        if let Some(count) = counts.iter_mut().find(|c| c.0 == patch.change.as_str()) {
            count.1 += 1;
        }
    }
    let same = counts.pop().map_or(0, |c| c.1);
    let changed: Vec<String> = counts
        .into_iter()
        .filter(|(_, n)| *n > 0)
        .map(|(word, n)| format!("{} {word}", grouped(n)))
        .collect();
    let changed = if changed.is_empty() {
        "no patch changed".to_string()
    } else {
        format!("patches: {}", changed.join(", "))
    };
    format!("{changed}; {} the same", grouped(same))
}

fn patch_table(face: &Face, patches: &[PatchChange]) -> Result<()> {
    let rows = patches
        .iter()
        .filter(|p| p.change != Change::Same)
        .map(|p| {
            let word = p.change.as_str();
            let said = match &p.change {
                Change::Moved { from_slot, .. } => format!("{word} from {from_slot}"),
                Change::Changed { n_bytes } => {
                    format!("{word} in {}", counted(*n_bytes as u64, "byte"))
                }
                _ => word.to_string(),
            };
            vec![
                cell("  "),
                number(p.number.to_string()),
                cell(&p.slot),
                cell(p.name_a.as_deref().unwrap_or_default()),
                cell(p.name_b.as_deref().unwrap_or_default()),
                toned(said, Tone::Plain),
            ]
        })
        .collect();
    face.printer
        .table(&["", "patch", "slot", "before", "now", "change"], rows)
}

fn messages_in_short(m: &MessageChanges) -> String {
    let parts: Vec<String> = [
        (m.n_changed, "changed"),
        (m.n_added, "added"),
        (m.n_gone, "gone"),
    ]
    .into_iter()
    .filter(|(n, _)| *n > 0)
    .map(|(n, word)| format!("{} {word}", grouped(n as u64)))
    .collect();
    format!(
        "messages: {}; {} the same",
        parts.join(", "),
        grouped(m.n_same as u64)
    )
}

fn message_table(face: &Face, messages: &MessageChanges) -> Result<()> {
    let rows = messages
        .changed
        .iter()
        .map(|m| {
            let mut where_: Vec<String> = m.ranges.iter().take(4).map(stretch).collect();
            if m.has_more || m.ranges.len() > 4 {
                where_.push("…".to_string());
            }
            vec![
                cell("  "),
                number(grouped(m.message_b as u64 + 1)),
                number(grouped(m.n_bytes as u64)),
                cell(where_.join(", ")),
            ]
        })
        .collect();
    face.printer
        .table(&["", "message", "bytes that differ", "where"], rows)?;
    let rest = messages.n_changed.saturating_sub(messages.changed.len());
    if rest > 0 {
        face.printer.line(format!(
            "  and {} more that changed",
            counted(rest as u64, "message")
        ))?;
    }
    Ok(())
}
