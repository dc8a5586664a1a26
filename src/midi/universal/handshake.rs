//! The short answers of a transfer: received, not received, wait, cancel, end of file.

use super::framed;

/// One answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Handshake {
    /// The device it comes from or goes to, 0 to 127.
    pub device: u8,
    /// What it says.
    pub answer: Answer,
    /// The packet it is about, 0 to 127.
    pub packet: u8,
}

impl Handshake {
    /// The message, 6 bytes.
    pub fn to_bytes(&self) -> Vec<u8> {
        framed(&[&[self.device, self.answer.sub_id(), self.packet]])
    }
}

/// What an answer says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Answer {
    /// 7B: the file is over.
    EndOfFile,
    /// 7C: send nothing until the next answer.
    Wait,
    /// 7D: stop the transfer.
    Cancel,
    /// 7E: the packet came damaged; send it again.
    Nak,
    /// 7F: the packet came well.
    Ack,
}

impl Answer {
    /// Every answer, by sub-ID.
    pub const ALL: [Answer; 5] = [
        Answer::EndOfFile,
        Answer::Wait,
        Answer::Cancel,
        Answer::Nak,
        Answer::Ack,
    ];

    /// Its sub-ID.
    ///
    /// # Source
    /// MIDI 1.0 Detailed Specification 4.2.1, Table VII and Generic Handshaking Messages.
    pub fn sub_id(self) -> u8 {
        match self {
            Answer::EndOfFile => 0x7B,
            Answer::Wait => 0x7C,
            Answer::Cancel => 0x7D,
            Answer::Nak => 0x7E,
            Answer::Ack => 0x7F,
        }
    }

    /// The answer with this sub-ID.
    pub fn from_sub_id(sub_id: u8) -> Option<Answer> {
        Answer::ALL.into_iter().find(|a| a.sub_id() == sub_id)
    }
}
