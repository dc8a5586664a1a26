//! Requests to a WebDAV collection, signed in where the server wants it.

use std::io::{self, BufReader, Read};
use std::sync::atomic::{AtomicBool, Ordering};

use http::header::{AUTHORIZATION, CONTENT_RANGE, CONTENT_TYPE, DATE, HeaderName, RANGE};
use http::{Method, Request, Response, StatusCode};
use jiff::Timestamp;
use jiff::fmt::rfc2822;
use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, percent_decode_str, percent_encode};

use super::multistatus::{self, Entry};
use super::sign_in::{Asked, SignIn};
use crate::error::{Error, Kind, Next, Result};
use crate::shelf::net::{BodyReader, Courier, Payload, Trouble, TroubleKind, runtime};
use crate::sys::text::printable;

type Asking<T> = std::result::Result<T, Trouble>;

/// A collection at a server. Paths are relative to it and end with `/` where they name a collection.
pub(super) struct Dav {
    pub(super) courier: Courier,
    sign_in: SignIn,
    address: Address,
    /// True once the server took our sign-in.
    signed_in: AtomicBool,
    /// True once the server knew itself only by the other scheme.
    other_scheme: AtomicBool,
}

/// A list of a collection.
pub(super) struct Listing {
    /// What stands in it, by name; itself is not among them.
    pub(super) entries: Vec<(String, Entry)>,
    /// What time it is at the server.
    pub(super) now: Option<Timestamp>,
}

/// What happened to a request that may fail because of what is there, or is not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Done {
    /// It was done.
    Yes,
    /// What it is about, or its parent, is not there.
    Missing,
    /// Something of that name is there.
    Taken,
}

/// What stays as it is in an encoded name.
///
/// # Source
/// RFC 3986, section 2.3.
const NAME: &AsciiSet = &NON_ALPHANUMERIC
    .remove(b'-')
    .remove(b'.')
    .remove(b'_')
    .remove(b'~');

/// Where a collection is, taken apart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Address {
    /// Scheme, name and port.
    origin: String,
    /// The path, percent-encoded, with a slash at both ends.
    base: String,
    /// True if nobody can read what is sent there: TLS, or this computer.
    pub(super) is_closed: bool,
}

impl Address {
    /// Takes `url` apart.
    ///
    /// # Errors
    /// `BadInput`; the text never quotes the URL, for a password may stand in it.
    pub(super) fn parse(url: &str) -> Result<Address> {
        let bad = |why: &str| {
            Error::new(Kind::BadInput, format!("the address of the share {why}"))
                .next(Next::say("name it such as https://server.example/folder"))
        };
        let url = reqwest::Url::parse(url).map_err(|_| bad("is no URL"))?;
        let host = url.host_str().unwrap_or_default();
        if !matches!(url.scheme(), "http" | "https") || host.is_empty() {
            return Err(bad("begins with neither https:// nor http://"));
        }
        if !url.username().is_empty() || url.password().is_some() {
            return Err(bad("may hold neither user nor password")
                .next(Next::say("name the user and the secret beside the address")));
        }
        if url.query().is_some() || url.fragment().is_some() {
            return Err(bad("may hold neither ? nor #")
                .next(Next::say("write %3F and %23 for these characters")));
        }
        let loopback = host == "localhost"
            || host
                .trim_matches(['[', ']'])
                .parse::<std::net::IpAddr>()
                .is_ok_and(|a| a.is_loopback());
        let mut base = String::from("/");
        for name in url.path().split('/').filter(|n| !n.is_empty()) {
            let name: Vec<u8> = percent_decode_str(name).collect();
            base.extend(percent_encode(&name, NAME));
            base.push('/');
        }
        Ok(Address {
            origin: url.origin().ascii_serialization(),
            base,
            is_closed: url.scheme() == "https" || loopback,
        })
    }

    /// The path of a request.
    fn path(&self, path: &str) -> String {
        let mut out = self.base.clone();
        for (n, name) in path.split('/').enumerate() {
            if n > 0 {
                out.push('/');
            }
            out.extend(percent_encode(name.as_bytes(), NAME));
        }
        out
    }
}

/// A request while it is made up.
struct Ask<'a> {
    method: &'a str,
    path: &'a str,
    headers: &'a [(HeaderName, String)],
    body: Payload,
    /// Statuses beside success that say something and are no trouble.
    passes: &'a [u16],
}

impl Dav {
    pub(super) fn new(courier: Courier, sign_in: SignIn, address: Address) -> Dav {
        Dav {
            courier,
            sign_in,
            address,
            signed_in: AtomicBool::new(false),
            other_scheme: AtomicBool::new(false),
        }
    }

    /// Lets the password be sent in clear.
    pub(super) fn allow_basic(&mut self) {
        self.sign_in.basic = true;
    }

    /// What stands at `path`; none if nothing does.
    pub(super) fn look(&self, path: &str) -> Asking<Option<Entry>> {
        let found = self.propfind(path, "0")?;
        Ok(found.and_then(|(entries, _)| entries.into_iter().find(|e| e.name.is_none())))
    }

    /// What stands in the collection `path`; none if there is none.
    pub(super) fn list(&self, path: &str) -> Asking<Option<Listing>> {
        let Some((found, now)) = self.propfind(path, "1")? else {
            return Ok(None);
        };
        let own = found.iter().find(|e| e.name.is_none());
        // RFC 4918, section 9.1: the collection itself is part of its list. A list of anything else is no empty one.
        if !own.is_some_and(|e| e.is_collection) {
            return Err(self.other("its list is not of the folder that was asked for"));
        }
        let mut entries: Vec<(String, Entry)> = found
            .into_iter()
            .filter_map(|mut e| Some((e.name.take()?, e)))
            .collect();
        entries.sort_by(|a, b| a.0.cmp(&b.0));
        entries.dedup_by(|a, b| a.0 == b.0);
        Ok(Some(Listing { entries, now }))
    }

    fn propfind(&self, path: &str, depth: &str) -> Asking<Option<(Vec<Entry>, Option<Timestamp>)>> {
        let mut tries = 0;
        loop {
            tries += 1;
            let answer = self.ask(Ask {
                method: "PROPFIND",
                path,
                headers: &[
                    (HeaderName::from_static("depth"), depth.into()),
                    (CONTENT_TYPE, "application/xml; charset=utf-8".into()),
                ],
                body: Payload::new([multistatus::QUESTION.into()]),
                passes: &[404, 405],
            })?;
            match answer.status() {
                StatusCode::MULTI_STATUS => {}
                StatusCode::NOT_FOUND => {
                    drain(answer);
                    return Ok(None);
                }
                _ => return Err(self.courier.trouble(TroubleKind::NoShare)),
            }
            let now = answer
                .headers()
                .get(DATE)
                .and_then(|d| rfc2822::parse(d.to_str().ok()?).ok());
            let body = BufReader::with_capacity(64 << 10, answer.into_body());
            match multistatus::read(body, &self.address.path(path)) {
                Ok(entries) => return Ok(Some((entries, now.map(|n| n.timestamp())))),
                Err(e) if tries < 3 && Trouble::is_passing(&e) => {}
                Err(e) => {
                    return Err(match e.downcast::<Trouble>() {
                        Ok(trouble) => trouble,
                        // What is wrong with it may be quoted from it.
                        Err(e) => self.other(&format!(
                            "its list cannot be read: {}",
                            printable(&e.to_string())
                        )),
                    });
                }
            }
        }
    }

    /// The bytes of an object from `from` on; none if it is not there.
    pub(super) fn get(&self, path: &str, from: u64) -> Asking<Option<Box<dyn Read + Send>>> {
        let range = [(RANGE, format!("bytes={from}-"))];
        let answer = self.ask(Ask {
            method: "GET",
            path,
            headers: if from > 0 { &range } else { &[] },
            body: Payload::empty(),
            passes: &[404, 416],
        })?;
        let says = answer
            .headers()
            .get(CONTENT_RANGE)
            .and_then(|r| r.to_str().ok())
            .unwrap_or_default()
            .trim();
        match answer.status().as_u16() {
            404 => {
                drain(answer);
                Ok(None)
            }
            // RFC 9110, section 15.5.17: all its bytes came before the connection broke off.
            416 if says == format!("bytes */{from}") && from > 0 => Ok(Some(Box::new(io::empty()))),
            206 if says.starts_with(&format!("bytes {from}-")) => {
                Ok(Some(Box::new(answer.into_body())))
            }
            // RFC 9110, section 14.2: a server may leave the range aside.
            200 => Ok(Some(Box::new(Skipping {
                left: from,
                body: answer.into_body(),
            }))),
            416 => Err(self.refused(answer)),
            _ => Err(self.other("it sent other bytes than were asked for")),
        }
    }

    /// Stores an object.
    pub(super) fn put(&self, path: &str, body: Payload) -> Asking<Done> {
        // RFC 4918, section 9.7.1 names 409 for a parent that is missing; some servers say 404.
        let answer = self.ask(Ask {
            method: "PUT",
            path,
            headers: &[(CONTENT_TYPE, "application/octet-stream".into())],
            body,
            passes: &[404, 409],
        })?;
        Ok(match drain(answer) {
            404 | 409 => Done::Missing,
            _ => Done::Yes,
        })
    }

    /// Gives an object another name.
    ///
    /// # Source
    /// RFC 4918, sections 9.9, 10.3 and 10.6.
    pub(super) fn rename(&self, from: &str, to: &str, overwrite: bool) -> Asking<Done> {
        let origin = &self.address.origin;
        if !self.other_scheme.load(Ordering::Relaxed) {
            match self.rename_to(origin, from, to, overwrite) {
                // Section 9.9.4: the target is at another server. So thinks one that stands behind another that speaks
                // TLS for it. The name alone is no way out: Apache takes only full addresses.
                Err(trouble) if trouble.status() == Some(502) => {}
                other => return other,
            }
        }
        let other = match origin.strip_prefix("https") {
            Some(rest) => format!("http{rest}"),
            None => origin.replacen("http", "https", 1),
        };
        let done = self.rename_to(&other, from, to, overwrite);
        self.other_scheme.fetch_or(done.is_ok(), Ordering::Relaxed);
        done
    }

    fn rename_to(&self, origin: &str, from: &str, to: &str, overwrite: bool) -> Asking<Done> {
        let to = format!("{origin}{}", self.address.path(to));
        let answer = self.ask(Ask {
            method: "MOVE",
            path: from,
            headers: &[
                (HeaderName::from_static("destination"), to),
                (
                    HeaderName::from_static("overwrite"),
                    if overwrite { "T" } else { "F" }.into(),
                ),
            ],
            body: Payload::empty(),
            passes: &[404, 412],
        })?;
        match drain(answer) {
            404 => Ok(Done::Missing),
            412 => Ok(Done::Taken),
            // Some part of it failed.
            207 => Err(self.other("it could not give an object its name")),
            _ => Ok(Done::Yes),
        }
    }

    /// Removes an object.
    pub(super) fn delete(&self, path: &str) -> Asking<Done> {
        let answer = self.ask(Ask {
            method: "DELETE",
            path,
            headers: &[],
            body: Payload::empty(),
            passes: &[404],
        })?;
        Ok(match drain(answer) {
            404 => Done::Missing,
            _ => Done::Yes,
        })
    }

    /// Makes a collection, or finds that it is there.
    pub(super) fn make_collection(&self, path: &str) -> Asking<Done> {
        let trouble = match self.ask(Ask {
            method: "MKCOL",
            path,
            headers: &[],
            body: Payload::empty(),
            passes: &[],
        }) {
            Ok(answer) if answer.status() == StatusCode::CREATED => {
                drain(answer);
                return Ok(Done::Yes);
            }
            Ok(_) => self.other("it made no folder"),
            Err(trouble) if trouble.status().is_none() => return Err(trouble),
            Err(trouble) => trouble,
        };
        // Whatever it says but 201, somebody else may have been quicker.
        match self.look(path)? {
            Some(entry) if entry.is_collection => Ok(Done::Yes),
            Some(_) => Ok(Done::Taken),
            None if matches!(trouble.status(), Some(404 | 409)) => Ok(Done::Missing),
            None => Err(trouble),
        }
    }

    /// Makes a request, as often as signing in needs.
    fn ask(&self, ask: Ask<'_>) -> Asking<Response<BodyReader>> {
        let path = self.address.path(ask.path);
        let method = Method::from_bytes(ask.method.as_bytes())
            .map_err(|_| self.other("the request cannot be made"))?;
        let mut answered = 0;
        loop {
            let mut request = Request::builder()
                .method(method.clone())
                .uri(format!("{}{path}", self.address.origin));
            for (name, value) in ask.headers {
                request = request.header(name, value);
            }
            let credential = self.sign_in.answer(ask.method, &path);
            let signs = credential.is_some();
            if let Some(credential) = credential {
                request = request.header(AUTHORIZATION, credential);
            }
            let request = request
                .body(ask.body.clone())
                .map_err(|_| self.other("the request cannot be made"))?;
            let answer = self.courier.send(request, says_something)?;
            let status = answer.status();
            if status == StatusCode::UNAUTHORIZED && self.sign_in.has_user() {
                let trouble = match self.sign_in.learn(answer.headers()) {
                    // The same password again would only bring a lock nearer.
                    Asked::Known { same: true, .. } if signs => self.refused(answer),
                    // Once for a challenge that is new to us. More often only where the secret is known to be right: the
                    // challenge got old meanwhile, or answers that went side by side came out of order.
                    Asked::Known { stale, .. }
                        if answered == 0
                            || (answered < 4
                                && (stale || self.signed_in.load(Ordering::Relaxed))) =>
                    {
                        drain(answer);
                        answered += 1;
                        continue;
                    }
                    Asked::Known { .. } => self.refused(answer),
                    Asked::InClear => self.courier.trouble(TroubleKind::InClear),
                    Asked::Unknown => self.courier.trouble(TroubleKind::NoWayIn),
                };
                return Err(trouble);
            }
            self.signed_in.fetch_or(signs, Ordering::Relaxed);
            if status.is_success() || ask.passes.contains(&status.as_u16()) {
                return Ok(answer);
            }
            return Err(self.refused(answer));
        }
    }

    fn refused(&self, answer: Response<BodyReader>) -> Trouble {
        let mut trouble = match runtime() {
            Ok(runtime) => runtime.block_on(self.courier.refused(answer)),
            Err(e) => return self.other(&e.fact()),
        };
        if let TroubleKind::Answered(answered) = &mut trouble.kind {
            // Neither Basic nor Digest depends on clocks that agree.
            answered.ahead = None;
        }
        trouble
    }

    fn other(&self, what: &str) -> Trouble {
        self.courier.trouble(TroubleKind::Other(what.to_string()))
    }
}

/// What is not worth repeating as it is, though it may be worth an answer.
fn says_something(status: StatusCode) -> bool {
    status.is_client_error() && !matches!(status.as_u16(), 408 | 425 | 429)
}

/// The status of an answer whose words do not matter; the connection can be used again once they are read.
fn drain(answer: Response<BodyReader>) -> u16 {
    let status = answer.status().as_u16();
    // If they break off, the next request finds out.
    let _ = io::copy(&mut answer.into_body().take(64 << 10), &mut io::sink());
    status
}

/// A body whose first bytes were seen before.
struct Skipping {
    left: u64,
    body: BodyReader,
}

impl Read for Skipping {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        while self.left > 0 {
            let most = buf
                .len()
                .min(usize::try_from(self.left).unwrap_or(usize::MAX));
            match self.body.read(&mut buf[..most])? {
                0 => return Err(io::ErrorKind::UnexpectedEof.into()),
                n => self.left -= n as u64,
            }
        }
        self.body.read(buf)
    }
}

#[cfg(test)]
mod tests;
