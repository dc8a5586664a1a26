//! Bytes come in: files, folders and standard input become arrivals.
//!
//! Nothing here knows that a vault exists. An arrival says what a dump is made of and what was noticed about it;
//! its bytes go by as pieces, so that a file of any size passes through bounded memory.

pub mod chunk;
pub mod examine;
pub mod file;
pub mod walk;

use crate::intake::examine::{Examined, Part};
use crate::model::contents::Contents;
use crate::model::hash::Hash;
use crate::model::take::{Condition, Evidence, Finding, Via};

/// A dump that came in, without its bytes.
#[derive(Debug, Clone)]
pub struct Arrival {
    /// Where it came from, for people: a path, or `-`.
    pub source: String,
    /// Where it came from, for the record.
    pub origin: Origin,
    /// BLAKE3 of its bytes; of a folder's list for a folder.
    pub hash: Hash,
    /// BLAKE3 of its content: of the whole messages without real-time bytes for SysEx, else as `hash`.
    pub content: Hash,
    /// Bytes, of all files for a folder.
    pub bytes: u64,
    /// Whole SysEx messages.
    pub messages: u64,
    /// Header key, or extension.
    pub key: String,
    /// True if it is to be read as SysEx.
    pub sysex: bool,
    /// Why one may believe it.
    pub evidence: Evidence,
    /// What was noticed.
    pub findings: Vec<Finding>,
    /// What was read in it.
    pub contents: Contents,
    /// Of a MIDI file, its messages by header key where they have several.
    pub parts: Vec<Part>,
}

impl Arrival {
    /// A file or stream whose bytes have this BLAKE3 and length.
    fn of(source: String, origin: Origin, (hash, bytes): (Hash, u64), seen: Examined) -> Arrival {
        Arrival {
            source,
            origin,
            hash,
            content: seen.content.unwrap_or(hash),
            bytes,
            messages: seen.messages,
            key: seen.key,
            sysex: seen.sysex,
            evidence: seen.evidence,
            findings: seen.findings,
            contents: seen.contents,
            parts: seen.parts,
        }
    }

    /// Whole, or doubtful by a finding.
    pub fn condition(&self) -> Condition {
        Condition::of(&self.findings)
    }
}

/// Where bytes came from: untrusted text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Origin {
    /// By which way.
    pub via: Via,
    /// Folder below what was named on the command line, with `/`.
    pub folder: String,
    /// File name.
    pub name: String,
    /// Modification time, unix seconds.
    pub mtime: Option<i64>,
}

/// Bytes on their way to the vault.
#[derive(Debug)]
pub enum Piece {
    /// A whole piece.
    Whole(Hash, Vec<u8>),
    /// A chunk of a larger piece.
    Chunk(Hash, Vec<u8>),
    /// The chunks of a larger piece in order, with the bytes of each; follows its chunks.
    ChunkList(Hash, Vec<(Hash, u64)>),
    /// The files of a folder: hash and path of each; follows their pieces. Its name is the hash of its text.
    FolderList(Vec<(Hash, String)>),
}

/// Where pieces go as they are read. An error stops the reading.
pub type PieceSink<'a> = &'a mut dyn FnMut(Piece) -> crate::error::Result<()>;
