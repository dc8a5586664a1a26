//! `keep`: told dump by dump as each is safe.

use std::collections::{BTreeMap, BTreeSet};

use indicatif::ProgressBar;

use crate::cli::args::Keep;
use crate::cli::exit::Outcome;
use crate::cli::print::as_json;
use crate::cli::{Face, json, words};
use crate::error::{Error, Result};
use crate::model::date::Moment;
use crate::model::take::{Condition, Severity};
use crate::ops::bring::bring;
use crate::ops::keep::{self, KeepOptions, KeepResult, KeepTotals, Status, When, Whose};
use crate::sys::clock;
use crate::sys::text::{counted, grouped};
use crate::vault::Vault;
use crate::vault::keeping::Into;

/// So many kept dumps are told one by one; of more, each device gets one line.
const TOLD_ONE_BY_ONE: u64 = 40;

pub(super) fn keep(face: &Face, what: Keep) -> Result<Outcome> {
    let vault = face.vault()?;
    let mut teller = Teller {
        face,
        begun: false,
        told: 0,
        totals: KeepTotals::default(),
        more: BTreeMap::new(),
        first_kept: None,
        last_unchanged: None,
        seen_again: 0,
        noted: BTreeSet::new(),
        bar: face.printer.counter("dumps looked at"),
    };
    let result = run(face, &vault, what, &mut teller);
    face.warnings(&vault);
    teller.end(result)
}

fn run(face: &Face, vault: &Vault, what: Keep, teller: &mut Teller<'_>) -> Result<()> {
    let mut tell = |r: &KeepResult| teller.tell(r);
    if let Some(from) = &what.from {
        bring(vault, from, face.wait(), &mut tell)?;
        return Ok(());
    }
    let options = KeepOptions {
        whose: match (what.device, what.by_folder) {
            (Some(id), _) => Whose::Device(id),
            (None, true) => Whose::ByFolder {
                add_devices: what.add_devices,
            },
            (None, false) => Whose::Recognised,
        },
        into: match (what.section, what.loose) {
            (Some(section), _) => Into::Section(section),
            (None, true) => Into::Loose,
            (None, false) => Into::Auto,
        },
        when: match (what.date, what.today) {
            (Some(date), _) => When::Given(date),
            (None, true) => When::Given(today(face)?),
            (None, false) => When::FileTime,
        },
        as_one: what.as_one,
        reread: what.reread,
        paths: what.paths,
        wait: face.wait(),
    };
    if options.paths.iter().any(|p| p.as_os_str() == "-") {
        face.say_waiting("the bytes of a dump");
    }
    keep::keep(vault, &options, &mut std::io::stdin(), &mut tell)?;
    Ok(())
}

fn today(face: &Face) -> Result<Moment> {
    let day = clock::day(face.world.now(), &face.world.zone);
    day.parse().map_err(|_| {
        Error::usage(format!(
            "this computer's clock shows {day}, which is no date"
        ))
    })
}

/// Tells results as they come and counts them, so that what was told is right however the run ends.
struct Teller<'a> {
    face: &'a Face,
    begun: bool,
    told: u64,
    totals: KeepTotals,
    /// Kept dumps that were not told one by one, for each device.
    more: BTreeMap<String, u64>,
    first_kept: Option<String>,
    last_unchanged: Option<String>,
    /// Unchanged ones that were only seen again under a later file time.
    seen_again: u64,
    noted: BTreeSet<String>,
    bar: ProgressBar,
}

impl Teller<'_> {
    fn tell(&mut self, r: &KeepResult) -> Result<()> {
        let doubtful = r.is_doubtful();
        match r.status {
            Status::Kept => self.totals.kept += 1,
            Status::Unchanged => self.totals.unchanged += 1,
            Status::Failed => self.totals.failed += 1,
        }
        self.totals.doubtful += u64::from(doubtful);
        self.bar.inc(1);
        // What is told goes to the same terminal: the counter makes way.
        let bar = self.bar.clone();
        bar.suspend(|| self.tell_one(r, doubtful))
    }

    fn tell_one(&mut self, r: &KeepResult, doubtful: bool) -> Result<()> {
        if self.face.printer.json() {
            return self.tell_json(r);
        }
        match r.status {
            Status::Failed => {
                if let Some(e) = &r.error {
                    self.face.printer.failed_one(e);
                }
                Ok(())
            }
            Status::Unchanged => {
                self.seen_again += u64::from(r.findings.iter().any(|f| f.code == "seen-again"));
                self.last_unchanged = Some(format!(
                    "unchanged: {} is kept as {}@{}",
                    r.source,
                    r.device.as_deref().unwrap_or_default(),
                    r.take.unwrap_or_default()
                ));
                Ok(())
            }
            Status::Kept => self.tell_kept(r, doubtful),
        }
    }

    fn tell_json(&mut self, r: &KeepResult) -> Result<()> {
        let head = if self.begun {
            ",\n"
        } else {
            "{\"results\": [\n"
        };
        let text = as_json(&json::Kept::of(r))?;
        self.begun = true;
        self.face.printer.json_part(head)?;
        self.face.printer.json_part(&text)
    }

    fn tell_kept(&mut self, r: &KeepResult, doubtful: bool) -> Result<()> {
        let device = r.device.clone().unwrap_or_default();
        let name = format!("{device}@{}", r.take.unwrap_or_default());
        if self.first_kept.is_none() {
            self.first_kept = Some(device.clone());
        }
        // A doubtful one is always told by its name.
        if self.told >= TOLD_ONE_BY_ONE && !doubtful {
            *self.more.entry(device).or_default() += 1;
            return Ok(());
        }
        self.told += 1;
        let printer = &self.face.printer;
        let vouched = !doubtful && r.condition == Condition::Doubtful;
        let condition = match vouched {
            true => "vouched for",
            false => r.condition.as_str(),
        };
        printer.done(format!(
            "kept {name}  {}  {}, {}  from {}",
            r.section.as_deref().unwrap_or("(loose)"),
            words::content(r.bytes, r.messages),
            condition,
            r.source
        ))?;
        // With --quiet the line above is not there, so these stand by themselves.
        let indent = if self.face.global.quiet { "" } else { "  " };
        for f in &r.findings {
            match f.severity {
                // The same note for many dumps is told once.
                Severity::Note if !self.noted.insert(f.message.clone()) => {}
                Severity::Note => printer.done(format!("{indent}note: {}", f.message))?,
                Severity::Warning => {
                    printer.line(format!("{indent}{name} has a warning: {}", f.message))?;
                }
                Severity::Error if vouched => {
                    printer.done(format!("{indent}error: {}", f.message))?;
                }
                Severity::Error => {
                    printer.line(format!("{indent}{name} is doubtful: {}", f.message))?;
                }
            }
        }
        Ok(())
    }

    /// The end of the document or the last lines, whether the run came to its end or not.
    fn end(self, result: Result<()>) -> Result<Outcome> {
        self.bar.finish_and_clear();
        let printer = &self.face.printer;
        let t = &self.totals;
        if printer.json() {
            if self.begun || result.is_ok() {
                let rest = as_json(&json::KeptTotals::of(t))?;
                let head = if self.begun {
                    "\n],"
                } else {
                    "{\"results\": [],"
                };
                printer.json_part(&format!("{head}{}\n", rest.trim_start_matches('{')))?;
            }
        } else {
            for (device, n) in &self.more {
                printer.done(format!("kept {} more of {device}", counted(*n, "dump")))?;
            }
            match (t.kept + t.unchanged + t.failed, &self.last_unchanged) {
                (1, Some(text)) => printer.done(text)?,
                (1, None) => {}
                _ => printer.done(summary(t))?,
            }
            if self.seen_again > 0 {
                printer.done(format!(
                    "note: {} seen again under a later file time, which is no new dump; what the instrument sent then is kept with --today or --date",
                    counted(self.seen_again, "dump")
                ))?;
            }
        }
        result?;
        if t.kept > 0
            && let Some(device) = &self.first_kept
        {
            printer.hint(format!("see what is kept: farshelf history {device}"));
        }
        Ok(if t.failed > 0 {
            Outcome::Failed
        } else {
            Outcome::attention_if(t.doubtful > 0)
        })
    }
}

/// `12 kept, 3 unchanged, 1 of them doubtful, 2 failed`
fn summary(t: &KeepTotals) -> String {
    let mut parts = vec![format!("{} kept", grouped(t.kept))];
    if t.unchanged > 0 {
        parts.push(format!("{} unchanged", grouped(t.unchanged)));
    }
    if t.doubtful > 0 {
        parts.push(format!("{} of them doubtful", grouped(t.doubtful)));
    }
    if t.failed > 0 {
        parts.push(format!("{} failed", grouped(t.failed)));
    }
    parts.join(", ")
}
