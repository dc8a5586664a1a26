//! A shelf that is an S3-compatible bucket, or a part of one. Also a friend's host is reached like this.
//!
//! Nothing here rests on a server refusing to overwrite: names are unique by content, and what was sent is read back.

mod asked;
mod listing;
mod probe;

pub use probe::{Honours, Word};

use std::collections::BTreeMap;
use std::io::{self, Read, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use self::asked::{Asked, Asking};
use super::by_hand::readme_text;
use super::folder::is_noise;
use super::net::{Courier, Gathering, Payload, Resuming, Settings, Trouble, TroubleKind, Watch};
use super::secret::Secret;
use super::{
    Object, Part, README, Report, SHELF_JSON, Shelf, ShelfJson, Upload, in_words, reading_error,
};
use crate::error::{Error, Kind, Next, Result};
use crate::lending;
use crate::sys::World;
use crate::sys::disk::Replace;
use crate::sys::entropy::Entropy;

/// Where a bucket is and how one gets in.
#[derive(Debug, Clone)]
pub struct BucketAt {
    /// Scheme, name and port of the server.
    pub endpoint: String,
    /// The bucket.
    pub bucket: String,
    /// What all names begin with, without slashes at its ends; may be empty.
    pub prefix: String,
    /// The region that requests are signed for.
    pub region: String,
    /// The id of the access key.
    pub access: String,
    /// Its secret.
    pub secret: Secret,
    /// The location for people.
    pub shown: String,
    /// True for a host, which reports on what it holds.
    pub reports: bool,
}

/// A bucket that holds copies.
#[derive(Debug)]
pub struct Bucket {
    asked: Asked,
    shown: String,
    reports: bool,
    side_by_side: usize,
    /// Set once its shelf.json was seen.
    is_shelf: AtomicBool,
    /// Set once the server said that it knows no conditional puts.
    unconditional: AtomicBool,
    entropy: Arc<dyn Entropy>,
}

/// What a guest's report may be long.
const LONGEST_REPORT: u64 = 4 << 20;

impl Bucket {
    /// The shelf at `at`; whether it is there is not looked at. `side_by_side` is brought into 2 to 8.
    ///
    /// # Errors
    /// `BadInput` for an address, a bucket's name, a region or an access key that cannot stand in a request, and for
    /// certificates that cannot be used; `Io` if the system gives no threads.
    pub fn new(
        world: &World,
        at: BucketAt,
        settings: &Settings,
        side_by_side: usize,
    ) -> Result<Bucket> {
        let courier = Courier::new(world, &at.endpoint, settings)?;
        Ok(Bucket {
            asked: Asked::new(courier, &at)?,
            shown: at.shown,
            reports: at.reports,
            side_by_side: side_by_side.clamp(2, 8),
            is_shelf: AtomicBool::new(false),
            unconditional: AtomicBool::new(false),
            entropy: Arc::clone(&world.entropy),
        })
    }

    fn cannot(&self, what: &str) -> impl FnOnce(Trouble) -> Error {
        let doing = format!("cannot {what} {}", self.shown);
        move |trouble| trouble.error(doing)
    }

    /// Stores an object; false if the name is taken, as far as the server looks.
    fn put(&self, path: &str, payload: &Payload, replace: Replace) -> Asking<bool> {
        if replace == Replace::No && !self.unconditional.load(Ordering::Relaxed) {
            match self.asked.put(path, payload, true, None) {
                Err(trouble) if is_taken(&trouble) => return Ok(false),
                Err(trouble) if knows_no_conditions(&trouble) => {
                    self.unconditional.store(true, Ordering::Relaxed);
                }
                other => return other.map(|()| true),
            }
        }
        self.asked.put(path, payload, false, None).map(|()| true)
    }

    fn put_and_read_back(&self, path: &str, bytes: &[u8]) -> Result<()> {
        let doing = || format!("cannot write {} to {}", in_words(path), self.shown);
        let put = self.put(path, &bytes.to_vec().into(), Replace::Yes);
        // A host lets nothing be overwritten: what is there already may be as good.
        let refused = match put {
            Err(trouble) if trouble.status() == Some(403) || is_taken(&trouble) => Some(trouble),
            Err(trouble) => return Err(trouble.error(doing())),
            Ok(_) => None,
        };
        let found = self.read_small(path, bytes.len() as u64);
        match (found, refused) {
            (Ok(Some(found)), _) if found == bytes => Ok(()),
            (_, Some(trouble)) => Err(trouble.error(doing())),
            (Err(e), None) if e.kind() != io::ErrorKind::InvalidData => {
                Err(reading_error(doing(), e))
            }
            _ => Err(Error::new(
                Kind::Damaged,
                format!("{path} was written to {} and did not read back", self.shown),
            )
            .next(Next::say(
                "do not rely on that server; nothing else was written there",
            ))),
        }
    }

    fn must_have_shelf_json(&self) -> Result<()> {
        if self.is_shelf.load(Ordering::Relaxed) {
            return Ok(());
        }
        match self.read_small(SHELF_JSON, 4096) {
            // One that is damaged is there, too.
            Ok(Some(_)) => {}
            Err(e) if e.kind() == io::ErrorKind::InvalidData => {}
            Err(e) => return Err(reading_error(format!("cannot look at {}", self.shown), e)),
            Ok(None) => {
                return Err(Error::new(
                    Kind::Unreachable,
                    format!(
                        "{} holds no {SHELF_JSON}; nothing was written there",
                        self.shown
                    ),
                )
                .next(Next::say(
                    "check the bucket and what stands behind it in the shelf's location",
                )));
            }
        }
        self.is_shelf.store(true, Ordering::Relaxed);
        Ok(())
    }

    /// Finds out by canary objects what the server honours.
    ///
    /// # Errors
    /// `Unreachable`, `Refused`.
    pub fn honours(&self) -> Result<Honours> {
        probe::probe(self)
    }
}

/// # Source
/// RFC 9110, section 13.1.2: 412 where `If-None-Match: *` is not met; Amazon S3 API Reference, PutObject: 409 where two
/// such requests meet.
fn is_taken(trouble: &Trouble) -> bool {
    matches!(trouble.status(), Some(304 | 409 | 412))
}

/// # Source
/// Amazon S3 API Reference, Error responses: NotImplemented comes with 501; some servers say it with another status.
fn knows_no_conditions(trouble: &Trouble) -> bool {
    match &trouble.kind {
        TroubleKind::Answered(a) => a.status == 501 || a.code.as_deref() == Some("NotImplemented"),
        _ => false,
    }
}

impl Shelf for Bucket {
    fn location(&self) -> String {
        self.shown.clone()
    }

    fn is_near(&self) -> bool {
        false
    }

    fn side_by_side(&self) -> usize {
        self.side_by_side
    }

    fn list(&self, part: Part) -> Result<Vec<Object>> {
        let listed = self.asked.list(&part.path(""), |_| false);
        let objects = listed.map_err(self.cannot("list"))?.objects;
        Ok(objects
            .into_iter()
            .filter(|(name, _)| !is_noise(name))
            .map(|(name, bytes)| Object { name, bytes })
            .collect())
    }

    fn read(&self, path: &str) -> io::Result<Box<dyn Read + Send + '_>> {
        let path = path.to_string();
        let reopen = move |from: u64| {
            let body = self.asked.get(&path, from)?;
            body.ok_or_else(|| io::Error::from(io::ErrorKind::NotFound))
        };
        let body = Resuming::begin(&self.asked.courier, Box::new(reopen))?;
        Ok(Box::new(body))
    }

    fn read_small(&self, path: &str, limit: u64) -> io::Result<Option<Vec<u8>>> {
        let object = match self.read(path) {
            Ok(object) => object,
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(e) => return Err(e),
        };
        let mut bytes = Vec::new();
        object
            .take(limit.saturating_add(1))
            .read_to_end(&mut bytes)?;
        if bytes.len() as u64 > limit {
            return Err(io::Error::new(
                io::ErrorKind::InvalidData,
                format!("it is longer than {limit} bytes"),
            ));
        }
        Ok(Some(bytes))
    }

    fn begin(&self) -> Result<Box<dyn Upload + '_>> {
        self.must_have_shelf_json()?;
        Ok(Box::new(BucketUpload {
            bucket: self,
            bytes: Gathering::default(),
        }))
    }

    fn restore_shelf_json(&self, text: &[u8]) -> Result<()> {
        self.put_and_read_back(SHELF_JSON, text)
    }

    fn foreign_names(&self) -> Result<Vec<String>> {
        let list = |folder: &str, enough: fn(&listing::Found) -> bool| {
            let listed = self.asked.list(folder, enough);
            listed.map_err(self.cannot("list"))
        };
        // A bucket may hold millions of other things; some of their names are enough.
        let found = list("", |found| found.objects.len() + found.folders.len() > 1000)?;
        let mut foreign = Vec::new();
        for (name, _) in found.objects {
            let ours = match name.as_str() {
                README => match self.read_small(README, 1 << 20) {
                    Ok(text) => text.is_none_or(|t| t == readme_text().as_bytes()),
                    Err(e) if e.kind() == io::ErrorKind::InvalidData => false,
                    Err(e) => {
                        let doing = format!("cannot look at {}", self.shown);
                        return Err(reading_error(doing, e));
                    }
                },
                // A host makes it up.
                lending::REPORT => self.reports,
                _ => is_noise(&name) || probe::is_canary(&name),
            };
            if !ours {
                foreign.push(name);
            }
        }
        for name in found.folders {
            let ours = match name.as_str() {
                // Left by an interrupted `shelf add`.
                "reels" | "keys" => {
                    let holds = |found: &listing::Found| {
                        !found.folders.is_empty() || found.objects.iter().any(|(n, _)| !is_noise(n))
                    };
                    !holds(&list(&format!("{name}/"), holds)?)
                }
                _ => is_noise(&name),
            };
            if !ours {
                foreign.push(name);
            }
        }
        foreign.sort();
        Ok(foreign)
    }

    fn lay_out(&self, about: &ShelfJson) -> Result<()> {
        self.put_and_read_back(README, readme_text().as_bytes())?;
        self.put_and_read_back(SHELF_JSON, about.text().as_bytes())
    }

    fn file_system(&self) -> Option<u64> {
        None
    }

    fn probe(&self) -> Result<BTreeMap<String, String>> {
        // A host is known: it keeps every object it is given, a canary too.
        match self.reports {
            true => Ok(BTreeMap::new()),
            false => Ok(self.honours()?.in_words()),
        }
    }

    fn watch(&mut self, watch: Watch) {
        self.asked.courier.watch(watch);
    }

    fn report(&self) -> Option<Report> {
        if !self.reports {
            return None;
        }
        // Whoever cannot or will not report lowers no alarm by it.
        let bytes = self.read_small(lending::REPORT, LONGEST_REPORT).ok()??;
        let report: lending::Report = serde_json::from_slice(&bytes).ok()?;
        let at = report
            .checked_at
            .as_deref()
            .and_then(|t| t.parse::<jiff::Timestamp>().ok());
        Some(Report {
            checked_at: at.map(|t| t.as_second()),
            damaged: report.damaged,
        })
    }
}

struct BucketUpload<'b> {
    bucket: &'b Bucket,
    bytes: Gathering,
}

impl Write for BucketUpload<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.bytes.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Upload for BucketUpload<'_> {
    fn publish(self: Box<Self>, path: &str, replace: Replace) -> Result<()> {
        let bucket = self.bucket;
        match bucket.put(path, &self.bytes.into_payload(), replace) {
            Ok(true) => Ok(()),
            Ok(false) => Err(Error::io(
                format!("{path} is at {} already", bucket.shown),
                io::ErrorKind::AlreadyExists.into(),
            )),
            Err(trouble) => Err(bucket.cannot(&format!("write {path} to"))(trouble)),
        }
    }
}
