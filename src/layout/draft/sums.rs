//! Which checksum fits every message: all schemes, over all spans that begin in the header, at all usual places.

use std::collections::HashSet;
use std::hash::{DefaultHasher, Hash, Hasher};

use super::gather::Kind;
use super::{ChecksumDraft, Covered, Sureness};
use crate::midi::checksum::Scheme;
use crate::midi::packing::Packing;

/// Spans may begin so far behind the ID.
const FRONT: usize = 11;
/// Sums are remembered for so many positions at the front of a message and at its end.
const FRONT_SUMS: usize = 24;
const BACK_SUMS: usize = 8;
/// All hypotheses are tried on so many messages, the few that are left on the others.
const FIRST: usize = 8;
/// So many that fit are followed.
const MAX_FITS: usize = 48;

/// What a checksum is over: the bytes as they are sent, or what they stand for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) enum Over {
    Sent,
    Seven,
    Nibbles { low_first: bool },
    Marked,
    Hex,
}

impl Over {
    /// Whether it is over what `form` packs, or over the bytes as they are sent.
    pub fn is_of(self, form: Option<Packing>) -> bool {
        match self {
            Over::Sent => true,
            Over::Seven => matches!(
                form,
                Some(Packing::SevenInEightHigh | Packing::SevenInEightLow)
            ),
            Over::Nibbles { low_first: true } => form == Some(Packing::NibblesLowFirst),
            Over::Nibbles { low_first: false } => form == Some(Packing::NibblesHighFirst),
            Over::Marked => form == Some(Packing::NibblesMarked),
            Over::Hex => form == Some(Packing::HexPairs),
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) enum Place {
    Front(usize),
    /// Counted from the end: 2 is the byte before F7.
    Back(usize),
}

/// One way in which the checksum could be made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) struct Hypothesis {
    pub scheme: Scheme,
    pub over: Over,
    pub from: usize,
    /// The last byte covered, counted from the end.
    pub to_back: usize,
    pub place: Place,
}

/// Sums and exclusive ors of a beginning of a message, apart for each position modulo 8.
#[derive(Clone, Copy, Default)]
struct Sums {
    sum: [u8; 8],
    xor: [u8; 8],
    hex_sum: [u8; 2],
    hex_xor: [u8; 2],
    n_not_nibble: u32,
    n_not_marked: u32,
    n_not_hex: u32,
}

/// The sums of one message up to its first and its last positions, so that any span costs the same few steps.
struct Summed<'a> {
    message: &'a [u8],
    front: Vec<Sums>,
    back: Vec<Sums>,
}

impl<'a> Summed<'a> {
    fn new(message: &'a [u8]) -> Summed<'a> {
        let len = message.len();
        let mut front = Vec::with_capacity(FRONT_SUMS + 1);
        let mut back = Vec::with_capacity(BACK_SUMS + 1);
        let mut now = Sums::default();
        for at in 0..=len {
            if at <= FRONT_SUMS {
                front.push(now);
            }
            if len - at <= BACK_SUMS {
                back.push(now);
            }
            let Some(byte) = message.get(at).copied() else {
                break;
            };
            now.sum[at % 8] = now.sum[at % 8].wrapping_add(byte);
            now.xor[at % 8] ^= byte;
            now.n_not_nibble += u32::from(byte >= 0x10);
            now.n_not_marked += u32::from(byte >> 4 != 1);
            match char::from(byte).to_digit(16) {
                Some(digit) => {
                    now.hex_sum[at % 2] = now.hex_sum[at % 2].wrapping_add(digit as u8);
                    now.hex_xor[at % 2] ^= digit as u8;
                }
                None => now.n_not_hex += 1,
            }
        }
        Summed {
            message,
            front,
            back,
        }
    }

    fn up_to(&self, at: usize) -> Option<&Sums> {
        let len = self.message.len();
        match len.checked_sub(at)? {
            behind if behind <= BACK_SUMS => {
                let first = len.saturating_sub(BACK_SUMS);
                self.back.get(at - first)
            }
            _ => self.front.get(at),
        }
    }

    /// The low 8 bits of the sum, and the exclusive or, of what is covered; `None` if it cannot be read like that.
    fn covered(&self, over: Over, from: usize, to: usize) -> Option<(u8, u8)> {
        if from >= to {
            return None;
        }
        let (a, b) = (self.up_to(from)?, self.up_to(to)?);
        let n = to - from;
        let sum = |class: usize| b.sum[class % 8].wrapping_sub(a.sum[class % 8]);
        let xor = |class: usize| b.xor[class % 8] ^ a.xor[class % 8];
        let every = |classes: &mut dyn Iterator<Item = usize>| {
            classes.fold((0u8, 0u8), |(s, x), class| {
                (s.wrapping_add(sum(class)), x ^ xor(class))
            })
        };
        let pairs = |(high_sum, high_xor): (u8, u8), (low_sum, low_xor): (u8, u8)| {
            (
                (high_sum << 4).wrapping_add(low_sum),
                (high_xor << 4) ^ (low_xor & 0x0f),
            )
        };
        let halves = || {
            let first = every(&mut (0..4).map(|k| from + 2 * k));
            let second = every(&mut (0..4).map(|k| from + 1 + 2 * k));
            (first, second)
        };
        match over {
            Over::Sent => Some(every(&mut (0..8))),
            Over::Seven => {
                if n % 8 == 1 {
                    return None;
                }
                let (low, xor_low) = every(&mut (1..8).map(|k| from + k));
                let tops = xor(from).count_ones() as u8 & 1;
                Some((low.wrapping_add(tops << 7), xor_low))
            }
            Over::Nibbles { low_first } => {
                if n % 2 == 1 || b.n_not_nibble != a.n_not_nibble {
                    return None;
                }
                let (first, second) = halves();
                Some(if low_first {
                    pairs(second, first)
                } else {
                    pairs(first, second)
                })
            }
            Over::Marked => {
                if n % 2 == 1 || b.n_not_marked != a.n_not_marked {
                    return None;
                }
                let (first, (low, low_xor)) = halves();
                let marks = ((n / 2) as u8).wrapping_mul(0x10);
                Some(pairs(first, (low.wrapping_sub(marks), low_xor)))
            }
            Over::Hex => {
                if n % 2 == 1 || b.n_not_hex != a.n_not_hex {
                    return None;
                }
                let half = |k: usize| {
                    (
                        b.hex_sum[k % 2].wrapping_sub(a.hex_sum[k % 2]),
                        b.hex_xor[k % 2] ^ a.hex_xor[k % 2],
                    )
                };
                Some(pairs(half(from), half(from + 1)))
            }
        }
    }
}

impl Hypothesis {
    fn at(&self, len: usize) -> Option<usize> {
        match self.place {
            Place::Front(at) => Some(at),
            Place::Back(behind) => len.checked_sub(behind),
        }
    }

    fn fits(&self, summed: &Summed) -> bool {
        self.try_on(summed).unwrap_or(false)
    }

    fn try_on(&self, summed: &Summed) -> Option<bool> {
        let len = summed.message.len();
        let (at, to) = (self.at(len)?, (len + 1).checked_sub(self.to_back)?);
        let n = self.scheme.n_bytes();
        if at + n >= len || (at < to && at + n > self.from) {
            return Some(false);
        }
        let (sum, xor) = summed.covered(self.over, self.from, to)?;
        // One byte that gives the sum gives the checksum as `Scheme` knows it.
        let one = match self.scheme {
            Scheme::Xor => [xor],
            _ => [sum],
        };
        let expected = self.scheme.of(&one);
        Some(summed.message[at..at + n] == *expected.as_bytes())
    }

    /// By how many bits a message of `kind` that fits speaks for it: bits that are set in no byte covered are no evidence
    /// (half bytes have an exclusive or of 4 bits).
    fn bits(&self, kind: &Kind) -> f64 {
        let mut set = 0u8;
        for m in &kind.messages {
            let to = (m.len() + 1).saturating_sub(self.to_back);
            let covered = m.get(self.from..to).unwrap_or_default();
            set = covered.iter().fold(set, |set, b| set | b);
            if set & 0x7f == 0x7f {
                break;
            }
        }
        match self.scheme {
            _ if self.over != Over::Sent && self.scheme != Scheme::SumInNibbles => 7.0,
            Scheme::Xor => f64::from((set & 0x7f).count_ones()),
            // Both upper halves are always the same.
            Scheme::SumInNibbles => 8.0 - f64::from(set.trailing_zeros().min(8)),
            _ => 7.0 - f64::from(set.trailing_zeros().min(7)),
        }
    }

    /// How unusual it is, for a kind whose data begins somewhere in `starts`; 0 is what most makers do.
    fn oddness(&self, kind: &Kind) -> u32 {
        let scheme = match self.scheme {
            Scheme::SumToZero => 0,
            Scheme::Sum | Scheme::Xor => 20,
            Scheme::SumInNibbles => 20,
        };
        let n = self.scheme.n_bytes();
        let place = match self.place {
            Place::Back(behind) if behind == n + 1 => usize::from(self.to_back != behind + 1) * 30,
            Place::Back(behind) => 40 + usize::from(self.to_back != behind + 1) * 30,
            Place::Front(_) => 60,
        } as u32;
        let over = match self.over {
            Over::Sent => 0,
            Over::Seven => 25,
            _ => 15,
        };
        let from = match self.from {
            from if from > kind.most_start => 40 + (from - kind.most_start) as u32,
            // The later, the less of the header: the usual span is the data alone.
            from if from >= kind.least_start => ((kind.most_start - from) as u32).min(9),
            from if from == kind.id_end => 10,
            from if from > kind.id_end => 12,
            1 => 20,
            _ => 25,
        };
        scheme + place + over + from
    }

    fn covered_hash(&self, message: &[u8]) -> u64 {
        let mut hasher = DefaultHasher::new();
        let to = (message.len() + 1).saturating_sub(self.to_back);
        message.get(self.from..to).hash(&mut hasher);
        hasher.finish()
    }
}

/// Every hypothesis for messages whose ID ends at `id_end`.
fn every(id_end: usize) -> Vec<Hypothesis> {
    let mut all = Vec::new();
    let overs = [
        Over::Sent,
        Over::Seven,
        Over::Nibbles { low_first: false },
        Over::Nibbles { low_first: true },
        Over::Marked,
        Over::Hex,
    ];
    for scheme in Scheme::ALL {
        let n = scheme.n_bytes();
        for over in overs {
            let sent = over == Over::Sent;
            let froms = if sent { 0 } else { id_end }..id_end + FRONT;
            for from in froms {
                let behind = if sent { n + 1..n + 4 } else { n + 1..n + 2 };
                for place in behind {
                    let ends = if sent {
                        place + 1..6
                    } else {
                        place + 1..place + 2
                    };
                    for to_back in ends {
                        all.push(Hypothesis {
                            scheme,
                            over,
                            from,
                            to_back,
                            place: Place::Back(place),
                        });
                    }
                }
            }
        }
        for at in id_end..id_end + FRONT {
            for from in at + n..at + n + 4 {
                for to_back in 2..4 {
                    all.push(Hypothesis {
                        scheme,
                        over: Over::Sent,
                        from,
                        to_back,
                        place: Place::Front(at),
                    });
                }
            }
        }
    }
    all
}

/// The hypotheses that fit the messages of a kind, the most usual first.
#[derive(Debug)]
pub(super) struct Fits {
    pub fits: Vec<Fit>,
    /// How many were tried.
    n_tried: usize,
    /// For each rank, how many of those tried are at least as usual.
    ranks: Vec<usize>,
}

#[derive(Debug, Clone, Copy)]
pub(super) struct Fit {
    pub hypothesis: Hypothesis,
    n_misses: usize,
    oddness: u32,
}

/// Tries every hypothesis on a kind.
pub(super) fn try_all(kind: &Kind) -> Fits {
    let all = every(kind.id_end);
    let n_messages = kind.messages.len();
    let first: Vec<Summed> = kind
        .messages
        .iter()
        .take(FIRST)
        .map(|m| Summed::new(m))
        .collect();
    let allowed = |n: usize| n / 4;
    let mut fits: Vec<Fit> = all
        .iter()
        .filter_map(|hypothesis| {
            let n_misses = first.iter().filter(|s| !hypothesis.fits(s)).count();
            (n_misses <= allowed(first.len())).then(|| Fit {
                hypothesis: *hypothesis,
                n_misses,
                oddness: hypothesis.oddness(kind),
            })
        })
        .collect();
    fits.sort_by_key(|f| (f.n_misses, f.oddness));
    fits.truncate(MAX_FITS);
    for message in kind.messages.iter().skip(FIRST) {
        let summed = Summed::new(message);
        for fit in &mut fits {
            fit.n_misses += usize::from(!fit.hypothesis.fits(&summed));
        }
        fits.retain(|f| f.n_misses <= allowed(n_messages));
        if fits.is_empty() {
            break;
        }
    }
    drop_same(&mut fits, kind);
    // A few damaged messages do not make a wrong rule right: only the best remain.
    let best = fits.iter().map(|f| f.n_misses).min().unwrap_or(0);
    fits.retain(|f| f.n_misses == best);
    let mut fits = Fits {
        fits,
        n_tried: all.len(),
        ranks: Vec::new(),
    };
    fits.rank(kind);
    fits
}

/// Drops rules that say the same as a more usual one. If all bytes together sum up to zero, each is the checksum of the
/// others; and a byte that never changes is none as long as another one does.
fn drop_same(fits: &mut Vec<Fit>, kind: &Kind) {
    let changes = |hypothesis: &Hypothesis| {
        let byte = |m: &[u8]| hypothesis.at(m.len()).and_then(|at| m.get(at).copied());
        let first = byte(kind.messages[0]);
        kind.messages.iter().any(|m| byte(m) != first)
    };
    if fits.iter().any(|f| changes(&f.hypothesis)) {
        fits.retain(|f| changes(&f.hypothesis));
    }
    // Nor is one that stays the same over three different contents.
    fits.retain(|f| {
        let mut contents = HashSet::new();
        changes(&f.hypothesis)
            || kind.messages.iter().all(|m| {
                contents.insert(f.hypothesis.covered_hash(m));
                contents.len() < 3
            })
    });
    fits.sort_by_key(|f| f.oddness);
    let mut seen = HashSet::new();
    fits.retain(|f| {
        let h = f.hypothesis;
        let at_front = match h.place {
            Place::Front(at) if at + 1 == h.from => Some(at),
            _ => None,
        };
        let together = match h.place {
            Place::Back(behind) if behind + 1 == h.to_back => Some((h.from, behind)),
            _ => at_front.map(|at| (at, h.to_back)),
        };
        match (h.scheme, together) {
            (Scheme::SumToZero | Scheme::Xor, Some(together)) => {
                seen.insert((h.scheme, h.over, together))
            }
            _ => true,
        }
    });
}

impl Fits {
    /// Orders the fits by how usual they are, by what is known of where the data begins.
    pub fn rank(&mut self, kind: &Kind) {
        let mut oddities: Vec<u32> = every(kind.id_end).iter().map(|h| h.oddness(kind)).collect();
        oddities.sort_unstable();
        // A rule over unpacked bytes needs the packing it is over.
        if let Some(form) = kind.form {
            self.fits.retain(|f| f.hypothesis.over.is_of(form));
        }
        for fit in &mut self.fits {
            fit.oddness = fit.hypothesis.oddness(kind);
        }
        // Of equals, the later: it has less of the header in it.
        self.fits
            .sort_by_key(|f| (f.oddness, std::cmp::Reverse(f.hypothesis.from)));
        self.ranks = self
            .fits
            .iter()
            .map(|f| oddities.partition_point(|o| *o <= f.oddness))
            .collect();
    }
}

/// Chooses for each kind the most usual one that fits, with an eye on the other kinds: a device rarely has two rules.
pub(super) fn choose(kinds: &[Kind], all: &[Fits]) -> Vec<Option<ChecksumDraft>> {
    let own: Vec<f64> = kinds
        .iter()
        .map(|k| 7.0 * k.messages.len() as f64)
        .collect();
    let mut chosen: Vec<Option<usize>> = Vec::new();
    for (k, fits) in all.iter().enumerate() {
        let best = (0..fits.fits.len()).min_by_key(|i| {
            let fit = fits.fits[*i];
            let elsewhere: f64 = (0..kinds.len())
                .filter(|o| *o != k && all[*o].fits.iter().any(|f| f.hypothesis == fit.hypothesis))
                .map(|o| own[o])
                .sum();
            // Ten steps of oddness are about as much as one more message.
            i64::from(fit.oddness) - (elsewhere.min(70.0) as i64)
        });
        chosen.push(best);
    }
    let evidence: Vec<(f64, bool)> = (0..kinds.len())
        .map(|k| match chosen[k] {
            Some(i) => bits(&kinds[k], all[k].fits[i]),
            None => (0.0, false),
        })
        .collect();
    (0..kinds.len())
        .map(|k| {
            let i = chosen[k]?;
            let fit = all[k].fits[i];
            let others: f64 = (0..kinds.len())
                .filter(|o| {
                    *o != k
                        && chosen[*o].is_some_and(|j| all[*o].fits[j].hypothesis == fit.hypothesis)
                })
                .map(|o| evidence[o].0)
                .sum();
            judge(&kinds[k], &all[k], i, evidence[k], others)
        })
        .collect()
}

/// How many bits speak for a fit in its kind: messages that cover the same bytes count once. Also whether more than one
/// byte of the span changes at all; else the "checksum" may be a copy of it.
fn bits(kind: &Kind, fit: Fit) -> (f64, bool) {
    let hypothesis = fit.hypothesis;
    let distinct: HashSet<u64> = kind
        .messages
        .iter()
        .map(|m| hypothesis.covered_hash(m))
        .collect();
    let first = kind.messages[0];
    let to = (first.len() + 1).saturating_sub(hypothesis.to_back);
    let mut varying = HashSet::new();
    for m in &kind.messages {
        if m.len() != first.len() {
            varying.extend([0, 1]);
        }
        for at in hypothesis.from..to.min(m.len()) {
            if m[at] != first[at] {
                varying.insert(at);
            }
            if varying.len() > 1 {
                break;
            }
        }
        if varying.len() > 1 {
            break;
        }
    }
    let n_fit = distinct.len().saturating_sub(fit.n_misses);
    // Which messages may be the damaged ones is a choice, too.
    let choices: f64 = (0..fit.n_misses)
        .map(|i| ((kind.messages.len() - i) as f64 / (i + 1) as f64).log2())
        .sum();
    (
        n_fit as f64 * hypothesis.bits(kind) - choices,
        varying.len() > 1 || kind.messages.len() == 1,
    )
}

fn judge(
    kind: &Kind,
    fits: &Fits,
    chosen: usize,
    (own, many_bytes): (f64, bool),
    others: f64,
) -> Option<ChecksumDraft> {
    let fit = fits.fits[chosen];
    let tried = (fits.n_tried as f64).log2();
    // The odds after every hypothesis; for a weak case the more usual ones alone were tried first.
    let together = own + others - tried;
    let by_rank = own - (fits.ranks[chosen] as f64).log2();
    let sure = Sureness::SURE_BITS;
    // Another rule that gives the same for every message makes even a good fit undecided.
    let rivals = fits.fits.iter().any(|f| {
        let (a, b) = (f.hypothesis, fit.hypothesis);
        (a.scheme, a.place, a.over) != (b.scheme, b.place, b.over) && a.scheme != b.scheme
    });
    let mut sureness = if own - tried > sure || (others - tried > sure && own >= 14.0) {
        Sureness::Sure
    } else if own - tried > 5.0 || (others - tried > sure && own >= 7.0) {
        Sureness::Likely
    } else if by_rank > 1.0 {
        Sureness::Maybe
    } else {
        return None;
    };
    if sureness == Sureness::Sure && (fit.n_misses > 0 || rivals || !many_bytes) {
        sureness = Sureness::Likely;
    }
    let odds_bits = if sureness >= Sureness::Likely {
        together
    } else {
        by_rank
    };
    let describe = |h: Hypothesis| Covered {
        scheme: h.scheme,
        from: h.from,
        to: -(h.to_back as isize),
        at: match h.place {
            Place::Front(at) => at as isize,
            Place::Back(behind) => -(behind as isize),
        },
        is_unpacked: h.over != Over::Sent,
    };
    let mut equal: Vec<Covered> = fits
        .fits
        .iter()
        .filter(|f| f.hypothesis != fit.hypothesis)
        .filter(|f| sureness >= Sureness::Likely || f.oddness <= fit.oddness + 30)
        .map(|f| describe(f.hypothesis))
        .take(ChecksumDraft::MAX_EQUAL)
        .collect();
    equal.dedup();
    let span = match equal.is_empty() {
        true => sureness,
        false => sureness.min(Sureness::Likely),
    };
    Some(ChecksumDraft {
        rule: describe(fit.hypothesis),
        sureness,
        span,
        odds_bits: odds_bits.max(0.0),
        n_fit: kind.messages.len() - fit.n_misses,
        n_misses: fit.n_misses,
        equal,
    })
}

/// Where the data of a kind could begin, the likeliest first.
pub(super) fn starts(kind: &Kind, fits: &Fits, chosen: Option<&ChecksumDraft>) -> Vec<usize> {
    let possible = kind.least_start..=kind.most_start;
    let mut starts: Vec<usize> = Vec::new();
    let mut add = |start: usize| {
        if possible.contains(&start) && !starts.contains(&start) && starts.len() < MAX_STARTS {
            starts.push(start);
        }
    };
    if let Some(chosen) = chosen.filter(|c| !c.rule.is_unpacked || c.sureness > Sureness::Maybe) {
        add(chosen.rule.from);
    }
    if kind.length_at.is_some() {
        add(kind.least_start);
    }
    let weak = chosen.is_none_or(|c| c.sureness == Sureness::Maybe);
    for fit in &fits.fits {
        let same_rule = chosen.is_some_and(|c| {
            c.rule.scheme == fit.hypothesis.scheme
                && c.rule.to == -(fit.hypothesis.to_back as isize)
        });
        if same_rule || weak {
            add(fit.hypothesis.from);
        }
    }
    add(kind.most_start);
    add(kind.least_start);
    // A header of an even length keeps half bytes in pairs, whatever else is unknown.
    for back in 1..4 {
        add(kind.most_start.saturating_sub(back));
    }
    // A number right before the data that divides its length counts the patches.
    let end = match chosen {
        Some(c) if c.rule.at < 0 => c.rule.at.unsigned_abs(),
        _ => 1,
    };
    starts.sort_by_key(|start| !is_counted(kind, *start, end));
    starts
}

fn is_counted(kind: &Kind, start: usize, end_back: usize) -> bool {
    let count = |m: &[u8]| {
        let two = usize::from(m[start - 2]) << 7 | usize::from(m[start - 1]);
        (two, m.len().saturating_sub(start + end_back))
    };
    if start < kind.id_end + 2 {
        return false;
    }
    let (n, len) = count(kind.messages[0]);
    n >= 8 && len / n >= 8 && len % n == 0 && kind.messages.iter().all(|m| count(m) == (n, len))
}

const MAX_STARTS: usize = 6;

impl Fits {
    /// What the fit behind a rule is over.
    pub fn over(&self, rule: &Covered) -> Option<Over> {
        self.fits
            .iter()
            .map(|f| f.hypothesis)
            .find(|h| {
                h.scheme == rule.scheme
                    && h.from == rule.from
                    && -(h.to_back as isize) == rule.to
                    && (h.over != Over::Sent) == rule.is_unpacked
            })
            .map(|h| h.over)
    }
}
