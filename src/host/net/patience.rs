//! Connections that do not wait for ever: one that moves nothing for a while is dropped, and none more than a limit.
//!
//! A connection that is closed while its client still sends is read for a moment longer, so that the client gets to
//! see the answer, a refusal mostly, instead of a broken connection.

use std::io;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use axum_server::accept::Accept;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::Sleep;

/// Connections at once, of all guests together.
const CONNECTIONS: usize = 1024;
/// How long a client may leave an answer lying that is sent to it.
const WRITE_TIME: Duration = Duration::from_secs(60);
/// How long, and how much, is read from a client after the last word to it.
const LINGER_TIME: Duration = Duration::from_secs(3);
const LINGER_BYTES: usize = 8 << 20;

/// Accepts connections with limits.
#[derive(Debug, Clone)]
pub(super) struct Patient(Arc<Semaphore>);

impl Patient {
    pub(super) fn new() -> Patient {
        Patient(Arc::new(Semaphore::new(CONNECTIONS)))
    }
}

impl<S> Accept<TcpStream, S> for Patient {
    type Stream = Connection;
    type Service = S;
    type Future = std::future::Ready<io::Result<(Connection, S)>>;

    fn accept(&self, stream: TcpStream, service: S) -> Self::Future {
        let accept = || {
            let permit = self.0.clone().try_acquire_owned();
            let permit = permit.map_err(|_| io::Error::other("too many connections"))?;
            stream.set_nodelay(true)?;
            Ok((
                Connection {
                    stream,
                    waiting: None,
                    said_goodbye: false,
                    lingered: 0,
                    _permit: permit,
                },
                service,
            ))
        };
        std::future::ready(accept())
    }
}

/// A connection.
#[derive(Debug)]
pub(super) struct Connection {
    stream: TcpStream,
    /// Set while a write or the last reads wait for the client.
    waiting: Option<Pin<Box<Sleep>>>,
    said_goodbye: bool,
    lingered: usize,
    _permit: OwnedSemaphorePermit,
}

impl Connection {
    /// Ready once the client made the host wait for `time`.
    fn poll_patience(&mut self, cx: &mut Context<'_>, time: Duration) -> Poll<()> {
        let sleep = self
            .waiting
            .get_or_insert_with(|| Box::pin(tokio::time::sleep(time)));
        sleep.as_mut().poll(cx)
    }

    fn written<T>(
        &mut self,
        cx: &mut Context<'_>,
        result: Poll<io::Result<T>>,
    ) -> Poll<io::Result<T>> {
        if result.is_ready() {
            self.waiting = None;
            return result;
        }
        ready!(self.poll_patience(cx, WRITE_TIME));
        Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
    }
}

impl AsyncRead for Connection {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buf)
    }
}

impl AsyncWrite for Connection {
    fn poll_write(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &[u8],
    ) -> Poll<io::Result<usize>> {
        let result = Pin::new(&mut self.stream).poll_write(cx, buf);
        self.written(cx, result)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let result = Pin::new(&mut self.stream).poll_write_vectored(cx, bufs);
        self.written(cx, result)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        if !self.said_goodbye {
            ready!(Pin::new(&mut self.stream).poll_shutdown(cx))?;
            self.said_goodbye = true;
            self.waiting = None;
        }
        let mut space = [0u8; 8192];
        loop {
            let mut buf = ReadBuf::new(&mut space);
            match Pin::new(&mut self.stream).poll_read(cx, &mut buf) {
                Poll::Ready(Ok(())) if !buf.filled().is_empty() => {
                    self.lingered += buf.filled().len();
                    if self.lingered > LINGER_BYTES {
                        return Poll::Ready(Ok(()));
                    }
                }
                Poll::Ready(_) => return Poll::Ready(Ok(())),
                Poll::Pending => {
                    ready!(self.poll_patience(cx, LINGER_TIME));
                    return Poll::Ready(Ok(()));
                }
            }
        }
    }
}

/// A body that ends with an error when nothing of it came for a while.
#[derive(Debug)]
pub(super) struct Unstalled<B> {
    body: B,
    time: Duration,
    sleep: Pin<Box<Sleep>>,
    /// The client is waited for; time that the host itself takes does not count.
    waits: bool,
}

impl<B> Unstalled<B> {
    pub(super) fn new(body: B, time: Duration) -> Unstalled<B> {
        Unstalled {
            body,
            time,
            sleep: Box::pin(tokio::time::sleep(time)),
            waits: false,
        }
    }
}

/// Nothing of a body came for too long.
#[derive(Debug)]
pub(super) struct Stalled;

impl std::fmt::Display for Stalled {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("nothing came for too long")
    }
}

impl std::error::Error for Stalled {}

impl<B> http_body::Body for Unstalled<B>
where
    B: http_body::Body<Data = bytes::Bytes> + Unpin,
    B::Error: Into<Box<dyn std::error::Error + Send + Sync>>,
{
    type Data = bytes::Bytes;
    type Error = Box<dyn std::error::Error + Send + Sync>;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
    ) -> Poll<Option<Result<http_body::Frame<bytes::Bytes>, Self::Error>>> {
        if let Poll::Ready(frame) = Pin::new(&mut self.body).poll_frame(cx) {
            self.waits = false;
            return Poll::Ready(frame.map(|f| f.map_err(Into::into)));
        }
        if !self.waits {
            let time = self.time;
            self.sleep.as_mut().set(tokio::time::sleep(time));
            self.waits = true;
        }
        ready!(self.sleep.as_mut().poll(cx));
        Poll::Ready(Some(Err(Box::new(Stalled))))
    }

    fn is_end_stream(&self) -> bool {
        self.body.is_end_stream()
    }

    fn size_hint(&self) -> http_body::SizeHint {
        self.body.size_hint()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use http_body::Frame;
    use http_body_util::{BodyExt, StreamBody};

    #[test]
    fn a_body_that_stalls_ends_with_an_error() {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_time()
            .build()
            .unwrap();
        runtime.block_on(async {
            let some = futures::stream::iter([Ok(Frame::data(bytes::Bytes::from_static(b"a")))]);
            let never = futures::stream::pending::<io::Result<Frame<bytes::Bytes>>>();
            let body = StreamBody::new(futures::StreamExt::chain(some, never));
            let mut body = Unstalled::new(body, Duration::from_millis(30));
            assert!(body.frame().await.unwrap().is_ok());
            let error = body.frame().await.unwrap().unwrap_err();
            assert!(error.is::<Stalled>());
        });
    }
}
