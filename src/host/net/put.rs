//! Receiving objects: judged before the body is read, hashed while it streams, and only then to be seen.

use std::io;
use std::sync::Arc;

use bytes::Bytes;
use futures::StreamExt;
use http::HeaderMap;
use s3s::dto::*;
use s3s::{S3Error, S3ErrorCode, S3Request, S3Response, S3Result, TrailingHeaders};

use super::get::must_be_valid;
use super::refusals::{bad_digest, broken_body, failed};
use super::service::{Face, blocking};
use crate::host::digest::{Hasher, Hashes, Promise, base64};
use crate::host::draft::Draft;
use crate::host::holding::{Arrival, Promised, Refusal};
use crate::host::house::{Lodger, Rooms};

/// What is handed to the writer at once. An upload has at most two such batches in memory.
const BATCH: usize = 128 << 10;

/// How long a body will be: without that no room can be promised.
///
/// # Errors
/// `MissingContentLength`.
pub(super) fn length(headers: &HeaderMap, content_length: Option<i64>) -> S3Result<u64> {
    let decoded = headers
        .get("x-amz-decoded-content-length")
        .and_then(|v| v.to_str().ok()?.parse().ok());
    decoded
        .or(content_length.and_then(|n| u64::try_from(n).ok()))
        .ok_or_else(|| {
            S3Error::with_message(
                S3ErrorCode::MissingContentLength,
                "the length of an upload has to be said before it is sent",
            )
        })
}

/// What is being received.
pub(super) struct Receiving {
    pub(super) draft: Draft,
    hasher: Hasher,
    promise: Promise,
    length: u64,
    /// Given back when the object has appeared and counts itself, or will not appear.
    pub(super) promised: Promised,
}

impl Receiving {
    pub(super) fn new(
        rooms: &Rooms,
        promise: Promise,
        length: u64,
        promised: Promised,
    ) -> io::Result<Receiving> {
        let holding = &rooms.holding;
        Ok(Receiving {
            draft: Draft::new(holding.shared_disk(), &holding.shelf)?,
            hasher: Hasher::new(&promise),
            promise,
            length,
            promised,
        })
    }

    fn write(&mut self, pieces: &[Bytes]) -> Result<(), Refusal> {
        for piece in pieces {
            self.hasher.update(piece);
            self.draft.write(piece)?;
        }
        Ok(())
    }
}

/// A whole body on stable storage, which agrees with everything that was said of it.
pub(super) struct Received {
    pub(super) draft: Draft,
    pub(super) hashes: Hashes,
    pub(super) promised: Promised,
}

/// Receives a body. While one batch is hashed and written, the next comes in.
///
/// # Errors
/// `BadDigest`, `IncompleteBody`, `RequestTimeout`, `SignatureDoesNotMatch`, `DiskNearlyFull`; nothing is left then.
pub(super) async fn receive(
    mut receiving: Receiving,
    body: Option<StreamingBlob>,
    trailers: Option<TrailingHeaders>,
) -> S3Result<Received> {
    if body.is_none() {
        // There was nothing for the S3 crate to hash.
        receiving.promise.signed_sha256 = None;
        receiving.hasher = Hasher::new(&receiving.promise);
    }
    let length = receiving.length;
    let mut writer = Writer::Idle(Box::new(receiving));
    let mut came = 0u64;
    let mut batch = Vec::new();
    let mut batch_bytes = 0;
    if let Some(mut body) = body {
        while let Some(piece) = body.next().await {
            let piece = piece.map_err(|e| broken_body(e.as_ref()))?;
            came += piece.len() as u64;
            if came > length {
                return Err(broken_body(&io::Error::other("longer than was said")));
            }
            batch_bytes += piece.len();
            batch.push(piece);
            if batch_bytes >= BATCH {
                let pieces = std::mem::take(&mut batch);
                batch_bytes = 0;
                let mut idle = writer.idle().await?;
                writer = Writer::Busy(tokio::task::spawn_blocking(move || {
                    idle.write(&pieces).map(|()| (idle, pieces))
                }));
            }
        }
    }
    if came != length {
        return Err(broken_body(&io::Error::other("shorter than was said")));
    }
    let mut receiving = writer.idle().await?;
    if let Some(trailers) = trailers.and_then(|t| t.take()) {
        receiving.promise.add_trailers(&trailers);
    }
    blocking(move || {
        receiving.write(&batch)?;
        let Receiving {
            mut draft,
            hasher,
            promise,
            promised,
            ..
        } = *receiving;
        let hashes = hasher.finish(&promise).map_err(bad_digest)?;
        draft.sync().map_err(Refusal::from)?;
        Ok(Received {
            draft,
            hashes,
            promised,
        })
    })
    .await
}

/// What wrote, and what it wrote.
type Written = (Box<Receiving>, Vec<Bytes>);

enum Writer {
    Idle(Box<Receiving>),
    Busy(tokio::task::JoinHandle<Result<Written, Refusal>>),
}

impl Writer {
    async fn idle(self) -> S3Result<Box<Receiving>> {
        match self {
            Writer::Idle(receiving) => Ok(receiving),
            Writer::Busy(task) => {
                // What was written is let go by the thread that made room for it, which then uses the room again.
                let (receiving, _written) = task.await.map_err(failed)??;
                Ok(receiving)
            }
        }
    }
}

/// Waits until the guest has no more than its share of uploads running.
///
/// # Errors
/// `InternalError` if the host is being stopped.
pub(super) async fn permit(lodger: &Lodger) -> S3Result<tokio::sync::OwnedSemaphorePermit> {
    let uploads = lodger.rooms.uploads.clone();
    uploads.acquire_owned().await.map_err(failed)
}

/// Whether the request wants the object not to be there.
///
/// # Errors
/// `NotImplemented` for other conditions.
pub(super) fn absent_only(
    if_match: Option<&ETagCondition>,
    if_none_match: Option<&ETagCondition>,
) -> S3Result<bool> {
    match (if_match, if_none_match) {
        (None, None) => Ok(false),
        (None, Some(ETagCondition::Any)) => Ok(true),
        _ => Err(S3Error::with_message(
            S3ErrorCode::NotImplemented,
            "of conditions for an upload only If-None-Match: * is known here",
        )),
    }
}

pub(super) async fn put_object(
    face: &Face,
    request: S3Request<PutObjectInput>,
) -> S3Result<S3Response<PutObjectOutput>> {
    let lodger = face.guest(&request)?;
    let asked = request.input;
    must_be_valid(&asked.key)?;
    let absent_only = absent_only(asked.if_match.as_ref(), asked.if_none_match.as_ref())?;
    let length = length(&request.headers, asked.content_length)?;
    let promise = Promise::of(&request.headers);
    let _permit = permit(&lodger).await?;
    let key = asked.key;
    let receiving = {
        let (lodger, key) = (lodger.clone(), key.clone());
        blocking(move || {
            let promised = lodger.rooms.holding.promise(
                &key,
                length,
                promise.sha256(),
                absent_only,
                lodger.quota,
            )?;
            Ok(Receiving::new(&lodger.rooms, promise, length, promised).map_err(Refusal::from)?)
        })
        .await?
    };
    let received = receive(receiving, asked.body, request.trailing_headers).await?;
    let house = face.0.clone();
    let rooms: Arc<Rooms> = lodger.rooms.clone();
    let record = blocking(move || {
        // Its access may have ended while the body came.
        house.read_guests().map_err(failed)?;
        let (arrival, record) =
            rooms
                .holding
                .publish(received.draft, &key, received.hashes, absent_only)?;
        drop(received.promised);
        if arrival == Arrival::New {
            house.count_arrival();
        }
        Ok(record)
    })
    .await?;
    Ok(S3Response::new(PutObjectOutput {
        checksum_sha256: Some(base64(&record.hashes.sha256)),
        checksum_type: Some(ChecksumType::from_static(ChecksumType::FULL_OBJECT)),
        e_tag: Some(ETag::Strong(record.etag())),
        ..Default::default()
    }))
}
