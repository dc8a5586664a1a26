//! File dumps: a header with name and length, packets of bytes, and an end.
//!
//! # Source
//! MIDI 1.0 Detailed Specification 4.2.1, File Dump, pages 41 to 46.

use std::fmt;

use crate::midi::packing::Packing;
use crate::model::take::Severity;

use super::handshake::Answer;
use super::sequence::{Link, Row, Step};
use super::tally::{Tally, counted, grouped, is_or_are};
use super::{Handshake, Verdict, framed, framed_with_xor, lsb_first, to_lsb_first};

/// How many bytes of a file a packet holds at most; they are sent as 128.
pub const PACKET_BYTES: usize = 112;

/// How bytes of a file are sent.
const PACKING: Packing = Packing::SevenInEightHigh;

/// What the header of a file dump says.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Header {
    /// The device it goes to, 0 to 127.
    pub device: u8,
    /// The device it comes from, 0 to 127.
    pub source: u8,
    /// The kind of file in 4 characters: `MIDI`, `TEXT`, `BIN `.
    pub file_type: [u8; 4],
    /// How many bytes the file has, below 2^28; `None` if that was not known (0 in the message). Only a claim.
    pub n_bytes: Option<u32>,
    /// Its name, as it was sent: untrusted.
    pub name: String,
}

impl Header {
    /// The message. A length that is too large loses its upper bits, and characters of the name outside 20 to 7E become `_`.
    pub fn to_bytes(&self) -> Vec<u8> {
        framed(&[
            &[self.device, 0x07, 0x01, self.source],
            &self.file_type,
            &to_lsb_first::<4>(self.n_bytes.unwrap_or(0)),
            &name_bytes(&self.name),
        ])
    }

    /// `data` are the bytes after the sub-IDs.
    pub(super) fn from_data(device: u8, data: &[u8]) -> Option<Header> {
        let (&[source, t0, t1, t2, t3, n0, n1, n2, n3], name) = data.split_first_chunk()?;
        Some(Header {
            device,
            source,
            file_type: [t0, t1, t2, t3],
            n_bytes: Some(lsb_first(&[n0, n1, n2, n3])).filter(|n| *n > 0),
            name: text(name),
        })
    }
}

/// Asks for a file.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Request {
    /// The device asked, 0 to 127.
    pub device: u8,
    /// The device that asks, 0 to 127.
    pub source: u8,
    /// The kind of file in 4 characters.
    pub file_type: [u8; 4],
    /// The name of the file wanted; empty for the one that is loaded.
    pub name: String,
}

impl Request {
    /// The message. Characters of the name outside 20 to 7E become `_`.
    pub fn to_bytes(&self) -> Vec<u8> {
        framed(&[
            &[self.device, 0x07, 0x03, self.source],
            &self.file_type,
            &name_bytes(&self.name),
        ])
    }

    /// `data` are the bytes after the sub-IDs.
    pub(super) fn from_data(device: u8, data: &[u8]) -> Option<Request> {
        let (&[source, t0, t1, t2, t3], name) = data.split_first_chunk()?;
        Some(Request {
            device,
            source,
            file_type: [t0, t1, t2, t3],
            name: text(name),
        })
    }
}

fn text(data: &[u8]) -> String {
    data.iter().map(|&byte| char::from(byte)).collect()
}

fn name_bytes(name: &str) -> Vec<u8> {
    name.chars()
        .map(|c| match c {
            ' '..='~' => c as u8,
            _ => b'_',
        })
        .collect()
}

/// A packet of a file dump.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Packet<'a> {
    /// The device it goes to.
    pub device: u8,
    /// Its number, 0 to 127.
    pub number: u8,
    /// How many data bytes it says it has, 1 to 128.
    pub n_claimed: usize,
    /// Its data bytes, 7 bytes of the file in 8 of them.
    pub data: &'a [u8],
    /// What its checksum says.
    pub verdict: Verdict,
}

impl<'a> Packet<'a> {
    /// The bytes of the file in it; `None` if they cannot have been packed like this.
    pub fn bytes(&self) -> Option<Vec<u8>> {
        PACKING.unpack(self.data)
    }

    /// `data` are the bytes after the sub-IDs: number, count, data, checksum.
    pub(super) fn from_data(device: u8, data: &'a [u8], verdict: Verdict) -> Option<Packet<'a>> {
        let [number, count, data @ .., _checksum] = data else {
            return None;
        };
        Some(Packet {
            device,
            number: *number,
            n_claimed: usize::from(*count) + 1,
            data,
            verdict,
        })
    }
}

/// The packets that carry `bytes` to `device`.
pub fn packets(device: u8, bytes: &[u8]) -> impl Iterator<Item = Vec<u8>> {
    bytes
        .chunks(PACKET_BYTES)
        .enumerate()
        .map(move |(idx, bytes)| {
            let data = PACKING.pack(bytes);
            let count = (data.len() - 1) as u8;
            framed_with_xor(&[&[device, 0x07, 0x02, idx as u8 & 0x7f, count], &data])
        })
}

/// The message that ends a file after its last packet, the `n_packets`-th.
pub fn end(device: u8, n_packets: usize) -> Vec<u8> {
    // The document does not say which packet the end is about; here it is the one that would come next (our choice).
    Handshake {
        device,
        answer: Answer::EndOfFile,
        packet: n_packets as u8 & 0x7f,
    }
    .to_bytes()
}

/// A file that was found in a dump. `Display` describes it in a line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecoveredFile {
    /// What its header says.
    pub header: Header,
    /// The number of the message with the header, from 1.
    pub message: u64,
    /// How many packets came, each counted once, damaged ones included.
    pub n_packets: u64,
    /// Its bytes, if all of them came and every packet was whole and in its place.
    pub bytes: Option<Vec<u8>>,
}

impl fmt::Display for RecoveredFile {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", quoted(&self.header.name))?;
        let file_type = text(&self.header.file_type);
        write!(f, " of type {}: ", file_type.trim_end())?;
        match (&self.bytes, self.header.n_bytes) {
            (Some(bytes), _) => f.write_str(&counted(bytes.len() as u64, "byte")),
            (None, Some(n)) => write!(f, "{}, not all there", counted(n.into(), "byte")),
            (None, None) => f.write_str("not all there"),
        }
    }
}

/// `file "NAME"`, the name cut where it gets long.
fn quoted(name: &str) -> String {
    const LONGEST: usize = 40;
    match name.char_indices().nth(LONGEST) {
        Some((end, _)) => format!("file \"{}…\"", &name[..end]),
        None if name.is_empty() => "file without a name".to_string(),
        None => format!("file \"{name}\""),
    }
}

/// A file that is still coming.
#[derive(Debug, Clone)]
pub(super) struct Incoming {
    header: Header,
    message: u64,
    row: Row,
    /// What came so far; nothing once the row is no longer sound.
    bytes: Vec<u8>,
}

impl Incoming {
    pub(super) fn new(header: Header, message: u64, tally: &mut Tally) -> Incoming {
        let what = quoted(&header.name);
        let is_text = |byte: &u8| (0x20..0x7f).contains(byte);
        if !header.file_type.iter().all(is_text) || !header.name.bytes().all(|b| is_text(&b)) {
            tally.add(Severity::Warning, "odd-header", "file", || {
                format!(
                    "message {}: name or type of {what} has characters that are no text",
                    grouped(message)
                )
            });
        }
        Incoming {
            header,
            message,
            row: Row::new(what),
            bytes: Vec::new(),
        }
    }

    /// Whether `header` is the same once more, before any packet.
    pub(super) fn is_begun_again_by(&self, header: &Header) -> bool {
        self.header == *header && self.row.n_found() == 0
    }

    pub(super) fn packet(&mut self, message: u64, packet: &Packet<'_>, tally: &mut Tally) {
        let step = self.row.take(message, Link::of_file(packet), tally);
        if !self.row.is_sound() {
            self.bytes = Vec::new();
        } else if let (Step::Due | Step::Mended, Some(bytes)) = (step, packet.bytes()) {
            self.bytes.extend(bytes);
        }
    }

    /// The file is over, by its end or because no more comes.
    pub(super) fn finish(mut self, has_end: bool, tally: &mut Tally) -> RecoveredFile {
        self.row.finish(None, "file", tally);
        let n_received = self.bytes.len() as u64;
        let n_claimed = self.header.n_bytes.map(u64::from);
        let has_all_packets = self.row.is_sound() && self.row.n_found() > 0;
        let is_complete = has_all_packets && n_claimed.map_or(has_end, |n| n == n_received);
        // Where packets are missing or damaged that was said, and the number of bytes would say it again.
        if let (true, Some(n)) = (has_all_packets, n_claimed) {
            self.tell_length(n, n_received, tally);
        }
        let what = self.row.what();
        if !has_end {
            let (severity, but) = if is_complete {
                (Severity::Warning, "all of its bytes came")
            } else {
                (
                    Severity::Error,
                    "nobody can tell whether more belongs to it",
                )
            };
            tally.add(severity, "no-end", "file", || {
                format!("the message that ends {what} is missing; {but}")
            });
        }
        RecoveredFile {
            header: self.header,
            message: self.message,
            n_packets: self.row.n_found(),
            bytes: is_complete.then_some(self.bytes),
        }
    }

    fn tell_length(&self, n_claimed: u64, n_received: u64, tally: &mut Tally) {
        let what = self.row.what();
        if n_received < n_claimed {
            let n_missing = n_claimed - n_received;
            tally.add(Severity::Error, "missing-packets", "file", || {
                format!(
                    "{} of {} of {what} {} missing",
                    grouped(n_missing),
                    counted(n_claimed, "byte"),
                    is_or_are(n_missing)
                )
            });
        } else if n_received > n_claimed {
            tally.add(Severity::Error, "wrong-length", "file", || {
                format!(
                    "{what} has {} where its header asks for {}",
                    counted(n_received, "byte"),
                    grouped(n_claimed)
                )
            });
        }
    }
}

#[cfg(test)]
mod tests;
