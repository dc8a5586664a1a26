//! How values read for people.

use jiff::tz::TimeZone;

use crate::model::date::{DatedBy, Moment, Precision};
use crate::model::take::{Evidence, Severity};
use crate::sys::clock;
use crate::sys::text::{counted, size};
use crate::vault::catalogue::TakeRow;

use super::print::Tone;

/// A date as a person reads it: instants by the local clock.
pub(super) fn date(text: &str, zone: &TimeZone) -> String {
    match text.parse::<Moment>() {
        Ok(m) if m.precision() == Precision::Instant => match m.start_utc() {
            Some(at) => clock::minute(at, zone),
            None => text.to_string(),
        },
        _ => text.to_string(),
    }
}

/// How a date is known.
pub(super) fn dated_by(by: DatedBy) -> &'static str {
    match by {
        DatedBy::Captured => "recorded live",
        DatedBy::Watched => "seen to arrive",
        DatedBy::Given => "as you said",
        DatedBy::File => "file time",
    }
}

/// Why a take is believed.
pub(super) fn evidence(evidence: Evidence) -> &'static str {
    match evidence {
        Evidence::None => "nothing to check it by",
        Evidence::Framing => "its messages begin and end as they should",
        Evidence::Layout => "number and sizes of its messages are right",
        Evidence::Checksum => "the checksums inside are right",
        Evidence::Twice => "the instrument sent the same twice",
        Evidence::ReadBack => "sent to the instrument and read back the same",
        Evidence::Vouched => "a person gave their word",
    }
}

/// `4,104 bytes, 1 message`
pub(super) fn content(bytes: u64, messages: u64) -> String {
    match messages {
        0 => size(bytes),
        n => format!("{}, {}", size(bytes), counted(n, "message")),
    }
}

/// `whole`, `doubtful` or `vouched for`, with its tone.
pub(super) fn condition(take: &TakeRow) -> (&'static str, Tone) {
    match (take.doubtful, take.vouched) {
        (false, _) => ("whole", Tone::Good),
        (true, true) => ("vouched for", Tone::Good),
        (true, false) => ("doubtful", Tone::Warn),
    }
}

/// The section, or where loose takes lie.
pub(super) fn section(take: &TakeRow) -> &str {
    if take.loose {
        "(loose)"
    } else {
        &take.section_name
    }
}

/// The tone of a finding.
pub(super) fn severity(severity: Severity) -> Tone {
    match severity {
        Severity::Note => Tone::Plain,
        Severity::Warning => Tone::Warn,
        Severity::Error => Tone::Bad,
    }
}

/// `16 (17 on its panel)`
pub(super) fn sysex_number(number: u8, panel: u8) -> String {
    match panel {
        0 => number.to_string(),
        more => format!(
            "{number} ({} on its panel)",
            u16::from(number) + u16::from(more)
        ),
    }
}
