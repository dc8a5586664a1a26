//! `history`, `show`, `label` and `vouch`.

use crate::care::copies::{Copy, copies_of_take};
use crate::cli::args::{History, Label, Show, Vouch};
use crate::cli::exit::Outcome;
use crate::cli::print::{Cell, Tone, cell, number, toned};
use crate::cli::{Face, json, words};
use crate::error::Result;
use crate::ops::takes::{self, Labelling, TakeInFull, TakeView};
use crate::sys::clock;
use crate::sys::text::{counted, grouped, size};

/// So many messages or files are listed of a take, unless all are asked for with --verbose.
const LISTED: usize = 20;
/// The same for patches: two banks of the usual size.
const LISTED_PATCHES: usize = 64;

pub(super) fn history(face: &Face, what: &History) -> Result<Outcome> {
    let vault = face.vault()?;
    let history = takes::history(&vault, &what.device)?;
    face.printer.document(&shape(&history))?;
    if history.takes.is_empty() {
        face.printer
            .line(format!("nothing is kept of {} yet", what.device))?;
        face.printer.hint(format!(
            "keep what it sent: farshelf keep --device {} FILE",
            what.device
        ));
    }
    table(face, &history.takes)?;
    Ok(Outcome::Good)
}

fn shape(history: &takes::History) -> json::History {
    json::History {
        device: history.device.name.clone(),
        takes: history.takes.iter().map(json::Take::of).collect(),
    }
}

fn table(face: &Face, takes: &[TakeView]) -> Result<()> {
    let zone = &face.world.zone;
    let seen_later = takes.iter().any(|v| v.confirmed_at.is_some());
    let labelled = takes.iter().any(|v| !v.labels.is_empty());
    let mut headings = vec![
        "take",
        "section",
        "date",
        "known by",
        "size",
        "messages",
        "condition",
    ];
    if seen_later {
        headings.push("still so on");
    }
    if labelled {
        headings.push("labels");
    }
    if face.printer.verbose() {
        headings.push("BLAKE3");
    }
    let row = |v: &TakeView| -> Vec<Cell> {
        let t = &v.take;
        let (condition, tone) = words::condition(t);
        let mut row = vec![
            number(t.number().to_string()),
            cell(words::section(t)),
            cell(words::date(&t.date, zone)),
            cell(words::dated_by(t.dated_by)),
            number(size(t.bytes)),
            number(if t.messages == 0 {
                String::new()
            } else {
                grouped(t.messages)
            }),
            toned(condition, tone),
        ];
        if seen_later {
            let at = v.confirmed_at.as_deref().unwrap_or_default();
            row.push(cell(words::date(at, zone)));
        }
        if labelled {
            row.push(cell(v.labels.join(", ")));
        }
        if face.printer.verbose() {
            row.push(cell(t.hash.to_string()));
        }
        row
    };
    face.printer
        .table(&headings, takes.iter().map(row).collect())
}

pub(super) fn show(face: &Face, what: &Show) -> Result<Outcome> {
    let vault = face.vault()?;
    let mut shown = takes::show(&vault, &what.reference)?;
    face.warnings(&vault);
    let copies = |t: &TakeInFull| copies_of_take(&vault, &t.view.take);
    if face.printer.json() {
        if shown.len() == 1
            && let Some(one) = shown.pop()
        {
            face.printer
                .document(&json::Shown::of(&one, &copies(&one)?))?;
        } else {
            face.printer.document(&json::ShownSeveral {
                takes: shown
                    .iter()
                    .map(|t| Ok(json::Shown::of(t, &copies(t)?)))
                    .collect::<Result<_>>()?,
            })?;
        }
        return Ok(Outcome::Good);
    }
    for (i, take) in shown.iter().enumerate() {
        if i > 0 {
            face.printer.line("")?;
        }
        in_full(face, take, &copies(take)?)?;
    }
    Ok(Outcome::Good)
}

fn in_full(face: &Face, t: &TakeInFull, copies: &[Copy]) -> Result<()> {
    let printer = &face.printer;
    let zone = &face.world.zone;
    let take = &t.view.take;
    let (condition, tone) = words::condition(take);
    printer.text(&format!(
        "{}@{}  {}\n",
        t.device.name,
        take.number(),
        printer.paint(condition, tone)
    ))?;
    let mut facts: Vec<(&str, String)> = vec![
        ("section", words::section(take).to_string()),
        (
            "date",
            format!(
                "{} ({})",
                words::date(&take.date, zone),
                words::dated_by(take.dated_by)
            ),
        ),
    ];
    if let Some(at) = &t.view.confirmed_at {
        facts.push(("still so on", words::date(at, zone)));
    }
    if !t.view.labels.is_empty() {
        facts.push(("labels", t.view.labels.join(", ")));
    }
    facts.push(("holds", words::content(take.bytes, take.messages)));
    for line in &t.holds {
        facts.push(("", line.clone()));
    }
    if let Some((layout, panel)) = &t.layout {
        facts.push(("layout", layout.clone()));
        if let Some(n) = take.sysex_number {
            facts.push(("SysEx number", words::sysex_number(n, *panel)));
        }
    }
    facts.push(("checked", words::evidence(take.evidence).to_string()));
    facts.push(("kept", clock::minute(take.kept_at, zone)));
    if let Some(first) = t.sightings.first() {
        let o = &first.origin;
        let path = match (o.folder.is_empty(), o.name.is_empty()) {
            (true, true) => o.via.to_string(),
            (true, false) => o.name.clone(),
            (false, _) => format!("{}/{}", o.folder, o.name),
        };
        facts.push(("came from", path));
    }
    if let Some(same) = take.alias_of {
        facts.push(("the same as", format!("{}@{same}", t.device.name)));
    }
    if printer.verbose() {
        facts.push(("BLAKE3", take.hash.to_string()));
    }
    for (name, value) in facts {
        printer.line(format!("  {name:<12} {value}"))?;
    }
    for f in &t.findings {
        printer.text(&format!(
            "  {}: {}\n",
            printer.paint(f.severity.as_str(), words::severity(f.severity)),
            printer.paint(&f.message, Tone::Plain)
        ))?;
    }
    for v in &t.vouches {
        printer.line(format!(
            "  vouched for on {}: {}",
            clock::day(v.at, zone),
            v.text
        ))?;
    }
    let rows = copies
        .iter()
        .map(|c| {
            let place = c.place.as_deref().unwrap_or_default();
            vec![
                cell("  "),
                cell(&c.where_),
                cell(place),
                cell(if c.offsite { "elsewhere" } else { "" }),
                cell(clock::day(c.verified_at, zone)),
            ]
        })
        .collect();
    printer.table(&["", "copy at", "place", "", "checked"], rows)?;
    let all = printer.verbose();
    if t.pieces.len() > 1 {
        let shown = if all { t.pieces.len() } else { LISTED };
        let rows = t.pieces.iter().take(shown);
        let rows = rows
            .map(|p| vec![cell("  "), number(size(p.bytes)), cell(&p.path)])
            .collect();
        printer.table(&["", "size", "file"], rows)?;
        more(face, t.pieces.len(), shown, "file")?;
    }
    if !t.patches.is_empty() {
        let shown = if all { t.patches.len() } else { LISTED_PATCHES };
        let rows = t.patches.iter().take(shown);
        let rows = rows
            .map(|p| {
                vec![
                    cell("  "),
                    number(p.number.to_string()),
                    cell(&p.slot),
                    cell(p.name.as_deref().unwrap_or_default()),
                ]
            })
            .collect();
        printer.table(&["", "patch", "slot", "name"], rows)?;
        more(face, t.patches.len(), shown, "patch")?;
    }
    if t.messages.len() > 1 || (all && !t.messages.is_empty()) {
        let shown = if all { t.messages.len() } else { LISTED };
        let rows = t.messages.iter().take(shown);
        let rows = rows
            .map(|m| {
                vec![
                    cell("  "),
                    number(m.index.to_string()),
                    number(size(m.bytes)),
                    cell(match &m.maker_name {
                        Some(name) => format!("{} {name}", m.maker),
                        None => m.maker.clone(),
                    }),
                    cell(m.title.as_deref().unwrap_or(m.kind.as_str())),
                    cell(if m.checksum == "none" { "" } else { m.checksum }),
                ]
            })
            .collect();
        printer.table(&["", "message", "size", "maker", "kind", "checksum"], rows)?;
        more(face, t.messages.len(), shown, "message")?;
    }
    Ok(())
}

fn more(face: &Face, all: usize, shown: usize, what: &str) -> Result<()> {
    match all.checked_sub(shown) {
        None | Some(0) => Ok(()),
        Some(rest) => face.printer.line(format!(
            "  and {} more; --verbose lists all",
            counted(rest as u64, what)
        )),
    }
}

pub(super) fn label(face: &Face, what: Label) -> Result<Outcome> {
    let vault = face.vault()?;
    let labelling = Labelling {
        text: what.text,
        date: what.date,
        remove: what.remove,
    };
    let now = takes::label(&vault, &what.reference, &labelling, face.wait())?;
    face.warnings(&vault);
    face.printer.document(&shape(&now))?;
    let names = names(&now);
    if let Some(text) = &labelling.text {
        face.printer.done(if labelling.remove {
            format!("took the label {text} from {names}")
        } else {
            format!("labelled {names}: {text}")
        })?;
    }
    if let Some(date) = labelling.date {
        dated(face, now.clone(), &date.to_string())?;
    }
    if let (Some(text), false) = (&labelling.text, labelling.remove) {
        face.printer.hint(format!(
            "bring it back one day: farshelf recall \"{}@{text}\" --to PATH",
            now.device.name
        ));
    }
    Ok(Outcome::Good)
}

/// What became of the date a person gave: a take that says the same as an older one has the older one's.
fn dated(face: &Face, now: takes::History, date: &str) -> Result<()> {
    let zone = &face.world.zone;
    let (as_said, older): (Vec<_>, Vec<_>) =
        now.takes.into_iter().partition(|v| v.take.date == date);
    let device = now.device;
    for view in &older {
        face.printer.done(format!(
            "noted the date of {0}@{1}; the same was seen at {2} too, so {0}@{1} is dated {2}",
            device.name,
            view.take.number(),
            words::date(&view.take.date, zone)
        ))?;
    }
    if as_said.is_empty() {
        return Ok(());
    }
    let takes = as_said;
    let names = names(&takes::History { device, takes });
    let date = words::date(date, zone);
    face.printer.done(format!("dated {names}: {date}"))
}

pub(super) fn vouch(face: &Face, what: &Vouch) -> Result<Outcome> {
    let vault = face.vault()?;
    let now = takes::vouch(&vault, &what.reference, &what.text, face.wait())?;
    face.warnings(&vault);
    face.printer.document(&shape(&now))?;
    face.printer
        .done(format!("noted your word for {}", names(&now)))?;
    Ok(Outcome::Good)
}

/// `pit-organ@12` or `3 takes of pit-organ`
fn names(history: &takes::History) -> String {
    let device = &history.device.name;
    match history.takes.as_slice() {
        [one] => format!("{device}@{}", one.take.number()),
        several => format!("{} of {device}", counted(several.len() as u64, "take")),
    }
}
