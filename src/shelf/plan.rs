//! What a mirror has to do at a shelf, told from lists alone.
//!
//! One chain, one writer: an object with a right mac that is none of our closed reels and was not accepted stops the
//! upload. With a wrong mac it is nobody's reel and stops nothing.

use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet};

use super::name::{ReelName, ReelTag};

/// This vault's own chain.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Chain {
    /// Its closed reels by number.
    pub closed: BTreeMap<u64, ReelTag>,
    /// True if facts wait in an open reel.
    pub open_facts: bool,
    /// Reels that the chain names as its own and this vault lacks.
    pub holes: BTreeSet<ReelTag>,
    /// Reels of other lines that a person accepted.
    pub accepted: BTreeSet<(u64, ReelTag)>,
}

/// One object at a shelf, judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Seen {
    /// Its name.
    pub name: ReelName,
    /// True if its bytes are those it was named for.
    pub good: bool,
}

/// Why nothing may be sent to a shelf.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Conflict {
    /// The shelf has what this vault lacks, and this vault has nothing that the shelf could lack.
    Ahead,
    /// Both went on.
    Forked,
}

impl Conflict {
    /// The word for it.
    pub fn as_str(self) -> &'static str {
        match self {
            Conflict::Ahead => "ahead",
            Conflict::Forked => "forked",
        }
    }
}

/// What stands at a shelf and what is to be done.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Plan {
    /// Our reels that are to be sent, ascending.
    pub to_send: Vec<u64>,
    /// Our reels that are there, with the object that holds each.
    pub present: BTreeMap<u64, ReelName>,
    /// Further objects of reels that are there whole: nothing depends on them.
    pub superseded: Vec<ReelName>,
    /// Our reels of which only damaged objects are there.
    pub damaged: BTreeMap<u64, ReelName>,
    /// Of the damaged ones those that were never right there: they were spoiled on their way, and nobody counted on them.
    /// Sealed anew they go under another name. Not for ever: a server that spoils whatever it is given is to be mended
    /// first.
    pub spoiled: Vec<u64>,
    /// Our reels that were verified there once and are gone.
    pub missing: Vec<u64>,
    /// Whole reels there that are neither ours nor accepted, and what that means.
    pub foreign: Vec<ReelName>,
    /// Reels of our own chain that this vault lacks and the shelf has.
    pub found: Vec<ReelName>,
    /// Objects with the name of a reel that is not ours and bytes that do not fit it: forged, renamed or rotted.
    pub unfit: Vec<ReelName>,
    /// Set when the foreign reels stop the upload.
    pub conflict: Option<Conflict>,
}

/// So many damaged objects of one reel are no accident.
const SPOILED_TOO_OFTEN: usize = 8;

/// Compares our chain with what is at a shelf. `verified_before` are the numbers once verified there.
pub fn plan(chain: &Chain, seen: &[Seen], verified_before: &BTreeSet<u64>) -> Plan {
    let mut plan = Plan::default();
    let mut seen = seen.to_vec();
    seen.sort_by_key(|s| (s.name.number, !s.good, s.name));
    for one in &seen {
        let (number, tag) = (one.name.number, one.name.tag);
        if chain.closed.get(&number) == Some(&tag) {
            // Good objects come first, so the first one decides.
            match plan.present.entry(number) {
                Entry::Occupied(_) => plan.superseded.push(one.name),
                Entry::Vacant(place) if one.good => {
                    place.insert(one.name);
                }
                Entry::Vacant(_) => {
                    plan.damaged.entry(number).or_insert(one.name);
                }
            }
        } else if chain.accepted.contains(&(number, tag)) {
            continue;
        } else if !one.good {
            plan.unfit.push(one.name);
        } else if chain.holes.contains(&tag) {
            plan.found.push(one.name);
        } else {
            plan.foreign.push(one.name);
        }
    }
    // A foreign reel is as whole as its best object.
    plan.foreign.dedup_by_key(|n| (n.number, n.tag));
    plan.found.dedup_by_key(|n| (n.number, n.tag));
    for number in chain.closed.keys() {
        if plan.present.contains_key(number) {
            continue;
        }
        if plan.damaged.contains_key(number) {
            let tag = chain.closed.get(number);
            let is_one = |s: &&Seen| s.name.number == *number && Some(&s.name.tag) == tag;
            let objects = seen.iter().filter(is_one).count();
            if !verified_before.contains(number) && objects < SPOILED_TOO_OFTEN {
                plan.spoiled.push(*number);
            }
            continue;
        }
        if verified_before.contains(number) {
            plan.missing.push(*number);
        } else {
            plan.to_send.push(*number);
        }
    }
    let last = chain.closed.keys().next_back().copied().unwrap_or(0);
    if let Some(first) = plan.foreign.first() {
        let both = chain.open_facts || first.number <= last || !plan.to_send.is_empty();
        plan.conflict = Some(if both {
            Conflict::Forked
        } else {
            Conflict::Ahead
        });
    }
    plan
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shelf::name::{NameKey, ReelMac};

    fn key() -> NameKey {
        NameKey::derive("test")
    }

    fn tag(n: u8) -> ReelTag {
        key().tag(&[n; 32])
    }

    fn mac(n: u8) -> ReelMac {
        let hasher = key().mac("vault", 1, &tag(0));
        hasher.clone_with(n)
    }

    trait WithByte {
        fn clone_with(self, n: u8) -> ReelMac;
    }
    impl WithByte for crate::shelf::name::MacHasher {
        fn clone_with(mut self, n: u8) -> ReelMac {
            self.update(&[n]);
            self.finish()
        }
    }

    fn object(number: u64, tag_of: u8, mac_of: u8) -> ReelName {
        ReelName {
            number,
            tag: tag(tag_of),
            mac: mac(mac_of),
        }
    }

    fn chain(closed: &[(u64, u8)], open_facts: bool) -> Chain {
        Chain {
            closed: closed.iter().map(|(n, t)| (*n, tag(*t))).collect(),
            open_facts,
            ..Chain::default()
        }
    }

    fn good(number: u64, tag_of: u8) -> Seen {
        Seen {
            name: object(number, tag_of, 0),
            good: true,
        }
    }

    #[test]
    fn what_is_sent_and_what_stops_it() {
        type Case<'a> = (
            &'a str,
            Chain,
            Vec<Seen>,
            &'a [u64],
            &'a [u64],
            &'a [u64],
            Option<Conflict>,
        );
        let ours = [(1, 1), (2, 2)];
        let cases: Vec<Case<'_>> = vec![
            (
                "empty shelf",
                chain(&ours, false),
                vec![],
                &[],
                &[1, 2],
                &[],
                None,
            ),
            (
                "one there",
                chain(&ours, true),
                vec![good(1, 1)],
                &[1],
                &[2],
                &[],
                None,
            ),
            (
                "once verified",
                chain(&ours, false),
                vec![good(1, 1)],
                &[1, 2],
                &[],
                &[2],
                None,
            ),
            (
                "a later reel",
                chain(&ours, false),
                vec![good(1, 1), good(2, 2), good(3, 3)],
                &[],
                &[],
                &[],
                Some(Conflict::Ahead),
            ),
            (
                "a later reel and open facts",
                chain(&ours, true),
                vec![good(1, 1), good(2, 2), good(3, 3)],
                &[],
                &[],
                &[],
                Some(Conflict::Forked),
            ),
            (
                "another second reel",
                chain(&ours, false),
                vec![good(1, 1), good(2, 9)],
                &[],
                &[2],
                &[],
                Some(Conflict::Forked),
            ),
            (
                "a later reel, and ours were never there",
                chain(&ours, false),
                vec![good(1, 1), good(3, 3)],
                &[],
                &[2],
                &[],
                Some(Conflict::Forked),
            ),
            (
                "a forged later reel stops nothing",
                chain(&ours, false),
                vec![
                    good(1, 1),
                    good(2, 2),
                    Seen {
                        name: object(3, 3, 0),
                        good: false,
                    },
                ],
                &[],
                &[],
                &[],
                None,
            ),
        ];
        for (what, chain, seen, before, send, missing, conflict) in cases {
            let plan = plan(&chain, &seen, &before.iter().copied().collect());
            assert_eq!(plan.to_send, send, "{what}");
            assert_eq!(plan.missing, missing, "{what}");
            assert_eq!(plan.conflict, conflict, "{what}");
        }
    }

    #[test]
    fn a_damaged_twin_is_superseded_and_a_lone_one_is_damage() {
        let bad = |number, t, m| Seen {
            name: object(number, t, m),
            good: false,
        };
        let chain = chain(&[(1, 1), (2, 2)], false);
        let seen = [
            bad(1, 1, 1),
            good(1, 1),
            bad(1, 1, 2),
            bad(2, 2, 1),
            bad(2, 2, 3),
        ];
        let once = |before: &[u64]| plan(&chain, &seen, &before.iter().copied().collect()).spoiled;
        assert_eq!((once(&[1]), once(&[1, 2])), (vec![2], vec![]));
        let often: Vec<Seen> = (1..=8).map(|m| bad(2, 2, m)).collect();
        assert!(plan(&chain, &often, &BTreeSet::new()).spoiled.is_empty());
        let plan = plan(&chain, &seen, &BTreeSet::new());
        assert_eq!(plan.present, BTreeMap::from([(1, object(1, 1, 0))]));
        assert_eq!(plan.superseded.len(), 2);
        assert_eq!(plan.damaged.keys().copied().collect::<Vec<_>>(), [2]);
        assert_eq!((plan.to_send.len(), plan.missing.len()), (0, 0));
    }

    #[test]
    fn accepted_reels_and_holes_of_our_own_chain_stop_nothing() {
        let mut chain = chain(&[(1, 1), (3, 3)], false);
        chain.accepted.insert((3, tag(9)));
        chain.holes.insert(tag(2));
        let seen = [good(1, 1), good(2, 2), good(3, 3), good(3, 9)];
        let plan = plan(&chain, &seen, &BTreeSet::new());
        assert_eq!(plan.conflict, None);
        assert_eq!(plan.found, [object(2, 2, 0)]);
        assert_eq!(plan.unfit, []);
    }
}
