//! How a person names takes and states: `pit-organ`, `pit-organ/bank-a@12`, `pit-organ@2019`, `pit-organ@spring tour`.
//!
//! 1. A reference is `DEVICE` or `DEVICE/SECTION`, alone or followed by `@SELECTOR`; the first `@` divides (names have none).
//! 2. Alone it names the state now.
//! 3. A selector of digits is a take number, but four digits from 1900 to 2999 are a year. `#` before the digits makes any of
//!    them a take number (`@#2019`).
//! 4. A year, month or day names the state at its end, local time; an instant the state at that second.
//! 5. An age, digits and one of `d w m y`, names the state that long ago by the local calendar.
//! 6. Anything else is a label. So a label may not read as number, date or age, nor as a date gone wrong (`2026-13`).

use std::fmt;

use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};

use crate::model::date::{Moment, Until};
use crate::model::ids::{BadName, DeviceId, SectionName};

/// The longest label, in characters.
pub const MAX_LABEL_CHARS: usize = 128;

/// What a person named: which takes of which device.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Reference {
    /// The device.
    pub device: DeviceId,
    /// The section, if the reference is narrowed to one.
    pub section: Option<SectionName>,
    /// Which of its takes.
    pub which: Which,
}

/// Which takes of a device a reference names.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum Which {
    /// The state as it is now.
    Now,
    /// The take of this number, from 1.
    Take(u32),
    /// The state at a moment.
    At(Until),
    /// The take or takes of this label.
    Label(String),
}

/// Why a text is no reference or no label.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BadReference {
    /// The device or section is no name.
    Name(BadName),
    /// Nothing follows the `@`.
    NothingAfterAt,
    /// A take number of 0 or beyond all numbers; the digits.
    TakeNumber(String),
    /// It looks like a date but is none; the text.
    Date(String),
    /// `unknown` names no moment.
    UnknownDate,
    /// An age that reaches back before the year 1900; the text.
    TooLongAgo(String),
    /// A label without a character.
    EmptyLabel,
    /// A label of this many characters.
    LongLabel(usize),
    /// A label with this control character.
    ControlInLabel(char),
    /// A label that reads as a number, a date or an age (named); the text.
    MisleadingLabel(String, &'static str),
}

impl Reference {
    /// Reads a reference; ages and local dates are reckoned from `now` in `tz`.
    ///
    /// # Errors
    /// [`BadReference`], by the rules above; nothing is looked up, so a well-formed reference may name nothing that exists.
    pub fn parse(text: &str, now: Timestamp, tz: &TimeZone) -> Result<Reference, BadReference> {
        let (names, selector) = match text.split_once('@') {
            Some((names, selector)) => (names, Some(selector)),
            None => (text, None),
        };
        let (device, section) = match names.split_once('/') {
            Some((device, section)) => (device, Some(section)),
            None => (names, None),
        };
        Ok(Reference {
            device: device.parse().map_err(BadReference::Name)?,
            section: section
                .map(|section| section.parse().map_err(BadReference::Name))
                .transpose()?,
            which: match selector {
                Some(selector) => Which::parse(selector, now, tz)?,
                None => Which::Now,
            },
        })
    }
}

impl Which {
    /// Reads what follows the `@`.
    ///
    /// # Errors
    /// As [`Reference::parse`].
    pub fn parse(selector: &str, now: Timestamp, tz: &TimeZone) -> Result<Which, BadReference> {
        let text = selector.trim();
        match Reading::of(text) {
            _ if text.is_empty() => Err(BadReference::NothingAfterAt),
            Reading::Number(digits) => match digits.parse() {
                Ok(number) if number > 0 => Ok(Which::Take(number)),
                _ => Err(BadReference::TakeNumber(digits.to_owned())),
            },
            Reading::Date(moment) => match moment.until(tz) {
                Some(until) => Ok(Which::At(within_timestamps(until, tz))),
                None => Err(BadReference::UnknownDate),
            },
            Reading::BrokenDate => Err(BadReference::Date(text.to_owned())),
            Reading::Age(count, unit) => ago(count, unit, now, tz)
                .map(|instant| Which::At(Until::new(instant, tz)))
                .ok_or_else(|| BadReference::TooLongAgo(text.to_owned())),
            Reading::Words => check_label(text).map(Which::Label),
        }
    }
}

/// Gives back `text` as a label, without outer blanks.
///
/// # Errors
/// [`BadReference`] if it is empty, longer than [`MAX_LABEL_CHARS`], holds a control character, or would read as something else
/// in a reference.
pub fn check_label(text: &str) -> Result<String, BadReference> {
    let text = text.trim();
    let n_chars = text.chars().count();
    if text.is_empty() {
        return Err(BadReference::EmptyLabel);
    }
    if n_chars > MAX_LABEL_CHARS {
        return Err(BadReference::LongLabel(n_chars));
    }
    if let Some(c) = text.chars().find(|c| c.is_control()) {
        return Err(BadReference::ControlInLabel(c));
    }
    let misleading = |what| Err(BadReference::MisleadingLabel(text.to_owned(), what));
    match Reading::of(text) {
        Reading::Number(_) => misleading("a number"),
        Reading::Date(_) | Reading::BrokenDate => misleading("a date"),
        Reading::Age(..) => misleading("an age"),
        Reading::Words => Ok(text.to_owned()),
    }
}

impl fmt::Display for Reference {
    /// Writes a reference that reads as the same one, whenever it is read in the same time zone.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.device)?;
        if let Some(section) = &self.section {
            write!(f, "/{section}")?;
        }
        match &self.which {
            Which::Now => Ok(()),
            which => write!(f, "@{which}"),
        }
    }
}

impl fmt::Display for Which {
    /// Writes what follows the `@`; for the state now, `now`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Which::Now => write!(f, "now"),
            Which::Take(number) if is_year(&number.to_string()) => write!(f, "#{number}"),
            Which::Take(number) => write!(f, "{number}"),
            Which::At(until) => match Moment::from_unix_seconds(until.instant) {
                Some(moment) => write!(f, "{moment}"),
                // `parse` gives only moments that can be written.
                None => write!(f, "{}s", until.instant),
            },
            Which::Label(label) => write!(f, "{label}"),
        }
    }
}

impl fmt::Display for BadReference {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            BadReference::Name(name) => write!(f, "{name}"),
            BadReference::NothingAfterAt => write!(
                f,
                "nothing follows the @: it takes a take number, a date, an age such as 30d, or a label"
            ),
            BadReference::TakeNumber(digits) => {
                write!(
                    f,
                    "{digits} is no take number: they count from 1 to {}",
                    u32::MAX
                )
            }
            BadReference::Date(text) => write!(
                f,
                "{text:?} looks like a date but is none: it may be 2019, 2019-07, 2019-07-03 or 2019-07-03T20:15:00Z"
            ),
            BadReference::UnknownDate => {
                write!(
                    f,
                    "an unknown date names no moment: name the take by its number"
                )
            }
            BadReference::TooLongAgo(text) => {
                write!(f, "{text:?} reaches back before the year 1900")
            }
            BadReference::EmptyLabel => write!(f, "a label needs at least one word"),
            BadReference::LongLabel(chars) => write!(
                f,
                "a label has at most {MAX_LABEL_CHARS} characters, this one has {chars}"
            ),
            BadReference::ControlInLabel(c) => {
                write!(f, "a label cannot hold the control character {c:?}")
            }
            BadReference::MisleadingLabel(text, what) => {
                write!(
                    f,
                    "{text:?} cannot be a label: it would read as {what}, add a word"
                )
            }
        }
    }
}

impl std::error::Error for BadReference {}

/// As what a selector reads.
enum Reading<'a> {
    /// A take number; the digits, too many perhaps.
    Number(&'a str),
    Date(Moment),
    /// It has the shape of a date.
    BrokenDate,
    /// So many of the unit, which is one of `d w m y`.
    Age(&'a str, u8),
    Words,
}

impl<'a> Reading<'a> {
    /// Of a text without outer blanks.
    fn of(text: &'a str) -> Reading<'a> {
        if all_digits(text) && !is_year(text) {
            return Reading::Number(text);
        }
        if let Some(digits) = text.strip_prefix('#').filter(|rest| all_digits(rest)) {
            return Reading::Number(digits);
        }
        if let Ok(moment) = text.parse() {
            return Reading::Date(moment);
        }
        if let Some(count) = text.strip_suffix(['d', 'w', 'm', 'y', 'D', 'W', 'M', 'Y'])
            && all_digits(count)
        {
            return Reading::Age(count, text.as_bytes()[count.len()].to_ascii_lowercase());
        }
        if has_shape_of_date(text) {
            return Reading::BrokenDate;
        }
        Reading::Words
    }
}

fn all_digits(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit())
}

/// Four digits from 1900 to 2999.
fn is_year(text: &str) -> bool {
    text.len() == 4 && all_digits(text) && ("1900"..="2999").contains(&text)
}

/// Four digits and one or two groups of one or two digits, and nothing more or a time of day behind a `T`.
fn has_shape_of_date(text: &str) -> bool {
    let (date, time) = match text.split_once(['T', 't']) {
        Some((date, time)) => (date, Some(time)),
        None => (text, None),
    };
    let parts: Vec<&str> = date.split('-').collect();
    let (year, rest) = parts.split_at(1);
    let n_parts = rest.len();
    all_digits(year[0])
        && year[0].len() == 4
        && (1..=2).contains(&n_parts)
        && rest.iter().all(|part| all_digits(part) && part.len() <= 2)
        && time.is_none_or(|time| n_parts == 2 && time.starts_with(|c: char| c.is_ascii_digit()))
}

/// Unix seconds of the moment so long before `now` by the calendar of `tz`; `None` before the year 1900.
fn ago(count: &str, unit: u8, now: Timestamp, tz: &TimeZone) -> Option<i64> {
    let count: i64 = count.parse().ok()?;
    let span = match unit {
        b'd' => Span::new().try_days(count),
        b'w' => Span::new().try_weeks(count),
        b'm' => Span::new().try_months(count),
        _ => Span::new().try_years(count),
    };
    let then = now
        .to_zoned_datetime(tz.clone())
        .checked_sub(span.ok()?)
        .ok()?;
    Moment::from_timestamp(then.timestamp())?.start_utc()
}

/// The last days of the year 9999 have no timestamps in every zone; a reference there ends with the last one.
fn within_timestamps(until: Until, tz: &TimeZone) -> Until {
    let last = Timestamp::MAX.as_second();
    if until.instant <= last {
        until
    } else {
        Until::new(last, tz)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const NOW: &str = "2026-10-31T12:00:00Z";

    fn berlin() -> TimeZone {
        TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").unwrap()
    }

    fn parse(text: &str) -> Result<Reference, BadReference> {
        Reference::parse(text, NOW.parse().unwrap(), &berlin())
    }

    #[test]
    fn references_are_read_and_written() {
        let check = |text: &str, section: Option<&str>, which: Which, shown: &str| {
            let got = parse(text).unwrap_or_else(|e| panic!("{text:?}: {e}"));
            assert_eq!(got.device.as_str(), "pit-organ");
            assert_eq!(
                got.section.as_ref().map(SectionName::as_str),
                section,
                "{text}"
            );
            assert_eq!(got.which, which, "{text}");
            assert_eq!(got.to_string(), shown, "{text}");
            assert_eq!(parse(shown), Ok(got), "{text}");
        };
        let label = |text: &str| Which::Label(text.to_owned());
        check("pit-organ", None, Which::Now, "pit-organ");
        check(
            "pit-organ/bank-a",
            Some("bank-a"),
            Which::Now,
            "pit-organ/bank-a",
        );
        check(
            "pit-organ/all@12",
            Some("all"),
            Which::Take(12),
            "pit-organ/all@12",
        );
        check("pit-organ@12", None, Which::Take(12), "pit-organ@12");
        check("pit-organ@1", None, Which::Take(1), "pit-organ@1");
        check("pit-organ@007", None, Which::Take(7), "pit-organ@7");
        check("pit-organ@#12", None, Which::Take(12), "pit-organ@12");
        check(
            "pit-organ@#2019",
            None,
            Which::Take(2019),
            "pit-organ@#2019",
        );
        check("pit-organ@1899", None, Which::Take(1899), "pit-organ@1899");
        check("pit-organ@3000", None, Which::Take(3000), "pit-organ@3000");
        check(
            "pit-organ@20190",
            None,
            Which::Take(20190),
            "pit-organ@20190",
        );
        check(
            "pit-organ@spring tour",
            None,
            label("spring tour"),
            "pit-organ@spring tour",
        );
        check(
            "pit-organ@ spring tour ",
            None,
            label("spring tour"),
            "pit-organ@spring tour",
        );
        check("pit-organ@a/b@c", None, label("a/b@c"), "pit-organ@a/b@c");
        check(
            "pit-organ@12 inch",
            None,
            label("12 inch"),
            "pit-organ@12 inch",
        );
        check("pit-organ@30 d", None, label("30 d"), "pit-organ@30 d");
        check(
            "pit-organ@30days",
            None,
            label("30days"),
            "pit-organ@30days",
        );
        check(
            "pit-organ@2026-10-25 gig",
            None,
            label("2026-10-25 gig"),
            "pit-organ@2026-10-25 gig",
        );
        check(
            "pit-organ@2019 tour",
            None,
            label("2019 tour"),
            "pit-organ@2019 tour",
        );
        check(
            "pit-organ@#spring",
            None,
            label("#spring"),
            "pit-organ@#spring",
        );
        check("pit-organ@now", None, label("now"), "pit-organ@now");
    }

    #[test]
    fn a_moment_is_the_end_of_the_period_in_local_time() {
        let check = |text: &str, instant: &str, calendar: &str| {
            let seconds = |text: &str| text.parse::<Timestamp>().unwrap().as_second();
            let got =
                parse(&format!("pit-organ@{text}")).unwrap_or_else(|e| panic!("{text:?}: {e}"));
            let until = Until {
                instant: seconds(instant),
                calendar: seconds(calendar),
            };
            assert_eq!(got.which, Which::At(until), "{text}");
            assert_eq!(got.to_string(), format!("pit-organ@{instant}"));
            assert_eq!(parse(&got.to_string()), Ok(got), "{text}");
        };
        check("2019", "2019-12-31T22:59:59Z", "2019-12-31T23:59:59Z");
        check("1900", "1900-12-31T22:59:59Z", "1900-12-31T23:59:59Z");
        check("2999", "2999-12-31T22:59:59Z", "2999-12-31T23:59:59Z");
        check("2026-07", "2026-07-31T21:59:59Z", "2026-07-31T23:59:59Z");
        check("2026-10-25", "2026-10-25T22:59:59Z", "2026-10-25T23:59:59Z");
        check(
            "2026-10-25T18:03:11Z",
            "2026-10-25T18:03:11Z",
            "2026-10-25T19:03:11Z",
        );
        check(
            "2026-07-25T18:03:11-05:00",
            "2026-07-25T23:03:11Z",
            "2026-07-26T01:03:11Z",
        );
        // By the calendar: noon in summer is an hour earlier in UTC, months end where they end.
        check("0d", "2026-10-31T12:00:00Z", "2026-10-31T13:00:00Z");
        check("1d", "2026-10-30T12:00:00Z", "2026-10-30T13:00:00Z");
        check("30d", "2026-10-01T11:00:00Z", "2026-10-01T13:00:00Z");
        check("2w", "2026-10-17T11:00:00Z", "2026-10-17T13:00:00Z");
        check("1m", "2026-09-30T11:00:00Z", "2026-09-30T13:00:00Z");
        check("8M", "2026-02-28T12:00:00Z", "2026-02-28T13:00:00Z");
        check("7y", "2019-10-31T12:00:00Z", "2019-10-31T13:00:00Z");
        // No timestamp is later than this.
        let last = parse("pit-organ@9999-12-31").unwrap();
        assert_eq!(last.to_string(), "pit-organ@9999-12-30T22:00:00Z");
        assert_eq!(parse(&last.to_string()), Ok(last));
    }

    #[test]
    fn what_is_no_reference_is_refused_with_the_reason() {
        let check = |text: &str, expected: &str| {
            assert_eq!(parse(text).unwrap_err().to_string(), expected, "{text:?}");
        };
        check("", "a device needs a name");
        check("@12", "a device needs a name");
        check("pit-organ/", "a section needs a name");
        check(
            "Pit Organ@12",
            r#""Pit Organ" cannot name a device: 'P' is not one of a-z 0-9 - _ .; "pit-organ" would do"#,
        );
        check(
            "pit-organ/a/b",
            r#""a/b" cannot name a section: '/' is not one of a-z 0-9 - _ .; "a-b" would do"#,
        );
        let nothing =
            "nothing follows the @: it takes a take number, a date, an age such as 30d, or a label";
        check("pit-organ@", nothing);
        check("pit-organ@ ", nothing);
        check(
            "pit-organ@0",
            "0 is no take number: they count from 1 to 4294967295",
        );
        check(
            "pit-organ@#0",
            "0 is no take number: they count from 1 to 4294967295",
        );
        check(
            "pit-organ@4294967296",
            "4294967296 is no take number: they count from 1 to 4294967295",
        );
        let no_date = |text: &str| {
            check(
                &format!("pit-organ@{text}"),
                &format!(
                    "{text:?} looks like a date but is none: it may be 2019, 2019-07, 2019-07-03 or 2019-07-03T20:15:00Z"
                ),
            );
        };
        for text in [
            "2026-13",
            "2026-2-3",
            "2026-02-30",
            "1850-01",
            "2026-10-25T18:03:11",
            "2026-10-25t25:00Z",
        ] {
            no_date(text);
        }
        check(
            "pit-organ@unknown",
            "an unknown date names no moment: name the take by its number",
        );
        check(
            "pit-organ@127y",
            r#""127y" reaches back before the year 1900"#,
        );
        check(
            "pit-organ@99999999999999999999d",
            r#""99999999999999999999d" reaches back before the year 1900"#,
        );
        check(
            "pit-organ@9223372036854775807w",
            r#""9223372036854775807w" reaches back before the year 1900"#,
        );
        check(
            "pit-organ@a\u{1b}[2J",
            r"a label cannot hold the control character '\u{1b}'",
        );
    }

    #[test]
    fn labels_may_not_read_as_something_else() {
        let check = |text: &str, expected: Result<&str, &str>| {
            let got = check_label(text).map_err(|e| e.to_string());
            assert_eq!(got.as_deref().map_err(String::as_str), expected, "{text:?}");
        };
        check(" spring tour ", Ok("spring tour"));
        check("a", Ok("a"));
        check("v2", Ok("v2"));
        check("2019 tour", Ok("2019 tour"));
        check("d", Ok("d"));
        check(
            "12",
            Err(r#""12" cannot be a label: it would read as a number, add a word"#),
        );
        check(
            "#12",
            Err(r##""#12" cannot be a label: it would read as a number, add a word"##),
        );
        check(
            "2019",
            Err(r#""2019" cannot be a label: it would read as a date, add a word"#),
        );
        check(
            "2026-13",
            Err(r#""2026-13" cannot be a label: it would read as a date, add a word"#),
        );
        check(
            "Unknown",
            Err(r#""Unknown" cannot be a label: it would read as a date, add a word"#),
        );
        check(
            "30D",
            Err(r#""30D" cannot be a label: it would read as an age, add a word"#),
        );
        check(" ", Err("a label needs at least one word"));
        check(
            "a\tb",
            Err(r"a label cannot hold the control character '\t'"),
        );
        check(&"ü".repeat(128), Ok(&"ü".repeat(128)));
        check(
            &"ü".repeat(129),
            Err("a label has at most 128 characters, this one has 129"),
        );
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn what_is_read_is_written_so_that_it_reads_the_same(selector in "[-0-9TZ:dwmy# ]{0,12}|\\PC{0,20}") {
            if let Ok(reference) = parse(&format!("a/b@{selector}")) {
                prop_assert_eq!(parse(&reference.to_string()), Ok(reference));
            }
        }

        #[test]
        fn a_label_that_passes_is_read_as_that_label(text in "[-0-9TZ:dwmy#@/ ]{0,8}|\\PC{0,20}") {
            if let Ok(label) = check_label(&text) {
                prop_assert_eq!(parse(&format!("a@{label}")).unwrap().which, Which::Label(label));
            }
        }
    }
}
