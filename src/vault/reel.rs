//! The reel: a plain ustar file of pieces and ledger lines, readable by any tar.
//!
//! This file knows the bytes of a reel and nothing of catalogues: how members are named, how a header looks, and
//! how to read one back when any byte of it may be wrong. `FORMAT.md` describes the layout.

use std::fmt;
use std::ops::Range;

use crate::error::{Error, Kind, Result};
use crate::model::hash::Hash;

/// A reel is closed when it would grow past this many bytes.
pub const REEL_BYTES: u64 = 32 << 20;
/// Pieces up to this size are kept as one member; larger ones in chunks.
pub const WHOLE_PIECE_BYTES: u64 = 1 << 20;
/// Every member is smaller than this.
pub const MEMBER_BYTES: u64 = (2 << 20) - 1;
/// Larger files cannot be a reel of ours and are not read into memory.
pub const LARGEST_REEL_BYTES: u64 = REEL_BYTES + (8 << 20);
/// No number of a reel or of a ledger line is larger: an invented one must leave room for those that follow.
pub const LARGEST_NUMBER: u64 = 1 << 62;
/// tar's unit.
pub const BLOCK: usize = 512;
/// The end of a closed reel: two zero blocks.
pub const TRAILER: usize = 2 * BLOCK;

/// The name of a member.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Member {
    /// `reel/<number>.json`: about the reel itself, first member.
    Reel(u64),
    /// `dumps/<blake3>`: a whole piece.
    Dump(Hash),
    /// `chunks/<blake3>`: a part of a larger piece.
    Chunk(Hash),
    /// `lists/<hash>` and its continuations `.2`, `.3`, … (`part` starts at 1).
    List {
        /// BLAKE3 of the whole piece, or of a folder take's list text.
        hash: Hash,
        /// 1 for the first.
        part: u32,
    },
    /// `layouts/<blake3>.toml`: the person's own layout.
    Layout(Hash),
    /// `ledger/<first>-<last>-<16 hex>.jsonl`: one batch of events.
    Ledger {
        /// Number of its first event.
        first: u64,
        /// Number of its last event.
        last: u64,
        /// The first eight bytes of the BLAKE3 of its text.
        check: [u8; 8],
    },
    /// `takes/<first>-<last>.tsv`: rows for a shell loop.
    Takes {
        /// As the ledger member it goes with.
        first: u64,
        /// As the ledger member it goes with.
        last: u64,
    },
    /// Something a later program writes; kept and ignored.
    Other(String),
}

impl Member {
    /// The ledger member that holds `text`.
    pub fn ledger(first: u64, last: u64, text: &[u8]) -> Member {
        Member::Ledger {
            first,
            last,
            check: check_of(text),
        }
    }

    /// Parses a member's name; anything not exactly of a known form is `Other`.
    pub fn parse(name: &str) -> Member {
        Member::known(name).unwrap_or_else(|| Member::Other(name.to_string()))
    }

    fn known(name: &str) -> Option<Member> {
        let (folder, rest) = name.split_once('/')?;
        let member = match folder {
            "reel" => Member::Reel(rest.strip_suffix(".json")?.parse().ok()?),
            "dumps" => Member::Dump(rest.parse().ok()?),
            "chunks" => Member::Chunk(rest.parse().ok()?),
            "lists" => match rest.split_once('.') {
                None => Member::List {
                    hash: rest.parse().ok()?,
                    part: 1,
                },
                Some((hash, part)) => Member::List {
                    hash: hash.parse().ok()?,
                    part: part.parse().ok().filter(|p| *p > 1)?,
                },
            },
            "layouts" => Member::Layout(rest.strip_suffix(".toml")?.parse().ok()?),
            "ledger" => {
                let mut parts = rest.strip_suffix(".jsonl")?.splitn(3, '-');
                let first = parts.next()?.parse().ok()?;
                let last = parts
                    .next()?
                    .parse()
                    .ok()
                    .filter(|n| *n <= LARGEST_NUMBER)?;
                let hex = parts.next()?;
                let check = u64::from_str_radix(hex, 16).ok()?.to_be_bytes();
                Member::Ledger { first, last, check }
            }
            "takes" => {
                let (first, last) = rest.strip_suffix(".tsv")?.split_once('-')?;
                Member::Takes {
                    first: first.parse().ok()?,
                    last: last.parse().ok()?,
                }
            }
            _ => return None,
        };
        // Only the exact text counts: no missing zeros, no upper case.
        (member.to_string() == name).then_some(member)
    }

    /// True if `data` is what the name promises; members whose names promise nothing are always true.
    pub fn fits(&self, data: &[u8]) -> bool {
        match self {
            Member::Dump(h) | Member::Chunk(h) | Member::Layout(h) => Hash::of(data) == *h,
            Member::Ledger { check, .. } => check_of(data) == *check,
            Member::Reel(_) | Member::List { .. } | Member::Takes { .. } | Member::Other(_) => true,
        }
    }
}

fn check_of(text: &[u8]) -> [u8; 8] {
    let mut check = [0u8; 8];
    check.copy_from_slice(&Hash::of(text).0[..8]);
    check
}

impl fmt::Display for Member {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Member::Reel(n) => write!(f, "reel/{n:06}.json"),
            Member::Dump(h) => write!(f, "dumps/{h}"),
            Member::Chunk(h) => write!(f, "chunks/{h}"),
            Member::List { hash, part: 1 } => write!(f, "lists/{hash}"),
            Member::List { hash, part } => write!(f, "lists/{hash}.{part}"),
            Member::Layout(h) => write!(f, "layouts/{h}.toml"),
            Member::Ledger { first, last, check } => {
                write!(
                    f,
                    "ledger/{first:012}-{last:012}-{:016x}.jsonl",
                    u64::from_be_bytes(*check)
                )
            }
            Member::Takes { first, last } => write!(f, "takes/{first:012}-{last:012}.tsv"),
            Member::Other(name) => f.write_str(name),
        }
    }
}

/// A reel's file name, `000001.tar`.
pub fn file_name(number: u64) -> String {
    format!("{number:06}.tar")
}

/// The number in a reel's file name, if it is exactly of that form.
pub fn number_of(file_name: &str) -> Option<u64> {
    let number = file_name
        .strip_suffix(".tar")?
        .parse()
        .ok()
        .filter(|n| *n <= LARGEST_NUMBER)?;
    (self::file_name(number) == file_name).then_some(number)
}

/// Bytes that `size` bytes of data occupy, filled up to whole blocks.
pub fn padded(size: u64) -> u64 {
    size.div_ceil(BLOCK as u64) * BLOCK as u64
}

/// The one header a member of this name and size may have: ustar, mode 0644, everything else zero.
///
/// # Errors
/// `Bug` if the name does not fit a ustar header.
pub fn header(name: &str, size: u64) -> Result<[u8; BLOCK]> {
    let mut h = tar::Header::new_ustar();
    h.set_path(name).map_err(|e| {
        Error::new(
            Kind::Bug,
            format!("a reel cannot hold a member named {name}"),
        )
        .because(e)
    })?;
    h.set_entry_type(tar::EntryType::Regular);
    h.set_mode(0o644);
    h.set_uid(0);
    h.set_gid(0);
    h.set_mtime(0);
    h.set_size(size);
    h.set_cksum();
    Ok(*h.as_bytes())
}

/// One member as it lies in a reel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// Where its header begins.
    pub at: u64,
    /// Its name.
    pub member: Member,
    /// Where its bytes lie.
    pub data: Range<usize>,
}

/// How a reel ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ending {
    /// After the last whole member: the reel is open.
    Open,
    /// With exactly two zero blocks: the reel is closed.
    Closed,
    /// With something else.
    Ragged,
}

/// What a reading of a reel found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Scan {
    /// Members with a right header and all their bytes there, in order.
    pub members: Vec<Found>,
    /// Stretches that belong to no member.
    pub gaps: Vec<Range<u64>>,
    /// Where the last whole member ends.
    pub end: u64,
    /// How the reel ends.
    pub ending: Ending,
}

/// Reads the members of `bytes`, which begin `base` bytes into a reel.
///
/// Damage is stepped over: after a wrong header the scan goes on at the next right one, wherever it stands. Whether
/// a member's bytes fit its name is for the caller to ask ([`Member::fits`]).
pub fn scan(bytes: &[u8], base: u64) -> Scan {
    let mut members: Vec<Found> = Vec::new();
    let mut gaps = Vec::new();
    let mut at = 0usize;
    let mut end = 0usize;
    while at < bytes.len() {
        if let Some((member, size)) = read_header(&bytes[at..])
            && let Some(next) = at.checked_add(BLOCK + padded(size) as usize)
            && next <= bytes.len()
            && bytes[at + BLOCK + size as usize..next]
                .iter()
                .all(|b| *b == 0)
        {
            members.push(Found {
                at: base + at as u64,
                member,
                data: at + BLOCK..at + BLOCK + size as usize,
            });
            at = next;
            end = next;
            continue;
        }
        let rest = &bytes[at..];
        if rest.len() == TRAILER && rest.iter().all(|b| *b == 0) {
            let ending = Ending::Closed;
            return Scan {
                members,
                gaps,
                end: base + end as u64,
                ending,
            };
        }
        let next = next_header(bytes, at + 1).unwrap_or(bytes.len());
        gaps.push(base + at as u64..base + next as u64);
        at = next;
    }
    let ending = if end == bytes.len() {
        Ending::Open
    } else {
        Ending::Ragged
    };
    Scan {
        members,
        gaps,
        end: base + end as u64,
        ending,
    }
}

fn read_header(bytes: &[u8]) -> Option<(Member, u64)> {
    let block = bytes.get(..BLOCK)?;
    if &block[257..263] != b"ustar\0" {
        return None;
    }
    let parsed = tar::Header::from_byte_slice(block);
    let size = parsed.entry_size().ok().filter(|s| *s <= MEMBER_BYTES)?;
    let path = parsed.path_bytes();
    let name = std::str::from_utf8(&path).ok()?;
    // A header of ours can have one form only, so any flipped bit in it shows.
    (header(name, size).ok()?[..] == *block).then(|| (Member::parse(name), size))
}

/// The number that a reel gives itself in its first member, whose header stands at the start of `bytes`.
pub fn first_number(bytes: &[u8]) -> Option<u64> {
    match read_header(bytes)?.0 {
        Member::Reel(number) => Some(number),
        _ => None,
    }
}

fn next_header(bytes: &[u8], from: usize) -> Option<usize> {
    let magic = b"ustar\x0000";
    let mut search = from + 257;
    while let Some(window) = bytes.get(search..) {
        let hit = window.windows(magic.len()).position(|w| w == magic)?;
        let start = search + hit - 257;
        if read_header(&bytes[start..]).is_some() {
            return Some(start);
        }
        search += hit + 1;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    fn put(reel: &mut Vec<u8>, member: Member, data: &[u8]) {
        reel.extend(header(&member.to_string(), data.len() as u64).unwrap());
        reel.extend(data);
        reel.resize(padded(reel.len() as u64) as usize, 0);
    }

    fn sample() -> Vec<u8> {
        let mut reel = Vec::new();
        put(&mut reel, Member::Reel(1), b"{}");
        put(&mut reel, Member::Dump(Hash::of(b"abc")), b"abc");
        put(&mut reel, Member::Dump(Hash::of(&[7; 700])), &[7; 700]);
        put(&mut reel, Member::ledger(1, 2, b"x\n"), b"x\n");
        reel
    }

    #[test]
    fn names_are_strict_and_reversible() {
        let h = Hash::of(b"");
        for member in [
            Member::Reel(17),
            Member::Dump(h),
            Member::Chunk(h),
            Member::List { hash: h, part: 1 },
            Member::List { hash: h, part: 12 },
            Member::Layout(h),
            Member::ledger(1, 99, b"text"),
            Member::Takes { first: 1, last: 99 },
        ] {
            assert_eq!(Member::parse(&member.to_string()), member);
        }
        for other in [
            "reel/1.json",
            "dumps/abc",
            "lists/../x",
            "ledger/1-2-3.jsonl",
            "notes/a",
        ] {
            assert_eq!(Member::parse(other), Member::Other(other.to_string()));
        }
        assert_eq!(number_of("000001.tar"), Some(1));
        assert_eq!(number_of("1.tar"), None);
        assert_eq!(number_of("1000000.tar"), Some(1_000_000));
    }

    #[test]
    fn a_whole_reel_reads_back() {
        let mut reel = sample();
        let s = scan(&reel, 0);
        assert_eq!(
            (s.members.len(), s.ending, s.gaps.len()),
            (4, Ending::Open, 0)
        );
        assert!(
            s.members
                .iter()
                .all(|m| m.member.fits(&reel[m.data.clone()]))
        );
        assert_eq!(s.end, reel.len() as u64);
        reel.extend([0; TRAILER]);
        let closed = scan(&reel, 0);
        assert_eq!((closed.ending, closed.end), (Ending::Closed, s.end));
    }

    #[test]
    fn every_flipped_bit_shows_and_the_rest_still_reads() {
        let reel = sample();
        for at in 0..reel.len() {
            let mut bad = reel.clone();
            bad[at] ^= 1 << (at % 8);
            let s = scan(&bad, 0);
            let whole = s
                .members
                .iter()
                .filter(|m| m.member.fits(&bad[m.data.clone()]))
                .count();
            // The text of reel.json promises nothing by its name; everything else shows every bit.
            let silent = (BLOCK..BLOCK + 2).contains(&at);
            assert_eq!(whole, if silent { 4 } else { 3 }, "byte {at}");
        }
    }

    #[test]
    fn every_cut_leaves_the_members_before_it() {
        let reel = sample();
        let ends = [1024, 2048, 3584, 4608];
        for cut in 0..reel.len() {
            let s = scan(&reel[..cut], 0);
            assert_eq!(
                s.members.len(),
                ends.iter().filter(|e| **e <= cut).count(),
                "cut at {cut}"
            );
            assert_eq!(
                s.ending == Ending::Open,
                cut == 0 || ends.contains(&cut),
                "cut at {cut}"
            );
        }
    }

    #[test]
    fn bytes_pushed_in_are_stepped_over() {
        let reel = sample();
        let mut bad = reel[..1024].to_vec();
        bad.extend(b"seventeen bytes!!");
        bad.extend(&reel[1024..]);
        let s = scan(&bad, 0);
        assert_eq!(s.members.len(), 4);
        assert_eq!(s.gaps, vec![1024..1041]);
    }
}
