//! A speed limit: bytes pass no faster than so many a second.

use std::fmt;
use std::str::FromStr;
use std::sync::Mutex;
use std::time::Duration;

/// Bytes a second.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rate(u64);

/// The least that may be asked for: below it a transfer could not be told from a stalled one.
const LEAST: u64 = 4_000;

/// Why a text is no rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BadRate;

impl fmt::Display for BadRate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a rate is written such as 500kB/s or 2MB/s, and is at least 4kB/s")
    }
}

impl std::error::Error for BadRate {}

impl Rate {
    /// Bytes a second.
    pub fn bytes_per_second(self) -> u64 {
        self.0
    }
}

impl FromStr for Rate {
    type Err = BadRate;

    fn from_str(text: &str) -> Result<Rate, BadRate> {
        let amount = text.trim().strip_suffix("/s").ok_or(BadRate)?;
        let bytes = crate::sys::text::parse_bytes(amount).ok_or(BadRate)?;
        (bytes >= LEAST).then_some(Rate(bytes)).ok_or(BadRate)
    }
}

impl fmt::Display for Rate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            n if n % 1_000_000 == 0 => write!(f, "{}MB/s", n / 1_000_000),
            n if n % 1_000 == 0 => write!(f, "{}kB/s", n / 1_000),
            n => write!(f, "{n}B/s"),
        }
    }
}

/// The limit at work: shared by all transfers of one shelf in one direction.
#[derive(Debug)]
pub(super) struct Pace {
    rate: Rate,
    /// When the line is free again, on the steady clock.
    free: Mutex<Duration>,
}

impl Pace {
    pub(super) fn new(rate: Rate) -> Pace {
        Pace {
            rate,
            free: Mutex::new(Duration::ZERO),
        }
    }

    /// Pieces of this length keep the line even: about eight a second.
    pub(super) fn piece(&self) -> usize {
        usize::try_from(self.rate.0 / 8)
            .unwrap_or(usize::MAX)
            .clamp(512, 64 << 10)
    }

    /// Takes the line for `bytes` and gives how long to wait until they may pass; `now` is on the steady clock.
    pub(super) fn take(&self, bytes: usize, now: Duration) -> Duration {
        let needs = Duration::from_secs_f64(bytes as f64 / self.rate.0 as f64);
        let Ok(mut free) = self.free.lock() else {
            return needs;
        };
        let start = (*free).max(now);
        *free = start + needs;
        start - now
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rates_read_and_show() {
        for (text, bytes, shown) in [
            ("2MB/s", 2_000_000, "2MB/s"),
            ("500kB/s", 500_000, "500kB/s"),
            ("4096B/s", 4096, "4096B/s"),
        ] {
            let rate: Rate = text.parse().unwrap();
            assert_eq!(
                (rate.bytes_per_second(), rate.to_string()),
                (bytes, shown.into())
            );
        }
        for bad in ["2MB", "1kB/s", "fast", "/s", "-1MB/s"] {
            assert_eq!(bad.parse::<Rate>(), Err(BadRate), "{bad}");
        }
    }

    #[test]
    fn bytes_wait_for_those_before_them() {
        let now = Duration::from_secs(9);
        let pace = Pace::new("10kB/s".parse().unwrap());
        assert_eq!(pace.take(5_000, now), Duration::ZERO);
        assert_eq!(pace.take(5_000, now), Duration::from_millis(500));
        assert_eq!(pace.take(1, now), Duration::from_secs(1));
    }
}
