//! The only place that knows exit codes.

use std::process::ExitCode;

use crate::error::Kind;

/// How a command ended, from best to most serious.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Exit {
    /// Done, all good.
    Good,
    /// Done, but something needs attention.
    Attention,
    /// Failed, also when some of a batch failed.
    Failed,
    /// Another process holds the vault.
    Busy,
    /// Wrong usage.
    Usage,
}

impl Exit {
    /// The number that the shell sees.
    pub fn code(self) -> u8 {
        match self {
            Exit::Good => 0,
            Exit::Failed => 1,
            Exit::Usage => 2,
            Exit::Attention => 3,
            Exit::Busy => 4,
        }
    }

    /// How an error ends a command.
    pub fn of(kind: Kind) -> Exit {
        match kind {
            Kind::Usage => Exit::Usage,
            Kind::Busy => Exit::Busy,
            _ => Exit::Failed,
        }
    }

    /// Attention if `needed`, else good.
    pub fn attention(needed: bool) -> Exit {
        if needed { Exit::Attention } else { Exit::Good }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> ExitCode {
        ExitCode::from(exit.code())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_those_of_the_readme_and_the_help() {
        let codes: Vec<u8> = [
            Exit::Good,
            Exit::Failed,
            Exit::Usage,
            Exit::Attention,
            Exit::Busy,
        ]
        .into_iter()
        .map(Exit::code)
        .collect();
        assert_eq!(codes, [0, 1, 2, 3, 4]);
        assert!(Exit::Failed > Exit::Attention);
        assert_eq!(Exit::of(Kind::Busy), Exit::Busy);
        assert_eq!(Exit::of(Kind::Usage), Exit::Usage);
        assert_eq!(Exit::of(Kind::Damaged), Exit::Failed);
    }
}
