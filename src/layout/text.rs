//! The text of a layout becomes a [`Layout`]; what is wrong in it is named by line and key.

use std::fmt;
use std::ops::Range;

use toml::de::{DeTable, DeValue};

use super::{
    ChecksumRule, End, Header, Layout, Letter, Limits, MessageKind, NameRule, Pace, PackedRule,
    Patches, Position, Request, SingleMap, Span, Step, Template, number,
};
use crate::error::{Error, Kind, Next};
use crate::midi::checksum::Scheme;
use crate::midi::packing::Packing;
use crate::model::ids::SectionName;
use crate::model::take::Severity;

/// The version of the language this program reads.
pub const VERSION: i64 = 1;

/// The longest text of a layout.
const MAX_TEXT_BYTES: usize = 256 << 10;
/// The longest message, and the farthest position in one.
const MAX_BYTES: i64 = 16 << 20;
const MAX_KINDS: usize = 256;
const MAX_STEPS: usize = 256;
const MAX_SPANS: usize = 256;
const MAX_WORDS: usize = 100;
const MAX_CHARS: usize = 1000;
/// Enough to mend a text by; a hostile one may hold any number.
const MAX_MISTAKES: usize = 100;
const MAX_MS: i64 = 600_000;

/// One thing that is wrong in the text of a layout.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Mistake {
    /// The line, from 1.
    pub line: usize,
    /// What is wrong, in words.
    pub text: String,
}

impl fmt::Display for Mistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}: {}", self.line, self.text)
    }
}

/// A text that is no layout, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadLayout {
    /// All that is wrong, in the order of lines; at least one.
    pub mistakes: Vec<Mistake>,
    /// It is written in a later version of the language.
    pub is_newer: bool,
}

impl fmt::Display for BadLayout {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (idx, mistake) in self.mistakes.iter().enumerate() {
            if idx > 0 {
                f.write_str("; ")?;
            }
            mistake.fmt(f)?;
        }
        Ok(())
    }
}

impl std::error::Error for BadLayout {}

impl From<BadLayout> for Error {
    fn from(bad: BadLayout) -> Error {
        match bad.is_newer {
            true => Error::new(Kind::NewerFormat, bad.to_string())
                .next(Next::say("use a newer farshelf; the layout was left alone")),
            false => Error::new(Kind::BadInput, bad.to_string())
                .next(Next::say("mend these lines; nothing was changed")),
        }
    }
}

impl Layout {
    /// Reads the text of a layout.
    ///
    /// # Errors
    /// Everything that is wrong in it, by line and key.
    pub fn parse(text: &str) -> Result<Layout, BadLayout> {
        let mut walk = Walk {
            text,
            mistakes: Vec::new(),
            is_newer: false,
        };
        let layout = walk.layout();
        walk.mistakes.sort();
        walk.mistakes.dedup();
        match layout {
            Some(layout) if walk.mistakes.is_empty() => Ok(layout),
            _ => Err(BadLayout {
                mistakes: walk.mistakes,
                is_newer: walk.is_newer,
            }),
        }
    }
}

/// A table of the text and where it stands.
#[derive(Clone, Copy)]
struct Table<'a> {
    keys: &'a DeTable<'a>,
    at: usize,
    /// How mistakes name it: `[message.patches]`.
    name: &'a str,
}

/// A value of the text, its key and where it stands.
#[derive(Clone, Copy)]
struct Value<'a> {
    key: &'a str,
    value: &'a DeValue<'a>,
    at: usize,
}

struct Walk<'t> {
    text: &'t str,
    mistakes: Vec<Mistake>,
    is_newer: bool,
}

impl Walk<'_> {
    fn wrong(&mut self, at: usize, text: impl Into<String>) {
        if self.mistakes.len() < MAX_MISTAKES {
            let before = &self.text.as_bytes()[..at.min(self.text.len())];
            let line = 1 + before.iter().filter(|byte| **byte == b'\n').count();
            self.mistakes.push(Mistake {
                line,
                text: text.into(),
            });
        }
    }

    fn layout(&mut self) -> Option<Layout> {
        if self.text.len() > MAX_TEXT_BYTES {
            let most = number(MAX_TEXT_BYTES as u64);
            self.wrong(0, format!("the text is longer than {most} bytes"));
            return None;
        }
        let text = self.text;
        let parsed = match DeTable::parse(text) {
            Ok(parsed) => parsed,
            Err(error) => {
                let at = error.span().map_or(0, |span| span.start);
                let message = error.message().replace('\n', ", ");
                self.wrong(at, format!("this is no TOML: {message}"));
                return None;
            }
        };
        let top = Table {
            keys: parsed.get_ref(),
            at: 0,
            name: "the layout",
        };
        // The version first: what a later one says is not judged by the rules of this one.
        let version = self.need(top, "layout");
        match version.and_then(|v| self.integer(v, 1, i64::MAX)) {
            Some(VERSION) => {}
            Some(newer) => {
                self.is_newer = true;
                let at = version.map_or(0, |v| v.at);
                self.wrong(
                    at,
                    format!("this layout is of version {newer}, this program reads {VERSION}"),
                );
                return None;
            }
            None => return None,
        }
        self.known(
            top,
            &[
                "layout",
                "name",
                "title",
                "source",
                "holds-for",
                "not-stored",
                "panel",
                "message",
                "request",
                "pace",
            ],
        );
        let name = self.need_id(top, "name");
        let title = self.need_text(top, "title");
        let source = self.get(top, "source").and_then(|v| self.string(v));
        let holds_for = self.words(top, "holds-for");
        let not_stored = self.words(top, "not-stored");
        let panel = self.get(top, "panel").and_then(|v| self.integer(v, 0, 127));

        let tables = self.tables(top, "message", "[[message]]", MAX_KINDS);
        if tables.is_empty() && self.get(top, "message").is_none() {
            self.wrong(0, "there is no [[message]]");
        }
        let kinds: Vec<Option<MessageKind>> =
            tables.iter().map(|table| self.message(*table)).collect();
        self.links(&tables, &kinds);
        let requests: Vec<Option<Request>> = self
            .tables(top, "request", "[[request]]", MAX_KINDS)
            .into_iter()
            .map(|table| self.request(table, &kinds))
            .collect();
        let pace = match self.get(top, "pace") {
            None => Pace::default(),
            Some(value) => {
                let pace = self.table(value, "[pace]")?;
                self.known(pace, &["bytes-per-second", "pause-ms"]);
                let get = |walk: &mut Self, key, least, most| {
                    let value = walk.get(pace, key)?;
                    walk.integer(value, least, most).map(|n| n as u32)
                };
                Pace {
                    bytes_per_second: get(self, "bytes-per-second", 1, 1_000_000_000),
                    pause_ms: get(self, "pause-ms", 0, MAX_MS),
                }
            }
        };
        Some(Layout {
            name: name?,
            title: title?,
            source,
            holds_for,
            not_stored,
            panel: panel.unwrap_or(0) as u8,
            messages: kinds.into_iter().collect::<Option<_>>()?,
            requests: requests.into_iter().collect::<Option<_>>()?,
            pace,
            text: text.to_owned(),
        })
    }

    fn message(&mut self, table: Table<'_>) -> Option<MessageKind> {
        self.known(
            table,
            &[
                "name", "title", "header", "bytes", "count", "section", "loose", "ignore",
                "checksum", "packed", "patches",
            ],
        );
        let name = self.need_id(table, "name");
        let title = self.get(table, "title").and_then(|v| self.string(v));
        let header = self
            .need(table, "header")
            .and_then(|v| self.read(v, Header::parse));
        let bytes = self
            .get(table, "bytes")
            .and_then(|v| self.limits(v, 3, MAX_BYTES));
        if let (Some(bytes), Some(header), Some(value)) = (bytes, &header, self.get(table, "bytes"))
            && bytes.least as usize <= header.n_bytes()
        {
            let (n, least) = (header.n_bytes(), number(bytes.least));
            self.wrong(
                value.at,
                format!("`bytes` is {least}, and the header alone has {n} and F7 follows"),
            );
        }
        let count = self
            .get(table, "count")
            .and_then(|v| self.limits(v, 0, u32::MAX.into()));
        let section = self.section(table, header.as_ref());
        let loose = self.get(table, "loose").and_then(|v| self.boolean(v));
        let ignore = self.get(table, "ignore").map_or(Vec::new(), |v| {
            self.spans(v, -MAX_BYTES)
                .into_iter()
                .map(|(from, to)| Span {
                    from: Position(from),
                    to: Position(to),
                })
                .collect()
        });
        let packed = self
            .get(table, "packed")
            .map(|v| self.packed(v, header.as_ref()));
        let checksum = self
            .get(table, "checksum")
            .map(|v| self.checksum(v, packed.is_some(), bytes));
        let patches = self
            .get(table, "patches")
            .map(|v| self.patches(v, header.as_ref()));
        let name = name?;
        let kind = MessageKind {
            title: title.unwrap_or_else(|| name.clone()),
            name,
            header: header?,
            bytes,
            count,
            section,
            loose: loose.unwrap_or(false),
            ignore,
            checksum: turned(checksum)?,
            packed: turned(packed)?,
            patches: turned(patches)?,
        };
        self.room(table, &kind);
        Some(kind)
    }

    /// Where the length of a message is given, what is said of it must lie in it.
    fn room(&mut self, table: Table<'_>, kind: &MessageKind) {
        let Some(Limits { most, .. }) = kind.bytes else {
            return;
        };
        let most = most as usize;
        let at_of = |walk: &mut Self, key| walk.get(table, key).map_or(table.at, |v| v.at);
        let mut n_data = most - 1;
        if let Some(packed) = &kind.packed {
            match packed.span.exactly(most) {
                Some(range) if range.end < most => n_data = packed.n_unpacked(range.len()),
                _ => {
                    let at = at_of(self, "packed");
                    let bytes = number(most as u64);
                    self.wrong(
                        at,
                        format!("`from` and `to` in [message.packed] are not within the {bytes} bytes of the message"),
                    );
                    return;
                }
            }
        }
        if let Some(rule) = &kind.checksum {
            let n_covered = if rule.unpacked { n_data } else { most - 1 };
            let n_bytes = if rule.unpacked { n_data } else { most };
            let covers = rule.covers.exactly(n_bytes);
            let stands = rule.at.of(most).map(|at| at..at + rule.scheme.n_bytes());
            let at = at_of(self, "checksum");
            match (covers, stands) {
                (Some(covers), Some(stands))
                    if covers.end <= n_covered && stands.end < most && stands.start > 0 =>
                {
                    if !rule.unpacked && covers.start < stands.end && stands.start < covers.end {
                        self.wrong(at, "the checksum would cover itself: `at` lies between `from` and `to` in [message.checksum]");
                    }
                }
                _ => {
                    let bytes = number(most as u64);
                    self.wrong(
                        at,
                        format!("`from`, `to` and `at` in [message.checksum] are not within the {bytes} bytes of the message"),
                    );
                }
            }
        }
        if let Some(patches) = &kind.patches {
            let end = u64::from(patches.from)
                + u64::from(patches.count - 1) * u64::from(patches.stride)
                + u64::from(patches.bytes);
            if end > n_data as u64 {
                let at = at_of(self, "patches");
                let (end, there) = (number(end), number(n_data as u64));
                self.wrong(
                    at,
                    format!(
                        "the patches of [message.patches] end at byte {end}, there are {there}"
                    ),
                );
            }
        }
    }

    /// Names are there once, and `single` names a kind that can hold the patch.
    fn links(&mut self, tables: &[Table<'_>], kinds: &[Option<MessageKind>]) {
        let all: Vec<(&Table<'_>, &MessageKind)> = tables
            .iter()
            .zip(kinds)
            .filter_map(|(table, kind)| Some((table, kind.as_ref()?)))
            .collect();
        // A kind that could not be read is no reason to say that it does not exist.
        let is_complete = all.len() == tables.len();
        for (idx, (table, kind)) in all.iter().enumerate() {
            if all[..idx].iter().any(|(_, other)| other.name == kind.name) {
                let at = self.get(**table, "name").map_or(table.at, |v| v.at);
                self.wrong(at, format!("`name` is \"{}\" a second time", kind.name));
            }
            let Some(patches) = &kind.patches else {
                continue;
            };
            let at = self.get(**table, "patches").map_or(table.at, |v| v.at);
            let Some(single) = &patches.single else {
                if patches.single_map.is_some() {
                    self.wrong(at, "`single-map` in [message.patches] needs `single`");
                }
                continue;
            };
            let Some((_, target)) = all.iter().find(|(_, other)| other.name == *single) else {
                if is_complete {
                    self.wrong(
                        at,
                        format!("`single` in [message.patches] is \"{single}\", and no message has that name"),
                    );
                }
                continue;
            };
            let n_made = match &patches.single_map {
                None => patches.bytes as usize,
                Some(map) => map.n_bytes(),
            };
            let made = number(n_made as u64);
            match &target.patches {
                None => self.wrong(
                    at,
                    format!("`single` in [message.patches] is \"{single}\", which has no [message.patches]"),
                ),
                Some(to) if to.count != 1 => self.wrong(
                    at,
                    format!("`single` in [message.patches] is \"{single}\", which holds {} patches", number(to.count)),
                ),
                Some(to) if to.bytes as usize != n_made => self.wrong(
                    at,
                    format!("a patch has {made} bytes for \"{single}\", which has room for {}", number(to.bytes)),
                ),
                Some(_) => {}
            }
            if let Some(map) = &patches.single_map
                && map.reach() > patches.bytes as usize
            {
                let (reach, bytes) = (number(map.reach() as u64 - 1), number(patches.bytes));
                self.wrong(
                    at,
                    format!("`single-map` takes byte {reach}, the patch has {bytes} bytes"),
                );
            }
        }
    }

    fn section(&mut self, table: Table<'_>, header: Option<&Header>) -> Option<Template> {
        let value = self.get(table, "section")?;
        let section = self.read(value, Template::parse)?;
        if let Some(header) = header {
            self.letters(value, &section, header, false);
        }
        if SectionName::fold(&section.fill(&Default::default())).is_none() {
            self.wrong(
                value.at,
                format!("`section` is \"{section}\", which gives no name of a section"),
            );
        }
        Some(section)
    }

    /// What a template shows must stand in the header; in a patch `p` may be counted.
    fn letters(&mut self, value: Value<'_>, template: &Template, header: &Header, in_patch: bool) {
        for letter in Letter::ALL {
            let is_counted = in_patch && letter == Letter::P;
            if template.uses(letter) && !header.has(letter) && !is_counted {
                let (key, letter) = (value.key, letter.as_char());
                self.wrong(
                    value.at,
                    format!("`{key}` shows {{{letter}}}, and the header has no {letter}"),
                );
            }
        }
    }

    fn checksum(
        &mut self,
        value: Value<'_>,
        is_packed: bool,
        bytes: Option<Limits>,
    ) -> Option<ChecksumRule> {
        let table = self.table(value, "[message.checksum]")?;
        self.known(
            table,
            &[
                "scheme", "from", "to", "at", "unpacked", "optional", "mismatch",
            ],
        );
        let unpacked = self.get(table, "unpacked").and_then(|v| self.boolean(v));
        let unpacked = unpacked.unwrap_or(false);
        let scheme = self
            .need(table, "scheme")
            .and_then(|v| self.word(v, &Scheme::ALL, Scheme::as_str));
        // Over the unpacked bytes it may cover all of them without saying so.
        let covers = match unpacked {
            true => Some((
                self.position(table, "from").unwrap_or(Position(0)),
                self.position(table, "to").unwrap_or(Position(-1)),
            )),
            false => {
                let from = self.need(table, "from");
                let to = self.need(table, "to");
                from.and(to);
                self.position(table, "from").zip(self.position(table, "to"))
            }
        };
        let at = self.need(table, "at");
        let at = at.and_then(|_| self.position(table, "at"));
        let optional = self.get(table, "optional").and_then(|v| self.boolean(v));
        let optional = optional.unwrap_or(false);
        let mismatch = self
            .get(table, "mismatch")
            .and_then(|v| self.word(v, &[Severity::Error, Severity::Note], |s| s.as_str()));
        if unpacked && !is_packed {
            self.wrong(
                table.at,
                "`unpacked` in [message.checksum] needs [message.packed]",
            );
        }
        if optional && bytes.is_none_or(|b| b.least != b.most) {
            self.wrong(
                table.at,
                "`optional` in [message.checksum] needs `bytes` with one number, or nobody can tell whether the checksum is there",
            );
        }
        let (from, to) = covers?;
        let covers = self.ordered(table, from, to)?;
        Some(ChecksumRule {
            scheme: scheme?,
            covers,
            at: at?,
            unpacked,
            optional,
            mismatch: mismatch.unwrap_or(Severity::Error),
        })
    }

    fn packed(&mut self, value: Value<'_>, header: Option<&Header>) -> Option<PackedRule> {
        let table = self.table(value, "[message.packed]")?;
        self.known(table, &["form", "from", "to", "block"]);
        let form = self
            .need(table, "form")
            .and_then(|v| self.word(v, &Packing::ALL, Packing::as_str));
        let from = self.need(table, "from");
        let to = self.need(table, "to");
        let from = from.and_then(|_| self.position(table, "from"));
        let to = to.and_then(|_| self.position(table, "to"));
        let block = self.get(table, "block");
        let block_value = block.and_then(|v| self.integer(v, 2, MAX_BYTES));
        if let (Some(form), Some(n), Some(value)) = (form, block_value, block) {
            let whole = match form {
                Packing::SevenInEightHigh | Packing::SevenInEightLow => n % 8 != 1,
                _ => n % 2 == 0,
            };
            if !whole {
                self.wrong(
                    value.at,
                    format!("`block` is {n}, and no bytes packed as {form} have that length"),
                );
            }
        }
        let span = self.ordered(table, from?, to?)?;
        if let (Some(header), Ok(start)) = (header, usize::try_from(span.from.0))
            && Letter::ALL
                .iter()
                .any(|l| header.places_of(*l).any(|at| at >= start))
        {
            self.wrong(
                table.at,
                "`from` in [message.packed] begins before the last letter of the header",
            );
        }
        Some(PackedRule {
            form: form?,
            span,
            block: block_value.map(|n| n as u32),
        })
    }

    fn patches(&mut self, value: Value<'_>, header: Option<&Header>) -> Option<Patches> {
        let table = self.table(value, "[message.patches]")?;
        self.known(
            table,
            &[
                "from",
                "stride",
                "bytes",
                "count",
                "name",
                "slot",
                "ignore",
                "single",
                "single-map",
            ],
        );
        let from = self
            .need(table, "from")
            .and_then(|v| self.integer(v, 0, MAX_BYTES));
        let stride = self
            .need(table, "stride")
            .and_then(|v| self.integer(v, 1, MAX_BYTES));
        let bytes = match self.get(table, "bytes") {
            None => stride,
            Some(value) => {
                let bytes = self.integer(value, 1, MAX_BYTES);
                if let (Some(bytes), Some(stride)) = (bytes, stride)
                    && bytes > stride
                {
                    self.wrong(
                        value.at,
                        format!(
                            "`bytes` in [message.patches] is {}, more than `stride`, which is {}",
                            number(bytes as u64),
                            number(stride as u64)
                        ),
                    );
                }
                bytes
            }
        };
        let count = self
            .need(table, "count")
            .and_then(|v| self.integer(v, 1, u32::MAX.into()));
        let name = self.get(table, "name").map(|v| self.name(v, bytes));
        let slot = match self.get(table, "slot") {
            None => Some(Template::patch_from_one()),
            Some(value) => {
                let slot = self.read(value, Template::parse);
                if let (Some(slot), Some(header)) = (&slot, header) {
                    self.letters(value, slot, header, true);
                }
                slot
            }
        };
        let ignore = match self.get(table, "ignore") {
            None => Vec::new(),
            Some(value) => {
                let spans = self.spans(value, 0);
                let end = spans.iter().map(|(_, to)| i64::from(*to) + 1).max();
                if let (Some(end), Some(bytes)) = (end, bytes)
                    && end > bytes
                {
                    self.wrong(
                        value.at,
                        format!(
                            "`ignore` goes to byte {}, the patch has {bytes} bytes",
                            end - 1
                        ),
                    );
                }
                merged(spans)
            }
        };
        let single = self.get(table, "single").and_then(|v| self.string(v));
        let single_map = self.get(table, "single-map").map(|value| {
            let lists = self.strings(value, usize::MAX)?;
            match SingleMap::parse(&lists) {
                Ok(map) => Some(map),
                Err(why) => {
                    self.wrong(value.at, format!("`single-map` {why}"));
                    None
                }
            }
        });
        Some(Patches {
            from: from? as u32,
            stride: stride? as u32,
            bytes: bytes? as u32,
            count: count? as u32,
            name: turned(name)?,
            slot: slot?,
            ignore,
            single,
            single_map: turned(single_map)?,
        })
    }

    fn name(&mut self, value: Value<'_>, patch_bytes: Option<i64>) -> Option<NameRule> {
        let table = self.table(value, "the name of [message.patches]")?;
        self.known(table, &["at", "bytes", "encoding", "alphabet"]);
        let at = self
            .need(table, "at")
            .and_then(|v| self.integer(v, 0, MAX_BYTES));
        let bytes = self
            .need(table, "bytes")
            .and_then(|v| self.integer(v, 1, 256));
        let encoding = self.get(table, "encoding");
        let alphabet = self.get(table, "alphabet");
        encoding.and_then(|v| self.word(v, &["ascii"], |word| word));
        let alphabet_chars = alphabet.and_then(|v| self.string(v)).map(|text| {
            let chars: Vec<char> = text.chars().collect();
            if chars.is_empty() || chars.len() > 256 {
                let at = alphabet.map_or(table.at, |v| v.at);
                self.wrong(at, "`alphabet` takes 1 to 256 characters");
            }
            chars
        });
        if let (Some(_), Some(value)) = (encoding, alphabet) {
            self.wrong(value.at, "a name has either `encoding` or `alphabet`");
        }
        let (at, bytes) = (at?, bytes?);
        if patch_bytes.is_some_and(|n| at + bytes > n) {
            let n = patch_bytes.unwrap_or_default();
            self.wrong(
                table.at,
                format!(
                    "the name ends at byte {}, the patch has {n} bytes",
                    at + bytes
                ),
            );
        }
        Some(NameRule {
            at: at as u32,
            bytes: bytes as u32,
            alphabet: alphabet_chars,
        })
    }

    fn request(&mut self, table: Table<'_>, kinds: &[Option<MessageKind>]) -> Option<Request> {
        self.known(table, &["section", "count", "pause-ms", "steps"]);
        let section = self
            .get(table, "section")
            .and_then(|v| self.read(v, Template::parse));
        let count = self.get(table, "count").map(|value| {
            let letters = self.table(value, "the count of [[request]]")?;
            self.known(letters, &["n", "b", "p"]);
            let found: Vec<Letter> = Letter::ALL
                .into_iter()
                .filter(|l| self.get(letters, letter_key(*l)).is_some())
                .collect();
            let [letter] = found[..] else {
                self.wrong(
                    value.at,
                    "`count` takes one letter, such as { p = [0, 15] }",
                );
                return None;
            };
            let value = self.get(letters, letter_key(letter))?;
            let limits = self.limits(value, 0, 16_383)?;
            Some((letter, limits))
        });
        let pause_ms = self
            .get(table, "pause-ms")
            .and_then(|v| self.integer(v, 0, MAX_MS));
        let steps = self.need(table, "steps").and_then(|value| {
            let tables = self.tables_of(value, "a step of [[request]]", MAX_STEPS);
            if tables.is_empty() {
                self.wrong(value.at, "`steps` takes at least one step");
            }
            tables
                .into_iter()
                .map(|step| self.step(step, kinds))
                .collect::<Vec<_>>()
                .into_iter()
                .collect::<Option<Vec<Step>>>()
        });
        Some(Request {
            section,
            count: turned(count)?,
            pause_ms: pause_ms.unwrap_or(0) as u32,
            steps: steps?,
        })
    }

    fn step(&mut self, table: Table<'_>, kinds: &[Option<MessageKind>]) -> Option<Step> {
        const DOES: [&str; 4] = ["send", "expect", "reply", "end"];
        self.known(table, &["send", "expect", "reply", "end", "within-ms"]);
        let found: Vec<&str> = DOES
            .into_iter()
            .filter(|key| self.get(table, key).is_some())
            .collect();
        let [does] = found[..] else {
            self.wrong(
                table.at,
                "a step has one of `send`, `expect`, `reply` and `end`",
            );
            return None;
        };
        let value = self.get(table, does)?;
        let within = self.get(table, "within-ms");
        let within_ms = within.and_then(|v| self.integer(v, 1, MAX_MS));
        let waits = matches!(does, "expect" | "end");
        match within {
            Some(value) if !waits => {
                self.wrong(
                    value.at,
                    format!("`within-ms` goes with `expect` and `end`, not with `{does}`"),
                );
            }
            None if waits => {
                self.wrong(value.at, format!("`within-ms` is missing beside `{does}`"))
            }
            _ => {}
        }
        let kind = |walk: &mut Self, name: String, others: &str| {
            let is_known = kinds
                .iter()
                .any(|kind| kind.as_ref().is_none_or(|kind| kind.name == name));
            if !is_known {
                walk.wrong(
                    value.at,
                    format!("`{does}` is \"{name}\", and no message has that name{others}"),
                );
            }
            name
        };
        Some(match does {
            "send" => Step::Send(self.read(value, Header::parse_whole)?),
            "reply" => Step::Reply(self.read(value, Header::parse_whole)?),
            "expect" => {
                let name = self.string(value)?;
                Step::Expect {
                    kind: kind(self, name, ""),
                    within_ms: within_ms? as u32,
                }
            }
            _ => Step::End {
                by: match self.string(value)? {
                    word if word == "quiet" => End::Quiet,
                    word if word == "count" => End::Count,
                    name => End::Kind(kind(self, name, "; it may also be \"quiet\" or \"count\"")),
                },
                within_ms: within_ms? as u32,
            },
        })
    }

    // Values.

    fn get<'a>(&self, table: Table<'a>, key: &str) -> Option<Value<'a>> {
        let (key, value) = table
            .keys
            .iter()
            .find(|(found, _)| found.get_ref().as_ref() == key)?;
        Some(Value {
            key: key.get_ref(),
            value: value.get_ref(),
            at: key.span().start,
        })
    }

    fn need<'a>(&mut self, table: Table<'a>, key: &str) -> Option<Value<'a>> {
        let value = self.get(table, key);
        if value.is_none() {
            self.wrong(table.at, format!("`{key}` is missing in {}", table.name));
        }
        value
    }

    fn known(&mut self, table: Table<'_>, keys: &[&str]) {
        for key in table.keys.keys() {
            let found = key.get_ref().as_ref();
            if !keys.contains(&found) && self.mistakes.len() < MAX_MISTAKES {
                let hint = match nearest(found, keys) {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => format!("there are {}", keys.join(", ")),
                };
                let shown = shortened(found);
                self.wrong(
                    key.span().start,
                    format!("`{shown}` is no key of {}; {hint}", table.name),
                );
            }
        }
    }

    fn needs(&mut self, value: Value<'_>, wanted: &str) {
        let found = match value.value {
            DeValue::String(text) => format!("\"{}\"", shortened(text)),
            DeValue::Integer(n) => n.to_string(),
            DeValue::Boolean(b) => b.to_string(),
            DeValue::Float(n) => n.to_string(),
            DeValue::Datetime(_) => "a date".into(),
            DeValue::Array(_) => "a list".into(),
            DeValue::Table(_) => "a table".into(),
        };
        self.wrong(
            value.at,
            format!("`{}` is {found}, it takes {wanted}", value.key),
        );
    }

    fn integer(&mut self, value: Value<'_>, least: i64, most: i64) -> Option<i64> {
        let found = integer_of(value.value).filter(|n| (least..=most).contains(n));
        if found.is_none() {
            let wanted = match most {
                i64::MAX => "a number".into(),
                _ => format!("a number from {} to {}", signed(least), signed(most)),
            };
            self.needs(value, &wanted);
        }
        found
    }

    fn limits(&mut self, value: Value<'_>, least: i64, most: i64) -> Option<Limits> {
        let pair = match value.value {
            DeValue::Array(pair) if pair.len() == 2 => {
                integer_of(pair[0].get_ref()).zip(integer_of(pair[1].get_ref()))
            }
            other => integer_of(other).map(|n| (n, n)),
        };
        match pair {
            Some((from, to)) if least <= from && from <= to && to <= most => Some(Limits {
                least: from as u32,
                most: to as u32,
            }),
            _ => {
                let (least, most) = (signed(least), signed(most));
                self.needs(
                    value,
                    &format!("a number from {least} to {most}, or [least, most]"),
                );
                None
            }
        }
    }

    fn position(&mut self, table: Table<'_>, key: &str) -> Option<Position> {
        let value = self.get(table, key)?;
        self.integer(value, -MAX_BYTES, MAX_BYTES)
            .map(|n| Position(n as i32))
    }

    /// A span whose ends count from the same side has them in order.
    fn ordered(&mut self, table: Table<'_>, from: Position, to: Position) -> Option<Span> {
        if (from.0 < 0) == (to.0 < 0) && from > to {
            let (name, from, to) = (table.name, from.0, to.0);
            self.wrong(
                table.at,
                format!("`from` in {name} is {from} and lies behind `to`, which is {to}"),
            );
            return None;
        }
        Some(Span { from, to })
    }

    fn spans(&mut self, value: Value<'_>, least: i64) -> Vec<(i32, i32)> {
        let list = match value.value {
            DeValue::Array(list) if list.len() <= MAX_SPANS => list.iter(),
            _ => {
                self.needs(
                    value,
                    &format!("a list of at most {MAX_SPANS} pairs, such as [[5, 5], [10, 12]]"),
                );
                return Vec::new();
            }
        };
        let mut spans = Vec::new();
        for pair in list {
            let ends = match pair.get_ref() {
                DeValue::Array(ends) if ends.len() == 2 => {
                    integer_of(ends[0].get_ref()).zip(integer_of(ends[1].get_ref()))
                }
                _ => None,
            };
            let range = least..=MAX_BYTES;
            match ends {
                Some((from, to))
                    if range.contains(&from)
                        && range.contains(&to)
                        && ((from < 0) != (to < 0) || from <= to) =>
                {
                    spans.push((from as i32, to as i32));
                }
                _ => self.wrong(
                    pair.span().start,
                    format!(
                        "`{}` takes pairs of first and last byte, such as [5, 5]",
                        value.key
                    ),
                ),
            }
        }
        spans
    }

    fn boolean(&mut self, value: Value<'_>) -> Option<bool> {
        let found = value.value.as_bool();
        if found.is_none() {
            self.needs(value, "true or false");
        }
        found
    }

    fn string(&mut self, value: Value<'_>) -> Option<String> {
        let Some(text) = value.value.as_str() else {
            self.needs(value, "text in quotes");
            return None;
        };
        self.plain(value.at, value.key, text)
    }

    /// Text for people: one line, not endless.
    fn plain(&mut self, at: usize, key: &str, text: &str) -> Option<String> {
        if text.chars().any(char::is_control) {
            self.wrong(at, format!("`{key}` has a control character in it"));
            return None;
        }
        if text.chars().count() > MAX_CHARS {
            self.wrong(at, format!("`{key}` has more than {MAX_CHARS} characters"));
            return None;
        }
        Some(text.to_owned())
    }

    fn strings(&mut self, value: Value<'_>, most: usize) -> Option<Vec<String>> {
        let list = match value.value {
            DeValue::Array(list) if list.len() <= most => list,
            _ => {
                self.needs(value, "a list of texts in quotes");
                return None;
            }
        };
        let mut texts = Vec::new();
        for item in list.iter() {
            match item.get_ref().as_str() {
                Some(text) => texts.push(self.plain(item.span().start, value.key, text)?),
                None => {
                    self.needs(value, "a list of texts in quotes");
                    return None;
                }
            }
        }
        Some(texts)
    }

    fn words(&mut self, table: Table<'_>, key: &str) -> Vec<String> {
        let Some(value) = self.get(table, key) else {
            return Vec::new();
        };
        self.strings(value, MAX_WORDS).unwrap_or_default()
    }

    fn need_text(&mut self, table: Table<'_>, key: &str) -> Option<String> {
        let value = self.need(table, key)?;
        self.string(value)
    }

    fn need_id(&mut self, table: Table<'_>, key: &str) -> Option<String> {
        let value = self.need(table, key)?;
        let text = self.string(value)?;
        let is_id = (1..=64).contains(&text.len())
            && !text.starts_with('.')
            && text
                .bytes()
                .all(|b| matches!(b, b'a'..=b'z' | b'0'..=b'9' | b'-' | b'_' | b'.'));
        if !is_id {
            self.needs(value, "1 to 64 of a-z 0-9 - _ . and no dot in front");
            return None;
        }
        Some(text)
    }

    fn word<T: Copy>(
        &mut self,
        value: Value<'_>,
        all: &[T],
        word: impl Fn(T) -> &'static str,
    ) -> Option<T> {
        let found = value.value.as_str();
        let found = found.and_then(|text| all.iter().copied().find(|v| word(*v) == text));
        if found.is_none() {
            let words: Vec<String> = all.iter().map(|v| format!("\"{}\"", word(*v))).collect();
            self.needs(value, &words.join(" or "));
        }
        found
    }

    fn read<T>(
        &mut self,
        value: Value<'_>,
        parse: impl Fn(&str) -> Result<T, String>,
    ) -> Option<T> {
        let text = self.string(value)?;
        match parse(&text) {
            Ok(read) => Some(read),
            Err(why) => {
                self.wrong(value.at, format!("`{}` {why}", value.key));
                None
            }
        }
    }

    fn table<'a>(&mut self, value: Value<'a>, name: &'a str) -> Option<Table<'a>> {
        match value.value {
            DeValue::Table(keys) => Some(Table {
                keys,
                at: value.at,
                name,
            }),
            _ => {
                self.needs(value, "a table");
                None
            }
        }
    }

    fn tables<'a>(
        &mut self,
        table: Table<'a>,
        key: &str,
        name: &'a str,
        most: usize,
    ) -> Vec<Table<'a>> {
        match self.get(table, key) {
            None => Vec::new(),
            Some(value) => self.tables_of(value, name, most),
        }
    }

    fn tables_of<'a>(&mut self, value: Value<'a>, name: &'a str, most: usize) -> Vec<Table<'a>> {
        let list = match value.value {
            DeValue::Array(list) if list.len() <= most => list,
            DeValue::Array(_) => {
                self.wrong(
                    value.at,
                    format!("`{}` has more than {most} parts", value.key),
                );
                return Vec::new();
            }
            _ => {
                self.needs(value, &format!("several tables ({name})"));
                return Vec::new();
            }
        };
        let mut tables = Vec::new();
        for item in list.iter() {
            match item.get_ref() {
                DeValue::Table(keys) => tables.push(Table {
                    keys,
                    at: item.span().start,
                    name,
                }),
                _ => self.needs(value, &format!("several tables ({name})")),
            }
        }
        tables
    }
}

fn letter_key(letter: Letter) -> &'static str {
    match letter {
        Letter::N => "n",
        Letter::B => "b",
        Letter::P => "p",
    }
}

/// A value that is absent is fine, one that could not be read is not.
#[expect(
    clippy::option_option,
    reason = "absent, wrong and read are three things"
)]
fn turned<T>(value: Option<Option<T>>) -> Option<Option<T>> {
    match value {
        None => Some(None),
        Some(None) => None,
        Some(Some(value)) => Some(Some(value)),
    }
}

fn integer_of(value: &DeValue<'_>) -> Option<i64> {
    let integer = value.as_integer()?;
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}

fn signed(n: i64) -> String {
    let sign = if n < 0 { "-" } else { "" };
    format!("{sign}{}", number(n.unsigned_abs()))
}

/// Untrusted text as part of a sentence.
fn shortened(text: &str) -> String {
    let mut shown: String = text.chars().take(40).flat_map(char::escape_debug).collect();
    if text.chars().nth(40).is_some() {
        shown.push('…');
    }
    shown
}

fn merged(mut spans: Vec<(i32, i32)>) -> Vec<Range<u32>> {
    spans.sort_unstable();
    let mut merged: Vec<Range<u32>> = Vec::new();
    for (from, to) in spans {
        let range = from as u32..to as u32 + 1;
        match merged.last_mut() {
            Some(last) if range.start <= last.end => last.end = last.end.max(range.end),
            _ => merged.push(range),
        }
    }
    merged
}

/// The key that was probably meant.
fn nearest<'k>(found: &str, keys: &[&'k str]) -> Option<&'k str> {
    if found.len() > 40 {
        return None;
    }
    let found = found.to_lowercase().replace('_', "-");
    keys.iter()
        .map(|key| (distance(&found, key), *key))
        .filter(|(distance, key)| *distance <= 1 + key.len() / 4)
        .min()
        .map(|(_, key)| key)
}

/// How many characters must be put in, left out or exchanged to make one text from the other.
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, a) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, b) in b.iter().enumerate() {
            let exchanged = diagonal + usize::from(a != *b);
            diagonal = row[j + 1];
            row[j + 1] = exchanged.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests;
