//! A shelf that is an S3-compatible bucket, or a part of one. Also a friend's host is reached like this.
//!
//! Nothing here rests on a server refusing to overwrite: names are unique by content, and what was sent is read back.

mod carry;
mod probe;

pub use probe::{Honours, Word};

use std::collections::BTreeMap;
use std::io::{self, Read, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use futures::TryStreamExt;
use object_store::aws::{AmazonS3, AmazonS3Builder, Checksum, S3ConditionalPut};
use object_store::path::Path;
use object_store::{
    GetOptions, GetRange, ObjectStore, PutMode, PutOptions, PutPayload, RetryConfig,
};

use self::carry::Carrier;
use super::by_hand::readme_text;
use super::folder::is_noise;
use super::net::{Courier, Gathering, Payload, Resuming, Settings, Trouble, Watch, runtime};
use super::secret::Secret;
use super::{Object, Part, README, Report, SHELF_JSON, Shelf, ShelfJson, Upload, reading_error};
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
    store: AmazonS3,
    courier: Courier,
    at: BucketAt,
    side_by_side: usize,
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
    /// `BadInput` for an address or certificates that cannot be used.
    pub fn new(
        world: &World,
        at: BucketAt,
        settings: &Settings,
        side_by_side: usize,
    ) -> Result<Bucket> {
        let courier = Courier::new(world, &at.endpoint, settings)?;
        let store = AmazonS3Builder::new()
            .with_endpoint(&at.endpoint)
            .with_bucket_name(&at.bucket)
            .with_region(&at.region)
            // Always given: without them the builder would ask the address where clouds keep credentials.
            .with_access_key_id(&at.access)
            .with_secret_access_key(at.secret.expose())
            .with_virtual_hosted_style_request(false)
            .with_allow_http(true)
            .with_checksum_algorithm(Checksum::SHA256)
            .with_conditional_put(S3ConditionalPut::ETagMatch)
            .with_disable_bulk_delete(true)
            .with_http_connector(Carrier::new(courier.clone()))
            .with_retry(RetryConfig {
                // The courier tries again; twice would be a square.
                max_retries: 0,
                ..RetryConfig::default()
            })
            .build()
            .map_err(|_| {
                Error::new(
                    Kind::BadInput,
                    format!("{} cannot be a bucket's address", at.shown),
                )
                .next(Next::say("write bucket+https://SERVER/BUCKET"))
            })?;
        Ok(Bucket {
            store,
            courier,
            at,
            side_by_side: side_by_side.clamp(2, 8),
            unconditional: AtomicBool::new(false),
            entropy: Arc::clone(&world.entropy),
        })
    }

    fn key(&self, path: &str) -> Path {
        // Parsed, not built from parts: the name must reach the server as it is.
        let text = match self.at.prefix.is_empty() {
            true => path.to_string(),
            false => format!("{}/{path}", self.at.prefix),
        };
        Path::parse(&text).unwrap_or_else(|_| Path::from(text))
    }

    fn wait<T>(&self, work: impl Future<Output = object_store::Result<T>>) -> io::Result<T> {
        let runtime = runtime().map_err(|e| io::Error::other(e.fact()))?;
        runtime.block_on(work).map_err(|e| self.io_error(e))
    }

    /// Trouble on the way is dug out of what the store wraps around it; its own words hold URLs.
    fn io_error(&self, e: object_store::Error) -> io::Error {
        let mut cause: Option<&(dyn std::error::Error + 'static)> = Some(&e);
        while let Some(one) = cause {
            if let Some(trouble) = one.downcast_ref::<Trouble>() {
                return trouble.clone().into();
            }
            cause = one.source();
        }
        use object_store::Error as E;
        match e {
            E::NotFound { .. } => io::Error::from(io::ErrorKind::NotFound),
            E::AlreadyExists { .. } | E::Precondition { .. } => {
                io::Error::from(io::ErrorKind::AlreadyExists)
            }
            _ => io::Error::other(format!(
                "what {} answers is not understood",
                self.courier.server()
            )),
        }
    }

    /// The object from byte `from` on.
    fn open(&self, path: &str, from: u64) -> io::Result<Box<dyn Read + Send>> {
        let options = GetOptions {
            range: (from > 0).then_some(GetRange::Offset(from)),
            ..GetOptions::default()
        };
        let key = self.key(path);
        let got = self.wait(self.store.get_opts(&key, options))?;
        let stream = got.into_stream();
        let server = self.courier.server().to_string();
        Ok(Box::new(Streamed {
            stream: Box::pin(stream),
            rest: Default::default(),
            server,
        }))
    }

    fn put(&self, path: &str, payload: Payload, replace: Replace) -> io::Result<()> {
        let key = self.key(path);
        let conditional = replace == Replace::No && !self.unconditional.load(Ordering::Relaxed);
        let put = |mode: PutMode| {
            let body: PutPayload = payload.pieces().iter().cloned().collect();
            let options = PutOptions {
                mode,
                ..PutOptions::default()
            };
            self.wait(self.store.put_opts(&key, body, options))
        };
        if !conditional {
            return put(PutMode::Overwrite).map(|_| ());
        }
        match put(PutMode::Create) {
            Err(e) if status_of(&e) == Some(501) => {
                self.unconditional.store(true, Ordering::Relaxed);
                put(PutMode::Overwrite).map(|_| ())
            }
            other => other.map(|_| ()),
        }
    }

    fn put_and_read_back(&self, path: &str, bytes: &[u8]) -> Result<()> {
        let doing = || format!("cannot write {path} to {}", self.at.shown);
        match self.put(path, bytes.to_vec().into(), Replace::Yes) {
            Ok(()) => {}
            // A host lets nothing be overwritten: what is there is looked at.
            Err(e) if status_of(&e) == Some(403) || e.kind() == io::ErrorKind::AlreadyExists => {
                return match self.read_small(path, bytes.len() as u64) {
                    Ok(Some(found)) if found == bytes => Ok(()),
                    _ => Err(reading_error(doing(), e)),
                };
            }
            Err(e) => return Err(reading_error(doing(), e)),
        }
        match self.read_small(path, bytes.len() as u64) {
            Ok(Some(found)) if found == bytes => Ok(()),
            Ok(_) => Err(Error::new(
                Kind::Damaged,
                format!(
                    "{path} was written to {} and did not read back",
                    self.at.shown
                ),
            )),
            Err(e) => Err(reading_error(doing(), e)),
        }
    }

    /// Finds out by a canary object what the server honours.
    ///
    /// # Errors
    /// `Unreachable`, `Refused`.
    pub fn honours(&self) -> Result<Honours> {
        probe::probe(self)
    }
}

fn status_of(e: &io::Error) -> Option<u16> {
    e.get_ref()?.downcast_ref::<Trouble>()?.status()
}

impl Shelf for Bucket {
    fn location(&self) -> String {
        self.at.shown.clone()
    }

    fn is_near(&self) -> bool {
        false
    }

    fn side_by_side(&self) -> usize {
        self.side_by_side
    }

    fn list(&self, part: Part) -> Result<Vec<Object>> {
        let folder = self.key(part.as_str());
        let listed = self
            .wait(async { self.store.list(Some(&folder)).try_collect::<Vec<_>>().await })
            .map_err(|e| reading_error(format!("cannot list {}", self.at.shown), e))?;
        let begin = format!("{folder}/");
        Ok(listed
            .into_iter()
            .filter_map(|object| {
                let name = object.location.as_ref().strip_prefix(&begin)?.to_string();
                let fine = !name.is_empty() && !name.contains('/') && !is_noise(&name);
                fine.then_some(Object {
                    name,
                    bytes: object.size,
                })
            })
            .collect())
    }

    fn read(&self, path: &str) -> io::Result<Box<dyn Read + Send + '_>> {
        let path = path.to_string();
        let reopen = move |from: u64| self.open(&path, from);
        Ok(Box::new(Resuming::begin(&self.courier, Box::new(reopen))?))
    }

    fn read_small(&self, path: &str, limit: u64) -> io::Result<Option<Vec<u8>>> {
        let object = match self.read(path) {
            Ok(object) => object,
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(e) => return Err(e),
        };
        let mut bytes = Vec::new();
        object.take(limit + 1).read_to_end(&mut bytes)?;
        if bytes.len() as u64 > limit {
            return Err(io::Error::new(
                io::ErrorKind::InvalidData,
                format!("it is longer than {limit} bytes"),
            ));
        }
        Ok(Some(bytes))
    }

    fn begin(&self) -> Result<Box<dyn Upload + '_>> {
        Ok(Box::new(BucketUpload {
            bucket: self,
            bytes: Gathering::default(),
        }))
    }

    fn restore_shelf_json(&self, text: &[u8]) -> Result<()> {
        self.put_and_read_back(SHELF_JSON, text)
    }

    fn foreign_names(&self) -> Result<Vec<String>> {
        let prefix = (!self.at.prefix.is_empty()).then(|| Path::from(self.at.prefix.as_str()));
        let listed = self
            .wait(self.store.list_with_delimiter(prefix.as_ref()))
            .map_err(|e| reading_error(format!("cannot list {}", self.at.shown), e))?;
        let mut foreign = Vec::new();
        for folder in &listed.common_prefixes {
            let name = folder.filename().unwrap_or_default();
            let empty = match name {
                "reels" => self.list(Part::Reels)?.is_empty(),
                "keys" => self.list(Part::Keys)?.is_empty(),
                _ => false,
            };
            if !empty {
                foreign.push(name.to_string());
            }
        }
        for object in &listed.objects {
            let name = object.location.filename().unwrap_or_default();
            let ours = match name {
                README => matches!(self.read_small(README, 1 << 20),
                    Ok(Some(text)) if text == readme_text().as_bytes()),
                _ => is_noise(name) || probe::is_canary(name),
            };
            if !ours {
                foreign.push(name.to_string());
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
        match self.at.reports {
            true => Ok(BTreeMap::new()),
            false => Ok(self.honours()?.in_words()),
        }
    }

    fn watch(&mut self, watch: Watch) {
        self.courier.watch(watch);
    }

    fn report(&self) -> Option<Report> {
        if !self.at.reports {
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
        bucket
            .put(path, self.bytes.into_payload(), replace)
            .map_err(|e| match e.kind() {
                io::ErrorKind::AlreadyExists => {
                    Error::io(format!("{path} is at {} already", bucket.at.shown), e)
                }
                _ => reading_error(format!("cannot write {path} to {}", bucket.at.shown), e),
            })
    }
}

/// A body as the store gives it, read without async.
struct Streamed {
    stream: futures::stream::BoxStream<'static, object_store::Result<bytes::Bytes>>,
    rest: bytes::Bytes,
    server: String,
}

impl Read for Streamed {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        while self.rest.is_empty() {
            let next = runtime()
                .map_err(|e| io::Error::other(e.fact()))?
                .block_on(self.stream.try_next());
            match next {
                Ok(None) => return Ok(0),
                Ok(Some(bytes)) => self.rest = bytes,
                Err(e) => return Err(carry::trouble_of(&e, &self.server).into()),
            }
        }
        let n = self.rest.len().min(buf.len());
        buf[..n].copy_from_slice(&self.rest[..n]);
        bytes::Buf::advance(&mut self.rest, n);
        Ok(n)
    }
}
