//! An object on its way to a share: gathered, sent under a passing name, looked at, given its own.

use std::io::{self, Write};

use super::dav::Done;
use super::{Share, Trouble};
use crate::error::{Error, Kind, Next, Result};
use crate::shelf::net::{Gathering, Payload, TroubleKind};
use crate::shelf::{Upload, in_words};
use crate::sys::disk::Replace;

/// An object while its bytes come in.
pub(super) struct ShareUpload<'s> {
    share: &'s Share,
    bytes: Gathering,
}

impl<'s> ShareUpload<'s> {
    pub(super) fn new(share: &'s Share) -> ShareUpload<'s> {
        ShareUpload {
            share,
            bytes: Gathering::default(),
        }
    }
}

impl Write for ShareUpload<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.bytes.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Upload for ShareUpload<'_> {
    fn publish(self: Box<Self>, path: &str, replace: Replace) -> Result<()> {
        // It also renews the sign-in, so that the bytes are not sent in vain.
        self.share.must_have_shelf_json()?;
        publish(self.share, path, self.bytes.into_payload(), replace)
    }
}

/// Sends `bytes` and names them `path`.
pub(super) fn publish(share: &Share, path: &str, bytes: Payload, replace: Replace) -> Result<()> {
    let temporary = share.temporary(path)?;
    let length = bytes.len();
    let sent = send(share, path, &temporary, bytes)
        .and_then(|()| name(share, &temporary, path, length, replace));
    // Where nobody answers, a further question only takes time; the next upload of another day removes it.
    if let Err(e) = &sent
        && may_be_tidied(e)
    {
        let _ = share.dav.delete(&temporary);
    }
    sent
}

/// True if something may lie under the passing name, and the server is there to remove it.
fn may_be_tidied(e: &Error) -> bool {
    let Some(source) = std::error::Error::source(e) else {
        return true;
    };
    // Where the name was taken, it is removed already.
    source
        .downcast_ref::<Trouble>()
        .is_some_and(|t| matches!(t.kind, TroubleKind::Answered(_) | TroubleKind::Other(_)))
}

fn send(share: &Share, path: &str, temporary: &str, bytes: Payload) -> Result<()> {
    let put = || {
        let put = share.dav.put(temporary, bytes.clone());
        put.map_err(share.cannot("write to"))
    };
    if put()? == Done::Yes {
        return Ok(());
    }
    // Not made yet, or removed since.
    if let Some(slash) = path.rfind('/') {
        share.make_collection(&path[..=slash])?;
        if put()? == Done::Yes {
            return Ok(());
        }
    }
    Err(share.no_folder())
}

fn name(share: &Share, from: &str, to: &str, length: u64, replace: Replace) -> Result<()> {
    let look = |path: &str| {
        let found = share.dav.look(path).map_err(share.cannot("look at"))?;
        Ok::<_, Error>(found.map(|e| e.bytes.unwrap_or(0)))
    };
    let there = || look(to);
    // Before it takes the place of anything: a server that kept only a part of it must not cost what was there.
    match look(from)? {
        Some(bytes) if bytes == length => {}
        Some(bytes) => return Err(cut_short(share, to, bytes, length)),
        None => return Err(lost(share, to)),
    }
    let moved = share.dav.rename(from, to, replace == Replace::Yes);
    match moved.map_err(share.cannot("write to"))? {
        Done::Yes => Ok(()),
        // Asked twice because the first answer was lost: then it has its name already.
        Done::Missing if there()? == Some(length) => Ok(()),
        Done::Missing => Err(lost(share, to)),
        Done::Taken => {
            // The same may come as this answer: then nothing is left under the passing name.
            let gone = share.dav.delete(from).map_err(share.cannot("write to"))? == Done::Missing;
            if gone && there()? == Some(length) {
                return Ok(());
            }
            Err(Error::io(
                format!("cannot write {} at {}", in_words(to), share.shown),
                io::ErrorKind::AlreadyExists.into(),
            ))
        }
    }
}

fn cut_short(share: &Share, path: &str, kept: u64, length: u64) -> Error {
    Error::new(
        Kind::Refused,
        format!(
            "{} kept {kept} of the {length} bytes of {}",
            share.shown,
            in_words(path)
        ),
    )
    .next(Next::say(
        "is there room left? then run the same command again; what is kept here is not touched",
    ))
}

fn lost(share: &Share, path: &str) -> Error {
    Error::new(
        Kind::Refused,
        format!(
            "{} took {} and does not have it",
            share.shown,
            in_words(path)
        ),
    )
    .next(Next::say(
        "try again later; what is kept here is not touched",
    ))
}
