//! The header rule: which dumps of a device hold the same section of its memory, by the first bytes of the dump.
//!
//! Most instruments say in the first bytes of a message what kind of dump it is; so dumps with the same [`HeaderKey`] are
//! taken for dumps of the same section. The rule is a guess that a person or a layout can overrule. What it must be is
//! steady: it reads the same from a whole dump, from a torn one and from one with real-time bytes in it.

use std::fmt;

use super::framing::{FIRST_REAL_TIME, FIRST_STATUS, START};

/// The ID at the head of a dump and the four bytes after it, the first of them masked because it is the device number, which
/// belongs to the set-up and not to the memory. Written `43 xx 09 20 00` or `00 20 29 xx 01 02 03`, shorter if the message is,
/// and `no-id` if nothing follows F0. Ordered by the bytes of that text. Universal messages fall under the same rule.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct HeaderKey(String);

impl HeaderKey {
    /// How far into an input the key is looked for. Fixed, so that the key of a dump never depends on how much of it a caller
    /// had at hand.
    pub const REACH: usize = 4096;

    /// The key of the first message in `first_bytes`, an input or at least its first [`HeaderKey::REACH`] bytes: read from the
    /// first F0, torn or not, real-time bytes skipped, up to the fourth byte after the ID, an F7, another status byte or the
    /// end. `None` if there is no F0.
    pub fn from_bytes(first_bytes: &[u8]) -> Option<HeaderKey> {
        let reach = &first_bytes[..first_bytes.len().min(HeaderKey::REACH)];
        let start = reach.iter().position(|&byte| byte == START)?;
        let mut data = reach[start + 1..]
            .iter()
            .copied()
            .filter(|&byte| byte < FIRST_REAL_TIME)
            .take_while(|&byte| byte < FIRST_STATUS)
            .peekable();
        let n_id = if data.peek() == Some(&0) { 3 } else { 1 };
        let mut text = String::with_capacity(3 * (n_id + N_AFTER_ID));
        for (idx, byte) in data.take(n_id + N_AFTER_ID).enumerate() {
            if idx > 0 {
                text.push(' ');
            }
            if idx == n_id {
                text.push_str(MASK);
            } else {
                text.push(hex_digit(byte >> 4));
                text.push(hex_digit(byte & 0x0f));
            }
        }
        if text.is_empty() {
            text.push_str(NO_ID);
        }
        Some(HeaderKey(text))
    }

    /// The key that is written as `text`; `None` if no dump can have it.
    pub fn from_text(text: &str) -> Option<HeaderKey> {
        // Any dump with these bytes will do, so the masked one may be any data byte.
        let mut dump = vec![START];
        if text != NO_ID {
            for group in text.split(' ') {
                dump.push(match group {
                    MASK => 0,
                    _ => u8::from_str_radix(group, 16).ok()?,
                });
            }
        }
        // Reading it back tells whether every group stands where it may and is written as it must be.
        HeaderKey::from_bytes(&dump).filter(|key| key.as_str() == text)
    }

    /// Its text; never changes for the same first bytes.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for HeaderKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

const N_AFTER_ID: usize = 4;
const MASK: &str = "xx";
const NO_ID: &str = "no-id";

fn hex_digit(value: u8) -> char {
    char::from(b"0123456789ABCDEF"[usize::from(value & 0x0f)])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(first_bytes: &[u8], expected: Option<&str>) {
        let key = HeaderKey::from_bytes(first_bytes);
        assert_eq!(
            key.as_ref().map(HeaderKey::as_str),
            expected,
            "key of {first_bytes:02X?}"
        );
        if let Some(key) = key {
            assert_eq!(HeaderKey::from_text(key.as_str()), Some(key));
        }
    }

    #[test]
    fn the_key_is_the_id_and_four_bytes_with_the_device_masked() {
        check(
            &[0xF0, 0x43, 0x00, 0x09, 0x20, 0x00, 0x31, 0xF7],
            Some("43 xx 09 20 00"),
        );
        check(
            &[0xF0, 0x43, 0x05, 0x09, 0x20, 0x00, 0x11, 0xF7],
            Some("43 xx 09 20 00"),
        );
        check(
            &[0xF0, 0x00, 0x20, 0x29, 0x7F, 0x01, 0x02, 0x03, 0x04, 0xF7],
            Some("00 20 29 xx 01 02 03"),
        );
        check(
            &[0xF0, 0x7E, 0x10, 0x06, 0x02, 0x41, 0x42, 0xF7],
            Some("7E xx 06 02 41"),
        );
        check(&[0xF0, 0x7E, 0x7F, 0x09, 0x01, 0xF7], Some("7E xx 09 01"));
    }

    #[test]
    fn a_short_message_gives_a_short_key() {
        check(&[0xF0, 0xF7], Some("no-id"));
        check(&[0xF0], Some("no-id"));
        check(&[0xF0, 0x43, 0xF7], Some("43"));
        check(&[0xF0, 0x43, 0x10, 0xF7], Some("43 xx"));
        check(&[0xF0, 0x00, 0xF7], Some("00"));
        check(&[0xF0, 0x00, 0x20, 0xF7], Some("00 20"));
        check(&[0xF0, 0x00, 0x20, 0x29], Some("00 20 29"));
        check(&[0xF0, 0x00, 0x20, 0x29, 0x01], Some("00 20 29 xx"));
        // It stops at any status byte, an F0 too, and is not looked for again.
        check(&[0xF0, 0x43, 0x10, 0x90, 0x3C, 0x40], Some("43 xx"));
        check(&[0xF0, 0xF0, 0x43, 0x10, 0x09, 0xF7], Some("no-id"));
    }

    #[test]
    fn real_time_bytes_and_bytes_before_the_first_f0_change_nothing() {
        check(
            &[
                0xF8, 0x01, 0x90, 0xF0, 0xFE, 0x43, 0xF9, 0x00, 0xFD, 0x09, 0x20, 0xFF, 0x00, 0x31,
            ],
            Some("43 xx 09 20 00"),
        );
    }

    #[test]
    fn without_an_f0_there_is_no_key() {
        check(&[], None);
        check(b"MThd", None);
        check(&[0xF8, 0xF7], None);
    }

    #[test]
    fn the_key_does_not_depend_on_how_much_was_read() {
        let mut input = vec![0xF8; HeaderKey::REACH - 3];
        input.extend([0xF0, 0x43, 0x00, 0x09, 0x20]);
        check(&input, Some("43 xx"));
        check(&input[..HeaderKey::REACH], Some("43 xx"));
        let mut too_far = vec![0xFE; HeaderKey::REACH];
        too_far.extend([0xF0, 0x43, 0x00]);
        check(&too_far, None);
    }

    #[test]
    fn text_that_no_dump_gives_is_refused() {
        for text in [
            "",
            " ",
            "43  xx",
            "43 00 09",
            "43 xx 9",
            "43 xx 09 20 00 31",
            "xx",
            "43 xx 0a",
            "F0",
            "80",
            "43 xx xx",
            "+3",
            "NO-ID",
            "43 xx ",
            "00 20 29 00",
        ] {
            assert_eq!(HeaderKey::from_text(text), None, "{text:?}");
        }
    }

    #[test]
    fn keys_are_ordered_by_their_text() {
        let key = |bytes: &[u8]| HeaderKey::from_bytes(bytes);
        assert!(key(&[0xF0, 0x00, 0x20, 0x29, 0x10, 0xF7]) < key(&[0xF0, 0x43, 0x10, 0xF7]));
        assert!(key(&[0xF0, 0x43, 0x10, 0xF7]) < key(&[0xF0, 0x43, 0x00, 0x09, 0xF7]));
        assert!(key(&[0xF0, 0x43, 0x10, 0xF7]) < key(&[0xF0, 0xF7]));
    }
}
