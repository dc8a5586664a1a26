//! A dump read by a layout: which messages it holds, whether they are right, and which patches.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::header::{Letter, Numbers};
use super::set::Layouts;
use super::{ChecksumRule, Layout, MessageKind, NameRule, PackedRule, Patches, counted, number};
use crate::midi::framing::{END, START};
use crate::model::hash::Hash;
use crate::model::take::{Evidence, Finding, Severity};

/// How many findings of one code are told one by one; the others are counted.
const MAX_TOLD: usize = 10;
/// How many patches of one dump are listed.
const MAX_PATCHES: usize = 65_536;
/// How many different sections of one dump are looked at for missing messages.
const MAX_SECTIONS: usize = 256;
/// Fewer equal bytes than this say nothing about a memory.
const MIN_UNIFORM: usize = 16;

/// What a message of a dump is by the layout.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fit {
    /// A universal message (7E or 7F), which passes by.
    Universal,
    /// It fits no kind.
    Other,
    /// It is of this kind, counted from 0 in [`Layout::messages`].
    Kind(usize),
}

/// What became of the checksum of a message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ChecksumState {
    /// It was computed and is right.
    Good,
    /// It was computed and is wrong, or could not be computed from the bytes that are there.
    Bad,
    /// There is none to check.
    None,
}

impl ChecksumState {
    /// The word for it in JSON; never changes.
    pub fn as_str(self) -> &'static str {
        match self {
            ChecksumState::Good => "ok",
            ChecksumState::Bad => "bad",
            ChecksumState::None => "none",
        }
    }
}

/// One message as the layout sees it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MessageReading {
    /// What it is.
    pub fit: Fit,
    /// What became of its checksum.
    pub checksum: ChecksumState,
}

/// One patch of a dump.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Patch {
    /// From 1 over the dump.
    pub number: u32,
    /// As the panel shows it.
    pub slot: String,
    /// Its name, without blanks at the end; `None` if it is blank or the layout tells no place. Untrusted; a byte that
    /// is no character is shown as U+FFFD.
    pub name: Option<String>,
    /// Which message holds it, from 0.
    pub message: usize,
    /// The kind of that message, from 0 in [`Layout::messages`].
    pub kind: usize,
    /// Which patch of its message it is, from 0.
    pub place: u32,
    /// The BLAKE3 of its bytes, those that change by themselves taken as 0.
    pub hash: Hash,
    /// The same with its name taken as 0, too.
    pub body_hash: Hash,
}

/// A dump as a layout tells it.
#[derive(Debug, Clone)]
pub struct Reading {
    /// The layout.
    pub layout: Arc<Layout>,
    /// The section the dump belongs to; `None`: by the header rule.
    pub section: Option<String>,
    /// No state of the memory: every message that fits is loose.
    pub loose: bool,
    /// The SysEx number in the first message that holds one.
    pub sysex_number: Option<u8>,
    /// What was really checked: `checksum` if every message that should have one has the right one and at least one
    /// has; else `layout` if every message has a length or a number the layout gives; else `framing`, also if a message
    /// fits no kind. Findings of severity error make a dump doubtful whatever stands here.
    pub evidence: Evidence,
    /// What was noticed.
    pub findings: Vec<Finding>,
    /// Every message of the dump, in order.
    pub messages: Vec<MessageReading>,
    /// Every patch of the dump, in order.
    pub patches: Vec<Patch>,
    is_uniform: bool,
}

impl Reading {
    /// The kind of the message of that number (from 0); `None` if it is universal or fits no kind.
    pub fn kind(&self, message: usize) -> Option<&MessageKind> {
        match self.messages.get(message)?.fit {
            Fit::Kind(idx) => self.layout.messages.get(idx),
            Fit::Universal | Fit::Other => None,
        }
    }

    /// Whether the memory looks empty: all patches are the same; or, with one patch or none, all data bytes of the
    /// messages are (and there are at least 16).
    pub fn is_uniform(&self) -> bool {
        self.is_uniform
    }
}

/// The bytes of `patch`, unpacked; `None` if `messages` (those of the reading it comes from) do not hold it.
pub fn patch_bytes(layout: &Layout, messages: &[&[u8]], patch: &Patch) -> Option<Vec<u8>> {
    let message = *messages.get(patch.message)?;
    let kind = layout.messages.get(patch.kind)?;
    let rule = kind.patches.as_ref()?;
    let shape = Shape::of(kind, message);
    let data = shape.data(kind, message)?;
    let range = place_of(rule, patch.place, data.len())?;
    Some(data[range].to_vec())
}

/// Reads a dump message by message. The layout is chosen by the first message that is not universal.
#[derive(Debug)]
pub struct Reader {
    layouts: Layouts,
    preferred: Option<Arc<Layout>>,
    n_universal: usize,
    state: State,
}

#[derive(Debug)]
enum State {
    /// Only universal messages came.
    Waiting,
    /// The first other message fits no layout.
    NoLayout,
    Reading(Box<Work>),
}

impl Reader {
    /// A reader that tries the layout named `preferred` first, then the others of `layouts`, best first.
    pub fn new(layouts: &Layouts, preferred: Option<&str>) -> Reader {
        Reader {
            layouts: layouts.clone(),
            preferred: preferred.and_then(|name| layouts.get(name)).cloned(),
            n_universal: 0,
            state: State::Waiting,
        }
    }

    /// Takes the next whole message of the dump, F0 to F7, without real-time bytes.
    pub fn push(&mut self, message: &[u8]) {
        let is_universal = matches!(message, [START, 0x7E | 0x7F, ..]);
        if let (State::Waiting, false) = (&self.state, is_universal) {
            let preferred = self.preferred.take();
            let layout = preferred
                .filter(|layout| layout.kind_of(message).is_some())
                .or_else(|| self.layouts.fitting(message).first().map(|l| Arc::clone(l)));
            self.state = match layout {
                None => State::NoLayout,
                Some(layout) => State::Reading(Box::new(Work::new(layout, self.n_universal))),
            };
        }
        match &mut self.state {
            State::Waiting => self.n_universal += 1,
            State::NoLayout => {}
            State::Reading(work) if is_universal => work.messages.push(MessageReading {
                fit: Fit::Universal,
                checksum: ChecksumState::None,
            }),
            State::Reading(work) => work.add(message),
        }
    }

    /// True once it is known that no layout fits.
    pub fn has_no_layout(&self) -> bool {
        matches!(self.state, State::NoLayout)
    }

    /// What was read; `None` if no layout fits.
    pub fn finish(self) -> Option<Reading> {
        match self.state {
            State::Reading(work) => Some(work.finish()),
            State::Waiting | State::NoLayout => None,
        }
    }
}

/// Which messages are counted together: those of one kind and section. The second part is the numbers its section's
/// name shows.
type Group = (usize, Numbers);

#[derive(Debug)]
struct Tally {
    n_seen: u32,
    /// The numbers in the first of them.
    numbers: Numbers,
    /// The banks and patches seen, where the kind tells them and has a count.
    seen: BTreeSet<(u32, u32)>,
}

#[derive(Debug)]
struct Work {
    layout: Arc<Layout>,
    messages: Vec<MessageReading>,
    patches: Vec<Patch>,
    told: Told,
    tallies: BTreeMap<Group, Tally>,
    sysex_number: Option<u8>,
    /// Group of the first message that is a state, and of the first at all.
    first: Option<Group>,
    first_loose: Option<Group>,
    n_good: usize,
    n_bad: usize,
    n_unsized: usize,
    n_unlisted: usize,
    other: Option<(usize, usize)>,
    uniform: Uniform,
    scratch: Vec<u8>,
}

impl Work {
    fn new(layout: Arc<Layout>, n_universal: usize) -> Work {
        let universal = MessageReading {
            fit: Fit::Universal,
            checksum: ChecksumState::None,
        };
        Work {
            layout,
            messages: vec![universal; n_universal],
            patches: Vec::new(),
            told: Told::default(),
            tallies: BTreeMap::new(),
            sysex_number: None,
            first: None,
            first_loose: None,
            n_good: 0,
            n_bad: 0,
            n_unsized: 0,
            n_unlisted: 0,
            other: None,
            uniform: Uniform::default(),
            scratch: Vec::new(),
        }
    }

    fn add(&mut self, message: &[u8]) {
        let idx = self.messages.len();
        let layout = Arc::clone(&self.layout);
        let Some((kind_idx, numbers)) = layout.kind_of(message) else {
            let (_, n) = self.other.get_or_insert((idx, 0));
            *n += 1;
            self.messages.push(MessageReading {
                fit: Fit::Other,
                checksum: ChecksumState::None,
            });
            return;
        };
        let kind = &layout.messages[kind_idx];
        if self.sysex_number.is_none() {
            self.sysex_number = numbers.n.and_then(|n| u8::try_from(n).ok());
        }
        self.count(kind_idx, kind, numbers);

        let shape = Shape::of(kind, message);
        let data = shape.data(kind, message);
        let n_patches = self.patches.len();
        if let (Some(rule), Some(data)) = (&kind.patches, &data) {
            self.list(rule, data, idx, kind_idx, kind, &shape, message, &numbers);
        }
        let label = || match (
            &self.patches[n_patches.min(self.patches.len())..],
            &kind.patches,
        ) {
            ([patch], Some(rule)) if rule.count == 1 => {
                let name = patch.name.as_deref().map(|name| format!(" {name}"));
                let name = name.unwrap_or_default();
                format!("message {} (patch {}{name})", idx + 1, patch.slot)
            }
            _ => format!("message {} ({})", idx + 1, kind.title),
        };

        let mut is_sized = kind.bytes.is_some() || kind.count.is_some();
        let mut is_whole = true;
        if !kind.length_fits(message.len()) {
            is_whole = false;
            let text = wrong_length(&label(), kind, message.len());
            self.told
                .error("wrong-length", text, "messages have the wrong length");
        } else if data.is_none() {
            is_whole = false;
            let text = match &kind.packed {
                Some(rule) if shape.packed(rule).is_some() => format!(
                    "{} has bytes that cannot have been packed as {}",
                    label(),
                    rule.form
                ),
                _ => format!(
                    "{} has {}, too few for what the layout says of it",
                    label(),
                    counted(message.len(), "byte")
                ),
            };
            let code = match shape_is_short(kind, &shape) {
                true => "wrong-length",
                false => "not-packed",
            };
            self.told.error(code, text, "messages cannot be unpacked");
        } else if let (Some(rule), Some(data)) = (&kind.patches, &data) {
            let n_room = n_places(rule, data.len());
            if n_room < rule.count {
                is_whole = false;
                let text = format!(
                    "{} has room for {} of {} patches",
                    label(),
                    number(n_room),
                    number(rule.count)
                );
                self.told
                    .error("wrong-length", text, "messages have the wrong length");
            }
        }

        let checksum = match &kind.checksum {
            Some(rule) if !shape.is_left_out => {
                match check(rule, kind, &shape, message, data.as_deref()) {
                    Some((found, right)) if found == right => {
                        is_sized = true;
                        ChecksumState::Good
                    }
                    verdict => {
                        // A message of the wrong length was named already.
                        if is_whole {
                            let text = match verdict {
                                Some((found, right)) => {
                                    format!(
                                        "{} has checksum {found}, its bytes give {right}",
                                        label()
                                    )
                                }
                                None => format!(
                                    "{} has {}, too few to hold its checksum",
                                    label(),
                                    counted(message.len(), "byte")
                                ),
                            };
                            let more = "messages have wrong checksums";
                            self.told.add("bad-checksum", rule.mismatch, text, more);
                        }
                        ChecksumState::Bad
                    }
                }
            }
            _ => ChecksumState::None,
        };
        match checksum {
            ChecksumState::Good => self.n_good += 1,
            ChecksumState::Bad => self.n_bad += 1,
            ChecksumState::None => {}
        }
        self.n_unsized += usize::from(!is_sized);
        self.uniform.add(body(kind, &shape, message));
        self.messages.push(MessageReading {
            fit: Fit::Kind(kind_idx),
            checksum,
        });
    }

    fn count(&mut self, kind_idx: usize, kind: &MessageKind, numbers: Numbers) {
        let mut shown = Numbers::default();
        if let Some(section) = &kind.section {
            for letter in Letter::ALL {
                if section.uses(letter) {
                    shown.set(letter, numbers.get(letter));
                }
            }
        }
        let group = (kind_idx, shown);
        let tally = self.tallies.entry(group).or_insert_with(|| Tally {
            n_seen: 0,
            numbers,
            seen: BTreeSet::new(),
        });
        tally.n_seen = tally.n_seen.saturating_add(1);
        if let (Some(_), Some(p)) = (kind.count, numbers.p)
            && !tally.seen.insert((numbers.b.unwrap_or(0), p))
        {
            let slot = slot_of(kind, &numbers);
            self.told.add(
                "repeated-patch",
                Severity::Warning,
                format!("{slot} is in the dump more than once"),
                "patches are in the dump more than once",
            );
        }
        if kind.loose {
            self.first_loose.get_or_insert(group);
        } else {
            self.first.get_or_insert(group);
        }
    }

    /// Lists the patches of one message.
    #[expect(
        clippy::too_many_arguments,
        reason = "all of it is known where it is called"
    )]
    fn list(
        &mut self,
        rule: &Patches,
        data: &[u8],
        message_idx: usize,
        kind_idx: usize,
        kind: &MessageKind,
        shape: &Shape,
        message: &[u8],
        numbers: &Numbers,
    ) {
        let n_there = n_places(rule, data.len());
        let n_free = MAX_PATCHES - self.patches.len().min(MAX_PATCHES);
        let n_listed = (n_there as usize).min(n_free);
        self.n_unlisted += n_there as usize - n_listed;
        // Bytes of the message that change by themselves change in its patches, too, unless they are packed.
        let steady: Cow<'_, [u8]> = match kind.ignore.is_empty() || kind.packed.is_some() {
            true => Cow::Borrowed(data),
            false => {
                let mut bytes = message.to_vec();
                for span in &kind.ignore {
                    if let Some(range) = shape.within(span) {
                        bytes[range].fill(0);
                    }
                }
                Cow::Owned(bytes)
            }
        };
        self.patches.reserve(n_listed);
        for place in 0..n_listed as u32 {
            let Some(range) = place_of(rule, place, data.len()) else {
                break;
            };
            let bytes = &data[range.clone()];
            let name = rule.name.as_ref().map(|name| read_name(name, bytes));
            self.scratch.clear();
            self.scratch.extend_from_slice(&steady[range]);
            for range in &rule.ignore {
                self.scratch[range.start as usize..range.end as usize].fill(0);
            }
            let hash = Hash::of(&self.scratch);
            let body_hash = match &rule.name {
                None => hash,
                Some(name) => {
                    self.scratch[name.range()].fill(0);
                    Hash::of(&self.scratch)
                }
            };
            let mut shown = *numbers;
            shown.p = Some(numbers.p.unwrap_or(0).saturating_add(place));
            self.patches.push(Patch {
                number: self.patches.len() as u32 + 1,
                slot: rule.slot.fill(&shown),
                name: name.filter(|name| !name.is_empty()),
                message: message_idx,
                kind: kind_idx,
                place,
                hash,
                body_hash,
            });
        }
    }

    fn finish(mut self) -> Reading {
        let layout = Arc::clone(&self.layout);
        let section_of = |group: &Group| layout.messages[group.0].section_of(&group.1);
        let section = self
            .first
            .or(self.first_loose)
            .as_ref()
            .and_then(section_of);
        self.judge_counts(&layout);
        if let Some((first, n)) = self.other {
            let text = match n {
                1 => format!(
                    "message {} fits nothing in layout {}",
                    first + 1,
                    layout.name
                ),
                _ => format!(
                    "{} messages fit nothing in layout {}; the first of them is message {}",
                    number(n as u64),
                    layout.name,
                    first + 1
                ),
            };
            self.told.add("other-message", Severity::Warning, text, "");
        }
        if self.n_unlisted > 0 {
            let text = format!(
                "{} patches are in the dump, the first {} are listed",
                number((self.patches.len() + self.n_unlisted) as u64),
                number(self.patches.len() as u64)
            );
            self.told
                .add("patches-not-listed", Severity::Note, text, "");
        }
        let evidence = match () {
            () if self.other.is_some() => Evidence::Framing,
            () if self.n_good > 0 && self.n_bad == 0 => Evidence::Checksum,
            () if self.n_unsized == 0 => Evidence::Layout,
            () => Evidence::Framing,
        };
        let is_uniform = match self.patches.as_slice() {
            [first, rest @ ..] if !rest.is_empty() => rest.iter().all(|p| p.hash == first.hash),
            _ => self.uniform.is_it(),
        };
        Reading {
            section,
            loose: self.first.is_none(),
            sysex_number: self.sysex_number,
            evidence,
            findings: self.told.finish(),
            messages: self.messages,
            patches: self.patches,
            is_uniform,
            layout,
        }
    }

    /// Whether each section has as many messages as a whole dump of it.
    fn judge_counts(&mut self, layout: &Layout) {
        // The sections by name, each with the numbers of its first message.
        let mut sections: BTreeMap<String, Numbers> = BTreeMap::new();
        let mut present: BTreeSet<(usize, String)> = BTreeSet::new();
        for (group, tally) in &self.tallies {
            let kind = &layout.messages[group.0];
            if let Some(name) = kind.section_of(&group.1)
                && (sections.len() < MAX_SECTIONS || sections.contains_key(&name))
            {
                present.insert((group.0, name.clone()));
                if !kind.loose {
                    sections.entry(name).or_insert(tally.numbers);
                }
            }
            let Some(count) = kind.count else {
                continue;
            };
            let title = &kind.title;
            if tally.n_seen < count.least && !kind.loose {
                let text = too_few(tally.n_seen, count.least, title);
                self.told
                    .error("too-few-messages", text, "kinds of messages are too few");
            }
            if tally.n_seen > count.most {
                let text = format!(
                    "{} messages ({title}) are in the dump, a whole one has {}",
                    number(tally.n_seen),
                    number(count.most)
                );
                let more = "kinds of messages are too many";
                self.told
                    .add("too-many-messages", Severity::Warning, text, more);
            }
            if count.least == count.most && !kind.loose {
                missing(&mut self.told, kind, tally, count.least);
            }
        }
        for (name, numbers) in &sections {
            for (idx, kind) in layout.messages.iter().enumerate() {
                let Some(count) = kind.count.filter(|count| count.least > 0 && !kind.loose) else {
                    continue;
                };
                let belongs = kind.section_of(numbers).as_ref() == Some(name);
                if belongs && !present.contains(&(idx, name.clone())) {
                    let text = too_few(0, count.least, &kind.title);
                    self.told
                        .error("too-few-messages", text, "kinds of messages are missing");
                }
            }
        }
        if sections.len() > 1 {
            let names: Vec<&str> = sections.keys().take(MAX_TOLD).map(String::as_str).collect();
            let text = format!("the dump holds more than one section: {}", names.join(", "));
            self.told.add("other-section", Severity::Warning, text, "");
        }
    }
}

fn too_few(n_seen: u32, n_whole: u32, title: &str) -> String {
    let s = if n_whole == 1 { "" } else { "s" };
    format!(
        "{} of {} message{s} ({title}) of a whole dump are there",
        number(n_seen),
        number(n_whole)
    )
}

/// Names the patches that a dump lacks, where its messages tell their numbers.
fn missing(told: &mut Told, kind: &MessageKind, tally: &Tally, n_whole: u32) {
    const MORE: &str = "patches are missing";
    let step = kind.patches.as_ref().map_or(1, |rule| rule.count);
    let n_seen = tally.seen.len() as u32;
    if tally.seen.is_empty() || n_seen >= n_whole {
        return;
    }
    let (first_bank, _) = tally.seen.first().copied().unwrap_or_default();
    let is_in_order = tally
        .seen
        .iter()
        .all(|(bank, p)| *bank == first_bank && p.is_multiple_of(step) && p / step < n_whole);
    let n_missing = n_whole - n_seen;
    if !is_in_order {
        let text = format!(
            "{} of {} messages ({}) with different numbers are there",
            number(n_seen),
            number(n_whole),
            kind.title
        );
        told.error("missing-patch", text, MORE);
        return;
    }
    let mut n_named = 0;
    for nth in 0..n_whole {
        // Above the biggest number a header can hold there is nothing to be named.
        let Some(p) = nth.checked_mul(step) else {
            break;
        };
        if !tally.seen.contains(&(first_bank, p)) {
            let mut numbers = tally.numbers;
            numbers.p = Some(p);
            let slot = slot_of(kind, &numbers);
            told.error("missing-patch", format!("{slot} is missing"), MORE);
            n_named += 1;
            if n_named == MAX_TOLD {
                break;
            }
        }
    }
    told.count_more("missing-patch", n_missing as usize - n_named);
}

/// What a person calls the patch or patches of a message with these numbers.
fn slot_of(kind: &MessageKind, numbers: &Numbers) -> String {
    match &kind.patches {
        Some(rule) if rule.count == 1 => format!("patch {}", rule.slot.fill(numbers)),
        _ => format!("{} {}", kind.title, u64::from(numbers.p.unwrap_or(0)) + 1),
    }
}

fn wrong_length(label: &str, kind: &MessageKind, n_bytes: usize) -> String {
    let there = counted(n_bytes, "byte");
    match kind.bytes {
        Some(limits) => format!("{label} has {there}, such messages have {limits}"),
        None => format!("{label} has {there}"),
    }
}

/// A message measured as if the checksum it leaves out were there, so that positions from the end hold.
struct Shape {
    /// The length positions count in.
    n_bytes: usize,
    /// The bytes before F7 that are really there.
    n_before_end: usize,
    is_left_out: bool,
}

impl Shape {
    fn of(kind: &MessageKind, message: &[u8]) -> Shape {
        let n_left_out = kind.n_left_out(message.len());
        let n_end = usize::from(message.last() == Some(&END));
        Shape {
            n_bytes: message.len() + n_left_out,
            n_before_end: message.len() - n_end,
            is_left_out: n_left_out > 0,
        }
    }

    /// The bytes of `span` that are there, F7 not among them.
    fn within(&self, span: &super::Span) -> Option<std::ops::Range<usize>> {
        let range = span.within(self.n_bytes)?;
        let range = range.start..range.end.min(self.n_before_end);
        (!range.is_empty()).then_some(range)
    }

    /// All bytes of `span`; `None` if one is not there.
    fn all(&self, span: &super::Span) -> Option<std::ops::Range<usize>> {
        span.exactly(self.n_bytes)
            .filter(|range| range.end <= self.n_before_end)
    }

    fn packed(&self, rule: &PackedRule) -> Option<std::ops::Range<usize>> {
        self.all(&rule.span)
    }

    /// What positions in `patches` count in: the message without F7, or what is unpacked. `None` if it cannot be
    /// unpacked.
    fn data<'m>(&self, kind: &MessageKind, message: &'m [u8]) -> Option<Cow<'m, [u8]>> {
        match &kind.packed {
            None => Some(Cow::Borrowed(&message[..self.n_before_end])),
            Some(rule) => rule.unpack(&message[self.packed(rule)?]).map(Cow::Owned),
        }
    }
}

fn shape_is_short(kind: &MessageKind, shape: &Shape) -> bool {
    kind.packed
        .as_ref()
        .is_some_and(|rule| shape.packed(rule).is_none())
}

/// How many patches have room in `n_bytes`, at most as many as there should be.
fn n_places(rule: &Patches, n_bytes: usize) -> u32 {
    let first_end = rule.from as usize + rule.bytes as usize;
    match n_bytes.checked_sub(first_end) {
        None => 0,
        Some(rest) => {
            let n = 1 + rest / rule.stride as usize;
            u32::try_from(n).unwrap_or(u32::MAX).min(rule.count)
        }
    }
}

fn place_of(rule: &Patches, place: u32, n_bytes: usize) -> Option<std::ops::Range<usize>> {
    if place >= n_places(rule, n_bytes) {
        return None;
    }
    let from = rule.from as usize + place as usize * rule.stride as usize;
    Some(from..from + rule.bytes as usize)
}

/// A checksum that was found and the one the bytes give, both in hex; `None` if a byte of them is not there.
fn check(
    rule: &ChecksumRule,
    kind: &MessageKind,
    shape: &Shape,
    message: &[u8],
    data: Option<&[u8]>,
) -> Option<(Hex, Hex)> {
    let at = rule.at.of(shape.n_bytes)?;
    let found = message[..shape.n_before_end].get(at..at + rule.scheme.n_bytes())?;
    let right = match rule.unpacked {
        true => {
            let bytes = data.filter(|_| kind.packed.is_some())?;
            let range = rule.covers.exactly(bytes.len())?;
            rule.scheme.of(bytes.get(range)?)
        }
        false => rule.scheme.of(&message[shape.all(&rule.covers)?]),
    };
    Some((Hex::of(found), Hex::of(right.as_bytes())))
}

/// One or two bytes of a checksum.
#[derive(PartialEq, Eq, Clone, Copy)]
struct Hex {
    bytes: [u8; 2],
    n: usize,
}

impl Hex {
    fn of(found: &[u8]) -> Hex {
        let mut bytes = [0; 2];
        let n = found.len().min(2);
        bytes[..n].copy_from_slice(&found[..n]);
        Hex { bytes, n }
    }
}

impl std::fmt::Display for Hex {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for (idx, byte) in self.bytes[..self.n].iter().enumerate() {
            if idx > 0 {
                f.write_str(" ")?;
            }
            write!(f, "{byte:02X}")?;
        }
        Ok(())
    }
}

/// The bytes between the header and the checksum or F7.
fn body<'m>(kind: &MessageKind, shape: &Shape, message: &'m [u8]) -> &'m [u8] {
    let from = kind.header.n_bytes();
    let checksum = kind.checksum.as_ref().filter(|_| !shape.is_left_out);
    let to = checksum
        .and_then(|rule| rule.at.of(shape.n_bytes))
        .filter(|at| *at >= from)
        .unwrap_or(shape.n_before_end)
        .min(shape.n_before_end);
    message.get(from..to).unwrap_or_default()
}

fn read_name(rule: &NameRule, patch: &[u8]) -> String {
    let bytes = patch.get(rule.range()).unwrap_or_default();
    let mut name: String = match &rule.alphabet {
        Some(alphabet) => bytes
            .iter()
            .map(|byte| *alphabet.get(usize::from(*byte)).unwrap_or(&'\u{FFFD}'))
            .collect(),
        None => {
            let last = bytes.iter().rposition(|byte| !matches!(byte, 0 | b' '));
            let n = last.map_or(0, |at| at + 1);
            bytes[..n]
                .iter()
                .map(|byte| match byte {
                    0x20..=0x7E => char::from(*byte),
                    _ => '\u{FFFD}',
                })
                .collect()
        }
    };
    name.truncate(name.trim_end().len());
    name
}

/// Whether all bytes that were added are the same.
#[derive(Debug, Default)]
struct Uniform {
    byte: Option<u8>,
    n_bytes: usize,
    differs: bool,
}

impl Uniform {
    fn add(&mut self, bytes: &[u8]) {
        let Some(first) = bytes.first() else {
            return;
        };
        let byte = *self.byte.get_or_insert(*first);
        self.n_bytes += bytes.len();
        self.differs = self.differs || bytes.iter().any(|b| *b != byte);
    }

    fn is_it(&self) -> bool {
        !self.differs && self.n_bytes >= MIN_UNIFORM
    }
}

/// Findings: the first few of each code, then how many more.
#[derive(Debug, Default)]
struct Told {
    findings: Vec<Finding>,
    counts: BTreeMap<&'static str, (usize, Severity, &'static str)>,
}

impl Told {
    fn error(&mut self, code: &'static str, text: String, more: &'static str) {
        self.add(code, Severity::Error, text, more);
    }

    fn add(&mut self, code: &'static str, severity: Severity, text: String, more: &'static str) {
        let (n, worst, _) = self.counts.entry(code).or_insert((0, severity, more));
        *n += 1;
        *worst = severity.max(*worst);
        if *n <= MAX_TOLD {
            self.findings.push(Finding::new(code, severity, text));
        }
    }

    fn count_more(&mut self, code: &'static str, n_more: usize) {
        if let Some((n, ..)) = self.counts.get_mut(code) {
            *n += n_more;
        }
    }

    fn finish(self) -> Vec<Finding> {
        let mut findings = self.findings;
        for (code, (n, severity, more)) in self.counts {
            if n > MAX_TOLD {
                let n_more = number((n - MAX_TOLD) as u64);
                let text = format!("{n_more} more {more}");
                findings.push(Finding::new(code, severity, text));
            }
        }
        findings
    }
}

#[cfg(test)]
mod tests;
