//! A kept take, opened: its whole messages in memory, and what its layout reads in them.

use crate::error::{Error, Kind, Next, Result};
use crate::intake::examine::Lens;
use crate::layout::{Layout, Reader, Reading};
use crate::midi::file;
use crate::midi::framing::{frame, summarize};
use crate::vault::Vault;
use crate::vault::catalogue::{Form, TakeRow};
use crate::vault::pieces::Pieces;

/// A larger take is not opened as a whole.
pub const MOST_BYTES: u64 = 256 << 20;

/// Nor is one with more messages; each takes some hundred bytes beside its own.
pub const MOST_MESSAGES: u64 = 1 << 20;

/// A take with its messages.
#[derive(Debug)]
pub struct Opened {
    /// The bytes as they were kept.
    pub bytes: Vec<u8>,
    /// Its whole SysEx messages, F0 to F7, without real-time bytes; of a MIDI file in order of time.
    pub messages: Vec<Vec<u8>>,
    /// What the layout that fits reads in it.
    pub reading: Option<Reading>,
}

impl Opened {
    /// The messages as slices.
    pub fn slices(&self) -> Vec<&[u8]> {
        self.messages.iter().map(Vec::as_slice).collect()
    }

    /// The layout that fits, if one does.
    pub fn layout(&self) -> Option<&Layout> {
        self.reading.as_ref().map(|r| r.layout.as_ref())
    }
}

/// Opens a take that is one file.
///
/// # Errors
/// `Damaged` if its bytes are not good any more; `BadInput` if it is a folder, larger than 256 MiB or of more than a million
/// messages.
pub fn open(vault: &Vault, lens: &Lens, take: &TakeRow) -> Result<Opened> {
    let name = || -> Result<String> {
        let device = vault.catalogue().device_name(take.device())?;
        Ok(format!("{device}@{}", take.number()))
    };
    if take.form == Form::Folder || take.bytes > MOST_BYTES || take.messages > MOST_MESSAGES {
        let what = match take.form {
            Form::Folder => "is a folder",
            _ => "is too large to be opened as a whole",
        };
        return Err(
            Error::new(Kind::BadInput, format!("{} {what}", name()?)).next(Next::run(
                "write it out as it is",
                format!("recall {} --to PATH", name()?),
            )),
        );
    }
    let mut bytes = Vec::with_capacity(take.bytes as usize);
    Pieces::new(vault).copy(&take.hash, &mut bytes)?;
    let messages = messages_of(&bytes);
    let mut reader = Reader::new(&lens.layouts, lens.preferred.as_deref());
    for message in &messages {
        reader.push(message);
    }
    Ok(Opened {
        bytes,
        messages,
        reading: reader.finish(),
    })
}

/// The whole SysEx messages in a file's bytes, F0 to F7, without real-time bytes; of a MIDI file in order of time. None of
/// a file with more than a million.
pub fn messages_of(bytes: &[u8]) -> Vec<Vec<u8>> {
    if summarize(bytes).whole_messages > MOST_MESSAGES {
        return Vec::new();
    }
    let framed = if file::looks_like_midi_file(bytes) {
        file::messages(bytes).0
    } else {
        frame(bytes).messages
    };
    framed.into_iter().map(|m| m.bytes).collect()
}
