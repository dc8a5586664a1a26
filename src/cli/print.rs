//! The only place that writes to standard output and standard error.
//!
//! Results go to standard output; notes and errors to standard error. A closed pipe ends the output quietly.

use std::cell::Cell;
use std::io::{self, IsTerminal, Write};

use comfy_table::presets::NOTHING;
use comfy_table::{ContentArrangement, Table};

use crate::error::{Error, Result};
use crate::sys::settings::plain_terminal;
use crate::sys::text::printable;

/// Words that may be coloured; the word itself always says the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tone {
    /// All is well.
    Good,
    /// Needs a look.
    Warn,
    /// Something is lost or broken.
    Bad,
    /// Nothing special.
    Plain,
}

/// Writes what commands say.
#[derive(Debug)]
pub struct Printer {
    /// One JSON document instead of text.
    pub json: bool,
    /// Nothing when all went well.
    pub quiet: bool,
    /// Inner details too.
    pub verbose: bool,
    colour: bool,
    gone: Cell<bool>,
}

impl Printer {
    /// For this process's standard output and error.
    pub fn new(json: bool, quiet: bool, verbose: bool, no_color: bool) -> Printer {
        let colour = !no_color && !json && !plain_terminal() && io::stdout().is_terminal();
        Printer {
            json,
            quiet,
            verbose,
            colour,
            gone: Cell::new(false),
        }
    }

    /// A line of results. Untrusted text in it must have passed [`printable`].
    pub fn line(&self, text: &str) -> Result<()> {
        if self.json {
            return Ok(());
        }
        self.out(&format!("{text}\n"))
    }

    /// A line of results that is left out with `--quiet`.
    pub fn success(&self, text: &str) -> Result<()> {
        if self.quiet { Ok(()) } else { self.line(text) }
    }

    /// The one JSON document.
    pub fn document(&self, value: &serde_json::Value) -> Result<()> {
        if !self.json {
            return Ok(());
        }
        self.out(&format!("{value}\n"))
    }

    /// Raw text to standard output: parts of a JSON document, a key sheet.
    pub fn raw(&self, text: &str) -> Result<()> {
        self.out(text)
    }

    fn out(&self, text: &str) -> Result<()> {
        if self.gone.get() {
            return Ok(());
        }
        let mut stdout = io::stdout().lock();
        match stdout
            .write_all(text.as_bytes())
            .and_then(|()| stdout.flush())
        {
            Err(e) if e.kind() == io::ErrorKind::BrokenPipe => {
                self.gone.set(true);
                Ok(())
            }
            Err(e) => Err(Error::io("cannot write to standard output", e)),
            Ok(()) => Ok(()),
        }
    }

    /// A table without lines, fitted to the terminal. All cells are made printable here.
    pub fn table(&self, header: &[&str], rows: Vec<Vec<String>>) -> Result<()> {
        if self.json {
            return Ok(());
        }
        let mut table = Table::new();
        table.load_style(NOTHING);
        table.set_content_arrangement(ContentArrangement::Dynamic);
        if !io::stdout().is_terminal() {
            table.set_content_arrangement(ContentArrangement::Disabled);
        }
        table.set_header(header.to_vec());
        for row in rows {
            table.add_row(row.into_iter().map(|c| printable(&c)).collect::<Vec<_>>());
        }
        for line in table.to_string().lines() {
            self.line(line.trim_end())?;
        }
        Ok(())
    }

    /// A word in its colour, where colours are wanted.
    pub fn tone(&self, tone: Tone, word: &str) -> String {
        let code = match tone {
            Tone::Good => "32",
            Tone::Warn => "33",
            Tone::Bad => "31",
            Tone::Plain => return word.to_string(),
        };
        if self.colour {
            format!("\x1b[{code}m{word}\x1b[0m")
        } else {
            word.to_string()
        }
    }

    /// Something worth telling that stopped nothing.
    pub fn note(&self, text: &str) {
        if !self.quiet {
            self.err(&format!("farshelf: {}\n", printable(text)));
        }
    }

    /// An error: the fact, and the next step.
    pub fn error(&self, e: &Error) {
        if self.json {
            self.err(&format!("{}\n", super::json::error(e)));
            return;
        }
        self.err(&format!("farshelf: {}\n", printable(&e.fact())));
        if let Some(next) = e.next_step().text() {
            self.err(&format!("next: {}\n", printable(&next)));
        }
    }

    /// Text to standard error as it is.
    pub fn err(&self, text: &str) {
        // There is nowhere left to tell of a failure here.
        let _ = io::stderr().lock().write_all(text.as_bytes());
    }
}
