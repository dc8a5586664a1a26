//! Listing objects, page by page in the order of bytes; both versions of the request.

use s3s::dto::*;
use s3s::{S3Request, S3Response, S3Result};

use super::get::timestamp;
use super::refusals::{bad, failed};
use super::service::{Face, blocking};
use crate::host::holding::Holding;

/// The most that one page holds.
const PAGE: usize = 1000;

/// What is asked for.
#[derive(Debug, Default)]
struct Asked {
    prefix: String,
    delimiter: Option<String>,
    /// Only what comes behind this text.
    after: String,
    most: usize,
    url: bool,
}

/// A page.
#[derive(Debug, Default)]
struct Page {
    objects: Vec<Object>,
    prefixes: Vec<CommonPrefix>,
    /// The last thing on the page, if more follows.
    last: Option<String>,
}

/// Percent-encodes what is no unreserved character or slash (RFC 3986 section 2.3).
fn coded(text: &str, url: bool) -> String {
    use std::fmt::Write;
    if !url {
        return text.to_string();
    }
    text.bytes().fold(String::new(), |mut out, b| {
        if b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_' | b'.' | b'~' | b'/') {
            out.push(char::from(b));
        } else {
            // Writing to a String does not fail.
            let _ = write!(out, "%{b:02X}");
        }
        out
    })
}

fn page(holding: &Holding, asked: &Asked) -> Page {
    let mut page = Page::default();
    let mut newest = String::new();
    let from = asked.after.as_str().max(asked.prefix.as_str()).to_string();
    holding.walk(&from, |key, entry| {
        if !key.starts_with(&asked.prefix) {
            // Keys are sorted: once past the prefix, no more come.
            return key < asked.prefix.as_str();
        }
        let folded = asked.delimiter.as_deref().and_then(|delimiter| {
            let rest = &key[asked.prefix.len()..];
            let end = rest.find(delimiter)? + delimiter.len();
            Some(&key[..asked.prefix.len() + end])
        });
        let name = folded.unwrap_or(key);
        // A prefix that an earlier page showed is not shown again for the keys below it.
        let shown = name <= asked.after.as_str() || (folded.is_some() && name == newest);
        if shown {
            return true;
        }
        if page.objects.len() + page.prefixes.len() >= asked.most {
            page.last = Some(newest.clone());
            return false;
        }
        newest = name.to_string();
        if folded.is_some() {
            page.prefixes.push(CommonPrefix {
                prefix: Some(coded(name, asked.url)),
            });
        } else {
            let present = entry.present;
            page.objects.push(Object {
                e_tag: Some(ETag::Strong(entry.etag())),
                key: Some(coded(name, asked.url)),
                last_modified: Some(timestamp(present.map_or(0, |p| p.modified))),
                size: present.map(|p| p.bytes as i64),
                storage_class: Some(ObjectStorageClass::from_static(
                    ObjectStorageClass::STANDARD,
                )),
                ..Default::default()
            });
        }
        true
    });
    page
}

async fn look(
    face: &Face,
    lodger: std::sync::Arc<crate::host::house::Lodger>,
    asked: Asked,
) -> S3Result<(Page, Asked)> {
    let _ = face;
    blocking(move || {
        let holding = &lodger.rooms.holding;
        holding.refresh().map_err(failed)?;
        let page = match asked.most {
            0 => Page::default(),
            _ => page(holding, &asked),
        };
        Ok((page, asked))
    })
    .await
}

fn most(max_keys: Option<i32>) -> S3Result<usize> {
    match max_keys {
        None => Ok(PAGE),
        Some(n) => usize::try_from(n)
            .map(|n| n.min(PAGE))
            .map_err(|_| bad("max-keys is less than nothing")),
    }
}

fn is_url(encoding: Option<&EncodingType>) -> bool {
    encoding.is_some_and(|e| e.as_str() == EncodingType::URL)
}

pub(super) async fn first_version(
    face: &Face,
    request: S3Request<ListObjectsInput>,
) -> S3Result<S3Response<ListObjectsOutput>> {
    let lodger = face.guest(&request)?;
    let input = request.input;
    let asked = Asked {
        prefix: input.prefix.clone().unwrap_or_default(),
        delimiter: input.delimiter.clone().filter(|d| !d.is_empty()),
        after: input.marker.clone().unwrap_or_default(),
        most: most(input.max_keys)?,
        url: is_url(input.encoding_type.as_ref()),
    };
    let (page, asked) = look(face, lodger, asked).await?;
    let show = |text: Option<String>| text.map(|t| coded(&t, asked.url));
    Ok(S3Response::new(ListObjectsOutput {
        name: Some(input.bucket),
        prefix: show(Some(asked.prefix.clone())),
        marker: show(Some(asked.after.clone())),
        max_keys: Some(asked.most as i32),
        is_truncated: Some(page.last.is_some()),
        contents: Some(page.objects),
        common_prefixes: Some(page.prefixes),
        delimiter: show(asked.delimiter.clone()),
        next_marker: show(page.last),
        encoding_type: input.encoding_type,
        ..Default::default()
    }))
}

pub(super) async fn second_version(
    face: &Face,
    request: S3Request<ListObjectsV2Input>,
) -> S3Result<S3Response<ListObjectsV2Output>> {
    let lodger = face.guest(&request)?;
    let input = request.input;
    // A token is the last thing on the page before.
    let after = input
        .continuation_token
        .clone()
        .or(input.start_after.clone());
    let asked = Asked {
        prefix: input.prefix.clone().unwrap_or_default(),
        delimiter: input.delimiter.clone().filter(|d| !d.is_empty()),
        after: after.unwrap_or_default(),
        most: most(input.max_keys)?,
        url: is_url(input.encoding_type.as_ref()),
    };
    let (page, asked) = look(face, lodger, asked).await?;
    let show = |text: Option<String>| text.map(|t| coded(&t, asked.url));
    Ok(S3Response::new(ListObjectsV2Output {
        name: Some(input.bucket),
        prefix: show(Some(asked.prefix.clone())),
        max_keys: Some(asked.most as i32),
        key_count: Some((page.objects.len() + page.prefixes.len()) as i32),
        continuation_token: input.continuation_token,
        is_truncated: Some(page.last.is_some()),
        next_continuation_token: page.last,
        contents: Some(page.objects),
        common_prefixes: Some(page.prefixes),
        delimiter: show(asked.delimiter.clone()),
        encoding_type: input.encoding_type,
        start_after: show(input.start_after),
        ..Default::default()
    }))
}
