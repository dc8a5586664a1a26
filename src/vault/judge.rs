//! What is wrong with a reel, told from its bytes alone.

use std::fmt;

use crate::model::hash::Hash;
use crate::vault::ledger::{self, Event, Read};
use crate::vault::reel::{self, Ending, Member, Scan};

/// One thing wrong in a reel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// Where it begins, bytes from the start of the reel.
    pub at: u64,
    /// What it is.
    pub what: What,
}

/// What is wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum What {
    /// So many bytes belong to no member.
    Gap(u64),
    /// A member's bytes are not what its name says.
    Unfit(Member),
    /// A batch's bytes are not what its ledger says, and no member tells which.
    Batch,
    /// The reel ends in the middle of something.
    Ending,
    /// It is shorter than what was acknowledged: so many bytes are missing.
    Short(u64),
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let at = crate::sys::text::grouped(self.at);
        match &self.what {
            What::Gap(n) => {
                write!(
                    f,
                    "{} from byte {at} belong to nothing",
                    crate::sys::text::counted(*n, "byte")
                )
            }
            What::Unfit(member) => write!(f, "{member} at byte {at} does not fit its name"),
            What::Batch => write!(f, "the stretch from byte {at} is not as it was written"),
            What::Ending => write!(f, "it ends in the middle of something at byte {at}"),
            What::Short(n) => {
                write!(
                    f,
                    "{} are missing from byte {at}",
                    crate::sys::text::counted(*n, "byte")
                )
            }
        }
    }
}

impl Fault {
    /// True if it can have hurt nothing but the bytes of one whole piece or chunk.
    pub fn is_in_a_piece(&self) -> bool {
        matches!(
            self.what,
            What::Unfit(Member::Dump(_) | Member::Chunk(_) | Member::Layout(_))
        )
    }
}

/// Everything wrong with the reel in `bytes`, by place. `scan` is the reading of the same bytes from 0.
pub fn faults(bytes: &[u8], scan: &Scan) -> Vec<Fault> {
    let mut faults: Vec<Fault> = scan
        .gaps
        .iter()
        .map(|gap| Fault {
            at: gap.start,
            what: What::Gap(gap.end - gap.start),
        })
        .collect();
    let mut from = 0u64;
    for found in &scan.members {
        let data = &bytes[found.data.clone()];
        if !found.member.fits(data) {
            faults.push(Fault {
                at: found.at,
                what: What::Unfit(found.member.clone()),
            });
            continue;
        }
        if let Member::Ledger { first, last, .. } = found.member {
            let stretch = from..found.at;
            let told = faults.iter().any(|f| stretch.contains(&f.at));
            if !told && !batch_fits(bytes, data, first, last, from, found.at) {
                faults.push(Fault {
                    at: from,
                    what: What::Batch,
                });
            }
            from = found.at + reel::BLOCK as u64 + reel::padded(data.len() as u64);
        }
    }
    if scan.ending == Ending::Ragged && scan.gaps.is_empty() {
        faults.push(Fault {
            at: scan.end,
            what: What::Ending,
        });
    }
    faults.sort_by_key(|f| f.at);
    faults
}

/// True if the batch whose ledger member (its text is `text`) begins at `ledger_at` is whole: its lines read, and
/// the bytes from `from` up to it hash to what its first line says.
pub fn batch_fits(
    bytes: &[u8],
    text: &[u8],
    first: u64,
    last: u64,
    from: u64,
    ledger_at: u64,
) -> bool {
    let Some(lines) = ledger::read_batch(text, first, last) else {
        return false;
    };
    let Some(Read::Known(line)) = lines.first() else {
        return false;
    };
    let Event::Batch(batch) = &line.event else {
        return false;
    };
    let Some(stretch) = bytes.get(from as usize..ledger_at as usize) else {
        return false;
    };
    batch.from == from && batch.check == Hash::of(stretch).to_string()
}
