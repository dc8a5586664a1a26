//! How the data of a kind is packed and where patches and their names stand in it: the reading with the clearest names.

use super::gather::Kind;
use super::names::{self, Found};
use super::periods::{LEAST_STRIDE, Logs, View};
use super::sums::Over;
use super::{NameDraft, PackingDraft, PatchesDraft, Sureness};
use crate::midi::packing::Packing;

/// So many bytes of a kind are read for patches.
const SAMPLE: usize = 48 << 10;
/// So much of one message if there are several long ones.
const PIECE: usize = SAMPLE / 4;
/// So many readings (start, end, packing) are tried.
const MAX_VIEWS: usize = 16;
/// Names are looked for in so many of the best strides.
const MAX_NAMED: usize = 5;
/// Names that spare so many bits are no accident.
const CLEAR_NAMES: f32 = 40.0;
/// Characters of names take fewer bits than this on average; letters by lot took 6.1 and more, measured on invented
/// devices without names.
const WORDS: f32 = 5.8;

/// What was found about the data of a kind.
#[derive(Debug)]
pub(super) struct Data {
    /// Where the data begins.
    pub start: usize,
    pub packing: PackingDraft,
    pub patches: Vec<PatchesDraft>,
}

/// One way to read the data.
struct Reading {
    start: usize,
    end_back: usize,
    packing: Option<Packing>,
    score: f32,
    len: usize,
    same_length: bool,
    has_hint: bool,
    strides: Vec<Rated>,
}

#[derive(Clone, Copy)]
struct Rated {
    stride: usize,
    total: f32,
    spared: f32,
    name: Option<Found>,
    n_rows: usize,
    is_hinted: bool,
}

impl Rated {
    /// Numbers in the range of the letters can stand side by side, too, but not so many of them.
    fn has_clear_names(&self) -> bool {
        self.n_rows >= 4
            && self
                .name
                .is_some_and(|n| n.bits >= CLEAR_NAMES && n.n_varying >= 5 && n.bits_each < WORDS)
    }
}

/// Reads the data of `kind` from each of `starts` (the likeliest first) up to `end_backs` bytes before the end.
pub(super) fn read(
    kind: &Kind,
    starts: &[usize],
    end_backs: &[usize],
    over: Option<Over>,
    logs: &Logs,
) -> Option<Data> {
    let mut best: Vec<Reading> = Vec::new();
    let mut n_views = 0;
    let packings = feasible(kind, starts.first().copied()?, end_backs[0]);
    for packing in &packings {
        let mut best_of: Option<Reading> = None;
        'views: for end_back in end_backs {
            for start in starts {
                if n_views >= MAX_VIEWS * packings.len() {
                    break 'views;
                }
                let Some(view) = view(kind, *start, *end_back, *packing) else {
                    continue;
                };
                n_views += 1;
                let mut reading = rate(kind, *start, *end_back, *packing, &view, over, logs);
                // A start that is less likely has to be better by more than a trifle.
                reading.score -= 6.0 * start.abs_diff(starts[0]).min(4) as f32;
                if best_of.as_ref().is_none_or(|b| reading.score > b.score) {
                    let stride = reading.strides.first().map_or(1, |s| s.stride);
                    let fits = reading.len.is_multiple_of(stride);
                    let is_clear = fits && reading.score > 2.0 * CLEAR_NAMES;
                    best_of = Some(reading);
                    if is_clear && !is_seven(*packing) {
                        break 'views;
                    }
                }
            }
        }
        best.extend(best_of);
    }
    // Stable: of equals the more usual packing comes first.
    best.sort_by(|a, b| b.score.total_cmp(&a.score));
    let reading = best.first()?;
    let packing = packing_draft(&best);
    // A message of one patch is as long as its data, and that is only known if nothing else could be its beginning.
    let is_start_known = kind.least_start == kind.most_start && reading.start == kind.least_start;
    let most = match packing.sureness {
        Sureness::Maybe => Sureness::Likely,
        _ => Sureness::Sure,
    };
    let patches = patches_drafts(reading, most, is_start_known);
    Some(Data {
        start: reading.start,
        packing,
        patches,
    })
}

fn is_seven(packing: Option<Packing>) -> bool {
    matches!(
        packing,
        Some(Packing::SevenInEightHigh | Packing::SevenInEightLow)
    )
}

/// The packings that the bytes allow, the more usual first. Bytes that are all half bytes are not plain by chance.
fn feasible(kind: &Kind, start: usize, end_back: usize) -> Vec<Option<Packing>> {
    let (mut n, mut half, mut marked, mut hex) = (0usize, true, true, true);
    for m in &kind.messages {
        let to = m.len().saturating_sub(end_back);
        let data = m.get(start..to).unwrap_or_default();
        n += data.len();
        half &= data.iter().all(|b| *b < 0x10);
        marked &= data.iter().all(|b| *b >> 4 == 1);
        hex &= data.iter().all(|b| matches!(b, b'0'..=b'9' | b'A'..=b'F'));
    }
    if n >= 16 && half {
        return vec![
            Some(Packing::NibblesHighFirst),
            Some(Packing::NibblesLowFirst),
            None,
        ];
    }
    if n >= 16 && marked {
        return vec![Some(Packing::NibblesMarked), None];
    }
    if n >= 16 && hex {
        return vec![Some(Packing::HexPairs), None];
    }
    vec![
        None,
        Some(Packing::SevenInEightLow),
        Some(Packing::SevenInEightHigh),
    ]
}

/// The data of a sample of the messages, unpacked.
fn view(kind: &Kind, start: usize, end_back: usize, packing: Option<Packing>) -> Option<View> {
    let regions: Vec<&[u8]> = kind
        .messages
        .iter()
        .filter_map(|m| m.get(start..m.len().checked_sub(end_back)?))
        .filter(|r| !r.is_empty())
        .collect();
    let total: usize = regions.iter().map(|r| r.len()).sum();
    let longest = regions.iter().map(|r| r.len()).max()?;
    let same_length = regions.iter().all(|r| r.len() == longest);
    let (n_taken, piece) = if total <= SAMPLE {
        (regions.len(), longest)
    } else if longest <= PIECE {
        ((SAMPLE / longest).max(1), longest)
    } else {
        let n = regions.len().min(4);
        (n, SAMPLE / n / 8 * 8)
    };
    let step = regions.len().div_ceil(n_taken.max(1)).max(1);
    let mut unpacked = Vec::new();
    for region in regions.iter().step_by(step) {
        let cut = &region[..region.len().min(piece)];
        unpacked.push(match packing {
            None => cut.to_vec(),
            Some(packing) => packing.unpack(cut)?,
        });
    }
    let full_len = same_length.then(|| unpacked_len(packing, longest));
    Some(View::new(unpacked, full_len))
}

fn unpacked_len(packing: Option<Packing>, n: usize) -> usize {
    match packing {
        None => n,
        Some(Packing::SevenInEightHigh | Packing::SevenInEightLow) => n - n.div_ceil(8),
        Some(_) => n / 2,
    }
}

fn rate(
    kind: &Kind,
    start: usize,
    end_back: usize,
    packing: Option<Packing>,
    view: &View,
    over: Option<Over>,
    logs: &Logs,
) -> Reading {
    let longest = view.regions.iter().map(Vec::len).max().unwrap_or(0);
    let len = view.full_len.unwrap_or(longest);
    let hints = hints(kind, start, len);
    // A patch in each message is always thought of.
    let mut strides: Vec<Rated> = view
        .strides(&hints, logs)
        .into_iter()
        .enumerate()
        .filter(|(i, (stride, spared))| *spared >= 0.0 && (*i < MAX_NAMED || *stride == len))
        .map(|(_, rated)| rated)
        .map(|(stride, spared)| {
            let rows = view.rows(stride);
            let name = names::find(&rows, &view.guess, logs).filter(|n| n.bits > 12.0);
            Rated {
                stride,
                spared,
                total: spared + name.map_or(0.0, |n| n.bits),
                name,
                n_rows: rows.len(),
                is_hinted: hints.contains(&stride),
            }
        })
        .collect();
    strides.sort_by(|a, b| b.total.total_cmp(&a.total));
    let name_bits = strides.first().and_then(|s| s.name).map_or(0.0, |n| n.bits);
    let mut score = name_bits;
    if let (true, Some(best)) = (is_seven(packing), strides.first()) {
        score += tops_bits(&view.rows(best.stride), logs);
    }
    // A checksum over the unpacked bytes that fits is proof of the packing.
    let proven = over.is_some_and(|over| over != Over::Sent && over.is_of(packing));
    if proven {
        score += 100.0;
    }
    match packing {
        None => score += 3.0,
        Some(Packing::NibblesMarked | Packing::HexPairs) => score += 60.0,
        Some(Packing::NibblesHighFirst | Packing::NibblesLowFirst) => {
            // Small numbers are more frequent than great ones, so the upper halves are the smaller ones.
            let bytes = || view.regions.iter().flatten();
            let n_high = bytes().filter(|b| **b >= 0x80).count();
            let n_low = bytes().filter(|b| **b & 0x0f >= 8).count();
            score += 20.0 + if n_high < n_low { 4.0 } else { 0.0 };
        }
        Some(_) => {
            // Groups are mostly whole.
            let n_sent = kind.messages[0].len().saturating_sub(start + end_back);
            if !n_sent.is_multiple_of(8) {
                score -= 16.0;
            } else if name_bits >= CLEAR_NAMES {
                score += 12.0;
            }
        }
    }
    Reading {
        start,
        end_back,
        packing,
        score,
        len,
        same_length: view.full_len.is_some(),
        has_hint: !hints.is_empty(),
        strides,
    }
}

/// Strides by numbers in the header that could count the patches.
fn hints(kind: &Kind, start: usize, len: usize) -> Vec<usize> {
    let m = kind.messages[0];
    let header = &m[..start.min(m.len())];
    let mut hints = Vec::new();
    for at in kind.id_end..header.len() {
        let one = usize::from(header[at]);
        let two = header.get(at + 1).map(|low| one << 7 | usize::from(*low));
        for n in [Some(one), two].into_iter().flatten() {
            let is_same = kind
                .messages
                .iter()
                .all(|m| m.get(at..at + 2) == header.get(at..at + 2) || at + 2 > header.len());
            if n >= 2 && is_same && len.is_multiple_of(n) && len / n >= LEAST_STRIDE {
                hints.push(len / n);
            }
        }
    }
    hints.sort_unstable();
    hints.dedup();
    hints
}

/// How many bits speak for the top bits standing where this packing has them: a byte whose top bit changes changes below
/// it too, and one whose lower bits hardly change keeps its top bit.
fn tops_bits(rows: &[&[u8]], logs: &Logs) -> f32 {
    let Some(first) = rows.first() else {
        return 0.0;
    };
    let (mut n_top, mut n_below, mut n_both) = (0usize, 0usize, 0usize);
    let mut n_set = 0usize;
    for column in 0..first.len() {
        let changed = rows
            .iter()
            .take(256)
            .fold(0, |changed, r| changed | (r[column] ^ first[column]));
        let (top, below) = (changed & 0x80 != 0, changed & 0x40 != 0);
        n_top += usize::from(top);
        n_below += usize::from(below);
        n_both += usize::from(top && below);
        n_set += rows
            .iter()
            .take(256)
            .filter(|r| r[column] & 0x80 != 0)
            .count();
    }
    if n_set == 0 {
        // No top bit at all: as many zeros in a row would be strange if nothing stood there.
        let n_zero = first.iter().filter(|b| **b == 0).count();
        let share = (n_zero as f32 + 1.0) / (first.len() as f32 + 2.0);
        return (-share.log2() * (first.len() / 7) as f32).min(60.0);
    }
    upper_tail_bits(first.len(), n_top, n_below, n_both, logs)
}

/// -log2 of the chance that of `n` things, `a` marked in one way and `b` in another by lot, `k` or more have both marks.
fn upper_tail_bits(n: usize, a: usize, b: usize, k: usize, logs: &Logs) -> f32 {
    if a == 0 || b == 0 || k * n <= a * b {
        return 0.0;
    }
    let choose = |n: usize, k: usize| -> f32 {
        (0..k.min(n - k))
            .map(|i| logs.of(n - i) - logs.of(i + 1))
            .sum()
    };
    let all = choose(n, a);
    let mut chance = 0.0f64;
    for k in k..=a.min(b).min(k + 64) {
        if a - k <= n - b {
            let bits = all - choose(b, k) - choose(n - b, a - k);
            chance += f64::from(-bits).exp2();
        }
    }
    (-chance.log2()).clamp(0.0, 500.0) as f32
}

fn packing_draft(best: &[Reading]) -> PackingDraft {
    let reading = &best[0];
    let lead = best.get(1).map_or(100.0, |b| reading.score - b.score);
    let best_stride = reading.strides.first();
    let name_bits = best_stride.and_then(|s| s.name).map_or(0.0, |n| n.bits);
    let is_proof = best_stride.is_some_and(Rated::has_clear_names)
        || (reading.score - name_bits >= CLEAR_NAMES && reading.packing.is_some());
    let sureness = match lead {
        _ if reading.score < 12.0 => Sureness::Maybe,
        lead if lead >= 20.0 && is_proof => Sureness::Sure,
        lead if lead >= 8.0 => Sureness::Likely,
        _ => Sureness::Maybe,
    };
    PackingDraft {
        form: reading.packing,
        from: reading.start,
        to: -(reading.end_back as isize) - 1,
        sureness,
        others: best[1..]
            .iter()
            .filter(|b| reading.score - b.score < 20.0)
            .map(|b| b.packing)
            .collect(),
    }
}

fn patches_drafts(reading: &Reading, most: Sureness, is_start_known: bool) -> Vec<PatchesDraft> {
    let from = if reading.packing.is_some() {
        0
    } else {
        reading.start
    };
    let mut drafts = Vec::new();
    for (rank, rated) in reading.strides.iter().enumerate() {
        let next = reading
            .strides
            .iter()
            .enumerate()
            .filter(|(other, _)| *other != rank)
            .map(|(_, r)| r.total)
            .fold(0.0, f32::max);
        let lead = rated.total - next;
        let count = reading.len / rated.stride;
        let is_alone = count == 1;
        let is_multiple = rated.stride % reading.strides[0].stride == 0;
        if rank > 0
            && (is_alone || is_multiple || lead < -0.25 * reading.strides[0].total.max(40.0))
        {
            continue;
        }
        if rated.name.is_none() && (is_alone || rated.spared < 24.0) {
            continue;
        }
        let divides = reading.same_length && reading.len.is_multiple_of(rated.stride);
        let name_bits = rated.name.map_or(0.0, |n| n.bits);
        let clear = rated.has_clear_names();
        let sureness = if rank > 0 {
            Sureness::Maybe
        } else if clear && divides && lead >= 20.0 {
            Sureness::Sure
        } else if (name_bits >= 20.0 && lead >= 8.0)
            || (lead >= 40.0 && rated.is_hinted && reading.has_hint)
        {
            Sureness::Likely
        } else {
            Sureness::Maybe
        };
        // Positions are no surer than the packing they count in.
        let most = match is_alone && !is_start_known {
            true => most.min(Sureness::Likely),
            false => most,
        };
        let sureness = sureness.min(most);
        drafts.push(PatchesDraft {
            from,
            stride: rated.stride,
            count,
            is_one_a_message: is_alone,
            name: rated.name.map(|n| NameDraft {
                at: n.at,
                n_bytes: n.n_bytes,
                sureness: if sureness == Sureness::Sure && n.lead >= 20.0 && rated.n_rows >= 6 {
                    Sureness::Sure
                } else if sureness >= Sureness::Likely && n.lead >= 6.0 {
                    Sureness::Likely
                } else {
                    Sureness::Maybe
                },
            }),
            sureness,
        });
        if drafts.len() == PatchesDraft::MAX {
            break;
        }
    }
    drafts
}
