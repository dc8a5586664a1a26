//! One SysEx message: whose it is and of what kind.

use std::fmt;

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
}
