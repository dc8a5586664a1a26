//! The chunks a MIDI file is made of, and the wrapper some files have around them.

use std::ops::Range;

/// A chunk, or what is there of it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Chunk<'a> {
    pub kind: [u8; 4],
    /// Where its kind stands in the file.
    pub offset: usize,
    /// The length it claims.
    pub n_claimed: u32,
    /// Its bytes; fewer than claimed if the file ends first.
    pub data: &'a [u8],
}

impl Chunk<'_> {
    /// How many bytes stand before `data`: the kind and the length.
    const HEAD: usize = 8;

    /// Where `data` begins in the file.
    pub fn data_offset(&self) -> usize {
        self.offset + Self::HEAD
    }

    /// Whether the file ends before the chunk does.
    pub fn is_cut(&self) -> bool {
        (self.data.len() as u64) < u64::from(self.n_claimed)
    }
}

/// Walks over chunks. They follow each other without padding.
#[derive(Debug, Clone)]
pub(super) struct Chunks<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Chunks<'a> {
    /// The chunks of `bytes` from `start` on; `start` is not past the end.
    pub fn new(bytes: &'a [u8], start: usize) -> Chunks<'a> {
        Chunks { bytes, at: start }
    }

    /// The bytes after the chunks so far; after the last, too few to be a chunk.
    pub fn rest(&self) -> &'a [u8] {
        &self.bytes[self.at..]
    }
}

impl<'a> Iterator for Chunks<'a> {
    type Item = Chunk<'a>;

    fn next(&mut self) -> Option<Chunk<'a>> {
        let ([a, b, c, d, length @ ..], data) = self.rest().split_first_chunk::<8>()?;
        let n_claimed = u32::from_be_bytes(*length);
        let n_there = data.len().min(n_claimed as usize);
        let chunk = Chunk {
            kind: [*a, *b, *c, *d],
            offset: self.at,
            n_claimed,
            data: &data[..n_there],
        };
        self.at = chunk.data_offset() + n_there;
        Some(chunk)
    }
}

/// What a file begins with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Container {
    /// The header chunk.
    Plain,
    /// RIFF of kind RMID, the MIDI file in its chunk `data`. Common practice, no source.
    Riff,
    /// Neither.
    None,
}

pub(super) fn container_kind(first_bytes: &[u8]) -> Container {
    if first_bytes.starts_with(b"MThd") {
        Container::Plain
    } else if first_bytes.starts_with(b"RIFF") && first_bytes.get(8..12) == Some(b"RMID") {
        Container::Riff
    } else {
        Container::None
    }
}

/// Where the MIDI file is in `bytes`; `None` if there is none.
pub(super) fn unwrapped(bytes: &[u8]) -> Option<Range<usize>> {
    match container_kind(bytes) {
        Container::Plain => Some(0..bytes.len()),
        Container::None => None,
        Container::Riff => {
            // Unlike those of a MIDI file, these chunks have lengths with the lowest byte first and are padded to even.
            let mut at = 12;
            while let Some((kind, rest)) = bytes.get(at..)?.split_first_chunk::<4>() {
                let (length, data) = rest.split_first_chunk::<4>()?;
                let length = u32::from_le_bytes(*length) as usize;
                at += Chunk::HEAD;
                if kind == b"data" {
                    let n_there = data.len().min(length);
                    return data[..n_there]
                        .starts_with(b"MThd")
                        .then_some(at..at + n_there);
                }
                at = at.checked_add(length)?.checked_add(length % 2)?;
            }
            None
        }
    }
}
