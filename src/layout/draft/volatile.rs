//! Bytes that change from dump to dump although nothing else does.

use std::collections::BTreeMap;

use super::gather::Kind;
use super::{Sureness, VolatileDraft};

/// More differences than this are an edit.
const MAX_CHANGED: usize = 8;
const MAX_DIFFERENCES: usize = 64;

/// The bytes of `kind` that change in every dump while the rest mostly stays; `checked` are the positions of the
/// checksum, from the front or, negative, from the end.
pub(super) fn find(
    kind: &Kind,
    checked: &[isize],
    number_at: Option<usize>,
) -> Option<VolatileDraft> {
    let mut n_pairs = 0;
    let mut n_quiet = 0;
    let mut changed: BTreeMap<usize, usize> = BTreeMap::new();
    let mut by_pair: Vec<Vec<usize>> = Vec::new();
    for pair in kind.dumps.windows(2) {
        if pair[0].is_empty() || pair[0].len() != pair[1].len() {
            continue;
        }
        n_pairs += 1;
        let mut positions: Vec<usize> = Vec::new();
        let mut is_much = false;
        'messages: for (a, b) in pair[0].iter().zip(&pair[1]) {
            let (a, b) = (kind.messages[*a], kind.messages[*b]);
            if a.len() != b.len() {
                is_much = true;
                break;
            }
            for at in 0..a.len() {
                let behind = at as isize - a.len() as isize;
                let skipped = checked.contains(&(at as isize))
                    || checked.contains(&behind)
                    || Some(at) == number_at;
                if a[at] != b[at] && !skipped && !positions.contains(&at) {
                    positions.push(at);
                    if positions.len() > MAX_DIFFERENCES {
                        is_much = true;
                        break 'messages;
                    }
                }
            }
        }
        // Whoever changes a whole patch hides what changes by itself: such a pair says nothing.
        if is_much {
            n_pairs -= 1;
            continue;
        }
        for at in &positions {
            *changed.entry(*at).or_default() += 1;
        }
        by_pair.push(positions);
    }
    let always: Vec<usize> = changed
        .iter()
        .filter(|(_, n)| **n == n_pairs)
        .map(|(at, _)| *at)
        .collect();
    for positions in &by_pair {
        n_quiet +=
            usize::from(!positions.is_empty() && positions.iter().all(|at| always.contains(at)));
    }
    if always.is_empty() || always.len() > MAX_CHANGED || n_quiet == 0 || n_quiet * 2 < n_pairs {
        return None;
    }
    let mut ranges: Vec<(usize, usize)> = Vec::new();
    for at in always {
        match ranges.last_mut() {
            Some(last) if last.1 + 1 == at => last.1 = at,
            _ => ranges.push((at, at)),
        }
    }
    Some(VolatileDraft {
        ranges,
        n_pairs,
        sureness: if n_pairs >= 2 {
            Sureness::Likely
        } else {
            Sureness::Maybe
        },
    })
}
