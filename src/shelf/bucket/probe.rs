//! What a bucket's server honours, found out with a canary object: told to the person, and never relied on.

use std::collections::BTreeMap;
use std::fmt;
use std::io::Read;
use std::sync::atomic::Ordering;

use http::StatusCode;
use sha2::{Digest, Sha256};

use super::Bucket;
use super::asked::{Asking, begins_at};
use crate::error::Result;
use crate::shelf::net::Trouble;
use crate::shelf::{Shelf, reading_error};
use crate::sys::disk::Replace;
use crate::sys::entropy;

/// What a server does with something.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Word {
    /// As the protocol says.
    Honoured,
    /// As if it had not been asked.
    Ignored,
    /// It says no to it.
    Refused,
    /// Otherwise than it says.
    Wrong,
}

impl fmt::Display for Word {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Word::Honoured => "honoured",
            Word::Ignored => "ignored",
            Word::Refused => "refused",
            Word::Wrong => "wrong",
        })
    }
}

/// What the canary told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Honours {
    /// A second put under a condition that forbids overwriting.
    pub conditional_puts: Word,
    /// A put with a wrong SHA-256.
    pub checksums: Word,
    /// The canary in the listing.
    pub listing: Word,
    /// The canary from a byte on. Ranges that count from the end are not tried: nothing here asks for them.
    pub ranges: Word,
    /// Taking the canary away again.
    pub deletes: Word,
}

impl Honours {
    /// Each by name and in a word.
    pub fn in_words(&self) -> BTreeMap<String, String> {
        [
            ("conditional puts", self.conditional_puts),
            ("checksums", self.checksums),
            ("listing", self.listing),
            ("ranges", self.ranges),
            ("deletes", self.deletes),
        ]
        .into_iter()
        .map(|(what, word)| (what.to_string(), word.to_string()))
        .collect()
    }
}

const CANARY: &str = "canary-";
const FIRST: &[u8] = b"farshelf canary 1";
const SECOND: &[u8] = b"farshelf canary 2";

/// True for a canary that could not be taken away.
pub(super) fn is_canary(name: &str) -> bool {
    name.starts_with(CANARY)
}

/// The word for an answer. Trouble on the way there is none: it says nothing about what the server honours.
fn word<T>(asked: Asking<T>, done: impl FnOnce(T) -> Word) -> Asking<Word> {
    match asked {
        Ok(answer) => Ok(done(answer)),
        Err(trouble) => match trouble.status() {
            // RFC 9110, section 15.6: what a server could not do just now.
            Some(408 | 425 | 429 | 500 | 502..) | None => Err(trouble),
            Some(_) => Ok(Word::Refused),
        },
    }
}

/// Asks for the end of the canary.
fn range(bucket: &Bucket, name: &str) -> Asking<Word> {
    let Some(answer) = bucket.asked.get_range(name, 9)? else {
        return Ok(Word::Refused);
    };
    let (is_it, is_whole) = (begins_at(&answer, 9), answer.status() == StatusCode::OK);
    let mut bytes = Vec::new();
    let mut body = answer.into_body().take(1 << 10);
    body.read_to_end(&mut bytes)
        .map_err(|e| bucket.asked.broken(e))?;
    Ok(match (is_it, is_whole) {
        (true, _) if [FIRST, SECOND].iter().any(|c| c[9..] == bytes) => Word::Honoured,
        (_, true) => Word::Ignored,
        _ => Word::Wrong,
    })
}

pub(super) fn probe(bucket: &Bucket) -> Result<Honours> {
    let random = entropy::identifier(bucket.entropy.as_ref())?;
    let (name, other) = (format!("{CANARY}{random}"), format!("{CANARY}{random}-b"));
    let fail = |trouble: Trouble| bucket.cannot("try out")(trouble);
    let read = |name: &str| {
        let found = bucket.read_small(name, 1 << 10);
        found.map_err(|e| reading_error(format!("cannot try out {}", bucket.shown), e))
    };
    let put = |bytes: &[u8]| bucket.put(&name, &bytes.to_vec().into(), Replace::No);
    put(FIRST).map_err(fail)?;
    word(put(SECOND), |_| Word::Ignored).map_err(fail)?;
    // The bytes tell, not the answer.
    let conditional_puts = match read(&name)? {
        None => Word::Refused,
        _ if bucket.unconditional.load(Ordering::Relaxed) => Word::Refused,
        Some(bytes) if bytes == FIRST => Word::Honoured,
        Some(_) => Word::Ignored,
    };
    let ranges = word(range(bucket, &name), |word| word).map_err(fail)?;
    let listing = word(bucket.asked.list("", |_| false), |found| {
        match found.objects.iter().any(|(n, _)| *n == name) {
            true => Word::Honoured,
            false => Word::Ignored,
        }
    })
    .map_err(fail)?;
    // The SHA-256 of other bytes; under another name, for a server that lets nothing be overwritten.
    let wrong = Some(Sha256::digest(b"").into());
    let taken = bucket
        .asked
        .put(&other, &SECOND.to_vec().into(), false, wrong);
    let checksums = match &taken {
        Err(trouble) if trouble.status() == Some(400) => Word::Honoured,
        _ => word(taken, |()| Word::Ignored).map_err(fail)?,
    };
    let deleted = word(bucket.asked.delete(&name), |()| Word::Ignored).map_err(fail)?;
    word(bucket.asked.delete(&other), |()| Word::Ignored).map_err(fail)?;
    let deletes = match read(&name)? {
        None => Word::Honoured,
        Some(_) => deleted,
    };
    Ok(Honours {
        conditional_puts,
        checksums,
        listing,
        ranges,
        deletes,
    })
}
