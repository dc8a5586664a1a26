//! How every device stands: from what is known of its dumps and copies to one state and all the reasons for it.
//!
//! 1. A device's state is the worst that any of its reasons brings; all reasons stand beside it.
//! 2. Some reasons are remarks: they bring no state. That nothing can check a dump, that the newest dump is doubtful
//!    (the last whole one still counts, and grows overdue), or that nobody noted how old a battery is.
//! 3. Only expected sections that are not loose are judged, and only devices that were not retired.
//! 4. A device of which nothing whole was ever kept is overdue; it has no copies that could be at risk.
//! 5. A key sheet counts only in another place than the vault's. A vault that does not say where it stands has no
//!    other place: as with shelves, nobody can tell that the sheet would survive the studio.
//! 6. A date nobody knows is never recent, and neither is one that lies in the future.
//! 7. Everything is good only if there is a device to be good: a script that looks at the wrong, empty vault must
//!    not be told that all is well.

mod battery;
mod words;

use crate::care::copies::{DAY_S, Problem, Tally};
pub use crate::care::standing::ShelfState;
use crate::error::Next;
use crate::model::take::{Condition, Evidence};
use crate::model::words::word_enum;
use crate::vault::settings::Asked;

pub use battery::{DEFAULT_LIFE_YEARS, Power, UNPOWERED_MONTHS, WARN_MONTHS};
pub use words::{lines, text};

word_enum! {
    /// How a device stands, from the best to the worst.
    pub enum State {
        /// Nothing to do.
        Good => "good",
        /// What holds its memory is due to be replaced or charged.
        BatteryDue => "battery-due",
        /// A dump is missing or older than asked.
        Overdue => "overdue",
        /// Too few copies, none elsewhere, or no key sheet elsewhere.
        AtRisk => "at-risk",
        /// Bytes of some kept take are nowhere.
        Lost => "lost",
    }
}

word_enum! {
    /// Why a device is not good, or what is worth knowing about it. The words are stable.
    pub enum Code {
        /// Bytes of a kept take are nowhere.
        Lost => "lost",
        /// There are fewer copies than asked.
        TooFewCopies => "too-few-copies",
        /// There would be enough copies, had they been checked lately.
        CopiesUnchecked => "copies-unchecked",
        /// There are fewer copies elsewhere than asked.
        TooFewOffsite => "too-few-offsite",
        /// There would be enough copies elsewhere, had they been checked lately.
        OffsiteUnchecked => "offsite-unchecked",
        /// No key sheet was confirmed at another place.
        NoKeySheet => "no-key-sheet",
        /// An expected section was never dumped whole.
        NeverDumped => "never-dumped",
        /// The newest dump is older than asked.
        TooOld => "too-old",
        /// Nobody knows when the newest dump was made.
        DateUnknown => "date-unknown",
        /// The newest dump is dated in the future.
        DateAhead => "date-ahead",
        /// The battery is due.
        BatteryDue => "battery-due",
        /// It was not switched on for long.
        Unpowered => "unpowered",
        /// Remark: the newest dump is doubtful.
        NewestDoubtful => "newest-doubtful",
        /// Remark: nothing to check the newest dump by.
        Uncheckable => "uncheckable",
        /// Remark: nobody noted how old the battery is, or when the device was last on.
        BatteryUnknown => "battery-unknown",
        /// Remark: no section is expected, so nothing is judged.
        NothingExpected => "nothing-expected",
    }
}

/// How a shelf stands: what this room needs to know of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ShelfGlance {
    /// Its name.
    pub name: String,
    /// Its place.
    pub place: String,
    /// True if that is another place than the vault's.
    pub offsite: bool,
    /// How it stands.
    pub state: ShelfState,
    /// Why, in a few words such as `behind by 3 takes`; may be untrusted text.
    pub reason: Option<String>,
    /// True if this computer knows where it is.
    pub located: bool,
}

/// One reason for a device's state, or a remark.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reason {
    /// What it is, for scripts.
    pub code: Code,
    /// One clause for people.
    pub text: String,
    /// The section it is about.
    pub section: Option<String>,
    /// Days, for `too-old` and `unpowered`.
    pub days: Option<i64>,
}

/// How one expected section stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SectionHealth {
    /// Its name.
    pub section: String,
    /// Number of its newest whole take.
    pub newest_take: Option<u32>,
    /// That take's date, as history shows it.
    pub date: Option<String>,
    /// When it was last seen in the device, unix seconds.
    pub confirmed_at: Option<i64>,
    /// Whole days since then.
    pub age_days: Option<i64>,
    /// That take's condition: doubtful only if a person vouched for it.
    pub condition: Option<Condition>,
    /// Why that take is believed.
    pub evidence: Option<Evidence>,
}

/// How one device stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeviceHealth {
    /// Its id.
    pub id: String,
    /// Its name in the owner's words: text to be sanitised.
    pub name: Option<String>,
    /// The worst state of all reasons.
    pub state: State,
    /// All reasons, worst first, then the remarks.
    pub reasons: Vec<Reason>,
    /// Its expected sections, in their order.
    pub sections: Vec<SectionHealth>,
    /// The smallest number of copies of any section's newest whole take; 0 if there is none.
    pub copies: u32,
    /// The same of copies in another place.
    pub offsite_copies: u32,
    /// The day (year-month-day) on which the battery or the charge is due.
    pub battery_due: Option<String>,
}

/// Where key sheets are.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct KeyHealth {
    /// True if one was confirmed at another place than the vault's.
    pub confirmed: bool,
    /// All places where one was confirmed.
    pub places: Vec<String>,
}

/// A kept take whose bytes are nowhere.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LostDump {
    /// Its device, retired ones too.
    pub device: String,
    /// Its number.
    pub take: u32,
}

/// How everything stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Health {
    /// True if nothing needs attention.
    pub good: bool,
    /// All devices but the retired, worst first, then by id.
    pub devices: Vec<DeviceHealth>,
    /// Number of retired devices.
    pub retired: u32,
    /// The shelves, as they were given.
    pub shelves: Vec<ShelfGlance>,
    /// Where key sheets are.
    pub key: KeyHealth,
    /// What is wrong with the vault's own reels.
    pub problems: Vec<Problem>,
    /// Kept takes whose bytes are nowhere.
    pub lost: Vec<LostDump>,
    /// The vault's place.
    pub place: Option<String>,
    /// What is asked for.
    pub asked: Asked,
    /// Copies there would be if every place held everything.
    pub reach: Tally,
    /// Shelves that add no copy because they lie on a disk that counts already.
    pub sharing_a_disk: Vec<String>,
}

/// What is known of the newest whole take of a section.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Newest {
    /// Its number.
    pub take: u32,
    /// Its date.
    pub date: String,
    /// When it was last seen in the device, unix seconds; none if nobody knows.
    pub seen: Option<i64>,
    /// Its condition.
    pub condition: Condition,
    /// Why it is believed.
    pub evidence: Evidence,
    /// Copies that count.
    pub recent: Tally,
    /// Copies there are, also those not checked lately.
    pub ever: Tally,
}

/// What is known of an expected section.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SectionFacts {
    /// Its name.
    pub name: String,
    /// A dump is asked for every so many days.
    pub every_days: u32,
    /// Its newest whole take.
    pub newest: Option<Newest>,
    /// Number of its newest dump if that one is doubtful.
    pub doubtful: Option<u32>,
}

/// What is known of a device.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct DeviceFacts {
    /// Its id.
    pub id: String,
    /// Its name in the owner's words.
    pub name: Option<String>,
    /// What holds its memory.
    pub power: Power,
    /// Its expected sections.
    pub sections: Vec<SectionFacts>,
    /// True if it has sections that are not expected or hold loose takes.
    pub has_other_sections: bool,
    /// Its takes whose bytes are nowhere.
    pub lost: Vec<u32>,
}

/// What devices are judged by.
#[derive(Debug, Clone, PartialEq)]
pub struct Measure {
    /// Now, unix seconds.
    pub now: i64,
    /// What is asked for; the interval of dumps stands in each section's facts.
    pub asked: Asked,
    /// The vault's place.
    pub place: Option<String>,
    /// Where key sheets are.
    pub key: KeyHealth,
}

impl Code {
    /// The state that a reason brings; none for remarks.
    pub fn state(self) -> Option<State> {
        match self {
            Code::Lost => Some(State::Lost),
            Code::TooFewCopies
            | Code::CopiesUnchecked
            | Code::TooFewOffsite
            | Code::OffsiteUnchecked
            | Code::NoKeySheet => Some(State::AtRisk),
            Code::NeverDumped | Code::TooOld | Code::DateUnknown | Code::DateAhead => {
                Some(State::Overdue)
            }
            Code::BatteryDue | Code::Unpowered => Some(State::BatteryDue),
            Code::NewestDoubtful
            | Code::Uncheckable
            | Code::BatteryUnknown
            | Code::NothingExpected => None,
        }
    }
}

impl Reason {
    fn new(code: Code, text: impl Into<String>) -> Reason {
        Reason {
            code,
            text: text.into(),
            section: None,
            days: None,
        }
    }
}

impl Health {
    /// The next steps, the most urgent first, at most two.
    pub fn steps(&self) -> Vec<Next> {
        words::steps(self)
    }
}

/// Judges one device.
pub fn judge(facts: DeviceFacts, measure: &Measure) -> DeviceHealth {
    let mut reasons = Vec::new();
    if !facts.lost.is_empty() {
        reasons.push(Reason::new(Code::Lost, words::lost(&facts.lost)));
    }
    let least = |of: fn(&Newest) -> u32| {
        let newest = facts.sections.iter().filter_map(|s| s.newest.as_ref());
        newest.map(of).min()
    };
    let copies = least(|n| n.recent.copies);
    let offsite = least(|n| n.recent.offsite);
    if let (Some(copies), Some(ever)) = (copies, least(|n| n.ever.copies)) {
        reasons.extend(few_copies(copies, ever, measure));
    }
    if let (Some(offsite), Some(ever)) = (offsite, least(|n| n.ever.offsite)) {
        reasons.extend(few_offsite(offsite, ever, measure));
        if !measure.key.confirmed {
            reasons.push(Reason::new(
                Code::NoKeySheet,
                words::no_key_sheet(&measure.key, measure.place.as_deref()),
            ));
        }
    }
    let alone = facts.sections.len() == 1;
    for section in &facts.sections {
        let about = |mut reason: Reason| {
            if !alone {
                reason.text = format!("{}: {}", section.name, reason.text);
            }
            reason.section = Some(section.name.clone());
            reason
        };
        reasons.extend(overdue(section, measure.now).map(about));
        if let Some(take) = section.doubtful {
            let text = words::doubtful(&facts.id, take, section.newest.as_ref().map(|n| n.take));
            reasons.push(about(Reason::new(Code::NewestDoubtful, text)));
        }
        let evidence = section.newest.as_ref().map(|n| n.evidence);
        if evidence == Some(Evidence::None) {
            reasons.push(about(Reason::new(
                Code::Uncheckable,
                "nothing to check it by",
            )));
        }
    }
    if facts.sections.is_empty() {
        reasons.push(if facts.has_other_sections {
            Reason::new(
                Code::NothingExpected,
                "no part of its memory is expected to be dumped",
            )
        } else {
            Reason::new(Code::NeverDumped, "never dumped")
        });
    }
    let newest_seen = facts
        .sections
        .iter()
        .filter_map(|s| s.newest.as_ref()?.seen);
    let battery = battery::judge(&facts.power, newest_seen.max(), measure.now);
    reasons.extend(battery.reason);
    // Worst first, remarks last; within a state in the order they were found.
    reasons.sort_by_key(|r| std::cmp::Reverse(r.code.state()));
    let state = reasons.iter().filter_map(|r| r.code.state()).max();
    DeviceHealth {
        id: facts.id,
        name: facts.name,
        state: state.unwrap_or(State::Good),
        reasons,
        sections: facts
            .sections
            .into_iter()
            .map(|s| section_health(s, measure.now))
            .collect(),
        copies: copies.unwrap_or(0),
        offsite_copies: offsite.unwrap_or(0),
        battery_due: battery.due.map(|day| day.to_string()),
    }
}

/// True if nothing needs attention (rule 7). A shelf that is behind does.
pub fn is_good(health: &Health) -> bool {
    health.devices.len() + health.retired as usize > 0
        && health.devices.iter().all(|d| d.state == State::Good)
        && health.shelves.iter().all(|s| s.state == ShelfState::Good)
        && health.key.confirmed
        && health.problems.is_empty()
        && health.lost.is_empty()
}

fn few_copies(copies: u32, ever: u32, measure: &Measure) -> Option<Reason> {
    let asked = measure.asked.copies;
    if copies >= asked {
        None
    } else if ever >= asked {
        Some(Reason::new(
            Code::CopiesUnchecked,
            words::unchecked(copies, asked, "", &measure.asked),
        ))
    } else {
        Some(Reason::new(
            Code::TooFewCopies,
            words::few(copies, asked, ""),
        ))
    }
}

fn few_offsite(offsite: u32, ever: u32, measure: &Measure) -> Option<Reason> {
    let asked = measure.asked.offsite;
    if offsite >= asked {
        None
    } else if measure.place.is_none() {
        Some(Reason::new(
            Code::TooFewOffsite,
            "no copy counts as being elsewhere, for the vault does not say where it stands",
        ))
    } else if ever >= asked {
        Some(Reason::new(
            Code::OffsiteUnchecked,
            words::unchecked(offsite, asked, " in another place", &measure.asked),
        ))
    } else {
        Some(Reason::new(
            Code::TooFewOffsite,
            words::few(offsite, asked, " in another place"),
        ))
    }
}

fn overdue(section: &SectionFacts, now: i64) -> Option<Reason> {
    let Some(newest) = &section.newest else {
        let text = match section.doubtful {
            Some(_) => "never dumped whole",
            None => "never dumped",
        };
        return Some(Reason::new(Code::NeverDumped, text));
    };
    let Some(seen) = newest.seen else {
        let text = "nobody knows when its newest dump was made";
        return Some(Reason::new(Code::DateUnknown, text));
    };
    // A day taken in another time zone may begin a few hours from now.
    if seen > now + DAY_S {
        let text = format!("its newest dump is dated in the future ({})", newest.date);
        return Some(Reason::new(Code::DateAhead, text));
    }
    let days = age_days(seen, now);
    (days > i64::from(section.every_days)).then(|| Reason {
        days: Some(days),
        ..Reason::new(Code::TooOld, words::too_old(days, section.every_days))
    })
}

fn age_days(seen: i64, now: i64) -> i64 {
    (now - seen).max(0) / DAY_S
}

fn section_health(facts: SectionFacts, now: i64) -> SectionHealth {
    let newest = facts.newest;
    let seen = newest.as_ref().and_then(|n| n.seen);
    SectionHealth {
        section: facts.name,
        newest_take: newest.as_ref().map(|n| n.take),
        confirmed_at: seen,
        age_days: seen.map(|seen| age_days(seen, now)),
        condition: newest.as_ref().map(|n| n.condition),
        evidence: newest.as_ref().map(|n| n.evidence),
        date: newest.map(|n| n.date),
    }
}

#[cfg(test)]
mod tests;
