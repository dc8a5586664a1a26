//! Findings of a whole dump: of many equal faults the first is told, the others are counted.

use crate::model::take::{Finding, Severity};

/// Findings in the order in which their kinds first came up.
#[derive(Debug, Clone, Default)]
pub(super) struct Tally {
    entries: Vec<Entry>,
}

#[derive(Debug, Clone)]
struct Entry {
    code: &'static str,
    severity: Severity,
    of: &'static str,
    first: String,
    n_more: u64,
}

impl Tally {
    /// Adds a fault of one `of` (a noun, in the singular). Faults are equal if code, severity and noun are; only the first one's
    /// sentence is asked for, so that a million faults cost no more than a count.
    pub(super) fn add(
        &mut self,
        severity: Severity,
        code: &'static str,
        of: &'static str,
        sentence: impl FnOnce() -> String,
    ) {
        // A dozen kinds at most, so a search from the front is quick.
        match self
            .entries
            .iter_mut()
            .find(|e| (e.code, e.severity, e.of) == (code, severity, of))
        {
            Some(entry) => entry.n_more += 1,
            None => self.entries.push(Entry {
                code,
                severity,
                of,
                first: sentence(),
                n_more: 0,
            }),
        }
    }

    /// One finding for each kind of fault.
    pub(super) fn into_findings(self) -> Vec<Finding> {
        let finding = |entry: Entry| {
            let sentence = match entry.n_more {
                0 => entry.first,
                n => format!("{}; {} more likewise", entry.first, counted(n, entry.of)),
            };
            Finding::new(entry.code, entry.severity, sentence)
        };
        self.entries.into_iter().map(finding).collect()
    }
}

/// A whole number with commas between thousands.
pub(super) fn grouped(n: u64) -> String {
    let digits = n.to_string();
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (idx, digit) in digits.chars().enumerate() {
        if idx > 0 && (digits.len() - idx).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// A number with its noun: `1 packet`, `25 packets`.
pub(super) fn counted(n: u64, noun: &str) -> String {
    match n {
        1 => format!("1 {noun}"),
        _ => format!("{} {noun}s", grouped(n)),
    }
}

/// `is` for one, `are` for any other number.
pub(super) fn is_or_are(n: u64) -> &'static str {
    if n == 1 { "is" } else { "are" }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_faults_are_one_finding_with_their_number() {
        let mut tally = Tally::default();
        for k in 1..=2_001 {
            tally.add(Severity::Error, "bad-checksum", "packet", || {
                format!("packet {k} is bad")
            });
        }
        tally.add(Severity::Error, "bad-checksum", "tuning", || {
            "a tuning is bad".to_string()
        });
        tally.add(Severity::Warning, "bad-checksum", "packet", || {
            "it came again".to_string()
        });
        assert_eq!(
            tally.into_findings(),
            [
                Finding::error(
                    "bad-checksum",
                    "packet 1 is bad; 2,000 packets more likewise"
                ),
                Finding::error("bad-checksum", "a tuning is bad"),
                Finding::warning("bad-checksum", "it came again"),
            ]
        );
    }

    #[test]
    fn numbers_read_like_prose() {
        for (n, expected) in [
            (0, "0 packets are"),
            (1, "1 packet is"),
            (999, "999 packets are"),
            (1_000, "1,000 packets are"),
            (2_097_151, "2,097,151 packets are"),
        ] {
            assert_eq!(
                format!("{} {}", counted(n, "packet"), is_or_are(n)),
                expected
            );
        }
    }
}
