//! Passwords and secret keys of shelves: kept in shelves.toml, or named there and fetched when a shelf is opened.

use std::fmt;
use std::path::Path;

use serde::{Deserialize, Serialize};
use zeroize::Zeroizing;

use crate::error::{Error, Kind, Next, Result};
use crate::sys::disk;
use crate::sys::{World, process, settings};

/// Characters that nobody else may see: never shown, and wiped when no longer needed.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Secret(Zeroizing<String>);

impl Secret {
    /// Takes the characters in.
    pub fn new(text: impl Into<String>) -> Secret {
        Secret(Zeroizing::new(text.into()))
    }

    /// The characters themselves, for a signature or a header.
    pub fn expose(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret")
    }
}

/// Where the secret of a shelf is: at most one of these is set.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SecretSource {
    /// Here.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub secret: Option<Secret>,
    /// In an environment variable of this name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub secret_env: Option<String>,
    /// In the first line of this file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub secret_file: Option<String>,
    /// In the first line that this command prints.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub secret_command: Option<String>,
}

/// A secret is short; a longer file is not the one that was meant.
const LONGEST: u64 = 4096;

impl SecretSource {
    /// True if no secret is named.
    pub fn is_none(&self) -> bool {
        *self == SecretSource::default()
    }

    /// Fetches the secret.
    ///
    /// # Errors
    /// `BadInput` if none or several are named, or the one named is empty; `Io` of the file or the command. The text
    /// never holds what was read.
    pub fn fetch(&self, world: &World) -> Result<Secret> {
        let cannot = |what: String| {
            Error::new(Kind::BadInput, what).next(Next::say(
                "name the secret again: farshelf shelf add with --secret-file, --secret-env or --secret-command",
            ))
        };
        let (text, whence) = match self {
            SecretSource {
                secret: Some(secret),
                secret_env: None,
                secret_file: None,
                secret_command: None,
            } => return Ok(secret.clone()),
            SecretSource {
                secret: None,
                secret_env: Some(name),
                secret_file: None,
                secret_command: None,
            } => {
                let whence = format!("the environment variable {name}");
                let text = settings::variable(name)
                    .ok_or_else(|| cannot(format!("{whence} is not set")))?;
                (Zeroizing::new(text), whence)
            }
            SecretSource {
                secret: None,
                secret_env: None,
                secret_file: Some(path),
                secret_command: None,
            } => {
                let text = disk::read_text(world.disk.as_ref(), Path::new(path), LONGEST)
                    .map_err(|e| Error::io(format!("cannot read the secret in {path}"), e))?;
                (Zeroizing::new(text), format!("the file {path}"))
            }
            SecretSource {
                secret: None,
                secret_env: None,
                secret_file: None,
                secret_command: Some(command),
            } => {
                let text = process::output_of(command, LONGEST)
                    .map_err(|e| Error::io("the command that prints the secret failed", e))?;
                (
                    Zeroizing::new(text),
                    "the command that prints the secret".to_string(),
                )
            }
            _ => {
                return Err(cannot(
                    "exactly one secret has to be named for this shelf".into(),
                ));
            }
        };
        match text.lines().next() {
            Some(line) if !line.is_empty() => Ok(Secret::new(line)),
            _ => Err(cannot(format!("{whence} gave nothing"))),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_comes_from_where_it_is_named_and_is_never_shown() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("s");
        std::fs::write(&file, "hunter2\nmore\n").unwrap();
        let from = |source: SecretSource| source.fetch(&World::real());
        let here = SecretSource {
            secret: Some(Secret::new("hunter2")),
            ..SecretSource::default()
        };
        assert!(!format!("{here:?}").contains("hunter2"));
        let file = SecretSource {
            secret_file: Some(file.display().to_string()),
            ..SecretSource::default()
        };
        let command = SecretSource {
            secret_command: Some("printf 'hunter2\\nx'".into()),
            ..SecretSource::default()
        };
        for source in [here.clone(), file, command] {
            assert_eq!(from(source).unwrap().expose(), "hunter2");
        }
        let unset = SecretSource {
            secret_env: Some("FARSHELF_NOT_SET".into()),
            ..SecretSource::default()
        };
        let both = SecretSource {
            secret_command: Some("true".into()),
            ..here
        };
        let nothing = SecretSource {
            secret_command: Some("true".into()),
            ..SecretSource::default()
        };
        let fails = SecretSource {
            secret_command: Some("echo hunter2 >&2; exit 3".into()),
            ..SecretSource::default()
        };
        for source in [unset, both, nothing, fails, SecretSource::default()] {
            let error = from(source).unwrap_err();
            assert!(!error.fact().contains("hunter2"), "{}", error.fact());
        }
    }
}
