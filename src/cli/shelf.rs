//! `shelf`: add, list, show, accept, drop.

use std::io::BufRead;

use crate::care::standing::{ShelfState, Standing};
use crate::cli::Face;
use crate::cli::args::{Shelf, ShelfAdd, ShelfDrop, Way};
use crate::cli::exit::Outcome;
use crate::cli::json::copies as json;
use crate::cli::print::{Tone, cell, number, toned};
use crate::error::{Error, Next, Result};
use crate::ops::shelf::{self, AddOptions, ShelfShown};
use crate::ops::way::WayOptions;
use crate::shelf::registry::FOLDER;
use crate::shelf::secret::SecretSource;
use crate::sys::clock;
use crate::sys::text::{counted, grouped, size};
use crate::vault::Vault;

pub(super) fn shelf(face: &Face, what: Shelf) -> Result<Outcome> {
    let vault = face.vault()?;
    match what {
        Shelf::Add(what) => add(face, &vault, *what)?,
        Shelf::List => {
            let shelves = shelf::list(&vault)?;
            face.printer.document(&json::Shelves {
                shelves: shelves.iter().map(json::Shelf::of).collect(),
            })?;
            list(face, &shelves)?;
        }
        Shelf::Show(what) => {
            let shown = shelf::show(&vault, &what.name)?;
            face.printer.document(&json::ShelfInFull::of(&shown))?;
            show(face, &shown)?;
        }
        Shelf::Accept(what) => {
            let accepted = shelf::accept(&vault, &what.name, face.wait())?;
            face.printer.document(&json::ShelfAccepted::of(&accepted))?;
            face.printer.done(format!(
                "what another computer wrote to {} may stand beside yours now ({})",
                accepted.name,
                counted(accepted.reels.len() as u64, "part")
            ))?;
            face.printer.hint(format!(
                "send what waits: farshelf mirror {}",
                accepted.name
            ));
        }
        Shelf::Drop(what) => drop_shelf(face, &vault, &what)?,
    }
    face.warnings(&vault);
    Ok(Outcome::Good)
}

fn add(face: &Face, vault: &Vault, what: ShelfAdd) -> Result<()> {
    let options = AddOptions {
        name: what.name.to_string(),
        way: way(face, &what.way, &what.location)?,
        location: what.location,
        place: what.place,
        every_days: what.every,
        separate: what.separate,
    };
    let added = shelf::add(vault, &options, face.wait())?;
    face.printer.document(&json::ShelfAdded::of(&added))?;
    let s = &added.shelf;
    face.printer.done(format!(
        "{} the shelf {} in {}; it stands at {}",
        if added.taken_up { "took up" } else { "added" },
        s.name,
        s.location,
        s.place
    ))?;
    if added.same_file_system {
        face.printer.note(format!(
            "{} lies on the same disk as the vault, so it counts as no further copy; if that is another disk, say so with --separate",
            s.name
        ));
    }
    if !s.offsite {
        face.printer.remark(format!(
            "{} stands where the vault stands, so it does not count as being elsewhere",
            s.name
        ));
    }
    for (what, how) in &added.honours {
        face.printer.remark(format!("{what}: {how}"));
    }
    face.printer
        .hint(format!("fill it: farshelf mirror {}", s.name));
    Ok(())
}

/// What was said of how a place is reached. A secret that was not named is asked for where somebody sits.
pub(super) fn way(face: &Face, what: &Way, location: &str) -> Result<WayOptions> {
    let mut secret = SecretSource {
        secret: None,
        secret_env: what.secret_env.clone(),
        secret_file: what.secret_file.as_ref().map(|f| f.display().to_string()),
        secret_command: what.secret_command.clone(),
    };
    if what.user.is_some() && secret.is_none() && face.may_ask() {
        secret.secret = Some(face.secret(location)?);
    }
    Ok(WayOptions {
        user: what.user.clone(),
        secret,
        region: what.region.clone(),
        ca_file: what.ca_file.clone(),
        in_clear: what.in_clear,
        limit: what.limit,
        side_by_side: what.side_by_side,
    })
}

/// The tone of a shelf's state.
pub(super) fn tone(state: ShelfState) -> Tone {
    match state {
        ShelfState::Good => Tone::Good,
        ShelfState::Behind | ShelfState::Away => Tone::Warn,
        ShelfState::Damaged => Tone::Bad,
    }
}

fn list(face: &Face, shelves: &[Standing]) -> Result<()> {
    if shelves.is_empty() {
        face.printer.line("there are no shelves yet")?;
        face.printer
            .hint("add one: farshelf shelf add NAME FOLDER --place PLACE");
    }
    let zone = &face.world.zone;
    let day = |at: Option<i64>| at.map_or("never".to_string(), |at| clock::day(at, zone));
    let rows = shelves
        .iter()
        .map(|s| {
            vec![
                cell(&s.name),
                toned(s.state.as_str(), tone(s.state)),
                cell(&s.place),
                cell(if s.offsite { "elsewhere" } else { "" }),
                cell(day(s.verified_at)),
                number(size(s.bytes)),
                cell(s.reason.as_deref().unwrap_or_default()),
            ]
        })
        .collect();
    face.printer.table(
        &["shelf", "state", "place", "", "checked", "size", "why"],
        rows,
    )
}

fn show(face: &Face, shown: &ShelfShown) -> Result<()> {
    let printer = &face.printer;
    let zone = &face.world.zone;
    let s = &shown.shelf;
    let at = |at: Option<i64>| at.map_or("never".to_string(), |at| clock::minute(at, zone));
    printer.text(&format!(
        "{}  {}\n",
        s.name,
        printer.paint(s.state.as_str(), tone(s.state))
    ))?;
    let elsewhere = if s.offsite {
        "elsewhere"
    } else {
        "where the vault stands"
    };
    let mut facts = vec![
        ("location", s.location.clone()),
        ("place", format!("{} ({elsewhere})", s.place)),
        (
            match s.kind.as_str() {
                FOLDER => "reached now",
                _ => "reached",
            },
            yes_no(s.reachable),
        ),
        ("filled", at(s.mirrored_at)),
        ("checked", at(s.verified_at)),
        ("expected", format!("every {} days", shown.every_days)),
        ("size", size(s.bytes)),
    ];
    if let Some(reason) = &s.reason {
        facts.push(("why", reason.clone()));
    }
    if s.behind_takes > 0 {
        facts.push(("takes behind", grouped(s.behind_takes)));
    }
    if let Some(at) = s.reported_at {
        facts.push((
            "its keeper",
            format!("says that it read all of it by {}", clock::minute(at, zone)),
        ));
    }
    if let Some(limit) = &shown.limit {
        facts.push(("limit", limit.clone()));
    }
    for (what, how) in &shown.honours {
        facts.push(("server", format!("{what}: {how}")));
    }
    if shown.separate {
        facts.push(("disk", "another than the vault's, as you said".to_string()));
    }
    for (name, value) in facts {
        printer.line(format!("  {name:<12} {value}"))?;
    }
    for damage in &shown.damage {
        printer.text(&format!(
            "  {}: {}\n",
            printer.paint("damaged", Tone::Bad),
            printer.paint(damage, Tone::Plain)
        ))?;
    }
    let damaged = shown.reels.iter().filter(|r| r.damage.is_some());
    for reel in damaged {
        let what = reel.damage.as_deref().unwrap_or_default();
        printer.line(format!("  damaged: reel {}: {what}", reel.reel))?;
    }
    if printer.verbose() {
        let rows = shown
            .reels
            .iter()
            .map(|r| {
                vec![
                    cell("  "),
                    number(r.reel.to_string()),
                    number(size(r.bytes)),
                    cell(at(r.verified_at)),
                    cell(&r.object),
                ]
            })
            .collect();
        printer.table(&["", "reel", "size", "checked", "object"], rows)?;
    }
    Ok(())
}

fn yes_no(yes: bool) -> String {
    if yes { "yes" } else { "no" }.to_string()
}

fn drop_shelf(face: &Face, vault: &Vault, what: &ShelfDrop) -> Result<()> {
    // A name that is none is told before anything is asked.
    let shown = shelf::show(vault, &what.name)?;
    let typed = match &what.confirm {
        Some(name) => name.clone(),
        None if face.may_ask() => ask_name(face, &shown)?,
        None => {
            return Err(Error::usage(format!(
                "giving up the shelf {} must be confirmed; nothing was changed",
                what.name
            ))
            .next(Next::run(
                "if that is meant",
                format!("shelf drop {0} --confirm {0}", what.name),
            )));
        }
    };
    if typed != what.name {
        return Err(Error::usage(format!(
            "{typed} is not the name of the shelf {}; nothing was changed",
            what.name
        )));
    }
    let dropped = shelf::drop_shelf(vault, &what.name, face.wait())?;
    face.printer.document(&json::ShelfDropped::of(&dropped))?;
    face.printer.done(format!(
        "gave up the shelf {}; what lies in {} was left alone",
        dropped.name, dropped.location
    ))?;
    face.printer
        .hint("see whether enough copies remain: farshelf health");
    Ok(())
}

fn ask_name(face: &Face, shown: &ShelfShown) -> Result<String> {
    face.printer.note(format!(
        "the copies in {} will not count any more; type the shelf's name to give it up:",
        shown.shelf.location
    ));
    let mut line = String::new();
    std::io::stdin()
        .lock()
        .read_line(&mut line)
        .map_err(|e| Error::io("cannot read standard input", e))?;
    Ok(line.trim().to_string())
}
