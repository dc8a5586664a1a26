//! HTTP out: one courier for each distant shelf, with patience, a speed limit, and words for what goes wrong.
//!
//! 1. Every step has an end: a name that does not resolve, a connection that is not answered, and a transfer in which
//!    no byte moves for a while.
//! 2. A request is repeated only a bounded number of times, after a growing, jittered wait or the one the server asked
//!    for. Every request that farshelf makes may be made twice.
//! 3. Redirects are not followed: a credential goes to the server it was given for and to no other.
//! 4. No secret stands in what a [`Trouble`] says: it knows the server's address and the status, not the headers.

mod body;
mod pace;
mod retry;
pub mod tls;
mod trouble;

pub use body::{BodyReader, Gathering, Payload, Resuming};
pub use pace::{BadRate, Rate};
pub use retry::Patience;
pub use trouble::{Answered, Elsewhere, Trouble, TroubleKind};

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use body::Outgoing;
use futures::future::{Either, select};
use http::{Method, Request, Response, StatusCode};
use pace::Pace;

use crate::error::{Error, Kind, Result};
use crate::sys::World;
use crate::sys::clock::Clock;
use crate::sys::entropy::Entropy;

/// How one server is reached.
#[derive(Debug, Clone, Default)]
pub struct Settings {
    /// Certificates, in PEM, that are trusted beside the system's.
    pub authority: Option<Vec<u8>>,
    /// The one certificate that is trusted, by the SHA-256 of its DER form; then no other is.
    pub print: Option<crate::lending::CertificatePrint>,
    /// Bytes a second in each direction, at most.
    pub limit: Option<Rate>,
    /// How long is waited and how often is tried.
    pub patience: Patience,
}

/// Told how many bytes have just travelled.
pub type Watch = Arc<dyn Fn(u64) + Send + Sync>;

/// Set once, shared by a courier and its clones.
#[derive(Clone, Default)]
pub(super) struct Watched(Arc<OnceLock<Watch>>);

impl Watched {
    fn tell(&self, bytes: u64) {
        if let Some(watch) = self.0.get() {
            watch(bytes);
        }
    }
}

impl std::fmt::Debug for Watched {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Watched")
    }
}

/// Carries requests to one server.
#[derive(Debug, Clone)]
pub struct Courier {
    client: reqwest::Client,
    server: Arc<str>,
    patience: Patience,
    up: Option<Arc<Pace>>,
    down: Option<Arc<Pace>>,
    watched: Watched,
    clock: Arc<dyn Clock>,
    entropy: Arc<dyn Entropy>,
}

/// The runtime on which everything waits for the network; made at its first use.
///
/// # Errors
/// `Io` if the system gives no threads.
pub fn runtime() -> Result<&'static tokio::runtime::Runtime> {
    static RUNTIME: OnceLock<tokio::runtime::Runtime> = OnceLock::new();
    if let Some(runtime) = RUNTIME.get() {
        return Ok(runtime);
    }
    // Once for the process; an earlier one is the same.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let made = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .thread_name("net")
        .enable_all()
        .build()
        .map_err(|e| Error::io("cannot begin to use the network", e))?;
    Ok(RUNTIME.get_or_init(|| made))
}

impl Courier {
    /// A courier to the server at `url` (scheme, name and port count; it is named in errors by them).
    ///
    /// # Errors
    /// `BadInput` for certificates that cannot be read, `Io` if the system gives no threads.
    pub fn new(world: &World, url: &str, settings: &Settings) -> Result<Courier> {
        runtime()?;
        let mut builder = reqwest::Client::builder()
            .user_agent(concat!("farshelf/", env!("CARGO_PKG_VERSION")))
            .redirect(reqwest::redirect::Policy::none())
            .connect_timeout(settings.patience.connect)
            .pool_idle_timeout(Duration::from_secs(20));
        if let Some(print) = &settings.print {
            builder = builder.tls_backend_preconfigured(tls::pinned(print.clone())?);
        } else if let Some(pem) = &settings.authority {
            builder = builder.tls_certs_merge(tls::authorities(pem)?);
        }
        let client = builder.build().map_err(|e| {
            Error::new(Kind::Bug, "cannot begin to use the network").because(e.without_url())
        })?;
        let pace = || settings.limit.map(|rate| Arc::new(Pace::new(rate)));
        Ok(Courier {
            client,
            server: server_of(url).into(),
            patience: settings.patience.clone(),
            up: pace(),
            down: pace(),
            watched: Watched::default(),
            clock: Arc::clone(&world.clock),
            entropy: Arc::clone(&world.entropy),
        })
    }

    /// The server as errors name it: scheme, name and port.
    pub fn server(&self) -> &str {
        &self.server
    }

    /// Has `watch` told of every byte of a body that travels; only the first one is.
    pub fn watch(&self, watch: Watch) {
        let _ = self.watched.0.set(watch);
    }

    /// [`Courier::call`], waited for on this thread.
    ///
    /// # Errors
    /// [`Trouble`]
    pub fn send(
        &self,
        request: Request<Payload>,
        passes: fn(StatusCode) -> bool,
    ) -> std::result::Result<Response<BodyReader>, Trouble> {
        self.send_anew(|| Ok(request.clone()), passes)
    }

    /// [`Courier::call_anew`], waited for on this thread.
    ///
    /// # Errors
    /// [`Trouble`]
    pub fn send_anew(
        &self,
        make: impl Fn() -> std::result::Result<Request<Payload>, TroubleKind>,
        passes: fn(StatusCode) -> bool,
    ) -> std::result::Result<Response<BodyReader>, Trouble> {
        match runtime() {
            Ok(runtime) => runtime.block_on(self.call_anew(make, passes)),
            Err(e) => Err(self.trouble(TroubleKind::Other(e.fact()))),
        }
    }

    /// Makes a request and gives the answer if it is a success or its status `passes`; repeats what is worth repeating.
    ///
    /// # Errors
    /// [`Trouble`]
    pub async fn call(
        &self,
        request: Request<Payload>,
        passes: fn(StatusCode) -> bool,
    ) -> std::result::Result<Response<BodyReader>, Trouble> {
        self.call_anew(|| Ok(request.clone()), passes).await
    }

    /// [`Courier::call`] with a request that is made anew for each attempt: what signs it may hold only for a while.
    ///
    /// # Errors
    /// [`Trouble`], also of what `make` says.
    pub async fn call_anew(
        &self,
        make: impl Fn() -> std::result::Result<Request<Payload>, TroubleKind>,
        passes: fn(StatusCode) -> bool,
    ) -> std::result::Result<Response<BodyReader>, Trouble> {
        let mut attempt = 0;
        loop {
            attempt += 1;
            let request = make().map_err(|kind| self.trouble(kind))?;
            let (trouble, asked) = match self.once(request, passes).await {
                Ok(answer) => return Ok(answer),
                Err(failed) => failed,
            };
            if attempt >= self.patience.tries_for(&trouble.kind) {
                return Err(trouble);
            }
            let wait = self.patience.wait(attempt, asked, self.entropy.as_ref());
            tokio::time::sleep(wait).await;
        }
    }

    /// One attempt; a failure comes with the wait that the server asked for.
    async fn once(
        &self,
        request: Request<Payload>,
        passes: fn(StatusCode) -> bool,
    ) -> std::result::Result<Response<BodyReader>, (Trouble, Option<Duration>)> {
        let fail = |kind| (self.trouble(kind), None);
        let (parts, payload) = request.into_parts();
        let sends = !payload.is_empty() || parts.method == Method::PUT;
        let moved = Arc::new(AtomicU64::new(0));
        let outgoing = Outgoing::new(
            payload,
            Arc::clone(&moved),
            self.up.clone(),
            self.watched.clone(),
            Arc::clone(&self.clock),
        );
        let mut built = reqwest::Request::new(
            parts.method.clone(),
            reqwest::Url::parse(&parts.uri.to_string())
                .map_err(|_| fail(TroubleKind::Other("its address is no URL".into())))?,
        );
        *built.headers_mut() = parts.headers;
        if sends {
            *built.body_mut() = Some(reqwest::Body::wrap(outgoing));
        }
        let answer = self
            .unless_stalled(self.client.execute(built), &moved)
            .await
            .ok_or_else(|| fail(TroubleKind::Stalled(self.patience.stall)))?
            .map_err(|e| fail(TroubleKind::of(&e)))?;
        let status = answer.status();
        let asked = retry::retry_after(answer.headers(), &self.clock.now());
        let answer: Response<reqwest::Body> = answer.into();
        if is_portal(&parts.method, &answer) {
            return Err(fail(TroubleKind::Portal));
        }
        if status.is_redirection() && status != StatusCode::NOT_MODIFIED && !passes(status) {
            let to = answer.headers().get(http::header::LOCATION);
            // One that does not say where tells it in its words.
            if let Some(to) = to.and_then(|l| l.to_str().ok()) {
                let to = match to.contains("://") {
                    true => server_of(to),
                    false => crate::sys::text::printable(&format!("{}{to}", self.server)),
                };
                return Err(fail(TroubleKind::Redirected(to)));
            }
        }
        let answer = answer.map(|body| {
            BodyReader::new(
                body,
                Arc::clone(&self.server),
                self.patience.stall,
                self.down.clone(),
                self.watched.clone(),
                Arc::clone(&self.clock),
            )
        });
        if status.is_success() || passes(status) {
            return Ok(answer);
        }
        Err((self.refused(answer).await, asked))
    }

    /// The trouble that an answer tells of which passed and is no success after all.
    pub async fn refused(&self, answer: Response<BodyReader>) -> Trouble {
        let status = answer.status();
        let headers = answer.headers().clone();
        let text = answer.into_body().head(16 << 10).await;
        self.trouble(TroubleKind::answered(
            status,
            &text,
            &headers,
            &self.clock.now(),
        ))
    }

    /// Waits for `work` as long as `moved` keeps changing.
    async fn unless_stalled<F: Future>(&self, work: F, moved: &AtomicU64) -> Option<F::Output> {
        let mut work = std::pin::pin!(work);
        let mut seen = moved.load(Ordering::Relaxed);
        let mut quarters = 0;
        loop {
            let tick = std::pin::pin!(tokio::time::sleep(self.patience.stall / 4));
            match select(work.as_mut(), tick).await {
                Either::Left((done, _)) => return Some(done),
                Either::Right(_) => {
                    let now = moved.load(Ordering::Relaxed);
                    quarters = if now == seen { quarters + 1 } else { 0 };
                    seen = now;
                    if quarters >= 4 {
                        return None;
                    }
                }
            }
        }
    }

    /// Trouble with this server.
    pub(super) fn trouble(&self, kind: TroubleKind) -> Trouble {
        Trouble {
            server: self.server.to_string(),
            kind,
        }
    }
}

/// Scheme, name and port of a URL, without user, path and query.
fn server_of(url: &str) -> String {
    let (scheme, rest) = url.split_once("://").unwrap_or(("", url));
    let authority = rest.split(['/', '?', '#']).next().unwrap_or_default();
    let name = authority.rsplit('@').next().unwrap_or_default();
    let text: String = match scheme {
        "" => name.to_string(),
        _ => format!("{scheme}://{name}"),
    };
    crate::sys::text::printable(&text).to_string()
}

/// True for a web page where the bytes of an object or a listing were asked for: someone between us and the server
/// answers in its place, as networks of hotels and trains do before one has signed in.
fn is_portal<B>(method: &Method, answer: &Response<B>) -> bool {
    let reads = *method == Method::GET || *method == Method::HEAD || method.as_str() == "PROPFIND";
    let html = answer
        .headers()
        .get(http::header::CONTENT_TYPE)
        .and_then(|t| t.to_str().ok())
        .is_some_and(|t| t.trim_start().to_ascii_lowercase().starts_with("text/html"));
    reads && html && matches!(answer.status().as_u16(), 200 | 203 | 511)
}

#[cfg(test)]
mod tests;
