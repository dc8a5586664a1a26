//! Which reels belong together: chains told apart by what each reel says of the one before.
//!
//! A line is told by its newest reel. It drops out when a line that it does not accept in its turn accepts that reel.

use std::collections::{BTreeMap, BTreeSet};

use crate::model::hash::Hash;

/// What a reel says about itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Link {
    /// Its number.
    pub number: u64,
    /// Its tag, as text.
    pub tag: String,
    /// BLAKE3 of its tar.
    pub hash: Hash,
    /// BLAKE3 of the reel before.
    pub previous: Option<Hash>,
    /// Who wrote it.
    pub writer: String,
    /// Reels of other lines that it accepts: number and tag.
    pub accepts: Vec<(u64, String)>,
}

/// One line: indices into the links, oldest first, and where it is broken.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Line {
    /// Its reels, oldest first.
    pub reels: Vec<usize>,
    /// Hashes of reels that it names and that are nowhere.
    pub holes: Vec<(u64, Hash)>,
}

/// The lines among `links`, each with all its reels; several share what they have in common.
pub fn lines(links: &[Link]) -> Vec<Line> {
    let by_hash: BTreeMap<Hash, usize> =
        links.iter().enumerate().map(|(i, l)| (l.hash, i)).collect();
    let mut followed: BTreeSet<usize> = links
        .iter()
        .filter_map(|l| by_hash.get(&l.previous?).copied())
        .collect();
    // Where a reel is missing, what stood before it is found by number and writer.
    let mut bridges: BTreeMap<usize, usize> = BTreeMap::new();
    for (index, link) in links.iter().enumerate() {
        // The missing reel has a number of its own, so a reel right below ours stands on another line. A reel that
        // cannot say what it follows (its first member was damaged before it was closed) follows the one right below.
        let below = match link.previous {
            Some(hash) if by_hash.contains_key(&hash) => continue,
            Some(_) => link.number.saturating_sub(1),
            None => link.number,
        };
        let same_writer = |other: &Link| {
            other.writer == link.writer || other.writer.is_empty() || link.writer.is_empty()
        };
        let before = (0..links.len())
            .filter(|i| links[*i].number < below)
            .filter(|i| {
                !link
                    .accepts
                    .contains(&(links[*i].number, links[*i].tag.clone()))
            })
            .max_by_key(|i| {
                let before = &links[*i];
                (same_writer(before), !followed.contains(i), before.number)
            });
        if let Some(before) = before {
            bridges.insert(index, before);
            // Another computer's reel may be the end of another line: a person has to say so.
            if same_writer(&links[before]) {
                followed.insert(before);
            }
        }
    }
    let mut lines = Vec::new();
    for head in (0..links.len()).filter(|i| !followed.contains(i)) {
        let mut line = Line::default();
        let mut at = Some(head);
        // Numbers only fall along a chain: a forged circle ends.
        while let Some(index) = at {
            line.reels.push(index);
            let link = &links[index];
            let next = link.previous.and_then(|h| by_hash.get(&h).copied());
            if let (Some(hash), None) = (link.previous, next) {
                line.holes.push((link.number.saturating_sub(1), hash));
            }
            at = next
                .or_else(|| bridges.get(&index).copied())
                .filter(|n| links[*n].number < link.number);
        }
        line.reels.reverse();
        lines.push(line);
    }
    lines.sort_by_key(|l| {
        l.reels
            .last()
            .map(|i| (links[*i].number, links[*i].tag.clone()))
    });
    lines
}

/// The lines that no other one accepted, unless both accept each other.
pub fn standing<'l>(links: &[Link], lines: &'l [Line]) -> Vec<&'l Line> {
    let accepts = |line: &Line, other: &Line| {
        let Some(head) = other.reels.last().map(|i| &links[*i]) else {
            return false;
        };
        line.reels
            .iter()
            .flat_map(|i| &links[*i].accepts)
            .any(|(number, tag)| *number == head.number && *tag == head.tag)
    };
    lines
        .iter()
        .filter(|line| {
            !lines
                .iter()
                .any(|other| other != *line && accepts(other, line) && !accepts(line, other))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn link(name: u8, number: u64, previous: Option<u8>, accepts: &[(u64, u8)]) -> Link {
        Link {
            number,
            tag: name.to_string(),
            hash: Hash([name; 32]),
            previous: previous.map(|p| Hash([p; 32])),
            writer: if name >= 100 { "b" } else { "a" }.to_string(),
            accepts: accepts.iter().map(|(n, t)| (*n, t.to_string())).collect(),
        }
    }

    fn check(links: &[Link], all: &[&[u8]], left: &[&[u8]]) {
        let names =
            |line: &Line| -> Vec<u8> { line.reels.iter().map(|i| links[*i].hash.0[0]).collect() };
        let lines = lines(links);
        assert_eq!(lines.iter().map(names).collect::<Vec<_>>(), all);
        let standing: Vec<_> = standing(links, &lines).into_iter().map(names).collect();
        assert_eq!(standing, left);
    }

    #[test]
    fn chains_forks_gaps_and_acceptance() {
        let (one, two) = (link(1, 1, None, &[]), link(2, 2, Some(1), &[]));
        check(&[two.clone(), one.clone()], &[&[1, 2]], &[&[1, 2]]);
        // A number may be skipped: the chain is by hash.
        let five = link(5, 5, Some(2), &[(3, 103), (4, 104)]);
        let line_b = [link(103, 3, Some(2), &[]), link(104, 4, Some(103), &[])];
        let both = [
            one.clone(),
            two.clone(),
            line_b[0].clone(),
            line_b[1].clone(),
            five.clone(),
        ];
        check(&both, &[&[1, 2, 103, 104], &[1, 2, 5]], &[&[1, 2, 5]]);
        // The accepted line went on: it stands again.
        let mut more = both.to_vec();
        more.push(link(105, 5, Some(104), &[]));
        check(
            &more,
            &[&[1, 2, 103, 104, 105], &[1, 2, 5]],
            &[&[1, 2, 103, 104, 105], &[1, 2, 5]],
        );
        // Both accepted each other.
        let mut mutual = both.to_vec();
        mutual.push(link(106, 6, Some(104), &[(5, 5)]));
        mutual.push(link(7, 7, Some(5), &[(6, 106)]));
        check(
            &mutual,
            &[&[1, 2, 103, 104, 106], &[1, 2, 5, 7]],
            &[&[1, 2, 5, 7]],
        );
        // A gap is bridged to what stood before it.
        let four = link(4, 4, Some(3), &[]);
        check(
            &[one.clone(), two.clone(), four.clone()],
            &[&[1, 2, 4]],
            &[&[1, 2, 4]],
        );
        // In a fork before the gap the writer decides.
        let other = link(102, 2, Some(1), &[]);
        check(
            &[one, two, other, four],
            &[&[1, 102], &[1, 2, 4]],
            &[&[1, 102], &[1, 2, 4]],
        );
        // What stands right below a gap is no part of the line: the missing reel has that number.
        let (one, two) = (link(1, 1, None, &[]), link(2, 2, Some(1), &[]));
        let (three, ours) = (link(3, 3, Some(2), &[]), link(4, 4, Some(9), &[]));
        check(
            &[one.clone(), two.clone(), three.clone(), ours],
            &[&[1, 2, 3], &[1, 2, 4]],
            &[&[1, 2, 3], &[1, 2, 4]],
        );
        // Across a gap another writer may be another line: both stand and a person chooses.
        let elsewhere = link(105, 5, Some(9), &[]);
        check(
            &[one.clone(), two.clone(), three.clone(), elsewhere],
            &[&[1, 2, 3], &[1, 2, 3, 105]],
            &[&[1, 2, 3], &[1, 2, 3, 105]],
        );
        // A reel that cannot say what it follows is no second vault.
        let mut mute = link(4, 4, None, &[]);
        mute.writer = String::new();
        check(
            &[one, two, three, mute, link(5, 5, Some(4), &[])],
            &[&[1, 2, 3, 4, 5]],
            &[&[1, 2, 3, 4, 5]],
        );
        check(&[], &[], &[]);
    }
}
