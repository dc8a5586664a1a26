//! What a bucket is asked for: requests in the S3 protocol, each attempt signed at the moment it leaves.
//!
//! They are made here and not by object_store, which lends only its signature: its client signs a request once, and
//! after a quarter of an hour no server takes that signature any more, while a large object may be on its way for longer
//! and be sent again. And it gives up on a whole listing where one key is odd.

use std::fmt;
use std::io::{self, Read};

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use http::header::{CONTENT_RANGE, CONTENT_TYPE, HeaderName, IF_NONE_MATCH, RANGE};
use http::{Method, Request, Response, StatusCode};
use object_store::aws::{AwsAuthorizer, AwsCredential};
use object_store::client::{HttpRequest, HttpRequestBody};
use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};

use super::BucketAt;
use super::listing::{self, Found};
use crate::error::{Error, Kind, Next, Result};
use crate::shelf::net::{BodyReader, Courier, Payload, Trouble, TroubleKind};

pub(super) type Asking<T> = std::result::Result<T, Trouble>;

/// A bucket, or the part of it under a prefix. Paths are relative to that.
pub(super) struct Asked {
    pub(super) courier: Courier,
    credential: AwsCredential,
    region: String,
    /// Scheme, name, port and the bucket.
    url: String,
    /// Empty, or the prefix with a slash at its end.
    under: String,
}

impl fmt::Debug for Asked {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Asked({})", self.url)
    }
}

/// What stays as it is in a key or a query.
///
/// # Source
/// RFC 3986, section 2.3; the canonical request of AWS Signature Version 4 wants the same.
const PLAIN: &AsciiSet = &NON_ALPHANUMERIC
    .remove(b'-')
    .remove(b'.')
    .remove(b'_')
    .remove(b'~');

/// What stays as it is in a whole key.
const KEY: &AsciiSet = &PLAIN.remove(b'/');

/// The header that tells the SHA-256 of an object, in base64; the server is to compare it.
///
/// # Source
/// Amazon S3 API Reference, PutObject.
const CHECKSUM: HeaderName = HeaderName::from_static("x-amz-checksum-sha256");

/// More names than ten terabytes of reels have.
const MOST_OBJECTS: usize = 200_000;

/// A million names are no listing of ours.
const MOST_PAGES: usize = 1000;

impl Asked {
    /// Takes `at` apart.
    ///
    /// # Errors
    /// `BadInput` for what cannot stand in a request.
    pub(super) fn new(courier: Courier, at: &BucketAt) -> Result<Asked> {
        let bad = |what: &str, next: &str| {
            Err(Error::new(Kind::BadInput, format!("{}: {what}", at.shown)).next(Next::say(next)))
        };
        let word = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_graphic());
        let named = |b: u8| b.is_ascii_alphanumeric() || b"-._".contains(&b);
        if !at.bucket.bytes().all(named) || !at.bucket.starts_with(|c: char| c.is_alphanumeric()) {
            return bad(
                "a bucket's name is made of letters, digits, dots and hyphens",
                "write bucket+https://SERVER/BUCKET",
            );
        }
        // They stand in a header, with slashes and commas between them.
        if !word(&at.access) || at.access.contains(['/', ',']) {
            return bad(
                "the access key holds characters that no access key has",
                "give its id with --user, without spaces around it",
            );
        }
        if !word(&at.region) || at.region.contains(['/', ',']) {
            return bad(
                "the region holds characters that no region has",
                "give the region that the server names, such as --region us-east-1",
            );
        }
        let prefix = at.prefix.trim_matches('/');
        let step = |s: &str| !matches!(s, "" | "." | "..") && !s.chars().any(char::is_control);
        if !prefix.is_empty() && !prefix.split('/').all(step) {
            return bad(
                "what stands behind the bucket holds an empty step, dots or control characters",
                "write bucket+https://SERVER/BUCKET/FOLDER",
            );
        }
        let url = format!("{}/{}", at.endpoint.trim_end_matches('/'), at.bucket);
        let is_url = url.parse::<http::Uri>().is_ok()
            && reqwest::Url::parse(&url).is_ok_and(|u| {
                matches!(u.scheme(), "http" | "https") && u.path() == format!("/{}", at.bucket)
            });
        if !is_url {
            return bad(
                "the server's address cannot be read",
                "write bucket+https://SERVER/BUCKET",
            );
        }
        Ok(Asked {
            courier,
            credential: AwsCredential {
                key_id: at.access.clone(),
                secret_key: at.secret.expose().to_string(),
                token: None,
            },
            region: at.region.clone(),
            url,
            under: match prefix {
                "" => String::new(),
                prefix => format!("{prefix}/"),
            },
        })
    }

    /// The bytes of an object from `from` on; none if it is not there.
    pub(super) fn get(&self, path: &str, from: u64) -> Asking<Option<Box<dyn Read + Send>>> {
        let Some(answer) = self.get_range(path, from)? else {
            return Ok(None);
        };
        let mut body = match answer.status() {
            // RFC 9110, section 15.5.17: all its bytes came before the connection broke off.
            StatusCode::RANGE_NOT_SATISFIABLE => return Ok(Some(Box::new(io::empty()))),
            _ if begins_at(&answer, from) => return Ok(Some(Box::new(answer.into_body()))),
            StatusCode::OK => answer.into_body(),
            _ => return Err(self.other("it sent other bytes than were asked for")),
        };
        // RFC 9110, section 14.2: a server may leave the range aside.
        match io::copy(&mut (&mut body).take(from), &mut io::sink()) {
            Ok(_) => Ok(Some(Box::new(body))),
            Err(e) => Err(self.broken(e)),
        }
    }

    /// The answer to a question for an object from `from` on: a success, or 416 for one that ends there.
    pub(super) fn get_range(&self, path: &str, from: u64) -> Asking<Option<Response<BodyReader>>> {
        let range = [(RANGE, format!("bytes={from}-"))];
        let headers = if from > 0 { &range[..] } else { &[] };
        match self.object(Method::GET, path, headers, Payload::empty(), |s| {
            s == StatusCode::RANGE_NOT_SATISFIABLE
        }) {
            Ok(answer) if answer.status().is_success() => Ok(Some(answer)),
            Ok(answer) if from > 0 && says_range(&answer) == format!("bytes */{from}") => {
                Ok(Some(answer))
            }
            Ok(_) => Err(self.other("the object there is shorter than it was")),
            // A bucket that is missing answers 404 too, and must not be taken for an empty one.
            Err(trouble) if trouble.is_missing_object() => Ok(None),
            Err(trouble) => Err(trouble),
        }
    }

    /// Stores an object; with `only_new` under a condition that forbids overwriting. The server is told the SHA-256,
    /// or `wrong` in its place.
    pub(super) fn put(
        &self,
        path: &str,
        payload: &Payload,
        only_new: bool,
        wrong: Option<[u8; 32]>,
    ) -> Asking<()> {
        let checksum = wrong.unwrap_or_else(|| payload.sha256());
        let mut headers = vec![
            (CONTENT_TYPE, "application/octet-stream".to_string()),
            (CHECKSUM, BASE64_STANDARD.encode(checksum)),
        ];
        if only_new {
            headers.push((IF_NONE_MATCH, "*".to_string()));
        }
        let answer = self.object(Method::PUT, path, &headers, payload.clone(), |_| false)?;
        drain(answer);
        Ok(())
    }

    /// Takes an object away; one that is not there is none either.
    pub(super) fn delete(&self, path: &str) -> Asking<()> {
        match self.object(Method::DELETE, path, &[], Payload::empty(), |_| false) {
            Ok(answer) => {
                drain(answer);
                Ok(())
            }
            Err(trouble) if trouble.is_missing_object() => Ok(()),
            Err(trouble) => Err(trouble),
        }
    }

    /// What lies directly in `folder` (empty, or with a slash at its end), page by page until `enough` says so.
    ///
    /// # Source
    /// Amazon S3 API Reference, ListObjectsV2.
    pub(super) fn list(
        &self,
        folder: &str,
        mut enough: impl FnMut(&Found) -> bool,
    ) -> Asking<Found> {
        let prefix = format!("{}{folder}", self.under);
        let mut all = Found::default();
        let mut token: Option<String> = None;
        for _ in 0..MOST_PAGES {
            let mut query = format!(
                "?delimiter=%2F&encoding-type=url&list-type=2&prefix={}",
                utf8_percent_encode(&prefix, PLAIN)
            );
            if let Some(token) = &token {
                query = format!(
                    "?continuation-token={}&{}",
                    utf8_percent_encode(token, PLAIN),
                    &query[1..]
                );
            }
            let page = self.page(&query)?;
            let page = listing::parse(&page, &prefix)
                .ok_or_else(|| self.other("its listing cannot be read"))?;
            if all.objects.len() > MOST_OBJECTS {
                return Err(self.other("its listing has no end"));
            }
            all.objects.extend(page.found.objects);
            all.folders.extend(page.found.folders);
            if page.more.is_none() || enough(&all) {
                all.objects.sort();
                all.objects.dedup_by(|a, b| a.0 == b.0);
                all.folders.sort();
                all.folders.dedup();
                return Ok(all);
            }
            if page.more == token {
                return Err(self.other("its listing turns in a circle"));
            }
            token = page.more;
        }
        Err(self.other("its listing has no end"))
    }

    fn page(&self, query: &str) -> Asking<Vec<u8>> {
        let mut tries = 0;
        loop {
            tries += 1;
            let url = format!("{}{query}", self.url);
            let answer = self.ask(&Method::GET, &url, &[], Payload::empty(), |_| false)?;
            let mut xml = Vec::new();
            let read = answer
                .into_body()
                .take(listing::LONGEST_PAGE + 1)
                .read_to_end(&mut xml);
            match read {
                Ok(_) if xml.len() as u64 > listing::LONGEST_PAGE => {
                    return Err(self.other("its listing is too long"));
                }
                Ok(_) => return Ok(xml),
                Err(e) if tries < 3 && Trouble::is_passing(&e) => {}
                Err(e) => return Err(self.broken(e)),
            }
        }
    }

    fn object(
        &self,
        method: Method,
        path: &str,
        headers: &[(HeaderName, String)],
        payload: Payload,
        passes: fn(StatusCode) -> bool,
    ) -> Asking<Response<BodyReader>> {
        let key = format!("{}{path}", self.under);
        // A URL cannot hold such a step, however it is written.
        if key.split('/').any(|s| matches!(s, "." | "..")) {
            return Err(self.other("an object has a name that cannot be asked for"));
        }
        let url = format!("{}/{}", self.url, utf8_percent_encode(&key, KEY));
        self.ask(&method, &url, headers, payload, passes)
    }

    fn ask(
        &self,
        method: &Method,
        url: &str,
        headers: &[(HeaderName, String)],
        payload: Payload,
        passes: fn(StatusCode) -> bool,
    ) -> Asking<Response<BodyReader>> {
        let digest = payload.sha256();
        let cannot = |_| TroubleKind::Other("the request cannot be made".into());
        let make = || {
            let mut request = Request::builder().method(method).uri(url);
            for (name, value) in headers {
                request = request.header(name, value);
            }
            let mut request: HttpRequest =
                request.body(HttpRequestBody::empty()).map_err(cannot)?;
            AwsAuthorizer::new(&self.credential, "s3", &self.region)
                .try_authorize(&mut request, Some(&digest))
                .map_err(|_| TroubleKind::Other("the request cannot be signed".into()))?;
            Ok(request.map(|_| payload.clone()))
        };
        self.courier.send_anew(make, passes)
    }

    /// The trouble that reading an answer met.
    pub(super) fn broken(&self, e: io::Error) -> Trouble {
        e.downcast()
            .unwrap_or_else(|e| self.other(&format!("its answer cannot be read: {e}")))
    }

    fn other(&self, what: &str) -> Trouble {
        self.courier.trouble(TroubleKind::Other(what.to_string()))
    }
}

fn says_range(answer: &Response<BodyReader>) -> &str {
    let range = answer.headers().get(CONTENT_RANGE);
    range
        .and_then(|r| r.to_str().ok())
        .unwrap_or_default()
        .trim()
}

/// True if the body holds the bytes from `from` on and no others.
pub(super) fn begins_at(answer: &Response<BodyReader>, from: u64) -> bool {
    match answer.status() {
        StatusCode::PARTIAL_CONTENT => says_range(answer).starts_with(&format!("bytes {from}-")),
        status => status == StatusCode::OK && from == 0,
    }
}

/// Reads the words that do not matter, so that the connection can be used again.
fn drain(answer: Response<BodyReader>) {
    // If they break off, the next request finds out.
    let _ = io::copy(&mut answer.into_body().take(64 << 10), &mut io::sink());
}
