//! How bytes of 8 bits are sent in data bytes of 7.

use std::fmt;

/// One of the ways by which makers send 8-bit data.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Packing {
    /// 7 bytes in 8: the top bits come first, that of the first byte in bit 6. A short group keeps them at the top.
    ///
    /// # Source
    /// MIDI 1.0 Detailed Specification 4.2.1, File Dump, p. 43.
    SevenInEightHigh,
    /// 7 bytes in 8: the top bits come first, that of the first byte in bit 0.
    ///
    /// # Source
    /// M-Audio Black Box manual p. 55; Zoom 9030 manual p. 68; Prophet X manual, appendix E.
    SevenInEightLow,
    /// Two bytes for one, the high half first: AB is 0A 0B.
    ///
    /// # Source
    /// Described on a public list about CZ and VZ dumps, 2014.
    NibblesHighFirst,
    /// Two bytes for one, the low half first: AB is 0B 0A.
    ///
    /// # Source
    /// Oberheim Matrix-1000 manual p. 45.
    NibblesLowFirst,
    /// Two bytes for one, the high half first, each with 1 in its upper half: AB is 1A 1B.
    ///
    /// # Source
    /// Aviom A-16R guide, section 2.3.
    NibblesMarked,
    /// Two ASCII characters for one byte: AB is `A` `B`.
    ///
    /// # Source
    /// Yamaha ProMix 01 manual.
    HexPairs,
}

impl Packing {
    /// Every packing.
    pub const ALL: [Packing; 6] = [
        Packing::SevenInEightHigh,
        Packing::SevenInEightLow,
        Packing::NibblesHighFirst,
        Packing::NibblesLowFirst,
        Packing::NibblesMarked,
        Packing::HexPairs,
    ];

    /// The word for it in layouts; never changes.
    pub fn as_str(self) -> &'static str {
        match self {
            Packing::SevenInEightHigh => "seven-in-eight-high",
            Packing::SevenInEightLow => "seven-in-eight-low",
            Packing::NibblesHighFirst => "nibbles-high-first",
            Packing::NibblesLowFirst => "nibbles-low-first",
            Packing::NibblesMarked => "nibbles-marked",
            Packing::HexPairs => "hex-pairs",
        }
    }

    /// The packing of that word.
    pub fn parse(word: &str) -> Option<Packing> {
        Packing::ALL.into_iter().find(|p| p.as_str() == word)
    }

    /// The bytes that `packed` stands for; `None` if it cannot have been packed like this (a byte that this packing
    /// never gives, half a byte, a group of top bits without bytes).
    pub fn unpack(self, packed: &[u8]) -> Option<Vec<u8>> {
        match self {
            Packing::SevenInEightHigh => unpack_seven(packed, |first, _| first << 1),
            Packing::SevenInEightLow => unpack_seven(packed, |first, n| {
                // The top bit of the k-th byte of the group in bit 7-k.
                (0..n).fold(0, |tops, k| tops | ((first >> k & 1) << (7 - k)))
            }),
            Packing::NibblesHighFirst => pairs(packed, |high, low| join(half(high)?, half(low)?)),
            Packing::NibblesLowFirst => pairs(packed, |low, high| join(half(high)?, half(low)?)),
            Packing::NibblesMarked => pairs(packed, |high, low| join(marked(high)?, marked(low)?)),
            Packing::HexPairs => pairs(packed, |high, low| join(hex(high)?, hex(low)?)),
        }
    }

    /// `bytes` as they are sent.
    pub fn pack(self, bytes: &[u8]) -> Vec<u8> {
        let halves = |mark: u8| {
            bytes
                .iter()
                .flat_map(|b| [mark | b >> 4, mark | b & 0x0f])
                .collect()
        };
        match self {
            Packing::SevenInEightHigh => pack_seven(bytes, |k| 6 - k),
            Packing::SevenInEightLow => pack_seven(bytes, |k| k),
            Packing::NibblesHighFirst => halves(0),
            Packing::NibblesMarked => halves(0x10),
            Packing::NibblesLowFirst => bytes.iter().flat_map(|b| [b & 0x0f, b >> 4]).collect(),
            Packing::HexPairs => bytes
                .iter()
                .flat_map(|b| [DIGITS[usize::from(b >> 4)], DIGITS[usize::from(b & 0x0f)]])
                .collect(),
        }
    }

    /// How many packed bytes stand for `n_bytes` bytes.
    pub fn packed_len(self, n_bytes: usize) -> usize {
        match self {
            Packing::SevenInEightHigh | Packing::SevenInEightLow => n_bytes + n_bytes.div_ceil(7),
            _ => 2 * n_bytes,
        }
    }
}

impl fmt::Display for Packing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}

const DIGITS: &[u8; 16] = b"0123456789ABCDEF";

/// `tops` gives the top bits of a group from its first byte and the number of bytes after it: the first byte's in bit 7.
fn unpack_seven(packed: &[u8], tops: impl Fn(u8, usize) -> u8) -> Option<Vec<u8>> {
    let mut bytes = Vec::with_capacity(packed.len());
    for group in packed.chunks(8) {
        let (first, rest) = group.split_first()?;
        if rest.is_empty() || group.iter().any(|b| *b > 0x7f) {
            return None;
        }
        let tops = tops(*first, rest.len());
        for (k, byte) in rest.iter().enumerate() {
            bytes.push(byte | (tops << k & 0x80));
        }
    }
    Some(bytes)
}

/// `bit_of` tells which bit of the first byte holds the top bit of the k-th byte of a group.
fn pack_seven(bytes: &[u8], bit_of: impl Fn(usize) -> usize) -> Vec<u8> {
    let mut packed = Vec::with_capacity(Packing::SevenInEightHigh.packed_len(bytes.len()));
    for group in bytes.chunks(7) {
        let tops = group
            .iter()
            .enumerate()
            .fold(0, |tops, (k, byte)| tops | (byte >> 7) << bit_of(k));
        packed.push(tops);
        packed.extend(group.iter().map(|byte| byte & 0x7f));
    }
    packed
}

fn pairs(packed: &[u8], join: impl Fn(u8, u8) -> Option<u8>) -> Option<Vec<u8>> {
    let (pairs, rest) = packed.as_chunks::<2>();
    if !rest.is_empty() {
        return None;
    }
    pairs.iter().map(|[a, b]| join(*a, *b)).collect()
}

fn join(high: u8, low: u8) -> Option<u8> {
    Some(high << 4 | low)
}

fn half(byte: u8) -> Option<u8> {
    (byte < 0x10).then_some(byte)
}

fn marked(byte: u8) -> Option<u8> {
    (byte >> 4 == 1).then_some(byte & 0x0f)
}

fn hex(byte: u8) -> Option<u8> {
    char::from(byte).to_digit(16).map(|digit| digit as u8)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(packing: Packing, packed: &[u8], bytes: &[u8]) {
        assert_eq!(
            packing.unpack(packed).as_deref(),
            Some(bytes),
            "{packing} of {packed:02X?}"
        );
        assert_eq!(packing.pack(bytes), packed, "{packing} of {bytes:02X?}");
        assert_eq!(packing.packed_len(bytes.len()), packed.len());
        assert_eq!(Packing::parse(packing.as_str()), Some(packing));
    }

    #[test]
    fn published_examples_read_and_write() {
        let seven = [0xFF, 0x00, 0x80, 0x7F, 0x01, 0xFE, 0x55];
        // MIDI 1.0 Detailed Specification 4.2.1, File Dump p. 43: 0ABCDEFG, short groups keep the bits at the top.
        check(
            Packing::SevenInEightHigh,
            &[0x52, 0x7F, 0x00, 0x00, 0x7F, 0x01, 0x7E, 0x55],
            &seven,
        );
        check(
            Packing::SevenInEightHigh,
            &[0x50, 0x7F, 0x00, 0x00],
            &seven[..3],
        );
        // M-Audio Black Box manual p. 55, Zoom 9030 manual p. 68: 0GFEDCBA.
        check(
            Packing::SevenInEightLow,
            &[0x25, 0x7F, 0x00, 0x00, 0x7F, 0x01, 0x7E, 0x55],
            &seven,
        );
        check(
            Packing::SevenInEightLow,
            &[0x05, 0x7F, 0x00, 0x00],
            &seven[..3],
        );
        // A list about CZ and VZ dumps, 2014; Matrix-1000 manual p. 45; Aviom A-16R guide 2.3; ProMix 01 manual.
        check(Packing::NibblesHighFirst, &[0x0A, 0x0B], &[0xAB]);
        check(Packing::NibblesLowFirst, &[0x0B, 0x0A], &[0xAB]);
        check(Packing::NibblesMarked, &[0x1A, 0x1B], &[0xAB]);
        check(Packing::HexPairs, b"AB", &[0xAB]);
    }

    #[test]
    fn sizes_are_those_of_the_published_examples() {
        // File Dump: 64 stored bytes are 74 sent, 112 are 128. Matrix-1000 manual p. 45: 134 bytes are 268.
        assert_eq!(Packing::SevenInEightHigh.packed_len(64), 74);
        assert_eq!(Packing::SevenInEightHigh.packed_len(112), 128);
        assert_eq!(Packing::NibblesLowFirst.packed_len(134), 268);
    }

    #[test]
    fn every_byte_comes_back_from_every_packing() {
        let all: Vec<u8> = (0..=255).chain(0..17).collect();
        for packing in Packing::ALL {
            for n in [0, 1, 6, 7, 8, 13, 14, all.len()] {
                let packed = packing.pack(&all[..n]);
                assert!(packed.iter().all(|b| *b < 0x80), "{packing}");
                check(packing, &packed, &all[..n]);
            }
        }
    }

    #[test]
    fn what_was_never_packed_like_this_is_refused() {
        for (packing, packed) in [
            (Packing::SevenInEightHigh, &[0x00][..]),
            (Packing::SevenInEightLow, &[0, 0, 0, 0, 0, 0, 0, 0, 1]),
            (Packing::SevenInEightLow, &[0x00, 0x80]),
            (Packing::NibblesHighFirst, &[0x0A]),
            (Packing::NibblesHighFirst, &[0x0A, 0x10]),
            (Packing::NibblesLowFirst, &[0x1A, 0x0B]),
            (Packing::NibblesMarked, &[0x1A, 0x0B]),
            (Packing::HexPairs, b"AG"),
        ] {
            assert_eq!(packing.unpack(packed), None, "{packing} of {packed:02X?}");
        }
    }
}
