//! Proposes a layout for dumps of an instrument nobody described, and says how sure it is of each part.
//!
//! Every part is an inference from the bytes alone. **Sure** means that chance would do it less than once in 10,000
//! times, with every hypothesis that was tried counted in. A draft is a start for a person with a manual, not a truth.

mod gather;
mod names;
mod patches;
mod periods;
mod sums;
mod volatile;
mod words;
mod write;

use std::fmt;

use crate::midi::checksum::Scheme;
use crate::midi::packing::Packing;

/// How sure a part of a draft is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Sureness {
    /// It fits, and so may other things.
    Maybe,
    /// It fits much better than anything else.
    Likely,
    /// Chance would do it less than once in 10,000 times.
    Sure,
}

impl Sureness {
    /// 10,000 in bits.
    const SURE_BITS: f64 = 13.29;

    /// The word for it; never changes.
    pub fn as_str(self) -> &'static str {
        match self {
            Sureness::Maybe => "maybe",
            Sureness::Likely => "likely",
            Sureness::Sure => "sure",
        }
    }
}

impl fmt::Display for Sureness {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}

/// What some dumps of one instrument tell about its layout.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Draft {
    /// How many dumps were given.
    pub n_dumps: usize,
    /// How many messages they have.
    pub n_messages: usize,
    /// How many different ones were looked at.
    pub n_distinct: usize,
    /// How many bytes those have.
    pub n_bytes: usize,
    /// True if the dumps hold more than [`Draft::MAX_BYTES`] and the rest was not looked at.
    pub is_capped: bool,
    /// How many messages were not looked at: torn, too short, of a kind too rare, or beyond the limit.
    pub n_left_out: usize,
    /// Where the SysEx number stands.
    pub number: Option<NumberDraft>,
    /// The kinds of messages, the one with most bytes first.
    pub kinds: Vec<KindDraft>,
}

impl Draft {
    /// So many bytes of different messages are looked at.
    pub const MAX_BYTES: usize = 4 << 20;
}

/// Where the SysEx number stands in every message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NumberDraft {
    /// How many bytes after the ID.
    pub after_id: usize,
    /// The bytes seen there, with what stands in their upper halves.
    pub values: Vec<u8>,
    /// `Likely` if it differs between dumps and never inside one; otherwise only the place speaks for it.
    pub sureness: Sureness,
}

/// One byte of a header.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HeaderByte {
    /// The same in every message.
    Fixed(u8),
    /// The SysEx number, in the lower half if the upper half is always `high`.
    Number {
        /// The upper half.
        high: Option<u8>,
    },
    /// Counts slowly: a bank.
    Bank,
    /// Counts: a patch.
    Patch,
    /// Differs, and nothing tells why.
    Free,
}

/// One kind of message.
#[derive(Debug, Clone, PartialEq)]
pub struct KindDraft {
    /// How it begins, F0 and ID included, up to where its data seems to begin.
    pub header: Vec<HeaderByte>,
    /// How sure the letters of the header are.
    pub header_sureness: Sureness,
    /// Where two bytes of the header give the length of the data.
    pub length_at: Option<usize>,
    /// Its least and greatest length, F0 and F7 included.
    pub bytes: (usize, usize),
    /// How many each dump has.
    pub counts: Vec<usize>,
    /// How many different ones there are.
    pub n_distinct: usize,
    /// Its checksum; `None` if nothing fits.
    pub checksum: Option<ChecksumDraft>,
    /// How its data is packed.
    pub packing: Option<PackingDraft>,
    /// Where the patches stand, the best hypothesis first.
    pub patches: Vec<PatchesDraft>,
    /// Bytes that change by themselves.
    pub volatile: Option<VolatileDraft>,
}

/// A rule for a checksum. Positions as in layouts: from 0, negative ones from the end of the message.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Covered {
    /// How it is computed.
    pub scheme: Scheme,
    /// The first byte covered.
    pub from: usize,
    /// The last byte covered.
    pub to: isize,
    /// Where the checksum stands.
    pub at: isize,
    /// True if it is over what the covered bytes stand for when unpacked.
    pub is_unpacked: bool,
}

/// The checksum of a kind.
#[derive(Debug, Clone, PartialEq)]
pub struct ChecksumDraft {
    /// The most usual rule that fits.
    pub rule: Covered,
    /// How sure it is that this rule or one of `equal` is right.
    pub sureness: Sureness,
    /// How sure it is that the span is the one of `rule`; less than `sureness` if other spans give the same.
    pub span: Sureness,
    /// Chance would fit once in 2 to this power, after all hypotheses; evidence of all kinds joined.
    pub odds_bits: f64,
    /// How many different messages it fits.
    pub n_fit: usize,
    /// How many it does not fit (damaged, or the rule is wrong).
    pub n_misses: usize,
    /// Other rules that fit every one of these messages as well.
    pub equal: Vec<Covered>,
}

impl ChecksumDraft {
    /// So many equals are told.
    pub const MAX_EQUAL: usize = 12;

    /// The odds in words: `1 in 10^9`.
    pub fn odds(&self) -> String {
        let tens = self.odds_bits * std::f64::consts::LOG10_2;
        if tens >= 30.0 {
            "less than 1 in 10^30".to_string()
        } else if tens >= 4.0 {
            format!("1 in 10^{}", tens.floor())
        } else {
            format!("1 in {}", self.odds_bits.exp2().floor())
        }
    }
}

/// How data is packed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PackingDraft {
    /// The packing; `None`: the bytes stand for themselves.
    pub form: Option<Packing>,
    /// The first packed byte.
    pub from: usize,
    /// The last packed byte, from the end.
    pub to: isize,
    /// How sure it is.
    pub sureness: Sureness,
    /// What fits nearly as well.
    pub others: Vec<Option<Packing>>,
}

/// Where patches stand.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PatchesDraft {
    /// Where the first one begins: in the message, or in the unpacked bytes if the data is packed.
    pub from: usize,
    /// From one to the next, in the same bytes as `from`.
    pub stride: usize,
    /// How many there are in a message.
    pub count: usize,
    /// True if each message holds one.
    pub is_one_a_message: bool,
    /// Their names.
    pub name: Option<NameDraft>,
    /// How sure the stride is.
    pub sureness: Sureness,
}

impl PatchesDraft {
    /// So many hypotheses are told.
    pub const MAX: usize = 3;
}

/// Where the name of a patch stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NameDraft {
    /// Its first byte in the patch.
    pub at: usize,
    /// How many characters seem to belong to it. The end of a name is seldom clear: never more than likely.
    pub n_bytes: usize,
    /// How sure its first byte is.
    pub sureness: Sureness,
}

/// Bytes that change in every dump although nothing else does.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct VolatileDraft {
    /// First and last byte of each stretch.
    pub ranges: Vec<(usize, usize)>,
    /// How many pairs of dumps say so.
    pub n_pairs: usize,
    /// How sure it is. Never sure: a person who changes one parameter before each dump looks the same.
    pub sureness: Sureness,
}

/// Looks at dumps of one instrument, each the whole messages (F0 to F7, without real-time bytes) of one dump, in the order
/// in which they were made. What is no whole message, or a universal one, is left out and counted. Never fails; looks at no more than
/// [`Draft::MAX_BYTES`].
pub fn draft(dumps: &[Vec<Vec<u8>>]) -> Draft {
    let mut draft = Draft::default();
    let mut kinds = gather::gather(dumps, &mut draft);
    let mut fits: Vec<sums::Fits> = kinds.iter().map(sums::try_all).collect();
    let first = sums::choose(&kinds, &fits);
    let logs = periods::Logs::new();
    let data: Vec<Option<patches::Data>> = kinds
        .iter()
        .enumerate()
        .map(|(k, kind)| {
            let starts = sums::starts(kind, &fits[k], first[k].as_ref());
            let end_backs = match &first[k] {
                Some(c) if c.rule.at < 0 => vec![c.rule.at.unsigned_abs()],
                Some(_) => vec![1],
                None => vec![1, 2, 3],
            };
            let over = first[k]
                .as_ref()
                .filter(|c| c.sureness >= Sureness::Likely)
                .and_then(|c| fits[k].over(&c.rule));
            patches::read(kind, &starts, &end_backs, over, &logs)
        })
        .collect();
    // Where the data begins may decide between spans that fit equally well.
    for (k, kind) in kinds.iter_mut().enumerate() {
        if let Some(data) = &data[k] {
            gather::settle(kind, data.start, data.packing.form);
            fits[k].rank(kind);
        }
    }
    let checksums = sums::choose(&kinds, &fits);
    for ((kind, checksum), data) in kinds.iter().zip(checksums).zip(data) {
        let checked: Vec<isize> = checksum.iter().flat_map(|c| places(&c.rule)).collect();
        let number_at = draft.number.as_ref().map(|n| kind.id_end + n.after_id);
        let (packing, patches) = match data {
            Some(data) => (Some(data.packing), data.patches),
            None => (None, Vec::new()),
        };
        draft.kinds.push(KindDraft {
            header: gather::name_letters(kind, patches.first()),
            header_sureness: kind.letters,
            length_at: kind.length_at,
            bytes: kind.lens(),
            counts: kind.dumps.iter().map(Vec::len).collect(),
            n_distinct: kind.messages.len(),
            volatile: volatile::find(kind, &checked, number_at),
            checksum,
            packing,
            patches,
        });
    }
    draft
}

fn places(rule: &Covered) -> Vec<isize> {
    (0..rule.scheme.n_bytes() as isize)
        .map(|i| rule.at + i)
        .collect()
}
