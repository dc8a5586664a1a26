//! When what holds a device's memory is due.
//!
//! All spans here are common practice among technicians and have no better source: cells are said to last five to
//! eight years, and rechargeable cells and capacitors to fade within months of standing switched off.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};

use super::{Code, Reason};
use crate::model::date::Moment;
use crate::sys::text::counted;

/// Years a coin cell is trusted for unless its device says otherwise (common practice, no source).
pub const DEFAULT_LIFE_YEARS: u32 = 5;
/// Months before the end of that time from which a battery is due (common practice, no source).
pub const WARN_MONTHS: i32 = 6;
/// Months after which a device with a rechargeable cell or a capacitor should be switched on (common practice, no
/// source).
pub const UNPOWERED_MONTHS: i32 = 6;

/// What is recorded of a device's power.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Power {
    /// coin-soldered, coin-holder, rechargeable, capacitor, none or unknown; absent is unknown.
    pub kind: Option<String>,
    /// When the battery was fitted, as a date of any precision.
    pub fitted_on: Option<String>,
    /// Years it is trusted for.
    pub life_years: Option<u32>,
    /// When the device was last switched on, as a date of any precision.
    pub last_powered: Option<String>,
}

/// What becomes of it.
#[derive(Debug, Default)]
pub(super) struct Battery {
    pub due: Option<Date>,
    pub reason: Option<Reason>,
}

/// Judges a device's power. `newest_dump` is when a dump was last seen to leave it, unix seconds: it was on then.
pub(super) fn judge(power: &Power, newest_dump: Option<i64>, now: i64) -> Battery {
    let Some(today) = day(now) else {
        return Battery::default();
    };
    match power.kind.as_deref() {
        Some("coin-soldered" | "coin-holder") => coin(power, today),
        Some("rechargeable" | "capacitor") => charge(power, newest_dump, now, today),
        _ => Battery::default(),
    }
}

fn coin(power: &Power, today: Date) -> Battery {
    let fitted = power.fitted_on.as_deref().and_then(known).and_then(day);
    let Some(fitted) = fitted else {
        return unknown("nobody noted how old its battery is");
    };
    let years = power.life_years.unwrap_or(DEFAULT_LIFE_YEARS);
    let due = later(fitted, Span::new().try_years(years));
    let warn_from = later(due, Span::new().try_months(-WARN_MONTHS));
    let age = counted(u64::from(years), "year");
    let text = if today >= due {
        format!("its battery of {fitted} is past the {age} it is trusted for")
    } else {
        format!("its battery of {fitted} is trusted until {due} only")
    };
    Battery {
        due: Some(due),
        reason: (today >= warn_from).then(|| Reason::new(Code::BatteryDue, text)),
    }
}

fn charge(power: &Power, newest_dump: Option<i64>, now: i64, today: Date) -> Battery {
    // What is dated ahead tells nothing about the past.
    let noted = power.last_powered.as_deref().and_then(known);
    let last = noted.max(newest_dump.filter(|at| *at <= now));
    let Some((at, last)) = last.and_then(|at| Some((at, day(at)?))) else {
        return unknown("nobody noted when it was last switched on");
    };
    let due = later(last, Span::new().try_months(UNPOWERED_MONTHS));
    Battery {
        due: Some(due),
        reason: (today >= due).then(|| Reason {
            days: Some((now - at) / crate::care::copies::DAY_S),
            ..Reason::new(
                Code::Unpowered,
                format!("not switched on since {last}, as far as is known; its memory may fade"),
            )
        }),
    }
}

fn unknown(text: &str) -> Battery {
    Battery {
        due: None,
        reason: Some(Reason::new(Code::BatteryUnknown, text)),
    }
}

fn known(date: &str) -> Option<i64> {
    date.parse::<Moment>().ok()?.start_utc()
}

fn day(seconds: i64) -> Option<Date> {
    let at = Timestamp::from_second(seconds).ok()?;
    Some(TimeZone::UTC.to_datetime(at).date())
}

/// `day` moved by `span`; beyond the calendar's end there is no day to warn of, so the last one stands.
fn later(day: Date, span: Result<Span, jiff::Error>) -> Date {
    span.and_then(|span| day.checked_add(span))
        .unwrap_or(Date::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn power(kind: &str, date: &str, life_years: Option<u32>) -> Power {
        let date = (!date.is_empty()).then(|| date.to_string());
        Power {
            kind: Some(kind.to_string()),
            fitted_on: date.clone(),
            life_years,
            last_powered: date,
        }
    }

    #[test]
    fn batteries_are_due_half_a_year_ahead() {
        let check = |power: Power, now: &str, due: Option<&str>, code: Option<Code>| {
            let battery = judge(&power, None, known(now).unwrap());
            assert_eq!(
                battery.due.map(|d| d.to_string()).as_deref(),
                due,
                "{power:?} {now}"
            );
            assert_eq!(battery.reason.map(|r| r.code), code, "{power:?} {now}");
        };
        let due = Some(Code::BatteryDue);
        let coin = |date, years| power("coin-soldered", date, years);
        check(
            coin("2020-03-01", None),
            "2024-08-31",
            Some("2025-03-01"),
            None,
        );
        check(
            coin("2020-03-01", None),
            "2024-09-01",
            Some("2025-03-01"),
            due,
        );
        check(
            coin("2020-03-01", None),
            "2031-01-01",
            Some("2025-03-01"),
            due,
        );
        check(
            coin("2020-03-01", Some(8)),
            "2024-09-01",
            Some("2028-03-01"),
            None,
        );
        // A year counts as its first day.
        check(
            power("coin-holder", "2020", None),
            "2024-07-01",
            Some("2025-01-01"),
            due,
        );
        check(
            coin("2020-03-01", Some(u32::MAX)),
            "2024-09-01",
            Some("9999-12-31"),
            None,
        );
        let unknown = Some(Code::BatteryUnknown);
        check(coin("", None), "2024-09-01", None, unknown);
        check(coin("unknown", None), "2024-09-01", None, unknown);
        check(power("rechargeable", "", None), "2024-09-01", None, unknown);
        let charge = |date| power("capacitor", date, None);
        check(charge("2024-01-10"), "2024-07-09", Some("2024-07-10"), None);
        check(
            charge("2024-01-10"),
            "2024-07-10",
            Some("2024-07-10"),
            Some(Code::Unpowered),
        );
        for kind in ["none", "unknown", "", "song-of-2031"] {
            check(power(kind, "1990", None), "2024-09-01", None, None);
        }
    }

    #[test]
    fn a_dump_tells_that_the_device_was_on() {
        let old = power("rechargeable", "2020-01-01", None);
        let now = known("2024-07-10").unwrap();
        let reason = |dump: &str| judge(&old, known(dump), now).reason.map(|r| r.code);
        assert_eq!(reason("2024-06-01"), None);
        assert_eq!(reason("2023-06-01"), Some(Code::Unpowered));
        assert_eq!(reason("2031-01-01"), Some(Code::Unpowered));
    }
}
