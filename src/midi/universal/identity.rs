//! Who a device is: the question and the answer.

use crate::midi::message::MakerId;

use super::framed;

/// What a device says of itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Identity {
    /// Its SysEx number, 0 to 127.
    pub device: u8,
    /// Its maker.
    pub maker: MakerId,
    /// The maker's number for the family of devices, 0 to 16383. Bytes that the reply lacks count as 00.
    pub family: u16,
    /// The maker's number for the device within its family, 0 to 16383. Bytes that the reply lacks count as 00.
    pub member: u16,
    /// The maker's own form of a software revision. Bytes that the reply lacks count as 00.
    pub revision: [u8; 4],
    /// How many bytes stand after the maker's ID: 8 by the standard. Further ones are not read.
    pub n_bytes: usize,
}

impl Identity {
    /// How many bytes of family, member and revision a reply has by the standard.
    pub const N_BYTES: usize = 8;

    /// Whether the reply has the length of the standard.
    pub fn is_complete(&self) -> bool {
        self.n_bytes == Identity::N_BYTES
    }

    /// `data` are the bytes after the sub-IDs. `None` if the maker's ID is not complete.
    ///
    /// # Source
    /// MIDI 1.0 Detailed Specification 4.2.1, Device Inquiry p. 40.
    pub(super) fn from_data(device: u8, data: &[u8]) -> Option<Identity> {
        // The first byte of the ID tells its length; the length of the message does not, for tails differ.
        let maker = MakerId::from_bytes(data)?;
        let tail = &data[maker.as_bytes().len()..];
        let byte = |k: usize| tail.get(k).copied().unwrap_or(0);
        let pair = |k: usize| u16::from(byte(k)) | u16::from(byte(k + 1)) << 7;
        Some(Identity {
            device,
            maker,
            family: pair(0),
            member: pair(2),
            revision: [byte(4), byte(5), byte(6), byte(7)],
            n_bytes: tail.len(),
        })
    }
}

/// The message that asks `device` (7F: all devices) who it is.
pub fn request(device: u8) -> Vec<u8> {
    framed(&[&[device, 0x06, 0x01]])
}
