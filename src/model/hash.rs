//! The name of bytes: their BLAKE3.

use std::fmt;
use std::str::FromStr;

/// The BLAKE3 of some bytes, shown as 64 lowercase hex characters.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Hash(pub [u8; 32]);

impl Hash {
    /// The BLAKE3 of `bytes`.
    pub fn of(bytes: &[u8]) -> Hash {
        Hash(*blake3::hash(bytes).as_bytes())
    }

    /// A hash from its 32 raw bytes, or `None` for another length.
    pub fn from_slice(bytes: &[u8]) -> Option<Hash> {
        bytes.try_into().ok().map(Hash)
    }

    /// The first eight bytes as a number, for narrow look-ups that are then compared in full.
    pub fn short(&self) -> i64 {
        let mut first = [0u8; 8];
        first.copy_from_slice(&self.0[..8]);
        i64::from_be_bytes(first)
    }
}

impl From<blake3::Hash> for Hash {
    fn from(h: blake3::Hash) -> Hash {
        Hash(*h.as_bytes())
    }
}

impl fmt::Display for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut hex = [0u8; 64];
        const DIGITS: &[u8; 16] = b"0123456789abcdef";
        for (i, b) in self.0.iter().enumerate() {
            hex[2 * i] = DIGITS[usize::from(b >> 4)];
            hex[2 * i + 1] = DIGITS[usize::from(b & 15)];
        }
        f.pad(std::str::from_utf8(&hex).unwrap_or_default())
    }
}

impl fmt::Debug for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Hash({self})")
    }
}

/// The text was not 64 lowercase hex characters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NotAHash;

impl fmt::Display for NotAHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("not 64 lowercase hex characters")
    }
}

impl std::error::Error for NotAHash {}

impl FromStr for Hash {
    type Err = NotAHash;

    fn from_str(text: &str) -> Result<Hash, NotAHash> {
        let digit = |c: u8| match c {
            b'0'..=b'9' => Ok(c - b'0'),
            b'a'..=b'f' => Ok(c - b'a' + 10),
            _ => Err(NotAHash),
        };
        let text = text.as_bytes();
        if text.len() != 64 {
            return Err(NotAHash);
        }
        let mut out = [0u8; 32];
        for (i, pair) in text.chunks_exact(2).enumerate() {
            out[i] = digit(pair[0])? << 4 | digit(pair[1])?;
        }
        Ok(Hash(out))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_form_is_strict_and_reversible() {
        let h = Hash::of(b"abc");
        // Printed by Debian's b3sum 1.2.0 for the three bytes "abc".
        assert_eq!(
            h.to_string(),
            "6437b3ac38465133ffb63b75273a8db548c558465d79db03fd359c6cd5bd9d85"
        );
        assert_eq!(h.to_string().parse(), Ok(h));
        assert!(h.to_string().to_uppercase().parse::<Hash>().is_err());
        assert!("6437".parse::<Hash>().is_err());
        assert!(format!("{h}0").parse::<Hash>().is_err());
    }
}
