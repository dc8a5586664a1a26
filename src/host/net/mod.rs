//! The serving host: a listener, TLS, the S3 service with a few routes beside it, and an orderly stop.

mod get;
mod guard;
mod list;
mod multipart;
mod patience;
mod put;
mod refusals;
mod routes;
mod service;

pub(super) use multipart::Multiparts;

use std::net::{SocketAddr, TcpListener};
use std::sync::Arc;
use std::time::Duration;

use axum_server::Handle;
use axum_server::tls_rustls::{RustlsAcceptor, RustlsConfig};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio::signal::unix::{SignalKind, signal};

use super::check;
use super::folder::HostFolder;
use super::house::House;
use crate::error::{Error, Kind, Next, Result};
use crate::sys::lock::WriterLock;

/// How long a client may take for the head of a request, also between two of them.
const HEAD_TIME: Duration = Duration::from_secs(60);
/// How long running requests may take to end when the host is stopped.
const STOP_TIME: Duration = Duration::from_secs(10);
/// How often the owner is told of what has to be mended.
const TELL_TIME: Duration = Duration::from_secs(1);
/// Threads that write, sync and read. Each keeps memory of its own, and more of them make no disk faster.
const WRITERS: usize = 24;
/// What a connection's reader keeps at most.
const READ_BUFFER: usize = 128 << 10;

/// A host that listens and will serve when [`Serving::run`] is called.
#[derive(Debug)]
pub struct Serving {
    house: Arc<House>,
    listener: TcpListener,
    tls: Option<RustlsConfig>,
    /// Where it listens.
    pub listening: SocketAddr,
    _lock: WriterLock,
}

/// How serving ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Served {
    /// Objects that came meanwhile.
    pub arrived: u64,
}

/// Takes the host's lock, clears what an earlier run left unfinished, and listens on `listen`, else on the address of
/// the host's settings; with TLS of its own unless `plain`.
///
/// # Errors
/// `Busy` if it is served already; `Unreachable` if it cannot listen there; `Io`, `Damaged`.
pub fn start(host: &HostFolder, listen: Option<SocketAddr>, plain: bool) -> Result<Serving> {
    let lock = host.lock(Duration::ZERO)?;
    let house = Arc::new(House::open(host.clone(), plain)?);
    let tls = match plain {
        true => None,
        false => Some(tls(host)?),
    };
    let listen = listen.unwrap_or(host.listen);
    let cannot = |e| {
        Error::new(Kind::Unreachable, format!("cannot listen on {listen}"))
            .because(e)
            .next(Next::say(
                "another program may listen there; name another address with --listen ADDR:PORT",
            ))
    };
    let listener = TcpListener::bind(listen).map_err(cannot)?;
    listener.set_nonblocking(true).map_err(cannot)?;
    let listening = listener.local_addr().map_err(cannot)?;
    Ok(Serving {
        house,
        listener,
        tls,
        listening,
        _lock: lock,
    })
}

fn tls(host: &HostFolder) -> Result<RustlsConfig> {
    let (certificate, key) = host.tls()?;
    let damaged = |what: &str| {
        Error::new(
            Kind::Damaged,
            format!("{what} in {} cannot be used", host.root.join("tls").display()),
        )
        .next(Next::say(
            "put certificate.pem and key.pem back from a copy, or serve behind a proxy with --plain",
        ))
    };
    let certificates = CertificateDer::pem_slice_iter(&certificate)
        .collect::<std::result::Result<Vec<_>, _>>()
        .map_err(|e| damaged("the certificate").because(e))?;
    let key = PrivateKeyDer::from_pem_slice(&key).map_err(|_| damaged("the key"))?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let mut config = rustls::ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .and_then(|builder| {
            builder
                .with_no_client_auth()
                .with_single_cert(certificates, key)
        })
        .map_err(|e| damaged("the certificate").because(e))?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(RustlsConfig::from_config(Arc::new(config)))
}

impl Serving {
    /// Serves until the process is told to stop, then lets running requests end for a while. `tell` hears of what the
    /// owner has to mend meanwhile.
    ///
    /// # Errors
    /// `Io` if the listener or the threads fail.
    pub fn run(self, tell: impl Fn(&Error)) -> Result<Served> {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .enable_all()
            .thread_name("host")
            .max_blocking_threads(WRITERS)
            .build()
            .map_err(|e| Error::io("cannot start the threads that serve", e))?;
        let house = self.house.clone();
        let tell_all = || house.complaints().iter().for_each(&tell);
        let telling = async {
            let mut every = tokio::time::interval(TELL_TIME);
            loop {
                every.tick().await;
                tell_all();
            }
        };
        let result = runtime.block_on(async {
            tokio::select! {
                served = self.serve() => served,
                () = telling => Ok(()),
            }
        });
        tell_all();
        // Writers that are still at work finish or leave a draft that the next start removes.
        runtime.shutdown_timeout(Duration::from_secs(1));
        result.map_err(|e| Error::io("cannot serve any longer", e))?;
        Ok(Served {
            arrived: house.arrived(),
        })
    }

    async fn serve(self) -> std::io::Result<()> {
        let handle = Handle::new();
        let mut terminate = signal(SignalKind::terminate())?;
        let mut interrupt = signal(SignalKind::interrupt())?;
        let stop = handle.clone();
        let house = self.house.clone();
        tokio::spawn(async move {
            tokio::select! {
                _ = terminate.recv() => {}
                _ = interrupt.recv() => {}
            }
            house.stop();
            stop.graceful_shutdown(Some(STOP_TIME));
        });
        let reading = self.house.clone();
        let reader = std::thread::Builder::new()
            .name("host-check".into())
            .spawn(move || check::keep_reading(&reading))?;
        let routes = routes::router(&self.house).into_make_service();
        let mut server = axum_server::from_tcp(self.listener)?
            .handle(handle)
            .http1_only()
            .first_request_timeout(HEAD_TIME);
        server
            .http_builder()
            .http1()
            .header_read_timeout(HEAD_TIME)
            .max_buf_size(READ_BUFFER);
        let patient = patience::Patient::new();
        let result = match self.tls {
            Some(config) => {
                let acceptor = RustlsAcceptor::new(config).acceptor(patient);
                server.acceptor(acceptor).serve(routes).await
            }
            None => server.acceptor(patient).serve(routes).await,
        };
        self.house.stop();
        // It notices within a second, between two buffers.
        let _ = reader.join();
        result
    }
}
