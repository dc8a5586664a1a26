//! The only place that writes to standard output and standard error.
//!
//! Results go to standard output, everything else to standard error. A reader that goes away silences the output
//! and stops nothing. Text that came out of dumps, files or settings is made harmless here.

use std::cell::RefCell;
use std::io::{self, BufWriter, Write};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use comfy_table::{ContentArrangement, Table, presets};
use indicatif::{ProgressBar, ProgressStyle};
use serde::Serialize;

use crate::error::{Error, Result};
use crate::ops::mirror::{Progress, Silent};
use crate::sys::text::printable;
use crate::sys::{console, settings};

/// How to print.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Manner {
    /// One JSON document on standard output.
    pub json: bool,
    /// No word about what went well.
    pub quiet: bool,
    /// Inner words and hashes too.
    pub verbose: bool,
    /// Never colours.
    pub no_color: bool,
}

/// Whether something is good, for colour; the word itself always stands there too.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tone {
    /// Nothing to say by colour.
    Plain,
    /// Good.
    Good,
    /// Needs attention.
    Warn,
    /// Bad.
    Bad,
}

/// A cell of a table.
#[derive(Debug, Clone)]
pub struct Cell {
    text: String,
    tone: Tone,
    right: bool,
}

/// A cell of text.
pub fn cell(text: impl AsRef<str>) -> Cell {
    Cell {
        text: printable(text.as_ref()),
        tone: Tone::Plain,
        right: false,
    }
}

/// A cell with a number, aligned to the right.
pub fn number(text: impl AsRef<str>) -> Cell {
    Cell {
        right: true,
        ..cell(text)
    }
}

/// A cell with a word that tells how something is.
pub fn toned(text: impl AsRef<str>, tone: Tone) -> Cell {
    Cell { tone, ..cell(text) }
}

/// Standard output and standard error.
#[derive(Debug)]
pub struct Printer {
    manner: Manner,
    out: RefCell<BufWriter<io::Stdout>>,
    out_is_terminal: bool,
    err_is_terminal: bool,
    plain: bool,
    /// The reader of standard output went away.
    gone: std::cell::Cell<bool>,
    last_next: RefCell<Option<String>>,
}

/// A bar with rate and time left.
#[derive(Default)]
struct Travel(Mutex<Option<ProgressBar>>);

impl Travel {
    fn with(&self, tell: impl FnOnce(&ProgressBar)) {
        if let Ok(bar) = self.0.lock()
            && let Some(bar) = bar.as_ref()
        {
            tell(bar);
        }
    }
}

impl Progress for Travel {
    fn begins(&self, what: &str, bytes: u64) {
        let template = "{msg} {bar:24} {decimal_bytes} of {decimal_total_bytes}, {decimal_bytes_per_sec}, {eta} left";
        let bar = ProgressBar::new(bytes.max(1)).with_message(printable(what).to_string());
        let bar = match ProgressStyle::with_template(template) {
            Ok(style) => bar.with_style(style.progress_chars("=> ")),
            Err(_) => ProgressBar::hidden(),
        };
        bar.enable_steady_tick(Duration::from_millis(200));
        if let Ok(mut now) = self.0.lock() {
            *now = Some(bar);
        }
    }

    fn expects(&self, bytes: u64) {
        self.with(|bar| bar.set_length(bytes.max(bar.position()).max(1)));
    }

    fn at(&self, bytes: u64) {
        self.with(|bar| bar.set_position(bytes.min(bar.length().unwrap_or(bytes))));
    }

    fn ends(&self) {
        self.with(|bar| bar.finish_and_clear());
    }
}

impl Printer {
    /// The process's own output.
    pub fn new(manner: Manner) -> Printer {
        Printer {
            manner,
            out: RefCell::new(BufWriter::new(io::stdout())),
            out_is_terminal: console::stdout_is_terminal(),
            err_is_terminal: console::stderr_is_terminal(),
            plain: manner.no_color || settings::plain_terminal(),
            gone: std::cell::Cell::new(false),
            last_next: RefCell::new(None),
        }
    }

    /// True if a JSON document is asked for.
    pub fn json(&self) -> bool {
        self.manner.json
    }

    /// True if inner words are asked for.
    pub fn verbose(&self) -> bool {
        self.manner.verbose
    }

    /// A counter on standard error for a person who waits, or one that shows nothing.
    pub fn counter(&self, what: &str) -> ProgressBar {
        if !self.err_is_terminal || self.manner.quiet || self.manner.json {
            return ProgressBar::hidden();
        }
        let style = ProgressStyle::with_template(&format!("{{pos}} {what}"));
        let bar = ProgressBar::new_spinner();
        match style {
            Ok(style) => bar.with_style(style),
            Err(_) => ProgressBar::hidden(),
        }
    }

    /// A bar on standard error for bytes that travel, or one that shows nothing.
    pub fn travel(&self) -> Arc<dyn Progress> {
        let shows = self.err_is_terminal && !self.manner.quiet && !self.manner.json;
        match shows {
            true => Arc::new(Travel::default()),
            false => Arc::new(Silent),
        }
    }

    /// A line of what was asked for.
    ///
    /// # Errors
    /// `Io` if standard output cannot be written.
    pub fn line(&self, text: impl AsRef<str>) -> Result<()> {
        if self.manner.json {
            return Ok(());
        }
        let mut text = printable(text.as_ref());
        text.push('\n');
        self.write(text.as_bytes())
    }

    /// A line about something done; not with --quiet.
    ///
    /// # Errors
    /// As [`Printer::line`].
    pub fn done(&self, text: impl AsRef<str>) -> Result<()> {
        if self.manner.quiet {
            return Ok(());
        }
        self.line(text)
    }

    /// The useful next command after something was done; not with --quiet or --json.
    pub fn hint(&self, text: impl AsRef<str>) {
        if !self.manner.quiet && !self.manner.json {
            self.complain(&format!("next: {}", text.as_ref()));
        }
    }

    /// Text of several lines that the program made itself, as it stands.
    ///
    /// # Errors
    /// As [`Printer::line`].
    pub fn text(&self, text: &str) -> Result<()> {
        if self.manner.json {
            return Ok(());
        }
        self.write(text.as_bytes())
    }

    /// A word in the colour of its tone, for use in [`Printer::text`].
    pub fn paint(&self, word: &str, tone: Tone) -> String {
        let word = printable(word);
        let colour = match tone {
            Tone::Plain => return word,
            Tone::Good => "32",
            Tone::Warn => "33",
            Tone::Bad => "31",
        };
        if self.plain || !self.out_is_terminal {
            word
        } else {
            format!("\x1b[{colour}m{word}\x1b[0m")
        }
    }

    /// A table under its headings, fitted to the terminal.
    ///
    /// # Errors
    /// As [`Printer::line`].
    pub fn table(&self, headings: &[&str], rows: Vec<Vec<Cell>>) -> Result<()> {
        if self.manner.json || rows.is_empty() {
            return Ok(());
        }
        let mut table = Table::new();
        table.load_style(presets::NOTHING);
        table.set_content_arrangement(ContentArrangement::Dynamic);
        let coloured = self.out_is_terminal && !self.plain;
        if coloured {
            table.enforce_styling();
        } else {
            table.force_no_tty();
            if let Some(width) = self.terminal_width() {
                table.set_width(width);
            }
        }
        // A column in which nothing stands says nothing.
        let used: Vec<bool> = (0..headings.len())
            .map(|i| {
                rows.iter()
                    .any(|r| r.get(i).is_some_and(|c| !c.text.is_empty()))
            })
            .collect();
        let only_used = |i: usize| used.get(i).copied().unwrap_or(false);
        let headings: Vec<&str> = headings
            .iter()
            .enumerate()
            .filter(|(i, _)| only_used(*i))
            .map(|(_, h)| *h)
            .collect();
        let rows: Vec<Vec<Cell>> = rows
            .into_iter()
            .map(|row| {
                let cells = row.into_iter().enumerate();
                cells
                    .filter(|(i, _)| only_used(*i))
                    .map(|(_, c)| c)
                    .collect()
            })
            .collect();
        let right: Vec<bool> = rows
            .first()
            .map(|r| r.iter().map(|c| c.right).collect())
            .unwrap_or_default();
        table.set_header(headings);
        for row in rows {
            table.add_row(row.into_iter().map(|c| {
                let made = comfy_table::Cell::new(c.text);
                match c.tone {
                    Tone::Plain => made,
                    Tone::Good => made.fg(comfy_table::Color::DarkGreen),
                    Tone::Warn => made.fg(comfy_table::Color::DarkYellow),
                    Tone::Bad => made.fg(comfy_table::Color::DarkRed),
                }
            }));
        }
        for (column, right) in table.column_iter_mut().zip(right) {
            column.set_padding((0, 2));
            if right {
                column.set_cell_alignment(comfy_table::CellAlignment::Right);
            }
        }
        for line in table.lines() {
            self.write(line.trim_end().as_bytes())?;
            self.write(b"\n")?;
        }
        Ok(())
    }

    fn terminal_width(&self) -> Option<u16> {
        if !self.out_is_terminal {
            return None;
        }
        let mut table = Table::new();
        table.load_style(presets::NOTHING);
        table.width()
    }

    /// The one JSON document, if it is asked for.
    ///
    /// # Errors
    /// As [`Printer::line`].
    pub fn document(&self, document: &impl Serialize) -> Result<()> {
        if !self.manner.json {
            return Ok(());
        }
        let text = as_json(document)?;
        self.write(text.as_bytes())?;
        self.write(b"\n")
    }

    /// A part of a JSON document that is written as it grows.
    ///
    /// # Errors
    /// As [`Printer::line`].
    pub fn json_part(&self, text: &str) -> Result<()> {
        self.write(text.as_bytes())
    }

    /// A fact for standard error that stopped nothing.
    pub fn note(&self, text: impl AsRef<str>) {
        self.complain(&format!("farshelf: {}", text.as_ref()));
    }

    /// Like [`Printer::note`], but not with --quiet or --json.
    pub fn remark(&self, text: impl AsRef<str>) {
        if !self.manner.quiet && !self.manner.json {
            self.note(text);
        }
    }

    /// An error: the fact and the next step for people, one object with --json.
    pub fn error(&self, error: &Error) {
        let next = error.next_step().text();
        if self.manner.json {
            let object = super::json::Failure::of(error);
            if let Ok(text) = as_json(&object) {
                self.complain_raw(&text);
            }
            return;
        }
        self.failure(error);
        if let Some(next) = next {
            self.complain(&format!("next: {next}"));
        }
    }

    /// One failed member of a batch: its fact, and its next step unless the one before said the same.
    pub fn failed_one(&self, error: &Error) {
        self.failure(error);
        let next = error.next_step().text();
        if next.is_some() && *self.last_next.borrow() != next {
            if let Some(next) = &next {
                self.complain(&format!("next: {next}"));
            }
            *self.last_next.borrow_mut() = next;
        }
    }

    fn failure(&self, error: &Error) {
        self.complain(&format!("farshelf: {}", error.fact()));
    }

    /// Standard output for bytes as they are; a reader that goes away is an error here.
    pub fn raw(&self) -> impl Write + '_ {
        Raw(self)
    }

    /// Brings everything out.
    ///
    /// # Errors
    /// As [`Printer::line`].
    pub fn finish(&self) -> Result<()> {
        let result = self.out.borrow_mut().flush();
        self.checked(result)
    }

    fn write(&self, bytes: &[u8]) -> Result<()> {
        if self.gone.get() {
            return Ok(());
        }
        let result = {
            let mut out = self.out.borrow_mut();
            out.write_all(bytes).and_then(|()| {
                if self.out_is_terminal {
                    out.flush()
                } else {
                    Ok(())
                }
            })
        };
        self.checked(result)
    }

    fn checked(&self, result: io::Result<()>) -> Result<()> {
        match result {
            Err(e) if e.kind() == io::ErrorKind::BrokenPipe => {
                self.gone.set(true);
                Ok(())
            }
            Err(_) if self.gone.get() => Ok(()),
            Err(e) => Err(Error::io("cannot write to standard output", e)),
            Ok(()) => Ok(()),
        }
    }

    fn complain(&self, text: &str) {
        self.complain_raw(&printable(text));
    }

    fn complain_raw(&self, text: &str) {
        // What was told before stands before it, and there is nobody left to tell if standard error fails.
        let _ = self.out.borrow_mut().flush();
        let _ = writeln!(io::stderr(), "{text}");
    }
}

struct Raw<'a>(&'a Printer);

impl Write for Raw<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.out.borrow_mut().write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.out.borrow_mut().flush()
    }
}

/// A value as indented JSON.
///
/// # Errors
/// `Bug`: our own shapes can always be written.
pub fn as_json(value: &impl Serialize) -> Result<String> {
    serde_json::to_string_pretty(value)
        .map_err(|e| Error::new(crate::error::Kind::Bug, "cannot write JSON").because(e))
}
