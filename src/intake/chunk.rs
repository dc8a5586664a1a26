//! Cutting large files where their content says, so that a change in one place leaves the other chunks alone.
//!
//! FastCDC (Xia et al., USENIX ATC 2016) by crate `fastcdc`: 16 to 256 KiB, 64 KiB on average, the knee of the curve
//! between number of chunks and bytes saved on disk images.

use std::io::Read;

use crate::error::{Error, Result};
use crate::intake::{Piece, PieceSink};
use crate::model::hash::Hash;

/// Files up to this many bytes stay in one piece.
pub const WHOLE_BYTES: u64 = 1 << 20;
const SMALLEST: usize = 16 << 10;
const AVERAGE: usize = 64 << 10;
const LARGEST: usize = 256 << 10;

/// A file that was cut: its name, length and nothing else.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cut {
    /// BLAKE3 of the whole.
    pub hash: Hash,
    /// Bytes read.
    pub bytes: u64,
}

/// Reads `source` to its end, at most `limit` bytes; hands chunks and then their list to `sink` and all bytes to `look`.
///
/// # Errors
/// `Io` from reading (`doing` names the file), or what `sink` gives.
pub fn cut(
    source: impl Read,
    limit: u64,
    doing: &str,
    sink: PieceSink<'_>,
    look: &mut dyn FnMut(&[u8]),
) -> Result<Cut> {
    let mut whole = blake3::Hasher::new();
    let mut chunks = Vec::new();
    let mut bytes = 0u64;
    for chunk in fastcdc::v2020::StreamCDC::new(source.take(limit), SMALLEST, AVERAGE, LARGEST) {
        let data = chunk.map_err(|e| Error::io(doing, e.into()))?.data;
        whole.update(&data);
        look(&data);
        bytes += data.len() as u64;
        let hash = Hash::of(&data);
        chunks.push((hash, data.len() as u64));
        sink(Piece::Chunk(hash, data))?;
    }
    let hash = Hash::from(whole.finalize());
    sink(Piece::ChunkList(hash, chunks))?;
    Ok(Cut { hash, bytes })
}
