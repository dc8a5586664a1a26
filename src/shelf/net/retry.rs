//! How long is waited and how often is tried.

use std::time::Duration;

use http::HeaderMap;
use http::header::RETRY_AFTER;
use jiff::Timestamp;
use jiff::fmt::rfc2822;

use super::trouble::TroubleKind;
use crate::sys::entropy::Entropy;

/// How patient a courier is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Patience {
    /// Until a connection stands.
    pub connect: Duration,
    /// Without a byte moving.
    pub stall: Duration,
    /// Attempts at one request, the first included.
    pub tries: u32,
    /// The first wait between two attempts; each further one is up to twice as long.
    pub first_wait: Duration,
}

impl Default for Patience {
    fn default() -> Patience {
        Patience {
            connect: Duration::from_secs(10),
            stall: Duration::from_secs(60),
            tries: 6,
            first_wait: Duration::from_millis(400),
        }
    }
}

/// No wait is longer, whatever a server asks for.
const LONGEST_WAIT: Duration = Duration::from_secs(60);
/// A server that cannot be found or takes no connection is likely to be off: waiting long helps nobody.
const TRIES_TO_CONNECT: u32 = 3;

impl Patience {
    /// How many attempts `kind` is worth.
    pub(super) fn tries_for(&self, kind: &TroubleKind) -> u32 {
        match kind {
            TroubleKind::NotFound | TroubleKind::NoAnswer | TroubleKind::NotListening => {
                self.tries.min(TRIES_TO_CONNECT)
            }
            // One more try: the first may have met a connection that was idle for long.
            TroubleKind::Stalled(_) => self.tries.min(3),
            TroubleKind::Broken => self.tries,
            TroubleKind::Answered(answered) => match answered.status {
                // RFC 9110, section 15: what another attempt may find otherwise. 501, 505 and 507 are lasting.
                408 | 425 | 429 | 500 | 502 | 503 | 504 => self.tries,
                _ => 1,
            },
            _ => 1,
        }
    }

    /// The wait after `attempt` (from 1): what the server `asked` for, else anything up to a bound that doubles, so
    /// that many guests of one host do not return in step.
    pub(super) fn wait(
        &self,
        attempt: u32,
        asked: Option<Duration>,
        entropy: &dyn Entropy,
    ) -> Duration {
        if let Some(asked) = asked {
            return asked.min(LONGEST_WAIT);
        }
        let bound = self
            .first_wait
            .saturating_mul(1 << (attempt - 1).min(10))
            .min(LONGEST_WAIT / 4);
        let mut random = [0u8; 2];
        let share = match entropy.fill(&mut random) {
            Ok(()) => f64::from(u16::from_le_bytes(random)) / f64::from(u16::MAX),
            Err(_) => 1.0,
        };
        // Never less than a quarter: a wait of nothing would only repeat what just failed.
        bound.mul_f64(0.25 + 0.75 * share)
    }
}

/// The wait that a server asks for: seconds or a date.
///
/// # Source
/// RFC 9110, section 10.2.3.
pub(super) fn retry_after(headers: &HeaderMap, now: &Timestamp) -> Option<Duration> {
    let text = headers.get(RETRY_AFTER)?.to_str().ok()?.trim();
    if let Ok(seconds) = text.parse::<u64>() {
        return Some(Duration::from_secs(seconds));
    }
    let until = rfc2822::parse(text).ok()?.timestamp();
    let seconds = until.as_second().saturating_sub(now.as_second());
    Some(Duration::from_secs(u64::try_from(seconds).unwrap_or(0)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug)]
    struct Same(u8);
    impl Entropy for Same {
        fn fill(&self, out: &mut [u8]) -> std::io::Result<()> {
            out.fill(self.0);
            Ok(())
        }
    }

    #[test]
    fn waits_grow_are_jittered_and_end() {
        let patience = Patience::default();
        let longest = |attempt| patience.wait(attempt, None, &Same(255));
        assert_eq!(longest(1), Duration::from_millis(400));
        assert_eq!(longest(2), Duration::from_millis(800));
        assert_eq!(longest(30), Duration::from_secs(15));
        assert_eq!(patience.wait(1, None, &Same(0)), Duration::from_millis(100));
        let asked = Some(Duration::from_secs(7));
        assert_eq!(patience.wait(1, asked, &Same(0)), Duration::from_secs(7));
        let for_ever = Some(Duration::from_secs(1 << 40));
        assert_eq!(patience.wait(1, for_ever, &Same(0)), LONGEST_WAIT);
    }

    /// RFC 9110, section 10.2.3: its two examples.
    #[test]
    fn a_server_asks_for_a_wait_by_seconds_or_by_date() {
        let now: Timestamp = "1999-12-31T23:59:50Z".parse().unwrap();
        for (text, seconds) in [
            ("120", Some(120)),
            ("Fri, 31 Dec 1999 23:59:59 GMT", Some(9)),
            ("Fri, 31 Dec 1999 20:00:00 GMT", Some(0)),
            ("soon", None),
        ] {
            let headers = HeaderMap::from_iter([(RETRY_AFTER, text.parse().unwrap())]);
            assert_eq!(
                retry_after(&headers, &now),
                seconds.map(Duration::from_secs),
                "{text}"
            );
        }
    }
}
