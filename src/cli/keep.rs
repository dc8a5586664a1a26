//! `keep`.

use std::io::IsTerminal;

use super::args::KeepArgs;
use super::exit::Exit;
use super::takes::{bad_id, parse_date};
use super::{Desk, json};
use crate::error::{Error, Result};
use crate::model::take::{Condition, Severity};
use crate::ops::bring;
use crate::ops::keep::{self, KeepOptions, KeepResult, KeepTotals, Status, When, Whose};
use crate::sys::clock::day;
use crate::sys::text::{counted, grouped, printable};
use crate::vault::keeping::Into;

/// More kept dumps than this are counted rather than listed.
const LISTED: u64 = 30;

pub(super) fn keep(desk: &Desk, args: KeepArgs) -> Result<Exit> {
    let vault = desk.vault()?;
    let mut teller = Teller {
        desk,
        listed: 0,
        any: false,
    };
    let totals = match args.from.clone() {
        Some(from) => {
            teller.begin()?;
            bring::bring(&vault, &from, desk.wait, &mut |r| teller.tell(r))
        }
        None => {
            let options = options(desk, args)?;
            if options.paths.iter().any(|p| p.as_os_str() == "-") && std::io::stdin().is_terminal()
            {
                desk.print
                    .note("waiting for a dump on standard input; end it with Ctrl-D");
            }
            teller.begin()?;
            keep::keep(&vault, &options, &mut std::io::stdin(), &mut |r| {
                teller.tell(r)
            })
        }
    };
    desk.warn(&vault);
    // The document is closed also when the run stopped: what was told before is kept.
    let shown = *totals.as_ref().unwrap_or(&KeepTotals::default());
    teller.end(&shown, totals.is_ok())?;
    let totals = totals?;
    Ok(if totals.failed > 0 {
        Exit::Failed
    } else {
        Exit::attention(totals.doubtful > 0)
    })
}

fn options(desk: &Desk, args: KeepArgs) -> Result<KeepOptions> {
    let whose = match (args.device, args.by_folder) {
        (Some(id), _) => Whose::Device(id.parse().map_err(bad_id)?),
        (None, true) => Whose::ByFolder {
            add_devices: args.add_devices,
        },
        (None, false) => Whose::Recognised,
    };
    let into = match (args.section, args.loose) {
        (Some(name), _) => Into::Section(name.parse().map_err(bad_id)?),
        (None, true) => Into::Loose,
        (None, false) => Into::Auto,
    };
    let when = match (args.date, args.today) {
        (Some(date), _) => When::Given(parse_date(&date)?),
        (None, true) => When::Given(parse_date(&day(desk.world.now(), &desk.world.zone))?),
        (None, false) => When::FileTime,
    };
    Ok(KeepOptions {
        whose,
        into,
        when,
        as_one: args.as_one,
        reread: args.reread,
        paths: args.paths,
        wait: desk.wait,
    })
}

/// Tells results as they become durable.
struct Teller<'d> {
    desk: &'d Desk,
    listed: u64,
    any: bool,
}

impl Teller<'_> {
    fn begin(&self) -> Result<()> {
        if self.desk.print.json {
            self.desk.print.raw("{\"results\":[")
        } else {
            Ok(())
        }
    }

    fn tell(&mut self, r: &KeepResult) -> Result<()> {
        if self.desk.print.json {
            let comma = if self.any { "," } else { "" };
            self.any = true;
            return self
                .desk
                .print
                .raw(&format!("{comma}{}", json::keep_result(r)));
        }
        if let Some(e) = &r.error {
            self.desk.print.error(e);
            return Ok(());
        }
        let doubtful = r.condition == Condition::Doubtful;
        let news = r.status == Status::Kept || doubtful || !r.findings.is_empty();
        if !news {
            return Ok(());
        }
        if !doubtful && self.listed >= LISTED {
            return Ok(());
        }
        self.listed += 1;
        self.desk.print.success(&one_line(r))?;
        for f in &r.findings {
            let text = format!("  {}: {}", f.severity, printable(&f.message));
            // What makes a take doubtful is said even to who wants quiet.
            if f.severity == Severity::Error && self.desk.print.quiet {
                self.desk.print.line(&format!(
                    "{}: {}",
                    printable(&r.source),
                    printable(&f.message)
                ))?;
            } else {
                self.desk.print.success(&text)?;
            }
        }
        Ok(())
    }

    fn end(&self, t: &KeepTotals, whole: bool) -> Result<()> {
        if self.desk.print.json {
            return self.desk.print.raw(&json::keep_totals(t));
        }
        if !whole {
            return Ok(());
        }
        let mut parts = vec![
            format!("{} kept", grouped(t.kept)),
            format!("{} unchanged", grouped(t.unchanged)),
        ];
        if t.doubtful > 0 {
            parts.push(format!("{} doubtful", grouped(t.doubtful)));
        }
        if t.failed > 0 {
            parts.push(format!("{} failed", grouped(t.failed)));
        }
        self.desk.print.success(&parts.join(", "))
    }
}

fn one_line(r: &KeepResult) -> String {
    let device = r.device.as_deref().unwrap_or("?");
    let take = r.take.unwrap_or(0);
    let place = match &r.section {
        Some(section) => section.clone(),
        None => "loose".to_string(),
    };
    let what = match r.messages {
        0 => counted(r.bytes, "byte"),
        n => format!("{}, {}", counted(r.bytes, "byte"), counted(n, "message")),
    };
    format!(
        "{} {device}@{take} {place} ({what}, {}) from {}",
        r.status.as_str(),
        r.condition,
        printable(&r.source)
    )
}

/// Kept here so that a wrong id reads the same everywhere.
pub(super) fn usage(e: impl std::fmt::Display) -> Error {
    Error::usage(e.to_string())
}
