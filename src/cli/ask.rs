//! Questions to a person, and secrets from files. Each question has a flag that answers it.

use std::io::{BufRead, Read};
use std::path::Path;

use zeroize::Zeroizing;

use crate::cli::Face;
use crate::error::{Error, Kind, Next, Result};
use crate::shelf::cipher::SecretString;
use crate::shelf::secret::Secret;
use crate::sys::console;
use crate::sys::disk;

/// The longest passphrase or answer, in bytes.
const LIMIT: u64 = 1 << 16;

impl Face {
    /// True if a person can be asked.
    pub(super) fn may_ask(&self) -> bool {
        !self.global.no_input && console::stdin_is_terminal()
    }

    /// The passphrase of the locked key: from a file, or asked for.
    ///
    /// # Errors
    /// `WrongKey` if nobody can be asked; `Io`.
    pub(super) fn passphrase(&self, from: Option<&Path>) -> Result<SecretString> {
        match from {
            Some(from) => self.first_line(from),
            None if self.may_ask() => typed("Passphrase of the key: "),
            None => Err(Error::new(
                Kind::WrongKey,
                "the key is locked, and nobody can be asked for its passphrase here",
            )
            .next(Next::say(
                "name a file that holds it with --passphrase-from FILE",
            ))),
        }
    }

    /// A new passphrase: from a file, or asked for twice.
    ///
    /// # Errors
    /// `Usage` if the two differ, it is empty or nobody can be asked; `Io`.
    pub(super) fn new_passphrase(&self, from: Option<&Path>) -> Result<SecretString> {
        match from {
            Some(from) => self.first_line(from),
            None if self.may_ask() => {
                use crate::shelf::cipher::ExposeSecret;
                let first = typed("New passphrase: ")?;
                let second = typed("The same again: ")?;
                if first.expose_secret() != second.expose_secret() {
                    return Err(Error::usage(
                        "the two passphrases differ; nothing was changed",
                    ));
                }
                Ok(first)
            }
            None => Err(
                Error::usage("nobody can be asked for a new passphrase here").next(Next::say(
                    "name a file that holds it with --new-passphrase-from FILE",
                )),
            ),
        }
    }

    /// The password or secret key of a place, asked for without echo.
    ///
    /// # Errors
    /// `Io`.
    pub(super) fn secret(&self, location: &str) -> Result<Secret> {
        use crate::shelf::cipher::ExposeSecret;
        let location = crate::sys::text::printable(location);
        let typed = typed(&format!("Password or secret key for {location}: "))?;
        Ok(Secret::new(typed.expose_secret()))
    }

    /// Standard input as text, for what is typed or piped in.
    ///
    /// # Errors
    /// `Io`.
    pub(super) fn read_stdin(&self, what: &str) -> Result<Zeroizing<String>> {
        self.say_waiting(what);
        let mut bytes = Zeroizing::new(Vec::new());
        std::io::stdin()
            .lock()
            .take(LIMIT)
            .read_to_end(&mut bytes)
            .map_err(|e| Error::io("cannot read standard input", e))?;
        Ok(Zeroizing::new(String::from_utf8_lossy(&bytes).into_owned()))
    }

    /// Says that something is awaited at the keyboard.
    pub(super) fn say_waiting(&self, what: &str) {
        if console::stdin_is_terminal() {
            self.printer.note(format!(
                "waiting for {what} on standard input; Ctrl-D ends it"
            ));
        }
    }

    fn first_line(&self, from: &Path) -> Result<SecretString> {
        let line = if from.as_os_str() == "-" {
            self.say_waiting("the passphrase");
            let mut line = Zeroizing::new(String::new());
            std::io::stdin()
                .lock()
                .take(LIMIT)
                .read_line(&mut line)
                .map_err(|e| Error::io("cannot read standard input", e))?;
            line
        } else {
            let text = disk::read_text(self.world.disk.as_ref(), from, LIMIT)
                .map_err(|e| Error::io(format!("cannot read {}", from.display()), e))?;
            Zeroizing::new(text)
        };
        let first = line.lines().next().unwrap_or_default();
        if first.is_empty() {
            return Err(Error::usage(format!(
                "the first line of {} is empty; a passphrase was expected there",
                from.display()
            )));
        }
        Ok(SecretString::from(first.to_string()))
    }
}

fn typed(prompt: &str) -> Result<SecretString> {
    rpassword::prompt_password(prompt)
        .map(SecretString::from)
        .map_err(|e| Error::io("cannot read the passphrase", e))
}
