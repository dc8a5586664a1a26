//! Which messages of the dumps are of one kind, and what their headers are made of.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::{Draft, HeaderByte, NumberDraft, PatchesDraft, Sureness};
use crate::midi::framing::{END, FIRST_STATUS, START};
use crate::midi::message::MakerId;
use crate::midi::packing::Packing;
use crate::midi::universal::{NON_REAL_TIME, REAL_TIME};

/// How many bytes after the ID can belong to a header.
const REACH: usize = 12;
/// More kinds than this in one device are not a device.
const MAX_KINDS: usize = 32;
/// The shortest message worth a thought: F0, ID, one byte, F7.
const LEAST: usize = 4;

/// The messages of one kind.
#[derive(Debug)]
pub(super) struct Kind<'a> {
    /// One past the ID.
    pub id_end: usize,
    /// The distinct ones, in the order they came.
    pub messages: Vec<&'a [u8]>,
    /// For each dump, which of `messages` it has, in order.
    pub dumps: Vec<Vec<usize>>,
    /// What the bytes after F0 are, as far as a header can reach.
    pub header: Vec<HeaderByte>,
    /// Data begins here at the earliest.
    pub least_start: usize,
    /// Data begins here at the latest.
    pub most_start: usize,
    /// Where two bytes give the length of the data.
    pub length_at: Option<usize>,
    /// How sure the letters in the header are.
    pub letters: Sureness,
    /// How the data is packed, once that was read.
    pub form: Option<Option<Packing>>,
}

impl Kind<'_> {
    /// The shortest and the longest.
    pub fn lens(&self) -> (usize, usize) {
        let lens = || self.messages.iter().map(|m| m.len());
        (lens().min().unwrap_or(0), lens().max().unwrap_or(0))
    }

    /// The values of a place, for each dump in the order they came.
    fn values(&self, value: impl Fn(&[u8]) -> usize) -> Vec<Vec<usize>> {
        self.dumps
            .iter()
            .map(|dump| dump.iter().map(|i| value(self.messages[*i])).collect())
            .collect()
    }
}

/// Sorts the messages of the dumps into kinds, the ones with most bytes first, and notes in `draft` what was left out.
pub(super) fn gather<'a>(dumps: &'a [Vec<Vec<u8>>], draft: &mut Draft) -> Vec<Kind<'a>> {
    draft.n_dumps = dumps.len();
    let mut known: HashMap<&[u8], usize> = HashMap::new();
    let mut distinct: Vec<&[u8]> = Vec::new();
    let mut sequences: Vec<Vec<usize>> = Vec::with_capacity(dumps.len());
    for dump in dumps {
        let mut sequence = Vec::new();
        for message in dump {
            draft.n_messages += 1;
            if !is_for_a_layout(message) {
                draft.n_left_out += 1;
                continue;
            }
            let number = match known.get(message.as_slice()) {
                Some(number) => *number,
                // A short message costs more work than its bytes.
                None if draft.n_bytes + message.len().max(64) > Draft::MAX_BYTES => {
                    draft.is_capped = true;
                    draft.n_left_out += 1;
                    continue;
                }
                None => {
                    draft.n_bytes += message.len().max(64);
                    known.insert(message, distinct.len());
                    distinct.push(message);
                    distinct.len() - 1
                }
            };
            sequence.push(number);
        }
        sequences.push(sequence);
    }
    draft.n_bytes = distinct.iter().map(|m| m.len()).sum();
    draft.n_distinct = distinct.len();

    // In which dumps each of them stands, so that a group asks after its own members only.
    let mut dumps_of = vec![Vec::new(); distinct.len()];
    for (dump, sequence) in sequences.iter().enumerate() {
        for i in sequence {
            if dumps_of[*i].last() != Some(&dump) {
                dumps_of[*i].push(dump);
            }
        }
    }
    let mut kinds = Vec::new();
    for members in by_length(&distinct) {
        split(members, &distinct, &dumps_of, dumps.len(), 0, &mut kinds);
    }
    kinds.sort_by_key(|members| {
        let n: usize = members.iter().map(|i| distinct[*i].len()).sum();
        std::cmp::Reverse(n)
    });
    let mut kind_of = vec![None; distinct.len()];
    let mut place_of = vec![0; distinct.len()];
    for (k, members) in kinds.iter().enumerate().take(MAX_KINDS) {
        for (place, i) in members.iter().enumerate() {
            kind_of[*i] = Some(k);
            place_of[*i] = place;
        }
    }
    draft.n_left_out += sequences
        .iter()
        .flatten()
        .filter(|i| kind_of[**i].is_none())
        .count();
    let mut kinds: Vec<Kind> = kinds
        .into_iter()
        .take(MAX_KINDS)
        .map(|members| Kind {
            id_end: id_end(distinct[members[0]]),
            messages: members.iter().map(|i| distinct[*i]).collect(),
            dumps: vec![Vec::new(); sequences.len()],
            header: Vec::new(),
            least_start: 0,
            most_start: 0,
            length_at: None,
            letters: Sureness::Maybe,
            form: None,
        })
        .collect();
    for (dump, sequence) in sequences.iter().enumerate() {
        for i in sequence {
            if let Some(k) = kind_of[*i] {
                kinds[k].dumps[dump].push(place_of[*i]);
            }
        }
    }
    draft.number = number(&kinds);
    for kind in &mut kinds {
        read_header(kind, draft.number.as_ref());
    }
    kinds
}

/// Whether it is a whole message that a layout may describe; universal ones are known without one.
fn is_for_a_layout(message: &[u8]) -> bool {
    let [START, inner @ .., END] = message else {
        return false;
    };
    message.len() >= LEAST
        && !matches!(inner.first(), Some(&(NON_REAL_TIME | REAL_TIME)))
        && inner.iter().all(|b| *b < FIRST_STATUS)
        && MakerId::from_bytes(inner).is_some_and(|id| id.as_bytes().len() < inner.len())
}

fn id_end(message: &[u8]) -> usize {
    if message.get(1) == Some(&0) { 4 } else { 2 }
}

/// Groups by ID, the byte after the next, and length; lengths that hardly come twice are one group.
fn by_length(distinct: &[&[u8]]) -> Vec<Vec<usize>> {
    type ByLength = BTreeMap<usize, Vec<usize>>;
    let mut groups: BTreeMap<(&[u8], Option<u8>), ByLength> = BTreeMap::new();
    for (i, message) in distinct.iter().enumerate() {
        let end = id_end(message);
        let key = (
            &message[..end],
            message
                .get(end + 1)
                .copied()
                .filter(|_| message.len() > end + 3),
        );
        groups
            .entry(key)
            .or_default()
            .entry(message.len())
            .or_default()
            .push(i);
    }
    let mut all = Vec::new();
    for lengths in groups.into_values() {
        let n: usize = lengths.values().map(Vec::len).sum();
        if lengths.len() > 4 && lengths.len() * 2 > n {
            let mut together: Vec<usize> = lengths.into_values().flatten().collect();
            together.sort_unstable();
            all.push(together);
        } else {
            all.extend(lengths.into_values());
        }
    }
    all
}

/// Splits by a byte that tells kinds apart: few values, no run of numbers, right after the ID.
fn split(
    members: Vec<usize>,
    distinct: &[&[u8]],
    dumps_of: &[Vec<usize>],
    n_dumps: usize,
    depth: usize,
    out: &mut Vec<Vec<usize>>,
) {
    let end = id_end(distinct[members[0]]);
    if depth < 3 && members.len() >= 4 {
        for at in end..end + 4 {
            if members.iter().any(|i| distinct[*i].len() < end + 8) {
                break;
            }
            let mut by_value: BTreeMap<u8, Vec<usize>> = BTreeMap::new();
            for i in &members {
                by_value.entry(distinct[*i][at]).or_default().push(*i);
            }
            let is_run = {
                let least = by_value.keys().next().copied().unwrap_or(0);
                let most = by_value.keys().last().copied().unwrap_or(0);
                least <= 1 && usize::from(most - least) + 1 == by_value.len()
            };
            if by_value.len() == 1 || is_run {
                continue;
            }
            if at <= end + 1 && is_one_per_dump(&members, distinct, dumps_of, n_dumps, at) {
                continue;
            }
            if by_value.len() <= 4 && by_value.values().all(|v| v.len() >= 2) {
                for part in by_value.into_values() {
                    split(part, distinct, dumps_of, n_dumps, depth + 1, out);
                }
                return;
            }
            break;
        }
    }
    out.push(members);
}

/// Whether the byte is the same all through each dump; of one dump alone nobody can tell.
fn is_one_per_dump(
    members: &[usize],
    distinct: &[&[u8]],
    dumps_of: &[Vec<usize>],
    n_dumps: usize,
    at: usize,
) -> bool {
    let mut values: HashMap<usize, u8> = HashMap::new();
    n_dumps > 1
        && members.iter().all(|i| {
            let value = distinct[*i][at];
            dumps_of[*i]
                .iter()
                .all(|dump| *values.entry(*dump).or_insert(value) == value)
        })
}

/// Where the SysEx number stands: in one of the two places after the ID, the same all through a dump. Two dumps that
/// differ there speak for it; otherwise only custom does.
fn number(kinds: &[Kind]) -> Option<NumberDraft> {
    let mut usual = None;
    for offset in 0..2 {
        let mut values = BTreeSet::new();
        let mut fits = !kinds.is_empty();
        for kind in kinds {
            let at = kind.id_end + offset;
            if kind.lens().0 < at + 3 {
                continue;
            }
            for dump in kind.values(|m| usize::from(m[at])) {
                let of_dump: BTreeSet<usize> = dump.into_iter().collect();
                fits &= of_dump.len() <= 1;
                values.extend(of_dump);
            }
        }
        // A half byte of the kind of command may stand above the number.
        if !fits || values.is_empty() {
            continue;
        }
        let found = NumberDraft {
            after_id: offset,
            values: values.iter().map(|v| *v as u8).collect(),
            sureness: if values.len() > 1 {
                Sureness::Likely
            } else {
                Sureness::Maybe
            },
        };
        if values.len() > 1 {
            return Some(found);
        }
        if usual.is_none() && values.iter().all(|v| *v < 0x40) {
            usual = Some(found);
        }
    }
    usual
}

fn read_header(kind: &mut Kind, number: Option<&NumberDraft>) {
    let (least, _) = kind.lens();
    let reach = (kind.id_end + REACH).min(least.saturating_sub(1));
    let number_at = number
        .map(|n| kind.id_end + n.after_id)
        .filter(|at| *at + 1 < reach);
    let mut header: Vec<HeaderByte> = (0..reach)
        .map(|at| {
            let first = kind.messages[0][at];
            if Some(at) == number_at {
                let same = kind.messages.iter().all(|m| m[at] >> 4 == first >> 4);
                HeaderByte::Number {
                    high: same.then_some(first >> 4),
                }
            } else if kind.messages.iter().all(|m| m[at] == first) {
                HeaderByte::Fixed(first)
            } else {
                HeaderByte::Free
            }
        })
        .collect();

    // Numbers that count: of one byte or of two, 7 bits at a time.
    let mut runs: Vec<(usize, usize, usize, bool)> = Vec::new();
    let mut at = kind.id_end;
    while at < reach {
        if header[at] != HeaderByte::Free {
            at += 1;
            continue;
        }
        let pair = (at + 1 < reach && header[at + 1] == HeaderByte::Free)
            .then(|| counts(&kind.values(|m| usize::from(m[at]) << 7 | usize::from(m[at + 1]))))
            .flatten();
        if let Some((n_steps, sure)) = pair {
            runs.push((at, 2, n_steps, sure));
            at += 2;
        } else if let Some((n_steps, sure)) = counts(&kind.values(|m| usize::from(m[at]))) {
            runs.push((at, 1, n_steps, sure));
            at += 1;
        } else {
            break;
        }
    }
    // The one that changes less often is the bank.
    let mut order: Vec<usize> = (0..runs.len()).collect();
    order.sort_by_key(|i| std::cmp::Reverse(runs[*i].2));
    for (rank, i) in order.iter().enumerate() {
        let (at, n, n_steps, _) = runs[*i];
        let letter = match rank {
            0 if n_steps > 0 => HeaderByte::Patch,
            0 | 1 => HeaderByte::Bank,
            _ => HeaderByte::Free,
        };
        header[at..at + n].fill(letter);
    }
    kind.letters = match runs.iter().all(|r| r.3) {
        true if !runs.is_empty() => Sureness::Likely,
        _ => Sureness::Maybe,
    };
    kind.least_start = runs
        .iter()
        .map(|(at, n, ..)| at + n)
        .max()
        .unwrap_or(kind.id_end);
    kind.most_start = (kind.least_start..reach)
        .find(|at| header[*at] == HeaderByte::Free)
        .unwrap_or(reach)
        .max(kind.least_start);
    // Two bytes that give the number of bytes that follow, up to a checksum.
    let (low, high) = kind.lens();
    if low == high {
        kind.length_at = (kind.id_end..kind.most_start.saturating_sub(1)).find(|at| {
            let m = kind.messages[0];
            let value = usize::from(m[*at]) << 7 | usize::from(m[at + 1]);
            value >= 32 && (1..=3).any(|tail| at + 2 + value + tail == low)
        });
        if let Some(at) = kind.length_at {
            kind.least_start = kind.least_start.max(at + 2);
            kind.most_start = kind.most_start.max(kind.least_start);
        }
    }
    header.truncate(kind.most_start);
    kind.header = header;
}

/// Whether the values count: every number of a run from 0 or 1, one step at a time. Gives how often it steps, and
/// whether chance is out of the question.
fn counts(dumps: &[Vec<usize>]) -> Option<(usize, bool)> {
    let all: BTreeSet<usize> = dumps.iter().flatten().copied().collect();
    let (least, most) = (*all.first()?, *all.last()?);
    if least > 1 || all.len() < 2 || most - least + 1 != all.len() {
        return None;
    }
    let mut n_steps = 0;
    let mut n_wrong = 0;
    let mut n_pairs = 0;
    // A number that counts keeps each value for the same time; a switch in the data does not.
    let mut runs: BTreeMap<usize, usize> = BTreeMap::new();
    for dump in dumps {
        let mut run = 1;
        for pair in dump.windows(2) {
            n_pairs += 1;
            run += 1;
            if pair[1] != pair[0] {
                n_steps += 1;
                n_wrong += usize::from(pair[1] != pair[0] + 1 && pair[1] != least);
                *runs.entry(run - 1).or_default() += 1;
                run = 1;
            }
        }
    }
    let n_regular = runs.values().max().copied().unwrap_or(0);
    (n_wrong * 10 <= n_pairs && n_regular * 10 >= n_steps * 8)
        .then_some((n_steps, all.len() >= 3 && n_steps >= 2))
}

/// Tells a kind where its data was found to begin, and how it is packed.
pub(super) fn settle(kind: &mut Kind, start: usize, form: Option<Packing>) {
    kind.form = Some(form);
    while kind.header.len() < start {
        let at = kind.header.len();
        let first = kind.messages[0].get(at).copied().unwrap_or(0);
        let same = kind.messages.iter().all(|m| m.get(at) == Some(&first));
        kind.header.push(if same {
            HeaderByte::Fixed(first)
        } else {
            HeaderByte::Free
        });
    }
    kind.header.truncate(start);
    kind.least_start = start;
    kind.most_start = start;
}

/// The header with its letters: what counts messages of several patches is the bank.
pub(super) fn name_letters(kind: &Kind, patches: Option<&PatchesDraft>) -> Vec<HeaderByte> {
    let mut header = kind.header.clone();
    let several = patches.is_some_and(|p| !p.is_one_a_message);
    if several && !header.contains(&HeaderByte::Bank) {
        for byte in &mut header {
            if *byte == HeaderByte::Patch {
                *byte = HeaderByte::Bank;
            }
        }
    }
    header
}
