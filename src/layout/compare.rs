//! What changed between two dumps: patch by patch where a layout fits, message by message where none does.

use std::collections::{HashMap, HashSet};
use std::ops::Range;

use super::read::{Patch, Reading, patch_bytes};
use crate::model::hash::Hash;

/// How many changed messages are told in detail.
const MAX_MESSAGES: usize = 100;
/// How many stretches of one message are told.
const MAX_RANGES: usize = 16;

/// What became of one patch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PatchChange {
    /// Its number in `b`, or in `a` if it is gone.
    pub number: u32,
    /// As the panel shows it.
    pub slot: String,
    /// The name that stood there in `a`; of a patch that moved, the name it had before. Untrusted.
    pub name_a: Option<String>,
    /// The name that stands there in `b`. Untrusted.
    pub name_b: Option<String>,
    /// What happened.
    pub change: Change,
}

/// What can happen to a patch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Change {
    /// Nothing but bytes that change by themselves.
    Same,
    /// Only its name is another.
    Renamed,
    /// It is the patch that stood elsewhere before and stands there no more.
    Moved {
        /// Its number in `a`.
        from: u32,
        /// How the panel shows that place.
        from_slot: String,
    },
    /// It is another now.
    Changed {
        /// How many bytes differ, those that change by themselves left out.
        n_bytes: usize,
    },
    /// There is no such place in `a`.
    Added,
    /// There is no such place in `b`.
    Gone,
}

impl Change {
    /// The word for it in JSON; never changes.
    pub fn as_str(&self) -> &'static str {
        match self {
            Change::Same => "same",
            Change::Renamed => "renamed",
            Change::Moved { .. } => "moved",
            Change::Changed { .. } => "changed",
            Change::Added => "added",
            Change::Gone => "gone",
        }
    }
}

/// Compares two dumps patch by patch: `a` is the earlier one. Places are the same if the panel shows them the same, or,
/// where that is not unique, if their numbers are. One entry for each place of `b`, then one for each place that only
/// `a` has and whose patch did not move.
///
/// A patch moved if the very patch stood at another place of `a`, only there, and does not stand there any more; a
/// patch that a bank holds many times (an empty one) has moved nowhere.
pub fn compare(a: (&Reading, &[&[u8]]), b: (&Reading, &[&[u8]])) -> Vec<PatchChange> {
    let (a_reading, a_messages) = a;
    let (b_reading, b_messages) = b;
    let (a_patches, b_patches) = (&a_reading.patches, &b_reading.patches);
    let by_slot = all_differ(a_patches) && all_differ(b_patches);
    // For each patch of b the one of a at the same place.
    let partners = partners(a_patches, b_patches, by_slot);
    // The name left aside, a patch is the one that stood there.
    let stays = |a: &Patch, b: &Patch| a.body_hash == b.body_hash;

    let mut is_settled_a = vec![false; a_patches.len()];
    for (b, partner) in b_patches.iter().zip(&partners) {
        if let Some(a_idx) = *partner
            && stays(&a_patches[a_idx], b)
        {
            is_settled_a[a_idx] = true;
        }
    }
    let origins = Origins::of(a_patches, &is_settled_a);

    let mut changes = Vec::with_capacity(b_patches.len());
    let mut is_taken = vec![false; a_patches.len()];
    let mut has_partner = vec![false; a_patches.len()];
    for (b, partner) in b_patches.iter().zip(&partners) {
        let here = partner.map(|a_idx| &a_patches[a_idx]);
        if let Some(a_idx) = *partner {
            has_partner[a_idx] = true;
        }
        let (name_a, change) = match here {
            Some(a) if a.hash == b.hash => (a.name.clone(), Change::Same),
            Some(a) if stays(a, b) => (a.name.clone(), Change::Renamed),
            _ => match (origins.find(b), here) {
                (Some(from_idx), _) => {
                    is_taken[from_idx] = true;
                    let from = &a_patches[from_idx];
                    let change = Change::Moved {
                        from: from.number,
                        from_slot: from.slot.clone(),
                    };
                    (from.name.clone(), change)
                }
                (None, None) => (None, Change::Added),
                (None, Some(a)) => {
                    let bytes_a = patch_bytes(&a_reading.layout, a_messages, a).unwrap_or_default();
                    let bytes_b = patch_bytes(&b_reading.layout, b_messages, b).unwrap_or_default();
                    let n_bytes = differing_bytes(&bytes_a, &bytes_b, ignored(b_reading, b));
                    (a.name.clone(), Change::Changed { n_bytes })
                }
            },
        };
        changes.push(PatchChange {
            number: b.number,
            slot: b.slot.clone(),
            name_a,
            name_b: b.name.clone(),
            change,
        });
    }
    for (idx, a) in a_patches.iter().enumerate() {
        if !has_partner[idx] && !is_taken[idx] {
            changes.push(PatchChange {
                number: a.number,
                slot: a.slot.clone(),
                name_a: a.name.clone(),
                name_b: None,
                change: Change::Gone,
            });
        }
    }
    changes
}

/// How many bytes of `a` and `b` differ outside `ignore`; bytes that only one of them has differ.
pub fn differing_bytes(a: &[u8], b: &[u8], ignore: &[Range<u32>]) -> usize {
    let n_both = a.len().min(b.len());
    let n_alone = a.len().max(b.len()) - n_both;
    let differing = |range: Range<usize>| {
        a[range.clone()]
            .iter()
            .zip(&b[range])
            .filter(|(a, b)| a != b)
            .count()
    };
    let all = differing(0..n_both);
    let ignored: usize = ignore
        .iter()
        .map(|range| {
            let end = (range.end as usize).min(n_both);
            differing((range.start as usize).min(end)..end)
        })
        .sum();
    n_alone + all.saturating_sub(ignored)
}

fn ignored<'r>(reading: &'r Reading, patch: &Patch) -> &'r [Range<u32>] {
    let kind = reading.layout.messages.get(patch.kind);
    let rule = kind.and_then(|kind| kind.patches.as_ref());
    rule.map_or(&[], |rule| &rule.ignore)
}

fn all_differ(patches: &[Patch]) -> bool {
    let slots: HashSet<&str> = patches.iter().map(|patch| patch.slot.as_str()).collect();
    slots.len() == patches.len()
}

fn partners(a: &[Patch], b: &[Patch], by_slot: bool) -> Vec<Option<usize>> {
    if !by_slot {
        return (0..b.len())
            .map(|idx| (idx < a.len()).then_some(idx))
            .collect();
    }
    let places: HashMap<&str, usize> = a
        .iter()
        .enumerate()
        .map(|(idx, patch)| (patch.slot.as_str(), idx))
        .collect();
    b.iter()
        .map(|patch| places.get(patch.slot.as_str()).copied())
        .collect()
}

/// Patches of the earlier dump that are no longer in their place and can be told from all others.
struct Origins {
    whole: HashMap<Hash, Option<usize>>,
    body: HashMap<Hash, Option<usize>>,
}

impl Origins {
    fn of(a: &[Patch], is_settled: &[bool]) -> Origins {
        let collect = |hash: fn(&Patch) -> Hash| {
            let mut origins: HashMap<Hash, Option<usize>> = HashMap::new();
            for (idx, patch) in a.iter().enumerate() {
                origins
                    .entry(hash(patch))
                    .and_modify(|only| *only = None)
                    .or_insert((!is_settled[idx]).then_some(idx));
            }
            origins
        };
        Origins {
            whole: collect(|patch| patch.hash),
            body: collect(|patch| patch.body_hash),
        }
    }

    fn find(&self, b: &Patch) -> Option<usize> {
        let whole = self.whole.get(&b.hash).copied();
        whole.unwrap_or_else(|| self.body.get(&b.body_hash).copied().flatten())
    }
}

/// What changed between two dumps no layout fits.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct MessageChanges {
    /// Messages that are in both, byte for byte.
    pub n_same: usize,
    /// Messages that are another now.
    pub n_changed: usize,
    /// Messages that only the later dump has.
    pub n_added: usize,
    /// Messages that only the earlier dump has.
    pub n_gone: usize,
    /// The first hundred of those changed.
    pub changed: Vec<ChangedMessage>,
}

/// A message that is another now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChangedMessage {
    /// Which it is in the earlier dump, from 0.
    pub message_a: usize,
    /// Which it is in the later dump, from 0.
    pub message_b: usize,
    /// How many bytes differ; bytes that only one of them has differ.
    pub n_bytes: usize,
    /// The first stretches of bytes that differ, counted from F0.
    pub ranges: Vec<Range<usize>>,
    /// There are more stretches than those.
    pub has_more: bool,
}

/// Compares two dumps message by message: equal messages belong together wherever they stand; of the others the first
/// of one belongs to the first of the other, and so on.
pub fn compare_messages(a: &[&[u8]], b: &[&[u8]]) -> MessageChanges {
    let n_front = a.iter().zip(b).take_while(|(a, b)| a == b).count();
    let n_back = a[n_front..]
        .iter()
        .rev()
        .zip(b[n_front..].iter().rev())
        .take_while(|(a, b)| a == b)
        .count();
    let middle_a = n_front..a.len() - n_back;
    let middle_b = n_front..b.len() - n_back;
    let mut unmatched: HashMap<&[u8], usize> = HashMap::new();
    for message in &a[middle_a.clone()] {
        *unmatched.entry(message).or_default() += 1;
    }
    let mut n_same = n_front + n_back;
    let mut left_b = Vec::new();
    for idx in middle_b {
        match unmatched.get_mut(b[idx]) {
            Some(n) if *n > 0 => {
                *n -= 1;
                n_same += 1;
            }
            _ => left_b.push(idx),
        }
    }
    // What is left over of equal messages are the last of them.
    let mut left_a: Vec<usize> = Vec::new();
    for idx in middle_a.rev() {
        if let Some(n) = unmatched.get_mut(a[idx])
            && *n > 0
        {
            *n -= 1;
            left_a.push(idx);
        }
    }
    left_a.reverse();
    let n_changed = left_a.len().min(left_b.len());
    MessageChanges {
        n_same,
        n_changed,
        n_added: left_b.len() - n_changed,
        n_gone: left_a.len() - n_changed,
        changed: left_a
            .iter()
            .zip(&left_b)
            .take(MAX_MESSAGES)
            .map(|(message_a, message_b)| {
                let (ranges, has_more) = differing_ranges(a[*message_a], b[*message_b]);
                ChangedMessage {
                    message_a: *message_a,
                    message_b: *message_b,
                    n_bytes: differing_bytes(a[*message_a], b[*message_b], &[]),
                    ranges,
                    has_more,
                }
            })
            .collect(),
    }
}

fn differing_ranges(a: &[u8], b: &[u8]) -> (Vec<Range<usize>>, bool) {
    let mut ranges: Vec<Range<usize>> = Vec::new();
    for at in 0..a.len().max(b.len()) {
        if a.get(at) == b.get(at) {
            continue;
        }
        if let Some(last) = ranges.last_mut().filter(|last| last.end == at) {
            last.end = at + 1;
        } else if ranges.len() < MAX_RANGES {
            ranges.push(at..at + 1);
        } else {
            return (ranges, true);
        }
    }
    (ranges, false)
}

#[cfg(test)]
mod tests;
