//! Dates that may be as vague as a person's memory, and how they are known.
//!
//! 1. A date is a year, a month, a day, an instant (kept to the second) or unknown; years are 1900 to 9999.
//! 2. A period counts as its first instant; unknown sorts first and is never recent.
//! 3. For *ordering*, the first instant of a period is taken in UTC ([`Moment::start_utc`]): the order of takes must not
//!    change when the studio travels or a computer's zone is set right.
//! 4. For *references* ("the end of that day, month or year, local time") periods are taken in the local zone. So that
//!    rule 3 does not let the first hours of tomorrow in, [`Until`] holds the moment twice: as an instant, for sightings dated
//!    to the second, and as the local calendar reads it, for sightings dated by a day, month or year.
//! 5. File times before 1983-08-01 (no dump is older than the MIDI 1.0 specification; unset clocks read 1970 or 1980) or
//!    more than a day in the future are unknown.

use std::fmt;
use std::str::FromStr;

use jiff::civil::{self, DateTime};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use crate::model::words::word_enum;

word_enum! {
    /// How a date is known; the best known first.
    pub enum DatedBy {
        /// Recorded live from the device.
        Captured => "captured",
        /// Seen to arrive in a watched folder.
        Watched => "watched",
        /// A person's word.
        Given => "given",
        /// The file's modification time.
        File => "file",
    }
}

/// How exact a [`Moment`] is; the vaguest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Precision {
    /// Nobody knows.
    Unknown,
    /// Some time in a year.
    Year,
    /// Some time in a month.
    Month,
    /// Some time in a day.
    Day,
    /// To the second.
    Instant,
}

/// A date as a person or a device knows it.
///
/// Sorts by its first instant in UTC, unknown first; at one instant the vaguer date first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Moment {
    // The order of the fields is the order of moments. `None` exactly if the precision is `Unknown`.
    start_utc: Option<i64>,
    precision: Precision,
}

/// The last second that a reference to a moment includes (rule 4).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Until {
    /// Unix seconds; for sightings dated to the second.
    pub instant: i64,
    /// What the local calendar and clock show at that instant, counted as if it were UTC, in unix seconds; for sightings
    /// dated by a day, month or year, against [`Moment::start_utc`].
    pub calendar: i64,
}

/// A text that is no date.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BadDate {
    /// The text as it was given (untrusted; `Display` shows it escaped).
    pub text: String,
}

/// The first second whose file times are believed: 1983-08-01T00:00:00Z, in unix seconds.
pub const FIRST_BELIEVED_FILE_TIME: i64 = 428_544_000;

const DAY_S: i64 = 86_400;
const EPOCH: DateTime = civil::datetime(1970, 1, 1, 0, 0, 0, 0);

impl Moment {
    /// The date nobody knows.
    pub const UNKNOWN: Moment = Moment {
        start_utc: None,
        precision: Precision::Unknown,
    };

    /// The instant at `unix_seconds`; `None` outside the years 1900 to 9999.
    pub fn from_unix_seconds(unix_seconds: i64) -> Option<Moment> {
        let timestamp = Timestamp::from_second(unix_seconds).ok()?;
        year_is_accepted(TimeZone::UTC.to_datetime(timestamp).year()).then_some(Moment {
            start_utc: Some(unix_seconds),
            precision: Precision::Instant,
        })
    }

    /// The instant of `timestamp`, cut to the second; `None` outside the years 1900 to 9999.
    pub fn from_timestamp(timestamp: Timestamp) -> Option<Moment> {
        // Before 1970 both parts are negative: the second that has begun is one earlier.
        let begun = i64::from(timestamp.subsec_nanosecond() < 0);
        Moment::from_unix_seconds(timestamp.as_second() - begun)
    }

    /// The date that a file's modification time stands for: unknown if it cannot be believed (rule 5).
    pub fn from_file_time(mtime_unix_seconds: i64, now: Timestamp) -> Moment {
        let latest = now.as_second() + DAY_S;
        if (FIRST_BELIEVED_FILE_TIME..=latest).contains(&mtime_unix_seconds) {
            Moment::from_unix_seconds(mtime_unix_seconds).unwrap_or(Moment::UNKNOWN)
        } else {
            Moment::UNKNOWN
        }
    }

    /// How exact it is.
    pub fn precision(self) -> Precision {
        self.precision
    }

    /// Whether anything is known at all.
    pub fn is_known(self) -> bool {
        self.start_utc.is_some()
    }

    /// First instant in unix seconds, periods taken in UTC: the one that orders takes (rule 3). `None` for unknown, which
    /// as an `Option` sorts first too.
    pub fn start_utc(self) -> Option<i64> {
        self.start_utc
    }

    /// First instant in unix seconds, periods taken in `tz`; `None` for unknown.
    pub fn start(self, tz: &TimeZone) -> Option<i64> {
        let start = self.start_utc?;
        Some(match self.precision {
            Precision::Instant | Precision::Unknown => start,
            _ => local_seconds(tz, start),
        })
    }

    /// Last second of the period in unix seconds, in `tz`; an instant is its own end; `None` for unknown.
    pub fn end(self, tz: &TimeZone) -> Option<i64> {
        let start = self.start_utc?;
        Some(match self.precision {
            Precision::Instant | Precision::Unknown => start,
            // The second before the next period, so that an hour that comes twice before midnight belongs whole to its day.
            _ => local_seconds(tz, self.next_utc(start)) - 1,
        })
    }

    /// What a reference to this moment includes: everything up to its end in `tz`. `None` for unknown.
    pub fn until(self, tz: &TimeZone) -> Option<Until> {
        let start = self.start_utc?;
        Some(match self.precision {
            Precision::Instant | Precision::Unknown => Until::new(start, tz),
            _ => Until {
                instant: self.end(tz)?,
                calendar: self.next_utc(start) - 1,
            },
        })
    }

    /// Start of the period after this one, in UTC; `start` for an instant.
    fn next_utc(self, start: i64) -> i64 {
        let first = civil_utc(start).date();
        let (year, month) = (first.year(), first.month());
        // Dates beyond the last day of 9999 cannot be made; there the length of the period is as good.
        let day_length = match self.precision {
            Precision::Unknown | Precision::Instant => 0,
            Precision::Day => 1,
            Precision::Month => i64::from(civil::date(year, month, 1).days_in_month()),
            Precision::Year => i64::from(civil::date(year, 1, 1).days_in_year()),
        };
        start + day_length * DAY_S
    }

    fn period(precision: Precision, year: i16, month: i8, day: i8) -> Option<Moment> {
        let first = civil::Date::new(year, month, day).ok()?;
        year_is_accepted(year).then(|| Moment {
            start_utc: Some(first.at(0, 0, 0, 0).duration_since(EPOCH).as_secs()),
            precision,
        })
    }
}

impl Until {
    /// Everything up to and including `instant` (unix seconds), where the calendar is that of `tz`.
    pub fn new(instant: i64, tz: &TimeZone) -> Until {
        let calendar = match Timestamp::from_second(instant) {
            Ok(timestamp) => tz.to_datetime(timestamp).duration_since(EPOCH).as_secs(),
            // Beyond the ends of the calendar a few hours mean nothing.
            Err(_) => instant,
        };
        Until { instant, calendar }
    }

    /// Whether `moment` begins at or before this; never for unknown.
    pub fn includes(self, moment: Moment) -> bool {
        let limit = match moment.precision {
            Precision::Instant | Precision::Unknown => self.instant,
            _ => self.calendar,
        };
        moment.start_utc.is_some_and(|start| start <= limit)
    }
}

impl FromStr for Moment {
    type Err = BadDate;

    /// Reads `1994`, `1994-07`, `1994-07-03`, an instant of RFC 3339 with its offset, or `unknown`.
    fn from_str(text: &str) -> Result<Moment, BadDate> {
        read(text).ok_or_else(|| BadDate {
            text: text.to_owned(),
        })
    }
}

impl fmt::Display for Moment {
    /// Writes the text that reads as the same moment; instants in UTC, such as `2026-10-25T18:03:11Z`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Some(start) = self.start_utc else {
            return f.pad("unknown");
        };
        let at = civil_utc(start);
        let text = match self.precision {
            Precision::Unknown => "unknown".to_owned(),
            Precision::Year => format!("{:04}", at.year()),
            Precision::Month => format!("{:04}-{:02}", at.year(), at.month()),
            Precision::Day => at.date().to_string(),
            Precision::Instant => format!("{at}Z"),
        };
        f.pad(&text)
    }
}

impl fmt::Display for BadDate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{:?} is no date: it may be 1994, 1994-07, 1994-07-03, 1994-07-03T20:15:00+02:00 or unknown (years 1900 to 9999)",
            self.text
        )
    }
}

impl std::error::Error for BadDate {}

fn year_is_accepted(year: i16) -> bool {
    (1900..=9999).contains(&year)
}

fn read(text: &str) -> Option<Moment> {
    let text = text.trim();
    if text.eq_ignore_ascii_case("unknown") {
        return Some(Moment::UNKNOWN);
    }
    let parts: Vec<&str> = text.split('-').collect();
    match parts[..] {
        [year] if year.len() == 4 => {
            return Moment::period(Precision::Year, digits(year, 4)?, 1, 1);
        }
        [year, month] => {
            let month = i8::try_from(digits(month, 2)?).ok()?;
            return Moment::period(Precision::Month, digits(year, 4)?, month, 1);
        }
        [year, month, day] if day.len() == 2 => {
            let month = i8::try_from(digits(month, 2)?).ok()?;
            let day = i8::try_from(digits(day, 2)?).ok()?;
            return Moment::period(Precision::Day, digits(year, 4)?, month, day);
        }
        _ => {}
    }
    Moment::from_timestamp(text.parse().ok()?)
}

/// Exactly `n` ASCII digits as a number; `n` is at most four.
fn digits(text: &str, n: usize) -> Option<i16> {
    let plain = text.len() == n && text.bytes().all(|b| b.is_ascii_digit());
    plain.then(|| text.parse().ok()).flatten()
}

/// The calendar and clock in UTC at `unix_seconds`, which lie within the years that a `Moment` may have or a period's length after.
fn civil_utc(unix_seconds: i64) -> DateTime {
    EPOCH.saturating_add(SignedDuration::from_secs(unix_seconds))
}

/// When the clock of `tz` first shows what a clock in UTC shows at `unix_seconds`.
fn local_seconds(tz: &TimeZone, unix_seconds: i64) -> i64 {
    // Of a time that comes twice this takes the first, of a skipped midnight the first second after it: both begin the day.
    // At the far end of the year 9999 there is no timestamp; there a few hours mean nothing.
    EPOCH
        .checked_add(SignedDuration::from_secs(unix_seconds))
        .and_then(|shown| tz.to_timestamp(shown))
        .map_or(unix_seconds, Timestamp::as_second)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn moment(text: &str) -> Moment {
        text.parse().unwrap_or_else(|e| panic!("{e}"))
    }

    fn seconds(text: &str) -> i64 {
        text.parse::<Timestamp>().unwrap().as_second()
    }

    fn zone(posix: &str) -> TimeZone {
        TimeZone::posix(posix).unwrap()
    }

    #[test]
    fn dates_are_read_and_written_in_the_same_words() {
        let check = |text: &str, precision: Precision, shown: &str| {
            let got = moment(text);
            assert_eq!(got.precision(), precision, "{text}");
            assert_eq!(got.to_string(), shown, "{text}");
            assert_eq!(moment(shown), got, "{text}");
        };
        check("1994", Precision::Year, "1994");
        check("1900", Precision::Year, "1900");
        check("9999", Precision::Year, "9999");
        check("1994-07", Precision::Month, "1994-07");
        check("1994-07-03", Precision::Day, "1994-07-03");
        check("2024-02-29", Precision::Day, "2024-02-29");
        check("9999-12-31", Precision::Day, "9999-12-31");
        check(" unknown ", Precision::Unknown, "unknown");
        check("Unknown", Precision::Unknown, "unknown");
        check(
            "2026-10-25T18:03:11Z",
            Precision::Instant,
            "2026-10-25T18:03:11Z",
        );
        check(
            "2026-10-25T18:03:11.987+02:00",
            Precision::Instant,
            "2026-10-25T16:03:11Z",
        );
        check(
            "1969-12-31T23:59:59.5Z",
            Precision::Instant,
            "1969-12-31T23:59:59Z",
        );
        check(
            "1900-01-01T00:00:00Z",
            Precision::Instant,
            "1900-01-01T00:00:00Z",
        );
    }

    #[test]
    fn what_is_no_date_is_refused() {
        for text in [
            "",
            "94",
            "1899",
            "0000",
            "10000",
            "1994-7",
            "1994-13",
            "1994-00",
            "1994-07-32",
            "1994-02-29",
            "1994-07-3",
            "+1994",
            "-1994",
            "1994-",
            "19a4",
            "１９９４",
            "now",
            "2026-10-25T18:03:11",
            "1899-12-31T23:59:59Z",
            "yesterday",
            "1994-07-03-01",
        ] {
            assert!(text.parse::<Moment>().is_err(), "{text:?}");
        }
        assert!(
            "\u{1b}"
                .parse::<Moment>()
                .unwrap_err()
                .to_string()
                .starts_with(r#""\u{1b}" is no date"#)
        );
    }

    #[test]
    fn a_period_counts_as_its_first_instant_and_ends_with_its_last_local_second() {
        let check = |posix: &str, text: &str, start: &str, end: &str| {
            let (tz, got) = (zone(posix), moment(text));
            assert_eq!(
                got.start(&tz),
                Some(seconds(start)),
                "start of {text} in {posix}"
            );
            assert_eq!(got.end(&tz), Some(seconds(end)), "end of {text} in {posix}");
        };
        let berlin = "CET-1CEST,M3.5.0,M10.5.0/3";
        check(
            "UTC0",
            "2019",
            "2019-01-01T00:00:00Z",
            "2019-12-31T23:59:59Z",
        );
        check(
            berlin,
            "2019",
            "2018-12-31T23:00:00Z",
            "2019-12-31T22:59:59Z",
        );
        check(
            berlin,
            "2024-02",
            "2024-01-31T23:00:00Z",
            "2024-02-29T22:59:59Z",
        );
        check(
            berlin,
            "2026-12",
            "2026-11-30T23:00:00Z",
            "2026-12-31T22:59:59Z",
        );
        // 25 and 23 hours long.
        check(
            berlin,
            "2026-10-25",
            "2026-10-24T22:00:00Z",
            "2026-10-25T22:59:59Z",
        );
        check(
            berlin,
            "2026-03-29",
            "2026-03-28T23:00:00Z",
            "2026-03-29T21:59:59Z",
        );
        check(
            "EST5",
            "2026-10-25",
            "2026-10-25T05:00:00Z",
            "2026-10-26T04:59:59Z",
        );
        check(
            "EST5",
            "2026-10-25T18:03:11Z",
            "2026-10-25T18:03:11Z",
            "2026-10-25T18:03:11Z",
        );
        // Clocks that go forward at midnight skip it; clocks that go back at midnight make the day before longer.
        check(
            "<-03>3<-02>,M10.3.0/0,M2.3.0/0",
            "2026-10-18",
            "2026-10-18T03:00:00Z",
            "2026-10-19T01:59:59Z",
        );
        check(
            "<-03>3<-02>,M10.3.0/0,M2.3.0/0",
            "2026-02-14",
            "2026-02-14T02:00:00Z",
            "2026-02-15T02:59:59Z",
        );
        // The end of the calendar.
        check(
            "UTC0",
            "1900",
            "1900-01-01T00:00:00Z",
            "1900-12-31T23:59:59Z",
        );
        let last = moment("9999-12-31");
        for tz in [zone("<+14>-14"), zone("<-12>12")] {
            assert!(last.start(&tz) < last.end(&tz) && moment("9999").start(&tz) < last.start(&tz));
        }
        assert_eq!(Moment::UNKNOWN.start(&TimeZone::UTC), None);
        assert_eq!(Moment::UNKNOWN.end(&TimeZone::UTC), None);
        assert_eq!(Moment::UNKNOWN.until(&TimeZone::UTC), None);
    }

    #[test]
    fn moments_sort_by_first_instant_with_unknown_first() {
        let sorted = [
            "unknown",
            "1900",
            "1993-12-31T23:59:59Z",
            "1994",
            "1994-01",
            "1994-01-01",
            "1994-01-01T00:00:00Z",
            "1994-01-01T00:00:01Z",
            "1994-01-02",
            "1994-02",
        ]
        .map(moment);
        assert!(sorted.is_sorted_by(|a, b| a < b));
    }

    #[test]
    fn a_reference_includes_what_begins_by_the_end_of_the_period_in_local_time() {
        let check = |posix: &str, reference: &str, sighting: &str, expected: bool| {
            let until = moment(reference).until(&zone(posix)).unwrap();
            assert_eq!(
                until.includes(moment(sighting)),
                expected,
                "{sighting} by {reference} in {posix}"
            );
        };
        // West of Greenwich the day ends after midnight UTC, yet tomorrow is not in it.
        check("EST5", "2026-10-25", "2026-10-26T04:59:59Z", true);
        check("EST5", "2026-10-25", "2026-10-26T05:00:00Z", false);
        check("EST5", "2026-10-25", "2026-10-25", true);
        check("EST5", "2026-10-25", "2026-10-26", false);
        check("EST5", "2019", "2020", false);
        check("EST5", "2019", "2019-12-31", true);
        check("EST5", "2019-12", "2020-01", false);
        // East of Greenwich it ends before, yet today is in it.
        check("<+14>-14", "2026-10-25", "2026-10-25T09:59:59Z", true);
        check("<+14>-14", "2026-10-25", "2026-10-25T10:00:00Z", false);
        check("<+14>-14", "2026-10-25", "2026-10-25", true);
        check("<+14>-14", "2026-10-25", "2026-10-26", false);
        // At an instant, a day has begun if it has begun here.
        check("<+14>-14", "2026-10-25T10:00:00Z", "2026-10-26", true);
        check("<+14>-14", "2026-10-25T09:59:59Z", "2026-10-26", false);
        check("EST5", "2026-10-25T03:00:00Z", "2026-10-25", false);
        check("UTC0", "2026", "unknown", false);
    }

    #[test]
    fn file_times_before_august_1983_or_more_than_a_day_ahead_are_unknown() {
        let now: Timestamp = "2026-10-25T12:00:00Z".parse().unwrap();
        let check = |time: &str, expected: &str| {
            assert_eq!(
                Moment::from_file_time(seconds(time), now),
                moment(expected),
                "{time}"
            );
        };
        check("1970-01-01T00:00:00Z", "unknown");
        check("1980-01-01T00:00:00Z", "unknown");
        check("1983-07-31T23:59:59Z", "unknown");
        check("1983-08-01T00:00:00Z", "1983-08-01T00:00:00Z");
        check("2026-10-25T12:00:00Z", "2026-10-25T12:00:00Z");
        check("2026-10-26T12:00:00Z", "2026-10-26T12:00:00Z");
        check("2026-10-26T12:00:01Z", "unknown");
        for time in [i64::MIN, i64::MAX] {
            assert_eq!(Moment::from_file_time(time, now), Moment::UNKNOWN);
        }
        assert_eq!(
            Moment::from_file_time(i64::MAX, Timestamp::MAX),
            Moment::UNKNOWN
        );
    }

    #[test]
    fn how_a_date_is_known_has_its_word() {
        let words: Vec<_> = DatedBy::ALL.iter().map(|by| by.as_str()).collect();
        assert_eq!(words, ["captured", "watched", "given", "file"]);
        assert_eq!(DatedBy::parse("file"), Some(DatedBy::File));
        assert_eq!(DatedBy::parse("mtime"), None);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn any_text_is_read_without_a_panic_and_a_date_is_written_back(text in "[-0-9TZ:+.a-z ]{0,26}|\\PC*") {
            if let Ok(moment) = text.parse::<Moment>() {
                prop_assert_eq!(moment.to_string().parse::<Moment>().unwrap(), moment);
            }
        }

        #[test]
        fn an_instant_is_kept_to_the_second(at in -2_208_988_800_i64..253_402_207_200) {
            let moment = Moment::from_unix_seconds(at).unwrap();
            prop_assert_eq!(moment.start_utc(), Some(at));
            prop_assert_eq!(moment.to_string().parse::<Moment>().unwrap(), moment);
        }
    }
}
