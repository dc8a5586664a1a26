//! What a bucket's server honours, found out with a canary object: told to the person, and never relied on.

use std::collections::BTreeMap;
use std::fmt;
use std::io::Read;

use http::{Method, StatusCode};
use object_store::ObjectStoreExt;
use object_store::aws::{AwsAuthorizer, AwsCredential};

use super::{Bucket, carry, status_of};
use crate::error::Result;
use crate::shelf::net::runtime;
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
}

impl fmt::Display for Word {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Word::Honoured => "honoured",
            Word::Ignored => "ignored",
            Word::Refused => "refused",
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
    /// A part of the canary.
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

/// True for a canary that could not be taken away.
pub(super) fn is_canary(name: &str) -> bool {
    name.starts_with(CANARY)
}

pub(super) fn probe(bucket: &Bucket) -> Result<Honours> {
    let name = format!("{CANARY}{}", entropy::identifier(bucket.entropy.as_ref())?);
    let fail = |e| reading_error(format!("cannot try out {}", bucket.at.shown), e);
    let (first, second) = (b"farshelf canary 1".to_vec(), b"farshelf canary 2".to_vec());
    bucket
        .put(&name, first.clone().into(), Replace::No)
        .map_err(fail)?;
    let again = bucket.put(&name, second.clone().into(), Replace::No);
    let found = bucket.read_small(&name, 1 << 10).map_err(fail)?;
    // The bytes tell, not the answer.
    let conditional_puts = match (found, again) {
        _ if bucket
            .unconditional
            .load(std::sync::atomic::Ordering::Relaxed) =>
        {
            Word::Refused
        }
        (Some(bytes), Err(_)) if bytes == first => Word::Honoured,
        (Some(bytes), Ok(())) if bytes == first => Word::Honoured,
        _ => Word::Ignored,
    };
    let ranges = {
        let mut rest = Vec::new();
        let read = bucket
            .open(&name, 9)
            .and_then(|part| part.take(1 << 10).read_to_end(&mut rest));
        match read {
            Ok(_) if rest == first[9..] || rest == second[9..] => Word::Honoured,
            Ok(_) => Word::Ignored,
            Err(_) => Word::Refused,
        }
    };
    let listing = match listed(bucket, &name) {
        Some(true) => Word::Honoured,
        Some(false) => Word::Ignored,
        None => Word::Refused,
    };
    let checksums = wrong_checksum(bucket, &name)?;
    let deleted = bucket.wait(bucket.store.delete(&bucket.key(&name)));
    let deletes = match (deleted, bucket.read_small(&name, 1 << 10)) {
        (_, Ok(None)) => Word::Honoured,
        (Err(_), _) => Word::Refused,
        (Ok(()), _) => Word::Ignored,
    };
    Ok(Honours {
        conditional_puts,
        checksums,
        listing,
        ranges,
        deletes,
    })
}

fn listed(bucket: &Bucket, name: &str) -> Option<bool> {
    use object_store::ObjectStore;
    let prefix = (!bucket.at.prefix.is_empty()).then(|| bucket.at.prefix.as_str().into());
    let found = bucket
        .wait(bucket.store.list_with_delimiter(prefix.as_ref()))
        .ok()?;
    let key = bucket.key(name);
    Some(found.objects.iter().any(|o| o.location == key))
}

/// Puts the canary with a checksum that does not fit, properly signed: whoever takes it does not look.
fn wrong_checksum(bucket: &Bucket, name: &str) -> Result<Word> {
    let credential = AwsCredential {
        key_id: bucket.at.access.clone(),
        secret_key: bucket.at.secret.expose().to_string(),
        token: None,
    };
    let url = format!(
        "{}/{}/{}",
        bucket.at.endpoint,
        bucket.at.bucket,
        bucket.key(name)
    );
    let body = b"farshelf canary 3".to_vec();
    // The SHA-256 of no bytes at all, in base64.
    let wrong = "47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=";
    let request = http::Request::builder()
        .method(Method::PUT)
        .uri(url)
        .header("content-length", body.len())
        .header("x-amz-checksum-sha256", wrong)
        .body(body.into());
    let Ok(mut request) = request else {
        return Ok(Word::Refused);
    };
    let signer = AwsAuthorizer::new(&credential, "s3", &bucket.at.region);
    if signer.try_authorize(&mut request, None).is_err() {
        return Ok(Word::Refused);
    }
    let (parts, body) = request.into_parts();
    let answered = runtime()?.block_on(async {
        let payload = carry::payload(body).await.ok()?;
        let request = http::Request::from_parts(parts, payload);
        let answer = bucket.courier.call(request, |_: StatusCode| false).await;
        Some(answer.map(|_| ()).map_err(std::io::Error::from))
    });
    Ok(match answered {
        Some(Ok(())) => Word::Ignored,
        Some(Err(e)) if status_of(&e) == Some(400) => Word::Honoured,
        _ => Word::Refused,
    })
}
