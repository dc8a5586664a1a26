//! Health in plain words: one line when all is well, else what is not good, worst first, alike things in one line.

use std::collections::BTreeSet;

use super::{Code, DeviceHealth, Health, KeyHealth, Reason, ShelfGlance, ShelfState, State};
use crate::error::Next;
use crate::sys::text::{counted, grouped, printable};
use crate::vault::settings::Asked;

/// Devices and takes named in one line before the rest is only counted.
const NAMED: usize = 3;
/// Next steps told at once: nobody follows ten.
const STEPS: usize = 2;
const ADD_SHELF: &str = "shelf add NAME LOCATION --place PLACE";

/// Health as text: its lines, then the next steps, each line with its line feed.
pub fn text(health: &Health) -> String {
    let mut out = String::new();
    for line in lines(health) {
        out.push_str(&line);
        out.push('\n');
    }
    for step in steps(health).iter().filter_map(Next::text) {
        out.push_str(&format!("next: {step}\n"));
    }
    out
}

/// Health as lines without the next steps: one when all is well (and nothing is worth a look), else a label and a
/// sentence each, worst first. Nothing in them steers a terminal.
pub fn lines(health: &Health) -> Vec<String> {
    if nothing_kept(health) {
        return vec!["Nothing is kept here yet: no device has been added.".to_string()];
    }
    let mut rows = Vec::new();
    if !health.good {
        for_lost(health, &mut rows);
        for problem in &health.problems {
            let detail = printable(&problem.detail);
            let text = format!("the vault's own reel {}: {detail}", problem.reel);
            rows.push(("damaged", text));
        }
        shelves(health, ShelfState::Damaged, &mut rows);
        for state in [State::AtRisk, State::Overdue, State::BatteryDue] {
            devices(health, Some(state), &mut rows);
            if state == State::AtRisk {
                key(health, &mut rows);
                shelves(health, ShelfState::Away, &mut rows);
                shelves(health, ShelfState::Behind, &mut rows);
            }
        }
    }
    devices(health, None, &mut rows);
    let mut lines = Vec::new();
    if health.good {
        lines.push(all_well(health));
        // The first line tells these.
        rows.retain(|(_, text)| !text.ends_with(NOTHING_TO_CHECK_BY));
    } else if let Some(text) = same_disk(health) {
        rows.push(("note", text));
    }
    lines.extend(
        rows.into_iter()
            .map(|(label, text)| format!("{label:<13}{text}")),
    );
    lines
}

const NOTHING_TO_CHECK_BY: &str = "nothing to check it by";

pub(super) fn lost(takes: &[u32]) -> String {
    let n = takes.len() as u64;
    let names: Vec<String> = takes.iter().map(|t| t.to_string()).collect();
    let are = if n == 1 { "is" } else { "are" };
    format!(
        "{} {are} in no copy any more ({})",
        counted(n, "take"),
        some_of(&names)
    )
}

pub(super) fn few(copies: u32, asked: u32, place: &str) -> String {
    match copies {
        0 if asked == 1 => format!("no good copy{place}"),
        0 => format!("no good copy of {asked}{place}"),
        n => format!("only {} of {asked}{place}", counted(u64::from(n), "copy")),
    }
}

pub(super) fn unchecked(copies: u32, asked: u32, place: &str, policy: &Asked) -> String {
    let days = counted(u64::from(policy.verified_within_days), "day");
    match copies {
        0 => format!("no copy{place} was checked in the last {days}"),
        n => format!(
            "only {} of {asked}{place} checked in the last {days}",
            counted(u64::from(n), "copy")
        ),
    }
}

pub(super) fn no_key_sheet(key: &KeyHealth, place: Option<&str>) -> String {
    if key.places.is_empty() {
        "no key sheet was confirmed: if this place is lost, nothing opens the copies".to_string()
    } else if place.is_none() {
        "no key sheet counts as being elsewhere, for the vault does not say where it stands"
            .to_string()
    } else {
        "the key sheet is only where the vault stands: if that place is lost, nothing opens the copies"
            .to_string()
    }
}

pub(super) fn doubtful(device: &str, take: u32, whole: Option<u32>) -> String {
    let before = match whole {
        Some(number) => format!("take {number} before it still counts"),
        None => "there is no whole one".to_string(),
    };
    format!("the newest dump is doubtful ({device}@{take}); {before}")
}

pub(super) fn too_old(days: i64, asked: u32) -> String {
    format!("no new dump for {}, asked for every {asked}", days_of(days))
}

pub(super) fn steps(health: &Health) -> Vec<Next> {
    if nothing_kept(health) {
        return vec![
            Next::run(
                "take in dumps that you have, one folder for each device",
                "keep --by-folder --add-devices PATH",
            ),
            Next::run("or name a first device", "device add ID"),
        ];
    }
    let has = |code| first_with(health, code).is_some();
    let asked = &health.asked;
    let mut steps = Vec::new();
    let mut add = |step: Next| {
        if steps.len() < STEPS && !steps.contains(&step) {
            steps.push(step);
        }
    };
    let homeless = health.shelves.iter().find(|s| !s.located);
    // After a rescue nothing can be sent before it is told where the shelves are.
    let mirror = || match homeless {
        Some(shelf) => Next::run(
            format!("say where shelf {} is", shelf.name),
            format!(
                "shelf add {} LOCATION --place \"{}\"",
                shelf.name, shelf.place
            ),
        ),
        None => Next::run("bring the copies up to date", "mirror"),
    };
    let shelf_is = |word| health.shelves.iter().any(|s| s.state == word);
    if !health.lost.is_empty() || !health.problems.is_empty() || shelf_is(ShelfState::Damaged) {
        add(Next::run("mend from a good copy", "repair"));
    }
    // Without a place nothing can be elsewhere: more shelves or sheets would not help before it is told.
    let placeless = health.place.is_none();
    if placeless && (has(Code::TooFewOffsite) || !health.key.places.is_empty()) {
        add(Next::say(
            "say where the vault stands: write a line such as place = \"studio\" into its farshelf.toml, above [asked]",
        ));
    }
    let too_few_offsite = has(Code::TooFewOffsite) && !placeless;
    if has(Code::TooFewCopies) || too_few_offsite {
        if too_few_offsite && health.reach.offsite < asked.offsite {
            add(Next::run("add a shelf in another place", ADD_SHELF));
        } else if health.reach.copies < asked.copies {
            add(Next::run("add a shelf on another disk", ADD_SHELF));
        } else {
            add(mirror());
        }
    }
    if has(Code::CopiesUnchecked) || has(Code::OffsiteUnchecked) {
        add(Next::run("read the copies again", "fixity"));
    }
    if !health.key.confirmed && (!placeless || health.key.places.is_empty()) {
        add(Next::run(
            "print the key sheet and keep it in another place",
            "key sheet",
        ));
    }
    if shelf_is(ShelfState::Behind) {
        add(mirror());
    }
    if homeless.is_some() {
        add(mirror());
    }
    let away = |s: &&ShelfGlance| s.state == ShelfState::Away && s.located;
    if let Some(shelf) = health.shelves.iter().find(away) {
        let command = format!("mirror {}", shelf.name);
        add(Next::run("connect that shelf, then", command));
    }
    let late = [
        Code::NeverDumped,
        Code::TooOld,
        Code::DateUnknown,
        Code::DateAhead,
    ];
    let late = late.iter().find_map(|code| first_with(health, *code));
    if let Some((device, reason)) = late {
        add(match reason.code {
            Code::DateUnknown | Code::DateAhead => {
                Next::run("see its dumps", format!("history {}", device.id))
            }
            _ => Next::run(
                "keep a new dump",
                format!("keep --device {} PATH", device.id),
            ),
        });
    }
    let power = [Code::BatteryDue, Code::Unpowered];
    if let Some((device, _)) = power.iter().find_map(|code| first_with(health, *code)) {
        add(Next::run(
            "dump it first; see what is noted of its battery",
            format!("device show {}", device.id),
        ));
    }
    if let Some((device, _)) = first_with(health, Code::NewestDoubtful) {
        add(Next::run(
            "see what is doubtful",
            format!("history {}", device.id),
        ));
    }
    steps
}

fn first_with(health: &Health, code: Code) -> Option<(&DeviceHealth, &Reason)> {
    health
        .devices
        .iter()
        .find_map(|device| Some((device, device.reasons.iter().find(|r| r.code == code)?)))
}

fn nothing_kept(health: &Health) -> bool {
    health.devices.is_empty() && health.retired == 0
}

type Row = (&'static str, String);

fn for_lost(health: &Health, rows: &mut Vec<Row>) {
    devices(health, Some(State::Lost), rows);
    let judged: BTreeSet<&str> = health.devices.iter().map(|d| d.id.as_str()).collect();
    let retired: Vec<String> = health
        .lost
        .iter()
        .filter(|l| !judged.contains(l.device.as_str()))
        .map(|l| format!("{}@{}", l.device, l.take))
        .collect();
    if !retired.is_empty() {
        let n = counted(retired.len() as u64, "take");
        let text = format!(
            "{n} of retired devices in no copy any more ({})",
            some_of(&retired)
        );
        rows.push((label(Some(State::Lost)), text));
    }
}

/// One row for each reason that brings `state`; reasons of many devices that read alike share one.
fn devices(health: &Health, state: Option<State>, rows: &mut Vec<Row>) {
    for &code in Code::ALL.iter().filter(|code| code.state() == state) {
        // The key's row is told once for all.
        if code == Code::NoKeySheet {
            continue;
        }
        let mut found: Vec<(&DeviceHealth, &Reason)> = Vec::new();
        for device in &health.devices {
            let of_code = device.reasons.iter().filter(|r| r.code == code);
            found.extend(of_code.map(|reason| (device, reason)));
        }
        // How many copies there are is told number by number, the smallest first.
        let apart = state == Some(State::AtRisk);
        if apart {
            found.sort_by(|a, b| a.1.text.cmp(&b.1.text));
        }
        for group in found.chunk_by(|a, b| !apart || a.1.text == b.1.text) {
            rows.push((label(state), row(code, group, health.devices.len())));
        }
    }
}

fn row(code: Code, group: &[(&DeviceHealth, &Reason)], of: usize) -> String {
    let mut ids: Vec<String> = group.iter().map(|(device, _)| device.id.clone()).collect();
    ids.dedup();
    let first = &group[0].1.text;
    let alike = group.iter().all(|(_, reason)| reason.text == *first);
    let what = if alike {
        first.clone()
    } else {
        together(code, group)
    };
    match ids.len() {
        1 => format!("{}: {what}", ids[0]),
        n if n == of => format!("all {} devices: {what}", grouped(n as u64)),
        n => format!("{} devices ({}): {what}", grouped(n as u64), some_of(&ids)),
    }
}

/// What reasons of one code that read differently have in common.
fn together(code: Code, group: &[(&DeviceHealth, &Reason)]) -> String {
    let days = || group.iter().filter_map(|(_, reason)| reason.days);
    match code {
        Code::TooOld => match (days().min(), days().max()) {
            (Some(min), Some(max)) if min != max => {
                format!(
                    "no new dump for {} to {}",
                    grouped(min.max(0) as u64),
                    days_of(max)
                )
            }
            (_, max) => format!("no new dump for {}", days_of(max.unwrap_or(0))),
        },
        Code::Lost => "some takes are in no copy any more".to_string(),
        Code::NeverDumped => "never dumped, or not all of it".to_string(),
        Code::DateUnknown => "nobody knows when the newest dump was made".to_string(),
        Code::DateAhead => "the newest dump is dated in the future".to_string(),
        Code::BatteryDue => "the battery is past its time or soon will be".to_string(),
        Code::Unpowered => format!(
            "not switched on for {} or longer; the memory may fade",
            days_of(days().min().unwrap_or(0))
        ),
        Code::NewestDoubtful => "the newest dump is doubtful".to_string(),
        Code::Uncheckable => NOTHING_TO_CHECK_BY.to_string(),
        Code::BatteryUnknown => {
            "nobody noted how old the battery is, or when it was last on".to_string()
        }
        _ => group[0].1.text.clone(),
    }
}

fn key(health: &Health, rows: &mut Vec<Row>) {
    if !health.key.confirmed {
        let text = no_key_sheet(&health.key, health.place.as_deref());
        rows.push((label(Some(State::AtRisk)), text));
    }
}

fn shelves(health: &Health, word: ShelfState, rows: &mut Vec<Row>) {
    for shelf in health.shelves.iter().filter(|s| s.state == word) {
        let why = match &shelf.reason {
            Some(reason) => format!(": {}", printable(reason)),
            None => String::new(),
        };
        let text = format!("shelf {} ({}){why}", shelf.name, printable(&shelf.place));
        rows.push((word.as_str(), text));
    }
}

fn same_disk(health: &Health) -> Option<String> {
    let short = health.reach.copies < health.asked.copies
        || health.reach.offsite < health.asked.offsite && health.place.is_some();
    if !short || health.sharing_a_disk.is_empty() {
        return None;
    }
    Some(format!(
        "{} on a disk that counts already; if that is another disk after all, add it again with --separate",
        match &health.sharing_a_disk[..] {
            [one] => format!("shelf {one} lies"),
            many => format!("shelves {} lie", some_of(many)),
        }
    ))
}

fn all_well(health: &Health) -> String {
    let n = health.devices.len();
    let who = match n {
        0 => {
            let retired = counted(u64::from(health.retired), "device");
            return format!("No device is in use here ({retired} retired); all copies are good.");
        }
        1 => format!("{} is safe", health.devices[0].id),
        _ => format!("All {} devices are safe", grouped(n as u64)),
    };
    let copies = || health.devices.iter().map(|d| d.copies);
    let (least, most) = (copies().min().unwrap_or(0), copies().max().unwrap_or(0));
    let mut line = format!("{who}: ");
    if least != most {
        line.push_str("at least ");
    }
    line.push_str(&counted(u64::from(least), "copy"));
    if n > 1 {
        line.push_str(" of each");
    }
    line.push_str(&elsewhere(health));
    let ages = || {
        let sections = health.devices.iter().flat_map(|d| &d.sections);
        sections.filter_map(|s| s.age_days)
    };
    match (ages().min(), ages().max()) {
        (Some(new), Some(old)) if new == old => {
            line.push_str(&format!("; newest dump {}", days_old(new)));
        }
        (Some(new), Some(old)) => line.push_str(&format!(
            "; newest dump {}, oldest {}",
            days_old(new),
            days_old(old)
        )),
        _ => {}
    }
    let uncheckable = health
        .devices
        .iter()
        .filter(|d| d.reasons.iter().any(|r| r.code == Code::Uncheckable))
        .count();
    match uncheckable {
        0 => {}
        1 if n == 1 => line.push_str(&format!("; {NOTHING_TO_CHECK_BY}")),
        k => line.push_str(&format!("; for {k} of them {NOTHING_TO_CHECK_BY}")),
    }
    line.push('.');
    line
}

fn elsewhere(health: &Health) -> String {
    let least = health.devices.iter().map(|d| d.offsite_copies).min();
    let away: Vec<&ShelfGlance> = health.shelves.iter().filter(|s| s.offsite).collect();
    let mut places: Vec<String> = Vec::new();
    for shelf in away {
        let place = printable(&shelf.place);
        if !places.contains(&place) {
            places.push(place);
        }
    }
    match (least.unwrap_or(0), &places[..]) {
        (0, _) | (_, []) => String::new(),
        (1, [place]) => format!(", one at {place}"),
        (k, [place]) => format!(", {k} at {place}"),
        (1, many) => format!(", one elsewhere ({})", some_of(many)),
        (k, many) => format!(", {k} elsewhere ({})", some_of(many)),
    }
}

fn label(state: Option<State>) -> &'static str {
    match state {
        Some(State::Lost) => "lost",
        Some(State::AtRisk) => "at risk",
        Some(State::Overdue) => "overdue",
        Some(State::BatteryDue) => "battery due",
        Some(State::Good) | None => "note",
    }
}

fn days_of(days: i64) -> String {
    counted(days.max(0) as u64, "day")
}

fn days_old(days: i64) -> String {
    match days {
        0 => "from today".to_string(),
        days => format!("{} old", days_of(days)),
    }
}

fn some_of(names: &[String]) -> String {
    match names.len() {
        n if n <= NAMED + 1 => names.join(", "),
        n => format!(
            "{} and {} more",
            names[..NAMED].join(", "),
            grouped((n - NAMED) as u64)
        ),
    }
}
