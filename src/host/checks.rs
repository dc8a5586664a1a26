//! What reading an object again found, and when: `checks/<NAME>.tsv`, of each key the last line counts.
//!
//! `there` says only that the object appeared; without it, a recorded object that is not there may never have been.
//! Lines are not synced one by one: a lost one means that an object is read again sooner.

use super::key;

/// What was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Verdict {
    /// It appeared; nobody has read it again yet.
    There,
    /// Its bytes are those that came.
    Good,
    /// Its bytes are others, or cannot be read.
    Damaged,
    /// It is not there any more.
    Gone,
}

impl Verdict {
    fn as_str(self) -> &'static str {
        match self {
            Verdict::There => "there",
            Verdict::Good => "good",
            Verdict::Damaged => "damaged",
            Verdict::Gone => "gone",
        }
    }
}

/// The last thing known of an object.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Check {
    /// What was found.
    pub(super) verdict: Verdict,
    /// When, unix seconds.
    pub(super) at: i64,
}

impl Check {
    /// The line for the object `key`.
    pub(super) fn line(&self, key: &str) -> String {
        format!("{key}\t{}\t{}", self.verdict.as_str(), self.at)
    }

    /// Reads a line; fields that a later version adds are ignored.
    pub(super) fn read(line: &str) -> Option<(String, Check)> {
        let mut fields = line.split('\t');
        let name = fields.next().filter(|name| key::valid(name))?;
        let verdict = match fields.next()? {
            "there" => Verdict::There,
            "good" => Verdict::Good,
            "damaged" => Verdict::Damaged,
            "gone" => Verdict::Gone,
            _ => return None,
        };
        let at = fields.next()?.parse().ok()?;
        Some((name.to_string(), Check { verdict, at }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_reads_back() {
        for verdict in [
            Verdict::There,
            Verdict::Good,
            Verdict::Damaged,
            Verdict::Gone,
        ] {
            let check = Check { verdict, at: 7 };
            let line = check.line("keys/a");
            assert_eq!(Check::read(&line), Some(("keys/a".to_string(), check)));
        }
        assert_eq!(Check::read("keys/a\tfine\t7"), None);
        assert_eq!(Check::read("keys/a\tgood"), None);
    }
}
