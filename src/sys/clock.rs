//! The only place that asks what time it is.

use std::fmt::Debug;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant};

use jiff::Timestamp;

/// A source of wall-clock time and of waiting.
pub trait Clock: Debug + Send + Sync {
    /// The instant now.
    fn now(&self) -> Timestamp;
    /// Seconds since some fixed point, never going back; for durations only.
    fn steady(&self) -> Duration;
    /// Waits for `time`.
    fn sleep(&self, time: Duration);
}

/// The system's clock.
#[derive(Debug, Clone, Copy)]
pub struct SystemClock;

#[expect(clippy::disallowed_methods, reason = "this is the one place")]
impl Clock for SystemClock {
    fn now(&self) -> Timestamp {
        Timestamp::now()
    }

    fn steady(&self) -> Duration {
        static START: std::sync::OnceLock<Instant> = std::sync::OnceLock::new();
        START.get_or_init(Instant::now).elapsed()
    }

    fn sleep(&self, time: Duration) {
        std::thread::sleep(time);
    }
}

/// A clock that stands still until it is moved; for tests and for the demo's invented years.
#[derive(Debug)]
pub struct FixedClock(AtomicI64);

impl FixedClock {
    /// A clock that shows `seconds` since 1970-01-01 UTC.
    pub fn at(seconds: i64) -> FixedClock {
        FixedClock(AtomicI64::new(seconds))
    }

    /// Sets the clock to `seconds` since 1970-01-01 UTC.
    pub fn set(&self, seconds: i64) {
        self.0.store(seconds, Ordering::SeqCst);
    }
}

impl Clock for FixedClock {
    fn now(&self) -> Timestamp {
        Timestamp::from_second(self.0.load(Ordering::SeqCst)).unwrap_or(Timestamp::UNIX_EPOCH)
    }

    // Waits are for other processes and threads, whose time is the real one.
    fn steady(&self) -> Duration {
        SystemClock.steady()
    }

    fn sleep(&self, time: Duration) {
        SystemClock.sleep(time);
    }
}

/// The person's time zone, or UTC when the system does not say.
pub fn system_zone() -> jiff::tz::TimeZone {
    jiff::tz::TimeZone::system()
}

/// `seconds` since 1970-01-01 UTC as RFC 3339, such as `2026-10-25T18:03:11Z`.
pub fn rfc3339(seconds: i64) -> String {
    Timestamp::from_second(seconds)
        .map(|t| t.to_string())
        .unwrap_or_else(|_| "unknown".to_string())
}

/// `seconds` since 1970-01-01 UTC as a calendar day in `zone`, such as `2026-10-25`.
pub fn day(seconds: i64, zone: &jiff::tz::TimeZone) -> String {
    Timestamp::from_second(seconds)
        .map(|t| zone.to_datetime(t).date().to_string())
        .unwrap_or_else(|_| "unknown".to_string())
}

/// `seconds` since 1970-01-01 UTC as day and minute in `zone`, such as `2026-10-25 19:03`.
pub fn minute(seconds: i64, zone: &jiff::tz::TimeZone) -> String {
    Timestamp::from_second(seconds)
        .map(|t| zone.to_datetime(t).strftime("%Y-%m-%d %H:%M").to_string())
        .unwrap_or_else(|_| "unknown".to_string())
}
