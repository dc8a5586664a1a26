//! Compares a draft with what is true of a device.

use farshelf::layout::draft::{ChecksumDraft, Covered, Draft, KindDraft, Sureness};
use farshelf::midi::packing::Packing;

/// What is true of the kind of message a device sends.
#[derive(Debug, Clone)]
pub struct Truth {
    /// Where its data begins.
    pub data_at: usize,
    pub packing: Option<Packing>,
    /// In unpacked bytes.
    pub stride: usize,
    pub name_at: Option<usize>,
}

/// What a draft says of it, right or not.
#[derive(Debug, Default, Clone)]
pub struct Verdict {
    pub checksum: bool,
    pub stride: bool,
    pub name: bool,
    pub packing: bool,
    /// Everything that was called sure and is wrong.
    pub false_sure: Vec<String>,
    /// How many things were called sure.
    pub n_sure: usize,
    pub checksum_sure: bool,
    pub stride_sure: bool,
}

/// Whether a rule gives the checksum of a message, computed plainly.
pub fn holds(rule: &Covered, packing: Option<Packing>, m: &[u8]) -> bool {
    let place = |p: isize| {
        if p < 0 {
            m.len().checked_add_signed(p)
        } else {
            Some(p as usize)
        }
    };
    let (Some(to), Some(at)) = (place(rule.to), place(rule.at)) else {
        return false;
    };
    let Some(covered) = m.get(rule.from..=to) else {
        return false;
    };
    let covered = if rule.is_unpacked {
        match packing.and_then(|p| p.unpack(covered)) {
            Some(bytes) => bytes,
            None => return false,
        }
    } else {
        covered.to_vec()
    };
    let expected = rule.scheme.of(&covered);
    m.get(at..at + rule.scheme.n_bytes()) == Some(expected.as_bytes())
}

fn rules(checksum: &ChecksumDraft) -> impl Iterator<Item = &Covered> {
    std::iter::once(&checksum.rule).chain(&checksum.equal)
}

/// `later` are messages of the device that the draft may not have seen.
pub fn judge(draft: &Draft, truth: &Truth, later: &[Vec<u8>]) -> Verdict {
    let mut verdict = Verdict::default();
    let Some(kind) = draft.kinds.first() else {
        return verdict;
    };
    let mut sure = |what: &str, sureness: Sureness, right: bool| {
        if sureness == Sureness::Sure {
            verdict.n_sure += 1;
            if !right {
                verdict.false_sure.push(what.to_string());
            }
        }
    };
    let of = |rule: &Covered| later.iter().all(|m| holds(rule, truth.packing, m));
    if let Some(checksum) = &kind.checksum {
        verdict.checksum = of(&checksum.rule);
        verdict.checksum_sure = checksum.sureness == Sureness::Sure;
        sure("checksum", checksum.sureness, rules(checksum).any(of));
        sure("span", checksum.span, verdict.checksum);
    }
    let packing = kind.packing.as_ref();
    verdict.packing = packing.is_some_and(|p| p.form == truth.packing);
    if let Some(packing) = packing {
        sure("packing", packing.sureness, packing.form == truth.packing);
    }
    if let Some(patches) = kind.patches.first() {
        verdict.stride =
            patches.stride == truth.stride || sent_end(kind) == sent(truth.stride, truth.packing);
        verdict.stride_sure = patches.sureness == Sureness::Sure;
        sure("stride", patches.sureness, verdict.stride);
        if let (Some(name), Some(name_at)) = (&patches.name, truth.name_at) {
            let origin = if truth.packing.is_some() {
                packing.map_or(0, |p| p.from) as isize - truth.data_at as isize
            } else {
                patches.from as isize - truth.data_at as isize
            };
            verdict.name = packing_fits(kind, truth)
                && (origin + name.at as isize - name_at as isize)
                    .rem_euclid(patches.stride as isize)
                    == 0;
            sure("name", name.sureness, verdict.name);
        }
        if let (Some(name), None) = (&patches.name, truth.name_at) {
            sure("name", name.sureness, false);
        }
    }
    verdict
}

fn sent(n: usize, packing: Option<Packing>) -> usize {
    packing.map_or(n, |p| p.packed_len(n))
}

/// The stride as it is sent.
fn sent_end(kind: &KindDraft) -> usize {
    let form = kind.packing.as_ref().and_then(|p| p.form);
    sent(kind.patches[0].stride, form)
}

/// The names are where they are only if the bytes are read as they are packed; the order of top bits is another matter.
fn packing_fits(kind: &KindDraft, truth: &Truth) -> bool {
    let is_seven = |p: Option<Packing>| {
        matches!(
            p,
            Some(Packing::SevenInEightHigh | Packing::SevenInEightLow)
        )
    };
    let form = kind.packing.as_ref().and_then(|p| p.form);
    form == truth.packing || (is_seven(form) && is_seven(truth.packing))
}
