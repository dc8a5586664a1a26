//! `compare`: what changed between two takes or states.

use std::collections::{BTreeMap, HashSet};
use std::ops::Range;

use crate::error::Result;
use crate::layout::{self, Change, PatchChange};
use crate::model::hash::Hash;
use crate::ops::opened::{Opened, open};
use crate::ops::refs::{Named, resolve};
use crate::ops::{layouts, reread};
use crate::vault::Vault;
use crate::vault::catalogue::{Form, TakeRow};
use crate::vault::pieces::Pieces;

/// Two things compared.
#[derive(Debug, Clone)]
pub struct Comparison {
    /// What was compared.
    pub a: String,
    /// With what.
    pub b: String,
    /// One for each section of either.
    pub sections: Vec<SectionChange>,
}

impl Comparison {
    /// True if nothing changed but bytes that change by themselves.
    pub fn is_same(&self) -> bool {
        self.sections.iter().all(|s| s.what.is_same())
    }
}

/// What became of one section.
#[derive(Debug, Clone)]
pub struct SectionChange {
    /// Its name; `loose` for a take that is no state.
    pub section: String,
    /// The take of `a`, if it has one.
    pub take_a: Option<u32>,
    /// The take of `b`, if it has one.
    pub take_b: Option<u32>,
    /// What changed.
    pub what: What,
}

/// What changed in a section, as closely as it can be told.
#[derive(Debug, Clone)]
pub enum What {
    /// The same content.
    Same,
    /// Only `b` has it.
    Added,
    /// Only `a` has it.
    Gone,
    /// Patch by patch, by a layout that fits both.
    Patches {
        /// The layout's name.
        layout: String,
        /// One for each place.
        patches: Vec<PatchChange>,
        /// How many messages without patches differ.
        other_messages: usize,
    },
    /// Message by message, where no layout tells of patches.
    Messages(layout::MessageChanges),
    /// Byte by byte, where it is no SysEx.
    Bytes {
        /// Length in `a`.
        bytes_a: u64,
        /// Length in `b`.
        bytes_b: u64,
        /// How many bytes differ, those that only one has included.
        n_bytes: u64,
        /// The first stretches that differ.
        ranges: Vec<Range<usize>>,
    },
    /// File by file, for takes that are folders: path and what became of it.
    Files(Vec<(String, FileChange)>),
    /// One is a folder or too large, and the other is not the same.
    Differs,
}

/// What became of a file of a folder take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FileChange {
    /// Its bytes are others.
    Changed,
    /// Only the later one has it.
    Added,
    /// Only the earlier one has it.
    Gone,
}

impl FileChange {
    /// The word for it; never changes.
    pub fn as_str(self) -> &'static str {
        match self {
            FileChange::Changed => "changed",
            FileChange::Added => "added",
            FileChange::Gone => "gone",
        }
    }
}

impl What {
    /// True if nothing changed but bytes that change by themselves.
    pub fn is_same(&self) -> bool {
        match self {
            What::Same => true,
            What::Patches {
                patches,
                other_messages,
                ..
            } => *other_messages == 0 && patches.iter().all(|p| p.change == Change::Same),
            What::Messages(m) => m.n_changed + m.n_added + m.n_gone == 0,
            What::Bytes { n_bytes, .. } => *n_bytes == 0,
            What::Files(files) => files.is_empty(),
            What::Added | What::Gone | What::Differs => false,
        }
    }
}

/// How many stretches of differing bytes are told.
const MOST_RANGES: usize = 16;

/// Compares what two references name, the earlier first: section by section, or, where each names one take, those two.
///
/// # Errors
/// `NotFound`; `Usage`; `Damaged` if bytes of either cannot be read.
pub fn compare(vault: &Vault, a: &str, b: &str) -> Result<Comparison> {
    let named = (resolve(vault, a)?, resolve(vault, b)?);
    let mut sections = Vec::new();
    for (section, take_a, take_b) in pairs(&named.0, &named.1) {
        let what = match (take_a, take_b) {
            (Some(take_a), Some(take_b)) => of_two(vault, take_a, take_b)?,
            (None, _) => What::Added,
            (_, None) => What::Gone,
        };
        sections.push(SectionChange {
            section,
            take_a: take_a.map(TakeRow::number),
            take_b: take_b.map(TakeRow::number),
            what,
        });
    }
    Ok(Comparison {
        a: a.to_string(),
        b: b.to_string(),
        sections,
    })
}

type Pair<'t> = (String, Option<&'t TakeRow>, Option<&'t TakeRow>);

fn pairs<'t>(a: &'t Named, b: &'t Named) -> Vec<Pair<'t>> {
    if let ([take_a], [take_b]) = (a.takes.as_slice(), b.takes.as_slice()) {
        return vec![(take_b.section_name.clone(), Some(take_a), Some(take_b))];
    }
    let mut pairs: Vec<Pair<'t>> = a
        .takes
        .iter()
        .map(|take| (take.section_name.clone(), Some(take), None))
        .collect();
    for take in &b.takes {
        match pairs
            .iter_mut()
            .find(|p| p.0 == take.section_name && p.2.is_none())
        {
            Some(pair) => pair.2 = Some(take),
            None => pairs.push((take.section_name.clone(), None, Some(take))),
        }
    }
    pairs
}

fn of_two(vault: &Vault, a: &TakeRow, b: &TakeRow) -> Result<What> {
    if a.content == b.content {
        return Ok(What::Same);
    }
    if a.form == Form::Folder && b.form == Form::Folder {
        return Ok(What::Files(files(vault, &a.hash, &b.hash)?));
    }
    if a.form == Form::Folder || b.form == Form::Folder {
        return Ok(What::Differs);
    }
    let known = layouts::known(vault)?;
    let opened = |take: &TakeRow| -> Result<Opened> {
        let device = vault.catalogue().device_name(take.device())?;
        open(vault, &reread::lens_of(vault, &known, &device)?, take)
    };
    let (a, b) = (opened(a)?, opened(b)?);
    if a.messages.is_empty() || b.messages.is_empty() {
        return Ok(bytes(&a.bytes, &b.bytes));
    }
    let (slices_a, slices_b) = (a.slices(), b.slices());
    if let (Some(read_a), Some(read_b)) = (&a.reading, &b.reading)
        && read_a.layout.name == read_b.layout.name
        && !(read_a.patches.is_empty() && read_b.patches.is_empty())
    {
        let without = |read: &layout::Reading, slices: &[&[u8]]| -> Vec<Vec<u8>> {
            let with: HashSet<usize> = read.patches.iter().map(|p| p.message).collect();
            let others = slices.iter().enumerate().filter(|(i, _)| !with.contains(i));
            others.map(|(_, m)| m.to_vec()).collect()
        };
        let (rest_a, rest_b) = (without(read_a, &slices_a), without(read_b, &slices_b));
        let rest = layout::compare_messages(
            &rest_a.iter().map(Vec::as_slice).collect::<Vec<_>>(),
            &rest_b.iter().map(Vec::as_slice).collect::<Vec<_>>(),
        );
        return Ok(What::Patches {
            layout: read_b.layout.name.clone(),
            patches: layout::compare((read_a, &slices_a), (read_b, &slices_b)),
            other_messages: rest.n_changed + rest.n_added + rest.n_gone,
        });
    }
    Ok(What::Messages(layout::compare_messages(
        &slices_a, &slices_b,
    )))
}

fn bytes(a: &[u8], b: &[u8]) -> What {
    let shorter = a.len().min(b.len());
    let mut n_bytes = a.len().max(b.len()) - shorter;
    let mut ranges: Vec<Range<usize>> = Vec::new();
    for at in (0..shorter).filter(|at| a[*at] != b[*at]) {
        n_bytes += 1;
        if let Some(last) = ranges.last_mut().filter(|last| last.end == at) {
            last.end += 1;
        } else if ranges.len() < MOST_RANGES {
            ranges.push(at..at + 1);
        }
    }
    What::Bytes {
        bytes_a: a.len() as u64,
        bytes_b: b.len() as u64,
        n_bytes: n_bytes as u64,
        ranges,
    }
}

fn files(vault: &Vault, a: &Hash, b: &Hash) -> Result<Vec<(String, FileChange)>> {
    let pieces = Pieces::new(vault);
    let mut all: BTreeMap<String, (Option<Hash>, Option<Hash>)> = BTreeMap::new();
    for entry in pieces.entries(a)? {
        all.entry(entry.path).or_default().0 = Some(entry.hash);
    }
    for entry in pieces.entries(b)? {
        all.entry(entry.path).or_default().1 = Some(entry.hash);
    }
    Ok(all
        .into_iter()
        .filter_map(|(path, pair)| match pair {
            (Some(a), Some(b)) => (a != b).then_some((path, FileChange::Changed)),
            (None, _) => Some((path, FileChange::Added)),
            (_, None) => Some((path, FileChange::Gone)),
        })
        .collect())
}
