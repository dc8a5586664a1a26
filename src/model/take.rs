//! What can be said about one take: its condition, why we believe it, what was noticed, how it came in.
//!
//! 1. A take is whole or doubtful; a finding of severity error makes it doubtful.
//! 2. Evidence is ordered: a later word is the stronger reason to believe a take.

use std::borrow::Cow;

use crate::model::words::word_enum;

word_enum! {
    /// Whether a take may stand for a state, a date or a healthy copy.
    pub enum Condition {
        /// Nothing speaks against it.
        Whole => "whole",
        /// Kept, but something is wrong with it.
        Doubtful => "doubtful",
    }
}

word_enum! {
    /// Why we believe a take is what the device held, from the weakest to the strongest reason.
    pub enum Evidence {
        /// Nothing to check it by.
        None => "none",
        /// The messages begin and end as they should.
        Framing => "framing",
        /// Number and sizes of the messages are those of the layout.
        Layout => "layout",
        /// The checksums inside the messages are right.
        Checksum => "checksum",
        /// The device sent the same twice.
        Twice => "twice",
        /// It was sent to the device, read back and was the same.
        ReadBack => "read-back",
        /// A person gave their word for it.
        Vouched => "vouched",
    }
}

word_enum! {
    /// How much a finding matters.
    pub enum Severity {
        /// Worth knowing; nothing is wrong.
        Note => "note",
        /// Worth a look; the take still counts.
        Warning => "warning",
        /// Makes the take doubtful.
        Error => "error",
    }
}

word_enum! {
    /// The way by which a take came in.
    pub enum Via {
        /// A file or folder that was named.
        File => "file",
        /// Standard input.
        Stdin => "stdin",
        /// A folder that is being watched.
        Watched => "watched",
        /// The web page.
        Upload => "upload",
        /// A MIDI port.
        Port => "port",
    }
}

/// Something noticed about a dump or a copy.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Finding {
    /// Stable code for scripts, such as `not-sysex`.
    pub code: Cow<'static, str>,
    /// How much it matters.
    pub severity: Severity,
    /// One sentence for people. It may quote untrusted text, so it is sanitised where it is shown.
    pub message: String,
}

impl Finding {
    /// A finding of severity note.
    pub fn note(code: &'static str, message: impl Into<String>) -> Finding {
        Finding::new(code, Severity::Note, message)
    }

    /// A finding of severity warning.
    pub fn warning(code: &'static str, message: impl Into<String>) -> Finding {
        Finding::new(code, Severity::Warning, message)
    }

    /// A finding of severity error.
    pub fn error(code: &'static str, message: impl Into<String>) -> Finding {
        Finding::new(code, Severity::Error, message)
    }

    /// A finding with any code, also one read back from a ledger.
    pub fn new(
        code: impl Into<Cow<'static, str>>,
        severity: Severity,
        message: impl Into<String>,
    ) -> Finding {
        Finding {
            code: code.into(),
            severity,
            message: message.into(),
        }
    }
}

impl Condition {
    /// Rule 1 over the findings of a take, before any person's word: doubtful if one of them is an error.
    pub fn of(findings: &[Finding]) -> Condition {
        if findings.iter().any(|f| f.severity == Severity::Error) {
            Condition::Doubtful
        } else {
            Condition::Whole
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_those_of_the_contract_and_in_its_order() {
        fn check<T: Copy + Ord + std::fmt::Debug>(
            all: &[T],
            word: fn(T) -> &'static str,
            parse: fn(&str) -> Option<T>,
            expected: &str,
        ) {
            let words: Vec<_> = all.iter().map(|&v| word(v)).collect();
            assert_eq!(words.join(" "), expected);
            assert!(all.is_sorted());
            for &value in all {
                assert_eq!(parse(word(value)), Some(value));
            }
            assert_eq!(parse("Whole "), None);
        }
        check(
            Evidence::ALL,
            Evidence::as_str,
            Evidence::parse,
            "none framing layout checksum twice read-back vouched",
        );
        check(
            Condition::ALL,
            Condition::as_str,
            Condition::parse,
            "whole doubtful",
        );
        check(
            Severity::ALL,
            Severity::as_str,
            Severity::parse,
            "note warning error",
        );
        check(
            Via::ALL,
            Via::as_str,
            Via::parse,
            "file stdin watched upload port",
        );
    }

    #[test]
    fn an_unknown_word_is_named_with_the_known_ones() {
        let error = "maybe".parse::<Condition>().unwrap_err();
        assert_eq!(error.to_string(), r#""maybe" is none of whole, doubtful"#);
    }

    #[test]
    fn only_an_error_makes_a_take_doubtful() {
        let check = |findings: &[Finding], expected| {
            assert_eq!(Condition::of(findings), expected, "{findings:?}");
        };
        let note = Finding::note("date-copied", "x");
        let warning = Finding::warning("short", "x");
        let error = Finding::error("empty", "x");
        check(&[], Condition::Whole);
        check(&[note.clone(), warning.clone()], Condition::Whole);
        check(&[note, error, warning], Condition::Doubtful);
    }
}
