//! One SysEx message: whose it is and of what kind.

use std::fmt;
use std::str::FromStr;

/// A whole SysEx message of a stream.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// Where its F0 stands, in bytes since the start of the stream.
    pub offset: u64,
    /// One past its F7. `end - offset` is more than the length of `bytes` if real-time bytes stood inside.
    pub end: u64,
    /// From F0 to F7, without real-time bytes.
    pub bytes: Vec<u8>,
}

impl Message {
    /// Whose message it is; `None` if it ends before the ID is complete.
    pub fn maker(&self) -> Option<MakerId> {
        MakerId::from_bytes(self.after_start())
    }

    /// What kind of message it is.
    pub fn kind(&self) -> MessageKind {
        MessageKind::from_bytes(self.after_start())
    }

    fn after_start(&self) -> &[u8] {
        self.bytes.get(1..).unwrap_or_default()
    }
}

/// The ID at the head of a SysEx message: 1 byte, or 00 and two more. Also the IDs that stand for no maker: 7D
/// (non-commercial), 7E and 7F (universal). `Display` gives it in hex: `7D`, `00 20 29`. Ordered like that text.
///
/// # Source
/// MIDI 1.0 Detailed Specification 4.2.1, page 34 and Table VII.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct MakerId {
    /// A first byte of 00 says that all three count; otherwise the other two are 00.
    bytes: [u8; 3],
}

impl MakerId {
    /// The ID at the front of `after_start`, the bytes after F0 without real-time bytes. `None` if a byte of the ID is missing
    /// or is no data byte.
    pub fn from_bytes(after_start: &[u8]) -> Option<MakerId> {
        let bytes = match *after_start {
            [0, second, third, ..] => [0, second, third],
            [0, ..] | [] => return None,
            [id, ..] => [id, 0, 0],
        };
        bytes
            .iter()
            .all(|&byte| byte < 0x80)
            .then_some(MakerId { bytes })
    }

    /// The ID that a person wrote: one byte or three as two hex digits each, blanks between them, capital or small
    /// letters, such as `43` or `00 20 29`.
    ///
    /// # Errors
    /// A text that tells what was wrong with it, if it is no such ID. Three bytes begin with 00, one byte is not 00, and
    /// none is above 7F.
    pub fn from_text(text: &str) -> Result<MakerId, NoMakerId> {
        let byte = |word: &str| match word.as_bytes() {
            [a, b] if a.is_ascii_hexdigit() && b.is_ascii_hexdigit() => {
                u8::from_str_radix(word, 16).map_err(|_| NoMakerId::NotHex)
            }
            _ => Err(NoMakerId::NotHex),
        };
        // One more than an ID has, so that a long text costs no memory.
        let bytes: Vec<u8> = text
            .split_whitespace()
            .take(4)
            .map(byte)
            .collect::<Result<_, _>>()?;
        if bytes.iter().any(|&byte| byte > 0x7F) {
            return Err(NoMakerId::NotData);
        }
        match bytes[..] {
            [id] if id != 0 => Ok(MakerId { bytes: [id, 0, 0] }),
            [0, second, third] => Ok(MakerId {
                bytes: [0, second, third],
            }),
            [0] | [0, _] => Err(NoMakerId::Cut),
            [] => Err(NoMakerId::NotHex),
            [_, ..] => Err(NoMakerId::TooLong),
        }
    }

    /// The ID as it stands after F0: 1 or 3 bytes.
    pub fn as_bytes(&self) -> &[u8] {
        match self.bytes[0] {
            0 => &self.bytes,
            _ => &self.bytes[..1],
        }
    }
}

impl fmt::Display for MakerId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.bytes {
            [0, second, third] => f.pad(&format!("00 {second:02X} {third:02X}")),
            [id, ..] => f.pad(&format!("{id:02X}")),
        }
    }
}

impl FromStr for MakerId {
    type Err = NoMakerId;

    fn from_str(text: &str) -> Result<MakerId, NoMakerId> {
        MakerId::from_text(text)
    }
}

/// Why a text is no maker ID. `Display` says it together with what is allowed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoMakerId {
    /// It is not made of bytes as two hex digits each.
    NotHex,
    /// A byte is above 7F.
    NotData,
    /// It begins with 00 and has fewer than three bytes.
    Cut,
    /// It has more bytes than an ID.
    TooLong,
}

impl fmt::Display for NoMakerId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let wrong = match self {
            NoMakerId::NotHex => "not every byte is two hex digits with a blank before the next",
            NoMakerId::NotData => "a byte of an ID is at most 7F",
            NoMakerId::Cut => "after 00 come two more bytes",
            NoMakerId::TooLong => "it has too many bytes",
        };
        write!(
            f,
            "{wrong}; an ID is one byte from 01 to 7F, such as 43, or 00 and two more, such as 00 20 29"
        )
    }
}

impl std::error::Error for NoMakerId {}

/// What kind of SysEx message it is, by its ID.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum MessageKind {
    /// ID 7E: universal, non-real-time (identity, sample dumps, file dumps, tuning).
    Universal,
    /// ID 7F: universal, real-time.
    UniversalRealTime,
    /// ID 7D: schools and private use, never in a product.
    NonCommercial,
    /// Any other ID: the maker's own.
    Maker,
    /// It ends before the ID is complete.
    NoId,
}

impl MessageKind {
    /// The kind of the message whose bytes after F0 (without real-time bytes) are `after_start`.
    pub fn from_bytes(after_start: &[u8]) -> MessageKind {
        match MakerId::from_bytes(after_start)
            .as_ref()
            .map(MakerId::as_bytes)
        {
            None => MessageKind::NoId,
            Some([0x7D]) => MessageKind::NonCommercial,
            Some([0x7E]) => MessageKind::Universal,
            Some([0x7F]) => MessageKind::UniversalRealTime,
            Some(_) => MessageKind::Maker,
        }
    }

    /// The word for it in JSON; never changes.
    pub fn as_str(self) -> &'static str {
        match self {
            MessageKind::Universal => "universal",
            MessageKind::UniversalRealTime => "universal-real-time",
            MessageKind::NonCommercial => "non-commercial",
            MessageKind::Maker => "maker",
            MessageKind::NoId => "no-id",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(after_start: &[u8], maker: Option<&str>, kind: &str) {
        let id = MakerId::from_bytes(after_start);
        assert_eq!(
            id.map(|id| id.to_string()).as_deref(),
            maker,
            "maker of {after_start:02X?}"
        );
        assert_eq!(
            MessageKind::from_bytes(after_start).as_str(),
            kind,
            "kind of {after_start:02X?}"
        );
        if let Some(id) = id {
            assert!(after_start.starts_with(id.as_bytes()));
        }
    }

    #[test]
    fn the_id_is_one_byte_or_three() {
        check(&[0x43, 0x00, 0x09, 0xF7], Some("43"), "maker");
        check(&[0x01, 0xF7], Some("01"), "maker");
        check(&[0x7C], Some("7C"), "maker");
        check(&[0x7D, 0x01, 0xF7], Some("7D"), "non-commercial");
        check(&[0x7E, 0x7F, 0x06, 0x01, 0xF7], Some("7E"), "universal");
        check(&[0x7F, 0x7F, 0x04, 0xF7], Some("7F"), "universal-real-time");
        check(&[0x00, 0x20, 0x29, 0x02, 0xF7], Some("00 20 29"), "maker");
        // The second and third byte say nothing about the kind.
        check(&[0x00, 0x7E, 0x7F, 0xF7], Some("00 7E 7F"), "maker");
        // Never assigned, and three bytes all the same.
        check(&[0x00, 0x00, 0x00, 0xF7], Some("00 00 00"), "maker");
    }

    #[test]
    fn a_cut_id_is_none() {
        check(&[], None, "no-id");
        check(&[0xF7], None, "no-id");
        check(&[0x00], None, "no-id");
        check(&[0x00, 0xF7], None, "no-id");
        check(&[0x00, 0x20], None, "no-id");
        check(&[0x00, 0x20, 0xF7], None, "no-id");
        check(&[0x90, 0x3C], None, "no-id");
    }

    #[test]
    fn ids_are_ordered_like_their_text() {
        let mut ids: Vec<MakerId> = [
            &[0x7E][..],
            &[0x00, 0x20, 0x29],
            &[0x01],
            &[0x00, 0x01, 0x06],
            &[0x43],
        ]
        .iter()
        .filter_map(|bytes| MakerId::from_bytes(bytes))
        .collect();
        ids.sort();
        let texts: Vec<String> = ids.iter().map(MakerId::to_string).collect();
        assert_eq!(texts, ["00 01 06", "00 20 29", "01", "43", "7E"]);
    }

    #[test]
    fn a_person_writes_an_id_in_hex() {
        let check = |text: &str, expected: Result<&str, NoMakerId>| {
            let id = MakerId::from_text(text);
            assert_eq!(text.parse(), id, "{text:?}");
            assert_eq!(
                id.map(|id| id.to_string()),
                expected.map(str::to_string),
                "{text:?}"
            );
        };
        check("43", Ok("43"));
        check("7f", Ok("7F"));
        check("00 20 29", Ok("00 20 29"));
        check(" 00  21\t7f ", Ok("00 21 7F"));
        check("00 00 00", Ok("00 00 00"));
        for text in [
            "", " ", "4", "043", "0x43", "4 3", "+4", "-1", "43h", "002029", "00,20,29",
        ] {
            check(text, Err(NoMakerId::NotHex));
        }
        for text in ["Böhm", "4\u{663}", "é", "00 20 é"] {
            check(text, Err(NoMakerId::NotHex));
        }
        for text in ["80", "F0", "00 20 80", "00 ff 01"] {
            check(text, Err(NoMakerId::NotData));
        }
        for text in ["00", "00 20"] {
            check(text, Err(NoMakerId::Cut));
        }
        for text in ["43 10", "43 10 4C", "00 20 29 02", "00 20 29 02 0D"] {
            check(text, Err(NoMakerId::TooLong));
        }
    }
}
