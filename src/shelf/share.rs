//! A shelf on a WebDAV share: network storage boxes, web hosts.
//!
//! An object is sent under a name that no copy has and then given its own, so that nobody sees half of one. Servers
//! that promise to leave a name alone that is taken do not always keep the promise when two ask at once; names say
//! what the bytes are, and whoever sends an object reads it back, so nothing depends on it.

mod dav;
mod multistatus;
mod sign_in;
mod upload;

use std::fmt;
use std::io::{self, Read};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use dav::{Address, Dav, Done};
use jiff::{SignedDuration, Timestamp};
use multistatus::Entry;
use sign_in::SignIn;
use upload::ShareUpload;

use super::by_hand::readme_text;
use super::folder::is_noise;
use super::net::{self, Courier, Resuming, Trouble};
use super::secret::Secret;
use super::{Object, Part, README, SHELF_JSON, Shelf, ShelfJson, Upload};
use crate::error::{Error, Kind, Next, Result};
use crate::sys::World;
use crate::sys::disk::{DRAFT_PREFIX, Replace};
use crate::sys::entropy::{self, Entropy};

/// A collection at a WebDAV server that holds copies.
pub struct Share {
    dav: Dav,
    shown: String,
    side_by_side: usize,
    entropy: Arc<dyn Entropy>,
    /// True once it was looked for what interrupted uploads left.
    tidied: AtomicBool,
}

impl fmt::Debug for Share {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Share({})", self.shown)
    }
}

/// An upload that is a day old is not going on any more.
const FORGOTTEN: SignedDuration = SignedDuration::from_hours(24);

impl Share {
    /// The shelf in the collection `url`, such as `https://server/path`; whether it is there is not looked at. Errors
    /// name it as `shown`. Basic sign-in is done over https and on this computer only.
    ///
    /// # Errors
    /// `BadInput` for an address that is none or that holds a user or a password, for a user name that cannot be sent,
    /// and for certificates that cannot be read; `Io` if the system gives no threads.
    pub fn new(
        world: &World,
        url: &str,
        shown: &str,
        user: Option<&str>,
        secret: Option<Secret>,
        settings: &net::Settings,
        side_by_side: usize,
    ) -> Result<Share> {
        let address = Address::parse(url)?;
        let who = user.map(|u| (u.to_string(), secret.unwrap_or_else(|| Secret::new(""))));
        // RFC 7617, section 2: a colon ends the user's name, and neither holds control characters.
        let cannot = |(u, s): &(String, Secret)| {
            u.contains(':') || u.chars().chain(s.expose().chars()).any(char::is_control)
        };
        if who.as_ref().is_some_and(cannot) {
            return Err(Error::new(
                Kind::BadInput,
                "the user's name holds a colon, or it or the secret holds control characters",
            )
            .next(Next::say("give this share another user at its server")));
        }
        let courier = Courier::new(world, url, settings)?;
        Ok(Share {
            dav: Dav::new(courier, SignIn::new(who, address.is_closed), address),
            shown: shown.to_string(),
            side_by_side: side_by_side.clamp(2, 8),
            entropy: Arc::clone(&world.entropy),
            tidied: AtomicBool::new(false),
        })
    }

    /// The same share, where the person takes it upon themselves that others on the way can read the password.
    pub fn even_in_clear(mut self) -> Share {
        self.dav.allow_basic();
        self
    }

    fn cannot(&self, what: &str) -> impl FnOnce(Trouble) -> Error {
        let doing = format!("cannot {what} {}", self.shown);
        move |trouble| trouble.error(doing)
    }

    fn no_folder(&self) -> Error {
        Error::new(
            Kind::Unreachable,
            format!(
                "there is no folder at {}; nothing was written there",
                self.shown
            ),
        )
        .next(Next::say(
            "check the address; if it is right, is the disk there that the server keeps it on?",
        ))
    }

    fn must_have_shelf_json(&self) -> Result<()> {
        match self.dav.look(SHELF_JSON).map_err(self.cannot("look at"))? {
            Some(entry) if !entry.is_collection => Ok(()),
            _ => Err(Error::new(
                Kind::Unreachable,
                format!(
                    "{} holds no {SHELF_JSON}; nothing was written there",
                    self.shown
                ),
            )
            .next(Next::say(
                "check the address; if it is right, is the disk there that the server keeps it on?",
            ))),
        }
    }

    /// For something that was not found: an error if even the collection it would stand in is away.
    fn must_be_there(&self) -> Result<()> {
        match self.has_ground()? {
            true => Ok(()),
            false => Err(self.no_folder()),
        }
    }

    fn make_collection(&self, path: &str) -> Result<()> {
        let made = self.dav.make_collection(path);
        match made.map_err(self.cannot("make a folder at"))? {
            Done::Yes => Ok(()),
            Done::Missing => Err(Error::new(
                Kind::NotFound,
                format!(
                    "cannot make a folder at {}: the folder above it is not there",
                    self.shown
                ),
            )
            .next(Next::say(
                "make the folder above it at the server first, or name another address",
            ))),
            Done::Taken => Err(Error::new(
                Kind::Refused,
                format!(
                    "cannot make a folder at {}: a file is in the way",
                    self.shown
                ),
            )
            .next(Next::say("name another address; nothing was changed"))),
        }
    }

    /// A name that no copy has, in the same collection as `path`.
    fn temporary(&self, path: &str) -> Result<String> {
        let folder = path.rfind('/').map_or("", |slash| &path[..=slash]);
        let random = entropy::identifier(self.entropy.as_ref())?;
        Ok(format!("{folder}{DRAFT_PREFIX}{random}"))
    }

    fn publish_small(&self, path: &str, bytes: &[u8]) -> Result<()> {
        upload::publish(self, path, bytes.to_vec().into(), Replace::Yes)
    }

    /// Removes what interrupted uploads left. It only takes room, so nothing depends on it.
    fn tidy(&self) {
        if self.tidied.swap(true, Ordering::Relaxed) {
            return;
        }
        for folder in ["", "reels/", "keys/"] {
            let Ok(Some(listing)) = self.dav.list(folder) else {
                continue;
            };
            for (name, entry) in &listing.entries {
                if is_forgotten(name, entry, listing.now) {
                    let _ = self.dav.delete(&format!("{folder}{name}"));
                }
            }
        }
    }
}

/// True for a temporary of ours that is old by the server's own clock.
fn is_forgotten(name: &str, entry: &Entry, now: Option<Timestamp>) -> bool {
    let is_ours = name.strip_prefix(DRAFT_PREFIX).is_some_and(|random| {
        random.len() == 32
            && random
                .bytes()
                .all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'))
    });
    let is_old = match (entry.modified, now) {
        (Some(modified), Some(now)) => now.duration_since(modified) > FORGOTTEN,
        _ => false,
    };
    is_ours && is_old && !entry.is_collection
}

impl Shelf for Share {
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
        let path = part.path("");
        let Some(listing) = self.dav.list(&path).map_err(self.cannot("list"))? else {
            self.must_be_there()?;
            return Ok(Vec::new());
        };
        Ok(listing
            .entries
            .into_iter()
            .filter(|(name, entry)| !entry.is_collection && !is_noise(name))
            .map(|(name, entry)| Object {
                name,
                // Where the server does not say, whoever reads it finds out.
                bytes: entry.bytes.unwrap_or(0),
            })
            .collect())
    }

    fn read(&self, path: &str) -> io::Result<Box<dyn Read + Send + '_>> {
        let Some(first) = self.dav.get(path, 0)? else {
            self.must_be_there().map_err(io::Error::other)?;
            return Err(io::ErrorKind::NotFound.into());
        };
        let (path, mut first) = (path.to_string(), Some(first));
        let reopen = move |from| match first.take() {
            Some(body) => Ok(body),
            None => self
                .dav
                .get(&path, from)?
                .ok_or_else(|| io::Error::from(io::ErrorKind::NotFound)),
        };
        let body = Resuming::begin(&self.dav.courier, Box::new(reopen))?;
        Ok(Box::new(body))
    }

    fn read_small(&self, path: &str, limit: u64) -> io::Result<Option<Vec<u8>>> {
        let body = match self.read(path) {
            Ok(body) => body,
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(e) => return Err(e),
        };
        let mut bytes = Vec::new();
        body.take(limit.saturating_add(1)).read_to_end(&mut bytes)?;
        match bytes.len() as u64 > limit {
            true => Err(io::Error::new(
                io::ErrorKind::InvalidData,
                format!("it is longer than {limit} bytes"),
            )),
            false => Ok(Some(bytes)),
        }
    }

    fn begin(&self) -> Result<Box<dyn Upload + '_>> {
        self.must_have_shelf_json()?;
        self.tidy();
        Ok(Box::new(ShareUpload::new(self)))
    }

    fn restore_shelf_json(&self, text: &[u8]) -> Result<()> {
        self.publish_small(SHELF_JSON, text)
    }

    fn has_ground(&self) -> Result<bool> {
        let found = self.dav.look("").map_err(self.cannot("look at"))?;
        Ok(found.is_some())
    }

    fn foreign_names(&self) -> Result<Vec<String>> {
        let list = |path: &str| self.dav.list(path).map_err(self.cannot("list"));
        let Some(listing) = list("")? else {
            return Ok(Vec::new());
        };
        let mut foreign = Vec::new();
        for (name, entry) in listing.entries {
            let expected = match name.as_str() {
                README if !entry.is_collection => {
                    let text = self.read_small(README, 1 << 20);
                    text.is_ok_and(|t| t.as_deref() == Some(readme_text().as_bytes()))
                }
                // Left by an interrupted `shelf add`.
                "reels" | "keys" if entry.is_collection => list(&format!("{name}/"))?
                    .is_none_or(|inside| inside.entries.iter().all(|(n, _)| is_noise(n))),
                _ => is_noise(&name),
            };
            if !expected {
                foreign.push(name);
            }
        }
        Ok(foreign)
    }

    fn lay_out(&self, about: &ShelfJson) -> Result<()> {
        for collection in ["", "reels/", "keys/"] {
            self.make_collection(collection)?;
        }
        self.publish_small(README, readme_text().as_bytes())?;
        self.publish_small(SHELF_JSON, about.text().as_bytes())
    }

    fn watch(&mut self, watch: net::Watch) {
        self.dav.courier.watch(watch);
    }

    fn file_system(&self) -> Option<u64> {
        None
    }
}
