//! Variable-length quantities: numbers of 1 to 4 bytes, 7 bits in each, the highest first; the last byte has bit 7 clear.
//!
//! # Source
//! Standard MIDI Files 1.0 (RP-001), section 1.1.

/// The highest number that can be written.
pub const MAX: u32 = 0x0FFF_FFFF;

/// The most bytes a number may take.
pub const MAX_BYTES: usize = 4;

/// Why there is no number at the front of some bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoNumber {
    /// The bytes end before it does.
    Cut,
    /// It goes on after [`MAX_BYTES`].
    TooLong,
}

/// The number at the front of `bytes` and how many bytes it takes. Leading zeros (`80 05`) are read.
///
/// # Errors
/// If `bytes` end first, or it takes more than [`MAX_BYTES`].
pub fn read(bytes: &[u8]) -> Result<(u32, usize), NoNumber> {
    let mut number = 0;
    for (idx, &byte) in bytes.iter().take(MAX_BYTES).enumerate() {
        number = number << 7 | u32::from(byte & 0x7F);
        if byte < 0x80 {
            return Ok((number, idx + 1));
        }
    }
    Err(if bytes.len() < MAX_BYTES {
        NoNumber::Cut
    } else {
        NoNumber::TooLong
    })
}

/// Appends `number` in as few bytes as it takes; gives back false, and appends nothing, if it is above [`MAX`].
#[must_use]
pub fn write(number: u32, out: &mut Vec<u8>) -> bool {
    if number > MAX {
        return false;
    }
    for shift in [21, 14, 7] {
        if number >> shift != 0 {
            out.push(0x80 | (number >> shift & 0x7F) as u8);
        }
    }
    out.push((number & 0x7F) as u8);
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_number_is_told_apart() {
        let check = |bytes: &[u8], expected| assert_eq!(read(bytes), expected, "{bytes:02X?}");
        check(&[], Err(NoNumber::Cut));
        check(&[0x81], Err(NoNumber::Cut));
        check(&[0x81, 0x80, 0x80], Err(NoNumber::Cut));
        check(&[0x81, 0x80, 0x80, 0x80], Err(NoNumber::TooLong));
        check(&[0x81, 0x80, 0x80, 0x80, 0x00], Err(NoNumber::TooLong));
        check(&[0x80, 0x80, 0x80, 0x00], Ok((0, 4)));
        check(&[0x80, 0x05, 0x7F], Ok((5, 2)));
        check(&[0x05, 0x81], Ok((5, 1)));
    }

    #[test]
    fn each_length_begins_where_the_shorter_one_ends() {
        let check = |number: u32, n_bytes: usize| {
            let mut out = Vec::new();
            assert!(write(number, &mut out));
            assert_eq!(out.len(), n_bytes, "{number:X}");
            assert_eq!(read(&out), Ok((number, n_bytes)), "{number:X}");
        };
        check(0, 1);
        for n_bytes in 1..=MAX_BYTES {
            check((1 << (7 * n_bytes)) - 1, n_bytes);
            if n_bytes < MAX_BYTES {
                check(1 << (7 * n_bytes), n_bytes + 1);
            }
        }
        let mut out = vec![1];
        assert!(!write(MAX + 1, &mut out));
        assert!(!write(u32::MAX, &mut out));
        assert_eq!(out, [1]);
    }
}
