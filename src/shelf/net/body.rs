//! Bodies of requests and answers: counted, paced, and read without async by whoever needs the bytes.

use std::io::{self, Read};
use std::pin::Pin;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, OnceLock};
use std::task::{Context, Poll};
use std::time::Duration;

use bytes::{Buf, Bytes};
use futures::StreamExt;
use futures::stream::BoxStream;
use http_body::{Body, Frame, SizeHint};
use sha2::{Digest, Sha256};

use super::pace::Pace;
use super::trouble::{Trouble, TroubleKind};
use super::{Courier, Watched, runtime};
use crate::sys::clock::Clock;

/// The bytes of a request; a clone shares them.
#[derive(Debug, Clone, Default)]
pub struct Payload {
    pieces: Arc<[Bytes]>,
    sha256: Arc<OnceLock<[u8; 32]>>,
}

impl Payload {
    /// No bytes.
    pub fn empty() -> Payload {
        Payload::default()
    }

    /// These pieces, one after the other.
    pub fn new(pieces: impl IntoIterator<Item = Bytes>) -> Payload {
        Payload {
            pieces: pieces.into_iter().filter(|p| !p.is_empty()).collect(),
            sha256: Arc::default(),
        }
    }

    /// How many bytes.
    pub fn len(&self) -> u64 {
        self.pieces.iter().map(|p| p.len() as u64).sum()
    }

    /// True if there are none.
    pub fn is_empty(&self) -> bool {
        self.pieces.is_empty()
    }

    /// The SHA-256 of the bytes, computed once for all clones.
    pub fn sha256(&self) -> [u8; 32] {
        *self.sha256.get_or_init(|| {
            let mut hasher = Sha256::new();
            for piece in self.pieces.iter() {
                hasher.update(piece);
            }
            hasher.finalize().into()
        })
    }
}

impl From<Vec<u8>> for Payload {
    fn from(bytes: Vec<u8>) -> Payload {
        Payload::new([Bytes::from(bytes)])
    }
}

/// A payload on its way out.
pub(super) struct Outgoing {
    payload: Payload,
    next: usize,
    rest: Bytes,
    left: u64,
    moved: Arc<AtomicU64>,
    pace: Option<Arc<Pace>>,
    watched: Watched,
    clock: Arc<dyn Clock>,
    waiting: Option<(Pin<Box<tokio::time::Sleep>>, Bytes)>,
}

impl Outgoing {
    pub(super) fn new(
        payload: Payload,
        moved: Arc<AtomicU64>,
        pace: Option<Arc<Pace>>,
        watched: Watched,
        clock: Arc<dyn Clock>,
    ) -> Outgoing {
        Outgoing {
            left: payload.len(),
            payload,
            next: 0,
            rest: Bytes::new(),
            moved,
            pace,
            watched,
            clock,
            waiting: None,
        }
    }

    fn pass(&mut self, piece: Bytes) -> Poll<Option<std::result::Result<Frame<Bytes>, Never>>> {
        self.moved.fetch_add(piece.len() as u64, Ordering::Relaxed);
        self.left -= piece.len() as u64;
        self.watched.tell(piece.len() as u64);
        Poll::Ready(Some(Ok(Frame::data(piece))))
    }
}

/// Sending bytes that lie in memory does not fail.
#[derive(Debug)]
pub(super) enum Never {}

impl std::fmt::Display for Never {
    fn fmt(&self, _: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match *self {}
    }
}

impl std::error::Error for Never {}

impl Body for Outgoing {
    type Data = Bytes;
    type Error = Never;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
    ) -> Poll<Option<std::result::Result<Frame<Bytes>, Never>>> {
        if let Some((sleep, _)) = &mut self.waiting {
            if sleep.as_mut().poll(cx).is_pending() {
                return Poll::Pending;
            }
            if let Some((_, piece)) = self.waiting.take() {
                return self.pass(piece);
            }
        }
        if self.rest.is_empty() {
            let Some(piece) = self.payload.pieces.get(self.next).cloned() else {
                return Poll::Ready(None);
            };
            self.rest = piece;
            self.next += 1;
        }
        // Small pieces, so that a transfer that crawls is seen to move.
        let most = self.pace.as_ref().map_or(256 << 10, |p| p.piece());
        let n = self.rest.len().min(most);
        let piece = self.rest.split_to(n);
        let wait = match &self.pace {
            Some(pace) => pace.take(piece.len(), self.clock.steady()),
            None => Duration::ZERO,
        };
        if wait.is_zero() {
            return self.pass(piece);
        }
        // Waiting for one's turn is no stall.
        self.moved.fetch_add(1, Ordering::Relaxed);
        let mut sleep = Box::pin(tokio::time::sleep(wait));
        if sleep.as_mut().poll(cx).is_ready() {
            return self.pass(piece);
        }
        self.waiting = Some((sleep, piece));
        Poll::Pending
    }

    fn size_hint(&self) -> SizeHint {
        SizeHint::with_exact(self.left)
    }
}

/// Bytes a second below which a body counts as stalled, once it has been waited for twice the patience: a tenth of what
/// a telephone line carried.
const LEAST_RATE: u64 = 200;

/// The body of an answer. [`Read`] blocks, so it is for threads outside the runtime; [`BodyReader::next`] is for
/// those inside.
pub struct BodyReader {
    body: BoxStream<'static, reqwest::Result<Bytes>>,
    rest: Bytes,
    server: Arc<str>,
    stall: Duration,
    pace: Option<Arc<Pace>>,
    watched: Watched,
    clock: Arc<dyn Clock>,
    /// Bytes that came, and how long was waited for them.
    came: u64,
    waited: Duration,
}

impl std::fmt::Debug for BodyReader {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "BodyReader({})", self.server)
    }
}

impl BodyReader {
    pub(super) fn new(
        body: reqwest::Body,
        server: Arc<str>,
        stall: Duration,
        pace: Option<Arc<Pace>>,
        watched: Watched,
        clock: Arc<dyn Clock>,
    ) -> BodyReader {
        BodyReader {
            body: http_body_util::BodyDataStream::new(body).boxed(),
            rest: Bytes::new(),
            server,
            stall,
            pace,
            watched,
            clock,
            came: 0,
            waited: Duration::ZERO,
        }
    }

    /// The next bytes; none at the end.
    ///
    /// # Errors
    /// [`Trouble`] when the connection breaks or nothing comes for long.
    pub async fn next(&mut self) -> Option<std::result::Result<Bytes, Trouble>> {
        if !self.rest.is_empty() {
            return Some(Ok(std::mem::take(&mut self.rest)));
        }
        let trouble = |kind| Trouble {
            server: self.server.to_string(),
            kind,
        };
        let asked = self.clock.steady();
        let Ok(next) = tokio::time::timeout(self.stall, self.body.next()).await else {
            return Some(Err(trouble(TroubleKind::Stalled(self.stall))));
        };
        // Bytes that only drip keep no connection alive for ever.
        self.waited += self.clock.steady().saturating_sub(asked);
        let due = self.waited.saturating_sub(self.stall * 2).as_secs() * LEAST_RATE;
        if self.came < due {
            return Some(Err(trouble(TroubleKind::Stalled(self.waited))));
        }
        match next? {
            Err(e) => Some(Err(trouble(TroubleKind::of(&e)))),
            Ok(bytes) => {
                if let Some(pace) = &self.pace {
                    tokio::time::sleep(pace.take(bytes.len(), self.clock.steady())).await;
                }
                self.watched.tell(bytes.len() as u64);
                self.came += bytes.len() as u64;
                Some(Ok(bytes))
            }
        }
    }

    /// Up to `limit` bytes from here on, whatever happens on the way: for words of a refusal.
    pub(super) async fn head(mut self, limit: usize) -> Vec<u8> {
        let mut head = Vec::new();
        while head.len() < limit {
            match self.next().await {
                Some(Ok(bytes)) => head.extend_from_slice(&bytes),
                _ => break,
            }
        }
        head.truncate(limit);
        head
    }
}

impl Read for BodyReader {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        while self.rest.is_empty() {
            let next = runtime()
                .map_err(|e| io::Error::other(e.fact()))?
                .block_on(self.next());
            match next {
                None => return Ok(0),
                Some(Ok(bytes)) => self.rest = bytes,
                Some(Err(trouble)) => return Err(trouble.into()),
            }
        }
        let n = self.rest.len().min(buf.len());
        self.rest.copy_to_slice(&mut buf[..n]);
        Ok(n)
    }
}

/// Asks for an object from a byte on.
type Reopen<'a> = Box<dyn FnMut(u64) -> io::Result<Box<dyn Read + Send>> + Send + 'a>;

/// A body that is asked for again from where it broke off. Whoever reads it checks the whole, so a server that
/// answers with other bytes the second time is found out.
pub struct Resuming<'a> {
    reopen: Reopen<'a>,
    body: Box<dyn Read + Send>,
    at: u64,
    /// Breaks without a byte between them.
    in_a_row: u32,
    courier: Courier,
}

impl std::fmt::Debug for Resuming<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Resuming({}, at {})", self.courier.server(), self.at)
    }
}

impl<'a> Resuming<'a> {
    /// Begins with what `reopen` gives for byte 0.
    ///
    /// # Errors
    /// Of `reopen`.
    pub fn begin(courier: &Courier, mut reopen: Reopen<'a>) -> io::Result<Resuming<'a>> {
        Ok(Resuming {
            body: reopen(0)?,
            reopen,
            at: 0,
            in_a_row: 0,
            courier: courier.clone(),
        })
    }
}

impl Read for Resuming<'_> {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        loop {
            match self.body.read(buf) {
                Ok(n) => {
                    self.at += n as u64;
                    self.in_a_row = if n > 0 { 0 } else { self.in_a_row };
                    return Ok(n);
                }
                Err(e) if self.in_a_row + 1 >= self.courier.patience.tries => return Err(e),
                Err(e) if !Trouble::is_passing(&e) => return Err(e),
                Err(_) => {
                    self.in_a_row += 1;
                    let patience = &self.courier.patience;
                    let wait = patience.wait(self.in_a_row, None, self.courier.entropy.as_ref());
                    std::thread::sleep(wait);
                    self.body = (self.reopen)(self.at)?;
                }
            }
        }
    }
}

/// Bytes gathered until all are there: for servers that take an object only in one piece, with its length first.
#[derive(Debug, Default)]
pub struct Gathering {
    whole: Vec<Bytes>,
    last: Vec<u8>,
}

/// Pieces of this size: large enough to be few, small enough that growing costs little.
const PIECE: usize = 1 << 20;

impl Gathering {
    /// What was gathered.
    pub fn into_payload(mut self) -> Payload {
        self.whole.push(Bytes::from(self.last));
        Payload::new(self.whole)
    }
}

impl io::Write for Gathering {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.last.capacity() == 0 {
            self.last.reserve_exact(PIECE);
        }
        let n = bytes.len().min(PIECE - self.last.len());
        self.last.extend_from_slice(&bytes[..n]);
        if self.last.len() == PIECE {
            self.whole.push(Bytes::from(std::mem::take(&mut self.last)));
        }
        Ok(n)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
