//! Reading objects: whole or a range, if a condition holds; and the report that is made up for each guest.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, UNIX_EPOCH};

use bytes::Bytes;
use s3s::dto::*;
use s3s::{S3Error, S3ErrorCode, S3Request, S3Response, S3Result};

use super::refusals::{bad_key, failed, no_such_key};
use super::service::{Face, blocking};
use crate::host::digest::base64;
use crate::host::holding::Opened;
use crate::host::house::Lodger;
use crate::host::key;
use crate::lending::REPORT;
use crate::sys::disk::DiskFile;

/// What is read of a file at once.
const PIECE: usize = 128 << 10;
const MEDIA_TYPE: &str = "application/octet-stream";

/// `seconds` since 1970-01-01 UTC for the protocol.
pub(super) fn timestamp(seconds: i64) -> Timestamp {
    let since = Duration::from_secs(seconds.max(0).unsigned_abs());
    Timestamp::from(UNIX_EPOCH + since)
}

/// An object, or the report, as it is about to be read.
struct Found {
    bytes: u64,
    etag: ETag,
    modified: Timestamp,
    sha256: Option<String>,
    content: Content,
}

enum Content {
    File(Box<dyn DiskFile>),
    Text(Bytes),
}

async fn find(face: &Face, lodger: Arc<Lodger>, key: &str) -> S3Result<Found> {
    let now = face.0.host.world.now();
    let key = key.to_string();
    blocking(move || {
        if key == REPORT {
            let report = lodger.rooms.holding.report(lodger.quota);
            let text = Bytes::from(serde_json::to_vec(&report).map_err(failed)?);
            let tag = blake3::hash(&text).to_hex();
            return Ok(Found {
                bytes: text.len() as u64,
                etag: ETag::Strong(format!("{}-1", &tag[..32])),
                modified: timestamp(now),
                sha256: None,
                content: Content::Text(text),
            });
        }
        if !key::valid(&key) {
            return Err(no_such_key());
        }
        let opened = lodger.rooms.holding.open_object(&key).map_err(failed)?;
        let Opened { file, entry, bytes } = opened.ok_or_else(no_such_key)?;
        Ok(Found {
            bytes,
            etag: ETag::Strong(entry.etag()),
            modified: timestamp(entry.present.map_or(0, |p| p.modified)),
            sha256: entry.record.map(|r| base64(&r.hashes.sha256)),
            content: Content::File(file),
        })
    })
    .await
}

/// Whether the conditions of a request hold.
///
/// # Source
/// RFC 9110 section 13.2.2: If-Match first, then If-None-Match.
fn judge(
    found: &Found,
    if_match: Option<&ETagCondition>,
    if_none_match: Option<&ETagCondition>,
) -> S3Result<()> {
    let is = |condition: &ETagCondition| match condition {
        ETagCondition::Any => true,
        ETagCondition::ETag(tag) => tag.weak_cmp(&found.etag),
    };
    if if_match.is_some_and(|c| !is(c)) {
        return Err(S3Error::new(S3ErrorCode::PreconditionFailed));
    }
    if if_none_match.is_some_and(is) {
        return Err(S3Error::new(S3ErrorCode::NotModified));
    }
    Ok(())
}

fn wants_checksum(mode: Option<&ChecksumMode>) -> bool {
    mode.is_some_and(|m| m.as_str() == ChecksumMode::ENABLED)
}

pub(super) async fn get_object(
    face: &Face,
    request: S3Request<GetObjectInput>,
) -> S3Result<S3Response<GetObjectOutput>> {
    let lodger = face.guest(&request)?;
    let asked = request.input;
    if asked.part_number.is_some() || asked.version_id.is_some() {
        return Err(S3Error::with_message(
            S3ErrorCode::NotImplemented,
            "objects have neither parts nor versions here",
        ));
    }
    let found = find(face, lodger, &asked.key).await?;
    judge(
        &found,
        asked.if_match.as_ref(),
        asked.if_none_match.as_ref(),
    )?;
    let range = match asked.range {
        None => None,
        Some(range) => Some(range.check(found.bytes).map_err(|_| {
            S3Error::with_message(
                S3ErrorCode::InvalidRange,
                format!("the object has {} bytes", found.bytes),
            )
        })?),
    };
    let content_range = range
        .as_ref()
        .map(|r| format!("bytes {}-{}/{}", r.start, r.end - 1, found.bytes));
    // A checksum of the whole says nothing about a part.
    let sha256 = found
        .sha256
        .filter(|_| wants_checksum(asked.checksum_mode.as_ref()) && range.is_none());
    let range = range.unwrap_or(0..found.bytes);
    let body = match found.content {
        Content::Text(text) => {
            let part = text.slice(range.start as usize..range.end as usize);
            StreamingBlob::from(s3s::Body::from(part))
        }
        Content::File(file) => stream(file, range.clone()),
    };
    let output = GetObjectOutput {
        accept_ranges: Some("bytes".to_string()),
        body: Some(body),
        checksum_type: sha256
            .is_some()
            .then(|| ChecksumType::from_static(ChecksumType::FULL_OBJECT)),
        checksum_sha256: sha256,
        content_length: Some((range.end - range.start) as i64),
        content_type: Some(MEDIA_TYPE.to_string()),
        e_tag: Some(found.etag),
        last_modified: Some(found.modified),
        content_range: content_range.clone(),
        ..Default::default()
    };
    match content_range {
        Some(_) => Ok(S3Response::with_status(
            output,
            http::StatusCode::PARTIAL_CONTENT,
        )),
        None => Ok(S3Response::new(output)),
    }
}

pub(super) async fn head_object(
    face: &Face,
    request: S3Request<HeadObjectInput>,
) -> S3Result<S3Response<HeadObjectOutput>> {
    let lodger = face.guest(&request)?;
    let asked = request.input;
    let found = find(face, lodger, &asked.key).await?;
    judge(
        &found,
        asked.if_match.as_ref(),
        asked.if_none_match.as_ref(),
    )?;
    let sha256 = found
        .sha256
        .filter(|_| wants_checksum(asked.checksum_mode.as_ref()));
    Ok(S3Response::new(HeadObjectOutput {
        accept_ranges: Some("bytes".to_string()),
        checksum_type: sha256
            .is_some()
            .then(|| ChecksumType::from_static(ChecksumType::FULL_OBJECT)),
        checksum_sha256: sha256,
        content_length: Some(found.bytes as i64),
        content_type: Some(MEDIA_TYPE.to_string()),
        e_tag: Some(found.etag),
        last_modified: Some(found.modified),
        ..Default::default()
    }))
}

/// The bytes of a file in `range`, read piece by piece as the client takes them.
fn stream(file: Box<dyn DiskFile>, range: std::ops::Range<u64>) -> StreamingBlob {
    // The lock is never waited for: one piece is read after the other.
    let file = Arc::new(Mutex::new(file));
    let pieces = futures::stream::try_unfold(range, move |range| {
        let file = file.clone();
        async move {
            if range.is_empty() {
                return Ok(None);
            }
            // Made by the thread that sends it, which then uses the room again.
            let wanted = (range.end - range.start).min(PIECE as u64) as usize;
            let mut piece = vec![0u8; wanted];
            let work = move || {
                let n = file
                    .lock()
                    .unwrap_or_else(PoisonError::into_inner)
                    .read_at(&mut piece, range.start)?;
                if n == 0 {
                    return Err(std::io::Error::from(std::io::ErrorKind::UnexpectedEof));
                }
                piece.truncate(n);
                Ok(Some((
                    Bytes::from(piece),
                    range.start + n as u64..range.end,
                )))
            };
            tokio::task::spawn_blocking(work)
                .await
                .map_err(std::io::Error::other)?
        }
    });
    StreamingBlob::wrap(pieces)
}

/// Refuses a name that no object can have.
///
/// # Errors
/// `InvalidArgument`.
pub(super) fn must_be_valid(key: &str) -> S3Result<()> {
    if key == REPORT {
        return Err(super::refusals::only_adds(
            "report.json is made up by the host",
        ));
    }
    key::valid(key).then_some(()).ok_or_else(bad_key)
}
