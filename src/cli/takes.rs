//! Looking at takes, naming them, bringing them back.

use std::path::Path;

use super::exit::Exit;
use super::keep::usage;
use super::print::Tone;
use super::{Desk, json};
use crate::care::copies::copies_of_take;
use crate::error::{Error, Next, Result};
use crate::model::date::Moment;
use crate::model::ids::DeviceId;
use crate::model::take::{Condition, Evidence};
use crate::ops::recall as recalling;
use crate::ops::takes::{self, History, Labelling, TakeInFull};
use crate::sys::disk::Replace;
use crate::sys::text::{counted, grouped, printable};
use crate::vault::Vault;

/// Messages listed before the rest is counted.
const LISTED: usize = 20;

pub(super) fn bad_id(e: impl std::fmt::Display) -> Error {
    usage(e)
}

pub(super) fn parse_date(text: &str) -> Result<Moment> {
    text.parse().map_err(|e| {
        usage(format!("{e}")).next(Next::say(
            "write 1994, 1994-07, 1994-07-03, an instant such as 2026-10-25T18:03:11Z, or unknown",
        ))
    })
}

fn device_id(text: &str) -> Result<DeviceId> {
    text.parse().map_err(bad_id)
}

pub(super) fn history(desk: &Desk, device: &str) -> Result<Exit> {
    let vault = desk.vault()?;
    let history = takes::history(&vault, &device_id(device)?)?;
    desk.print.document(&json::history(&history))?;
    if history.takes.is_empty() {
        desk.print
            .line(&format!("nothing is kept of {device} yet"))?;
        return Ok(Exit::Good);
    }
    table(desk, &history)?;
    Ok(Exit::Good)
}

fn table(desk: &Desk, history: &History) -> Result<()> {
    let mut header = vec![
        "TAKE",
        "SECTION",
        "DATE",
        "KNOWN BY",
        "SIZE",
        "CONDITION",
        "LABELS",
    ];
    if desk.print.verbose {
        header.push("BLAKE3");
    }
    let rows = history
        .takes
        .iter()
        .map(|v| {
            let t = &v.take;
            let mut date = desk.when(&t.date);
            if let Some(confirmed) = &v.confirmed_at {
                date.push_str(&format!(" (again {})", desk.when(confirmed)));
            }
            let mut row = vec![
                format!("{}@{}", history.device.name, t.number()),
                if t.loose {
                    "(loose)".to_string()
                } else {
                    t.section_name.clone()
                },
                date,
                t.dated_by.to_string(),
                counted(t.bytes, "byte"),
                condition(t.condition(), t.vouched, t.evidence, t.alias_of),
                v.labels.join("; "),
            ];
            if desk.print.verbose {
                row.push(t.hash.to_string());
            }
            row
        })
        .collect();
    desk.print.table(&header, rows)
}

fn condition(
    condition: Condition,
    vouched: bool,
    evidence: Evidence,
    alias_of: Option<u32>,
) -> String {
    let mut text = condition.to_string();
    if vouched {
        text.push_str(", vouched for");
    } else if condition == Condition::Whole {
        text.push_str(match evidence {
            Evidence::None => ", nothing to check it by",
            Evidence::Framing => ", framing good",
            Evidence::Layout => ", layout good",
            Evidence::Checksum => ", checksum good",
            Evidence::Twice => ", sent twice alike",
            Evidence::ReadBack => ", read back alike",
            Evidence::Vouched => "",
        });
    }
    if let Some(n) = alias_of {
        text.push_str(&format!(", same as @{n}"));
    }
    text
}

pub(super) fn show(desk: &Desk, reference: &str) -> Result<Exit> {
    let vault = desk.vault()?;
    let shown = takes::show(&vault, reference)?;
    if desk.print.json {
        let mut all = Vec::new();
        for take in &shown {
            all.push(json::show(take, &copies_of_take(&vault, &take.view.take)?));
        }
        // One take is one object; a state of several sections is a list of them under "takes".
        let document = match all.len() {
            1 => all.swap_remove(0),
            _ => serde_json::json!({ "device": shown[0].device.name, "takes": all }),
        };
        desk.print.document(&document)?;
        return Ok(Exit::Good);
    }
    for (n, take) in shown.iter().enumerate() {
        if n > 0 {
            desk.print.line("")?;
        }
        show_one(desk, &vault, take)?;
    }
    Ok(Exit::Good)
}

fn show_one(desk: &Desk, vault: &Vault, full: &TakeInFull) -> Result<()> {
    let t = &full.view.take;
    let p = &desk.print;
    let place = if t.loose {
        "kept loose".to_string()
    } else {
        format!("section {}", t.section_name)
    };
    p.line(&format!("{}@{}, {place}", full.device.name, t.number()))?;
    p.line(&format!(
        "  date       {} ({})",
        desk.when(&t.date),
        t.dated_by
    ))?;
    if let Some(again) = &full.view.confirmed_at {
        p.line(&format!("  again on   {}", desk.when(again)))?;
    }
    p.line(&format!("  kept on    {}", desk.moment(Some(t.kept_at))))?;
    let word = condition(t.condition(), t.vouched, t.evidence, t.alias_of);
    let tone = if t.counts() || t.loose && !t.doubtful {
        Tone::Good
    } else {
        Tone::Warn
    };
    p.line(&format!("  condition  {}", p.tone(tone, &word)))?;
    p.line(&format!(
        "  size       {}, {}",
        counted(t.bytes, "byte"),
        counted(t.messages, "message")
    ))?;
    if !full.view.labels.is_empty() {
        p.line(&format!(
            "  labels     {}",
            printable(&full.view.labels.join("; "))
        ))?;
    }
    if p.verbose {
        p.line(&format!("  begins     {}", printable(&t.key)))?;
        p.line(&format!("  BLAKE3     {}", t.hash))?;
    }
    for f in &full.findings {
        p.line(&format!(
            "  {:<10} {}",
            f.severity.to_string(),
            printable(&f.message)
        ))?;
    }
    for v in &full.vouches {
        p.line(&format!(
            "  vouched    {} ({})",
            printable(&v.text),
            desk.moment(Some(v.at))
        ))?;
    }
    for s in full.sightings.iter().take(LISTED) {
        let name = match s.origin.folder.is_empty() {
            true => s.origin.name.clone(),
            false => format!("{}/{}", s.origin.folder, s.origin.name),
        };
        let how = if s.corrected {
            "corrected since"
        } else if s.seen_again {
            "seen again"
        } else {
            s.by.as_str()
        };
        p.line(&format!(
            "  seen       {} ({how}) {}",
            desk.when(&s.date),
            printable(&name)
        ))?;
    }
    if full.pieces.len() > 1 {
        p.line(&format!(
            "  files      {}",
            grouped(full.pieces.len() as u64)
        ))?;
        for piece in full.pieces.iter().take(LISTED) {
            p.line(&format!(
                "    {} ({})",
                printable(&piece.path),
                counted(piece.bytes, "byte")
            ))?;
        }
    }
    for m in full.messages.iter().take(LISTED) {
        let maker = if m.maker.is_empty() {
            "no maker ID".to_string()
        } else {
            format!("maker {}", m.maker)
        };
        p.line(&format!(
            "  message    {}: {}, {maker}, {}",
            m.index,
            counted(m.bytes, "byte"),
            m.kind.as_str()
        ))?;
    }
    if full.messages.len() > LISTED {
        p.line(&format!(
            "  message    … {} more",
            grouped((full.messages.len() - LISTED) as u64)
        ))?;
    }
    for c in copies_of_take(vault, t)? {
        let place = c.place.as_deref().unwrap_or("place not known");
        p.line(&format!(
            "  copy       {} ({}), last read {}",
            printable(&c.where_),
            printable(place),
            desk.moment(Some(c.verified_at))
        ))?;
    }
    Ok(())
}

pub(super) fn label(
    desk: &Desk,
    reference: &str,
    text: Option<String>,
    date: Option<String>,
    remove: bool,
) -> Result<Exit> {
    let vault = desk.vault()?;
    let date = date.as_deref().map(parse_date).transpose()?;
    let what = Labelling {
        text: text.clone(),
        date,
        remove,
    };
    let after = takes::label(&vault, reference, &what, desk.wait)?;
    desk.warn(&vault);
    desk.print.document(&json::history(&after))?;
    for v in &after.takes {
        let name = format!("{}@{}", after.device.name, v.take.number());
        let labels = match v.labels.is_empty() {
            true => "no label".to_string(),
            false => format!("labels: {}", printable(&v.labels.join("; "))),
        };
        desk.print
            .success(&format!("{name}, {}, {labels}", desk.when(&v.take.date)))?;
    }
    Ok(Exit::Good)
}

pub(super) fn vouch(desk: &Desk, reference: &str, text: &str) -> Result<Exit> {
    let vault = desk.vault()?;
    let after = takes::vouch(&vault, reference, text, desk.wait)?;
    desk.warn(&vault);
    desk.print.document(&json::history(&after))?;
    for v in &after.takes {
        let name = format!("{}@{}", after.device.name, v.take.number());
        desk.print.success(&format!(
            "{name} counts from now on, on your word; its findings stay visible"
        ))?;
    }
    Ok(Exit::Good)
}

pub(super) fn recall(desk: &Desk, reference: &str, to: &Path, force: bool) -> Result<Exit> {
    let vault = desk.vault()?;
    let to_stdout = to.as_os_str() == "-";
    if to_stdout && desk.print.json {
        return Err(usage("--json and --to - both want standard output"));
    }
    let replace = if force { Replace::Yes } else { Replace::No };
    let mut out = std::io::stdout().lock();
    let result = recalling::recall(&vault, reference, to, replace, &mut out)?;
    drop(out);
    desk.print.document(&json::recall(&result))?;
    if to_stdout {
        return Ok(Exit::Good);
    }
    let bytes: u64 = result.takes.iter().map(|t| t.bytes).sum();
    let names: Vec<String> = result
        .takes
        .iter()
        .map(|t| match &t.section {
            Some(section) => format!("{section} @{}", t.take),
            None => format!("loose @{}", t.take),
        })
        .collect();
    desk.print.success(&format!(
        "recalled {} ({}; {}) to {}",
        result.device,
        names.join(", "),
        counted(bytes, "byte"),
        printable(&result.to)
    ))?;
    Ok(Exit::Good)
}

pub(super) fn find(desk: &Desk, text: &str) -> Result<Exit> {
    let vault = desk.vault()?;
    let hits = takes::search(&vault, text)?;
    desk.print.document(&json::find(&hits))?;
    if hits.is_empty() {
        desk.print
            .line(&format!("nothing kept bears the name {}", printable(text)))?;
        return Ok(Exit::Good);
    }
    let rows = hits
        .into_iter()
        .map(|h| {
            let take = h
                .take
                .map_or(h.device.clone(), |t| format!("{}@{t}", h.device));
            vec![take, h.kind.to_string(), h.name]
        })
        .collect();
    desk.print.table(&["WHERE", "KIND", "NAME"], rows)?;
    Ok(Exit::Good)
}
