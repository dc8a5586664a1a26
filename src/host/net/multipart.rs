//! Objects that come in parts: each part is a draft; completing puts them together into one object.
//!
//! Parts live as long as the server runs. Completing reads them and leaves them alone until the object has appeared, so
//! that it can be asked for again; what was completed is remembered for a client whose answer got lost.

use std::collections::{BTreeMap, HashMap, VecDeque};
use std::io;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use s3s::dto::*;
use s3s::{S3Error, S3ErrorCode, S3Request, S3Response, S3Result};

use super::get::must_be_valid;
use super::put::{Receiving, absent_only, length, permit, receive};
use super::refusals::{bad, bad_digest, failed};
use super::service::{Face, blocking};
use crate::host::digest::{Hasher, Promise, base64};
use crate::host::draft::Draft;
use crate::host::holding::{Arrival, Promised, Refusal};
use crate::host::house::Rooms;
use crate::host::seen::Record;
use crate::lending::BUCKET;
use crate::sys::entropy;

/// Objects of one guest that may be on their way in parts; the one that rested longest makes room for the next.
const AT_ONCE: usize = 16;
/// The protocol's limit.
const PARTS: usize = 10_000;
/// Answers that are remembered.
const REMEMBERED: usize = 64;

/// What comes in parts from one guest.
#[derive(Debug, Default)]
pub(in crate::host) struct Multiparts(Mutex<Book>);

#[derive(Debug, Default)]
struct Book {
    running: HashMap<String, Arc<Upload>>,
    /// Ids of running ones, the one that rested longest first.
    order: VecDeque<String>,
    done: VecDeque<(String, String, Record)>,
}

#[derive(Debug)]
struct Upload {
    key: String,
    parts: Mutex<BTreeMap<i32, Part>>,
    /// Completing is done by one at a time.
    completing: Mutex<()>,
}

#[derive(Debug)]
struct Part {
    draft: Draft,
    etag: String,
    _promised: Promised,
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn no_such_upload() -> S3Error {
    S3Error::with_message(
        S3ErrorCode::NoSuchUpload,
        "no upload of that id is running; begin it again",
    )
}

impl Multiparts {
    fn find(&self, id: &str, key: &str) -> S3Result<Arc<Upload>> {
        let mut book = locked(&self.0);
        let upload = book
            .running
            .get(id)
            .filter(|u| u.key == key)
            .cloned()
            .ok_or_else(no_such_upload)?;
        if let Some(at) = book.order.iter().position(|o| o == id) {
            book.order.remove(at);
            book.order.push_back(id.to_string());
        }
        Ok(upload)
    }

    fn take(&self, id: &str) -> Option<Arc<Upload>> {
        let mut book = locked(&self.0);
        book.order.retain(|o| o != id);
        book.running.remove(id)
    }
}

pub(super) async fn create(
    face: &Face,
    request: S3Request<CreateMultipartUploadInput>,
) -> S3Result<S3Response<CreateMultipartUploadOutput>> {
    let lodger = face.guest(&request)?;
    let key = request.input.key;
    must_be_valid(&key)?;
    let id = entropy::identifier(face.0.host.world.entropy.as_ref()).map_err(failed)?;
    let upload = Upload {
        key: key.clone(),
        parts: Mutex::default(),
        completing: Mutex::default(),
    };
    {
        let mut book = locked(&lodger.rooms.multiparts.0);
        if book.order.len() >= AT_ONCE
            && let Some(oldest) = book.order.pop_front()
        {
            book.running.remove(&oldest);
        }
        book.order.push_back(id.clone());
        book.running.insert(id.clone(), Arc::new(upload));
    }
    Ok(S3Response::new(CreateMultipartUploadOutput {
        bucket: Some(BUCKET.to_string()),
        key: Some(key),
        upload_id: Some(id),
        ..Default::default()
    }))
}

pub(super) async fn upload_part(
    face: &Face,
    request: S3Request<UploadPartInput>,
) -> S3Result<S3Response<UploadPartOutput>> {
    let lodger = face.guest(&request)?;
    let asked = request.input;
    let number = asked.part_number;
    if !(1..=PARTS as i32).contains(&number) {
        return Err(bad("parts are numbered from 1 to 10,000"));
    }
    let rooms = lodger.rooms.clone();
    let upload = rooms.multiparts.find(&asked.upload_id, &asked.key)?;
    let length = length(&request.headers, asked.content_length)?;
    let promise = Promise::of(&request.headers);
    let _permit = permit(&lodger).await?;
    let receiving = {
        let lodger = lodger.clone();
        blocking(move || {
            let holding = &lodger.rooms.holding;
            let promised = holding.promise_room(length, true, lodger.quota)?;
            Ok(Receiving::new(&lodger.rooms, promise, length, promised).map_err(Refusal::from)?)
        })
        .await?
    };
    let received = receive(receiving, asked.body, request.trailing_headers).await?;
    let record = Record {
        bytes: received.draft.bytes,
        hashes: received.hashes,
        at: 0,
    };
    let part = Part {
        draft: received.draft,
        etag: record.etag(),
        _promised: received.promised,
    };
    // One that was dropped meanwhile takes its parts with it.
    rooms.multiparts.find(&asked.upload_id, &asked.key)?;
    // Parts are locked for as long as it takes to put them together.
    blocking(move || {
        locked(&upload.parts).insert(number, part);
        Ok(())
    })
    .await?;
    Ok(S3Response::new(UploadPartOutput {
        checksum_sha256: Some(base64(&record.hashes.sha256)),
        e_tag: Some(ETag::Strong(record.etag())),
        ..Default::default()
    }))
}

/// Puts the parts together into a draft on stable storage.
fn together(
    rooms: &Rooms,
    upload: &Upload,
    wanted: &[(i32, String)],
    promise: &Promise,
) -> S3Result<(Draft, crate::host::digest::Hashes, Promised)> {
    let parts = locked(&upload.parts);
    let mut bytes = 0;
    for (number, etag) in wanted {
        match parts.get(number) {
            Some(part) if part.etag == *etag => bytes += part.draft.bytes,
            _ => {
                return Err(S3Error::with_message(
                    S3ErrorCode::InvalidPart,
                    format!("part {number} did not come, or came with another ETag"),
                ));
            }
        }
    }
    let holding = &rooms.holding;
    // The parts count already for what the guest holds; for a while they lie there twice.
    let promised = holding.promise_room(bytes, false, None)?;
    let mut draft = Draft::new(holding.shared_disk(), &holding.shelf).map_err(Refusal::from)?;
    let mut hasher = Hasher::new(promise);
    let mut buffer = vec![0u8; 256 << 10];
    for part in wanted.iter().filter_map(|(number, _)| parts.get(number)) {
        let mut offset = 0;
        while offset < part.draft.bytes {
            let n = part
                .draft
                .file()
                .and_then(|file| file.read_at(&mut buffer, offset))
                .map_err(failed)?;
            if n == 0 {
                return Err(failed(io::Error::from(io::ErrorKind::UnexpectedEof)));
            }
            hasher.update(&buffer[..n]);
            draft.write(&buffer[..n]).map_err(Refusal::from)?;
            offset += n as u64;
        }
    }
    let hashes = hasher.finish(promise).map_err(bad_digest)?;
    draft.sync().map_err(Refusal::from)?;
    Ok((draft, hashes, promised))
}

pub(super) async fn complete(
    face: &Face,
    request: S3Request<CompleteMultipartUploadInput>,
) -> S3Result<S3Response<CompleteMultipartUploadOutput>> {
    let lodger = face.guest(&request)?;
    let asked = request.input;
    must_be_valid(&asked.key)?;
    let absent_only = absent_only(asked.if_match.as_ref(), asked.if_none_match.as_ref())?;
    let (rooms, house) = (lodger.rooms.clone(), face.0.clone());
    let mut wanted = Vec::new();
    for part in asked
        .multipart_upload
        .and_then(|u| u.parts)
        .unwrap_or_default()
    {
        let number = part.part_number.unwrap_or_default();
        let etag = part.e_tag.map(ETag::into_value).unwrap_or_default();
        if wanted.last().is_some_and(|(last, _)| *last >= number) {
            return Err(S3Error::with_message(
                S3ErrorCode::InvalidPartOrder,
                "the parts are not in order",
            ));
        }
        wanted.push((number, etag));
    }
    if wanted.is_empty() || wanted.len() > PARTS {
        return Err(bad("an upload has 1 to 10,000 parts"));
    }
    // Of checksums of the whole, the SHA-256 of all bytes can be compared; one made of the parts' ends in a dash.
    let whole = asked.checksum_sha256.filter(|c| !c.contains('-'));
    let promise = Promise::whole(whole);
    let (id, key) = (asked.upload_id, asked.key);
    let answered = key.clone();
    let _permit = permit(&lodger).await?;
    let record = blocking(move || {
        {
            let book = locked(&rooms.multiparts.0);
            let done = book.done.iter().find(|(i, k, _)| *i == id && *k == key);
            if let Some((_, _, record)) = done {
                return Ok(*record);
            }
        }
        let upload = rooms.multiparts.find(&id, &key)?;
        let _one = locked(&upload.completing);
        let (draft, hashes, promised) = together(&rooms, &upload, &wanted, &promise)?;
        house.read_guests().map_err(failed)?;
        let (arrival, record) = rooms.holding.publish(draft, &key, hashes, absent_only)?;
        drop(promised);
        if arrival == Arrival::New {
            house.count_arrival();
        }
        rooms.multiparts.take(&id);
        let mut book = locked(&rooms.multiparts.0);
        book.done.push_back((id, key, record));
        if book.done.len() > REMEMBERED {
            book.done.pop_front();
        }
        drop(book);
        // The parts go now, also if somebody is still adding one.
        locked(&upload.parts).clear();
        Ok(record)
    })
    .await?;
    Ok(S3Response::new(CompleteMultipartUploadOutput {
        bucket: Some(BUCKET.to_string()),
        key: Some(answered),
        checksum_sha256: Some(base64(&record.hashes.sha256)),
        checksum_type: Some(ChecksumType::from_static(ChecksumType::FULL_OBJECT)),
        e_tag: Some(ETag::Strong(record.etag())),
        ..Default::default()
    }))
}

pub(super) async fn abort(
    face: &Face,
    request: S3Request<AbortMultipartUploadInput>,
) -> S3Result<S3Response<AbortMultipartUploadOutput>> {
    let lodger = face.guest(&request)?;
    let asked = request.input;
    lodger.rooms.multiparts.find(&asked.upload_id, &asked.key)?;
    lodger.rooms.multiparts.take(&asked.upload_id);
    Ok(S3Response::new(AbortMultipartUploadOutput::default()))
}
