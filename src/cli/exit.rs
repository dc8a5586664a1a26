//! The only place that ends the process: from what came out to an exit code.

use std::process::ExitCode;

use crate::error::{Error, Kind};

/// What came of a command that ran to its end; the more serious one is the greater.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Outcome {
    /// Done, all good.
    Good,
    /// Done, but something needs attention.
    Attention,
    /// Some of it failed; that was told already.
    Failed,
}

impl Outcome {
    /// `Attention` if something needs it, else `Good`.
    pub fn attention_if(needed: bool) -> Outcome {
        if needed {
            Outcome::Attention
        } else {
            Outcome::Good
        }
    }
}

/// The exit codes in words, as the help shows them.
pub const TABLE: &[(u8, &str)] = &[
    (0, "done, all good"),
    (1, "failed, or some of a batch failed"),
    (2, "wrong usage"),
    (3, "done, but something needs attention"),
    (4, "the vault is in use by another farshelf"),
];

/// The exit code for what came out.
pub fn code(result: &Result<Outcome, Error>) -> u8 {
    match result {
        Ok(Outcome::Good) => 0,
        Ok(Outcome::Failed) => 1,
        Ok(Outcome::Attention) => 3,
        Err(e) if is_broken_pipe(e) => 0,
        Err(e) => match e.kind {
            Kind::Usage => 2,
            Kind::Busy => 4,
            _ => 1,
        },
    }
}

/// The same for the operating system.
pub fn end(code: u8) -> ExitCode {
    ExitCode::from(code)
}

/// True if whoever read our output went away: no failure of ours.
pub fn is_broken_pipe(error: &Error) -> bool {
    let mut cause = std::error::Error::source(error);
    while let Some(e) = cause {
        if e.downcast_ref::<std::io::Error>()
            .is_some_and(|e| e.kind() == std::io::ErrorKind::BrokenPipe)
        {
            return true;
        }
        cause = e.source();
    }
    false
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_outcome_has_the_code_of_the_contract() {
        let check = |result: Result<Outcome, Error>, expected: u8| {
            assert_eq!(code(&result), expected, "{result:?}");
            assert!(TABLE.iter().any(|(code, _)| *code == expected));
        };
        check(Ok(Outcome::Good), 0);
        check(Ok(Outcome::Failed), 1);
        check(Ok(Outcome::Attention), 3);
        check(Err(Error::usage("x")), 2);
        check(Err(Error::new(Kind::Busy, "x")), 4);
        for kind in [
            Kind::NotFound,
            Kind::AlreadyThere,
            Kind::Damaged,
            Kind::WrongKey,
            Kind::Unreachable,
            Kind::Refused,
            Kind::NewerFormat,
            Kind::BadInput,
            Kind::Io,
            Kind::Bug,
        ] {
            check(Err(Error::new(kind, "x")), 1);
        }
    }

    #[test]
    fn a_reader_that_went_away_is_no_failure() {
        let gone = std::io::Error::from(std::io::ErrorKind::BrokenPipe);
        assert_eq!(code(&Err(Error::io("cannot write", gone))), 0);
        let full = std::io::Error::from(std::io::ErrorKind::StorageFull);
        assert_eq!(code(&Err(Error::io("cannot write", full))), 1);
    }

    #[test]
    fn of_mixed_outcomes_the_most_serious_counts() {
        assert_eq!(Outcome::Attention.max(Outcome::Failed), Outcome::Failed);
        assert_eq!(Outcome::Good.max(Outcome::Attention), Outcome::Attention);
        assert_eq!(Outcome::attention_if(false), Outcome::Good);
    }
}
