//! The vault's key file, key.txt: an age key file, plain or protected by a passphrase.
//!
//! Invariants: stock `age -d -i key.txt` reads both forms; a locked file shows nothing of the key, not even its public half.

use std::fmt;
use std::io::Write;

use age::armor::{ArmoredWriter, Format};
use age::secrecy::{ExposeSecret, SecretString};
use zeroize::Zeroizing;

use super::cipher::{
    Further, Identity, KeyError, OpenError, Opener, UnwrapError, WrapError, unwrap_identity,
    wrap_text,
};

/// What a key file holds.
#[derive(Debug)]
pub enum KeyFile {
    /// The key itself.
    Open(Identity),
    /// The key behind a passphrase.
    Locked(LockedKey),
}

/// A key file that wants a passphrase.
pub struct LockedKey(Vec<u8>);

/// Why a key file was not read or written. Never quotes it.
#[derive(Debug)]
pub enum KeyFileError {
    /// Neither an age key file nor an age file.
    Key(KeyError),
    /// An age file that no passphrase opens: it was encrypted for another key.
    NotByPassphrase,
    /// The passphrase is wrong, or the file damaged.
    Unlock(UnwrapError),
    /// It could not be locked.
    Lock(WrapError),
    /// Longer than any key file.
    TooLong,
}

impl KeyFile {
    /// Reads the bytes of a key file; an age file in it may be armored or not.
    ///
    /// # Errors
    /// [`KeyFileError::Key`], [`KeyFileError::NotByPassphrase`], [`KeyFileError::TooLong`] (over 16 KiB).
    pub fn parse(bytes: &[u8]) -> Result<Self, KeyFileError> {
        if bytes.len() > LONGEST {
            return Err(KeyFileError::TooLong);
        }
        let start = bytes.trim_ascii_start();
        if start.starts_with(b"-----BEGIN AGE ENCRYPTED FILE-----")
            || start.starts_with(b"age-encryption.org/")
        {
            let decryptor = age::Decryptor::new(age::armor::ArmoredReader::new(start))
                .map_err(|_| KeyFileError::Key(KeyError::NoIdentity))?;
            if !decryptor.is_scrypt() {
                return Err(KeyFileError::NotByPassphrase);
            }
            return Ok(Self::Locked(LockedKey(start.to_vec())));
        }
        let text =
            std::str::from_utf8(bytes).map_err(|_| KeyFileError::Key(KeyError::NoIdentity))?;
        Identity::parse(text)
            .map(Self::Open)
            .map_err(KeyFileError::Key)
    }
}

impl LockedKey {
    /// Opens the key with its passphrase.
    ///
    /// # Errors
    /// [`KeyFileError::Unlock`]; work factors over 22 are refused before any work is spent.
    pub fn unlock(&self, passphrase: &SecretString) -> Result<Identity, KeyFileError> {
        unwrap_identity(&self.0, &Opener::Passphrase(passphrase)).map_err(KeyFileError::Unlock)
    }
}

/// Gives the text of a plain key file: `# created …`, `# public key: age1…`, the identity line. `created` is a date in the caller's
/// words, of which control characters are left out.
pub fn to_text(identity: &Identity, created: &str) -> Zeroizing<String> {
    let created: String = created.chars().filter(|c| !c.is_control()).collect();
    Zeroizing::new(format!(
        "# created {created}\n# public key: {}\n{}\n",
        identity.recipient(),
        identity.line().expose_secret()
    ))
}

/// Gives the text of a key file behind a passphrase: an armored age file that holds what [`to_text`] gives.
///
/// `work_factor` is [`super::cipher::DEFAULT_WORK_FACTOR`] outside tests.
///
/// # Errors
/// [`KeyFileError::Lock`] for an empty passphrase or a work factor out of bounds.
pub fn to_locked_text(
    identity: &Identity,
    created: &str,
    passphrase: &SecretString,
    work_factor: u8,
) -> Result<String, KeyFileError> {
    let text = to_text(identity, created);
    let further = Further::Passphrase {
        passphrase,
        work_factor,
    };
    let sealed = wrap_text(text.as_bytes(), &further).map_err(KeyFileError::Lock)?;
    armored(&sealed).map_err(|error| KeyFileError::Lock(WrapError::Encrypt(error.into())))
}

impl fmt::Debug for LockedKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("LockedKey(hidden)")
    }
}

impl fmt::Display for KeyFileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            KeyFileError::Key(_) => "this is no key file",
            KeyFileError::NotByPassphrase => {
                "this key file is encrypted for another key and not by a passphrase"
            }
            KeyFileError::Unlock(UnwrapError::Open(OpenError::WrongKey)) => {
                "the passphrase does not open this key file"
            }
            KeyFileError::Unlock(_) => "the key file could not be unlocked",
            KeyFileError::Lock(_) => "the key file could not be locked",
            KeyFileError::TooLong => "this is too long for a key file",
        })
    }
}

impl std::error::Error for KeyFileError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            KeyFileError::Key(error) => Some(error),
            KeyFileError::Unlock(UnwrapError::Open(OpenError::WrongKey)) => None,
            KeyFileError::Unlock(error) => Some(error),
            KeyFileError::Lock(error) => Some(error),
            KeyFileError::NotByPassphrase | KeyFileError::TooLong => None,
        }
    }
}

/// The largest file taken for a key file; ours have under 1 KiB.
const LONGEST: usize = 16 * 1024;

fn armored(bytes: &[u8]) -> std::io::Result<String> {
    let mut writer = ArmoredWriter::wrap_output(Vec::new(), Format::AsciiArmor)?;
    writer.write_all(bytes)?;
    let text = writer.finish()?;
    String::from_utf8(text).map_err(std::io::Error::other)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shelf::cipher::wrap_identity;

    const LINE: &str = "AGE-SECRET-KEY-1GFPYYSJZGFPYYSJZGFPYYSJZGFPYYSJZGFPYYSJZGFPYYSJZGFPQ4EGAEX";

    fn identity() -> Identity {
        Identity::parse(LINE).unwrap()
    }

    #[test]
    fn a_plain_key_file_is_two_comments_and_the_line() {
        let text = to_text(&identity(), "2026-10-25\n");
        let recipient = "age1zvkyg2lqzraa2lnjvqej32nkuu0ues2s82hzrye869xeexvn73equnujwj";
        let expected = format!("# created 2026-10-25\n# public key: {recipient}\n{LINE}\n");
        assert_eq!(*text, expected);
        let KeyFile::Open(found) = KeyFile::parse(text.as_bytes()).unwrap() else {
            panic!("taken for locked");
        };
        assert_eq!(found.line().expose_secret(), LINE);
    }

    #[test]
    fn a_locked_key_file_opens_with_its_passphrase_only() {
        let right = SecretString::from("slow gliding saw");
        let text = to_locked_text(&identity(), "2026-10-25", &right, 2).unwrap();
        assert!(text.starts_with("-----BEGIN AGE ENCRYPTED FILE-----\n"));
        for text in [
            text.clone(),
            format!("\n{text}"),
            text.replace('\n', "\r\n"),
        ] {
            let KeyFile::Locked(locked) = KeyFile::parse(text.as_bytes()).unwrap() else {
                panic!("taken for plain");
            };
            assert_eq!(locked.unlock(&right).unwrap().line().expose_secret(), LINE);
            let error = locked.unlock(&SecretString::from("other")).unwrap_err();
            assert_eq!(
                error.to_string(),
                "the passphrase does not open this key file"
            );
        }
    }

    #[test]
    fn other_files_are_no_key_files() {
        let friend = Identity::generate();
        let wrapped = wrap_identity(&identity(), &Further::Recipient(&friend.recipient())).unwrap();
        let result = KeyFile::parse(&wrapped);
        assert!(matches!(result, Err(KeyFileError::NotByPassphrase)));
        for bytes in [&b""[..], b"\xff\xfe", b"hello", b"age-encryption.org/v1\n"] {
            let result = KeyFile::parse(bytes);
            assert!(matches!(result, Err(KeyFileError::Key(_))), "{bytes:?}");
        }
        let result = KeyFile::parse(&vec![b'#'; LONGEST + 1]);
        assert!(matches!(result, Err(KeyFileError::TooLong)));
    }
}
