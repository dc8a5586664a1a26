//! `rescue`

use crate::cli::Face;
use crate::cli::args::Rescue;
use crate::cli::exit::Outcome;
use crate::cli::json::copies as json;
use crate::cli::shelf;
use crate::error::{Error, Kind, Next, Result};
use crate::lending::Invite;
use crate::model::date::Moment;
use crate::ops::key;
use crate::ops::rescue::{self, RescueOptions, RescueReport, Until};
use crate::ops::way::{self, WayOptions};
use crate::shelf::cipher::Identity;
use crate::shelf::registry::{HOST, Reach, Registry};
use crate::shelf::typed::parse_typed;
use crate::sys::clock;
use crate::sys::text::counted;

pub(super) fn rescue(face: &Face, what: &Rescue) -> Result<Outcome> {
    let until = what
        .until
        .as_deref()
        .map(|text| until(face, text))
        .transpose()?;
    let identity = identity(face, what)?;
    let options = RescueOptions {
        locations: locations(face, what)?,
        progress: face.printer.travel(),
        identity: &identity,
        to: what.to.clone(),
        line: what.line.clone(),
        until,
    };
    let (vault, report) = rescue::rescue(&options, &face.world, face.wait())?;
    face.warnings(&vault);
    face.printer.document(&json::Rescued::of(&report))?;
    tell(face, &report)?;
    Ok(Outcome::attention_if(
        !report.damaged.is_empty() || !report.withheld.is_empty(),
    ))
}

/// The ways to the places named. Names out of a saved shelves.toml come before folders of the same name.
fn locations(face: &Face, what: &Rescue) -> Result<Vec<Reach>> {
    let saved = match &what.shelves {
        None => Registry::default(),
        Some(file) => Registry::read_file(face.world.disk.as_ref(), file)?,
    };
    let options = shelf::way(face, &what.way, &what.locations.join(" and "))?;
    what.locations
        .iter()
        .map(|text| {
            if let Some(reach) = saved.get(text) {
                return Ok(reach.clone());
            }
            if Invite::is_one(text) {
                return Ok(Reach {
                    kind: HOST.to_string(),
                    location: text.clone(),
                    ..Reach::default()
                });
            }
            // A folder or a host takes no user: what was said is for the others.
            let fits = text.starts_with("bucket+") || text.starts_with("share+");
            let fits = fits.then_some(&options);
            let known = saved
                .iter()
                .map(|(_, reach)| reach)
                .find(|r| r.location == *text);
            way::way(
                &face.world,
                text,
                fits.unwrap_or(&WayOptions::default()),
                known,
            )
        })
        .collect()
}

fn tell(face: &Face, report: &RescueReport) -> Result<()> {
    let printer = &face.printer;
    printer.done(format!(
        "rebuilt a vault in {}: {} of {}",
        report.vault.display(),
        counted(report.takes, "take"),
        counted(report.devices, "device")
    ))?;
    if let Some(at) = report.last_date {
        printer.done(format!(
            "the last thing written to it is of {}; what was kept later is not in it",
            clock::minute(at, &face.world.zone)
        ))?;
    }
    for lost in &report.damaged {
        let what = match (&lost.take, lost.reel) {
            (Some((device, take)), _) => format!("{device}@{take}"),
            (None, Some(reel)) => format!("reel {reel}"),
            (None, None) => "something".to_string(),
        };
        printer.line(format!("damaged: {what}: {}", lost.detail))?;
    }
    for shelf in &report.withheld {
        printer.line(format!(
            "withheld: {shelf} held more once than it shows now; look at another copy"
        ))?;
    }
    if printer.verbose() {
        for (number, tag) in &report.left {
            printer.line(format!("left where it is: reel {number}, tag {tag}"))?;
        }
    } else if !report.left.is_empty() {
        printer.remark(format!(
            "{} of another computer or a later time stay at the copies, untouched",
            counted(report.left.len() as u64, "part")
        ));
    }
    for note in &report.notes {
        printer.note(note);
    }
    let vault = report.vault.display();
    printer.hint(format!(
        "see how it is: farshelf --vault \"{vault}\" health"
    ));
    printer.hint(format!(
        "take the shelves up again: farshelf --vault \"{vault}\" shelf add NAME LOCATION"
    ));
    Ok(())
}

fn identity(face: &Face, what: &Rescue) -> Result<Identity> {
    if what.key.as_os_str() == "-" {
        let text = face.read_stdin("the key from its sheet")?;
        return parse_typed(&text).map_err(|e| {
            Error::new(
                Kind::WrongKey,
                format!("that is not the key of a sheet: {e}"),
            )
            .next(Next::say(
                "compare it with the sheet, group by group, and type it again",
            ))
        });
    }
    let file = key::read_file(face.world.disk.as_ref(), &what.key)?;
    key::open(file, &mut || {
        face.passphrase(what.unlock.passphrase_from.as_deref())
    })
}

/// A number, or a date; four digits are a year, as in a reference.
fn until(face: &Face, text: &str) -> Result<Until> {
    let digits = text.strip_prefix('#').unwrap_or(text);
    let plain = digits.bytes().all(|b| b.is_ascii_digit());
    if let Ok(number) = digits.parse::<u64>()
        && plain
        && (digits.len() != 4 || text.starts_with('#'))
    {
        return Ok(Until::Reel(number));
    }
    text.parse::<Moment>()
        .ok()
        .and_then(|moment| moment.until(&face.world.zone))
        .map(|until| Until::Instant(until.instant))
        .ok_or_else(|| {
            Error::usage(format!("{text} is neither a number nor a date"))
                .next(Next::say("for example --until 2026-10-25, or --until 12"))
        })
}
