//! What is refused before the S3 crate sees a request, because it would not limit it: old signatures, forms, and
//! signed chunks that it would hold in memory whole.

use std::pin::Pin;
use std::task::{Context, Poll};

use bytes::Bytes;
use http_body::{Body, Frame, SizeHint};
use s3s::{S3Error, S3ErrorCode};

/// A chunk of an `aws-chunked` body; clients send 64 KiB to 1 MiB.
const CHUNK: u64 = 2 << 20;
pub(super) const CHUNK_TOO_LONG: &str = "a chunk of the body is longer than 2 MiB";

/// Says no to requests that cannot be served safely.
///
/// # Errors
/// The refusal.
pub(super) fn admit(parts: &http::request::Parts) -> Result<(), S3Error> {
    let header = |name: http::HeaderName| {
        let value = parts.headers.get(name);
        value.and_then(|v| v.to_str().ok()).unwrap_or_default()
    };
    let query = parts.uri.query().unwrap_or_default();
    let old = header(http::header::AUTHORIZATION).starts_with("AWS ")
        || query.split('&').any(|q| q.starts_with("Signature="));
    if old {
        return Err(S3Error::with_message(
            S3ErrorCode::InvalidRequest,
            "signatures of version 2 are not accepted; use AWS4-HMAC-SHA256",
        ));
    }
    let form = header(http::header::CONTENT_TYPE)
        .to_ascii_lowercase()
        .starts_with("multipart/form-data");
    if form {
        return Err(S3Error::with_message(
            S3ErrorCode::InvalidRequest,
            "uploads by form are not accepted",
        ));
    }
    Ok(())
}

/// True if the body comes in chunks with their own heads.
pub(super) fn is_chunked(headers: &http::HeaderMap) -> bool {
    headers
        .get("x-amz-content-sha256")
        .is_some_and(|v| v.as_bytes().starts_with(b"STREAMING-"))
}

#[derive(Debug, Clone, Copy)]
enum At {
    /// In the hex digits of a chunk's length.
    Length(u64),
    /// In the rest of a chunk's head.
    Head(u64),
    /// In a chunk's bytes and the line break behind them.
    Data(u64),
    /// Behind the last chunk.
    Trailers,
}

/// A body in `aws-chunked` coding; it ends with an error before a chunk that is too long to be held in memory.
///
/// # Source
/// Amazon S3 API Reference, "Signature calculations for the authorization header: transferring payload in multiple
/// chunks": `string(IntHexBase(chunk-size)) + ";chunk-signature=" + signature + \r\n + chunk-data + \r\n`.
#[derive(Debug)]
pub(super) struct ChunkGuard<B> {
    body: B,
    at: At,
}

impl<B> ChunkGuard<B> {
    pub(super) fn new(body: B) -> ChunkGuard<B> {
        ChunkGuard {
            body,
            at: At::Length(0),
        }
    }
}

fn follow(mut at: At, mut bytes: &[u8]) -> Option<At> {
    while let Some(&byte) = bytes.first() {
        match at {
            At::Length(length) => {
                bytes = &bytes[1..];
                at = match (char::from(byte).to_digit(16), byte) {
                    (Some(digit), _) => {
                        let length = length * 16 + u64::from(digit);
                        if length > CHUNK {
                            return None;
                        }
                        At::Length(length)
                    }
                    (None, b'\n') => after_head(length),
                    (None, _) => At::Head(length),
                };
            }
            At::Head(length) => {
                bytes = &bytes[1..];
                if byte == b'\n' {
                    at = after_head(length);
                }
            }
            At::Data(left) => {
                let step = left.min(bytes.len() as u64);
                bytes = &bytes[step as usize..];
                at = match left - step {
                    0 => At::Length(0),
                    left => At::Data(left),
                };
            }
            At::Trailers => break,
        }
    }
    Some(at)
}

fn after_head(length: u64) -> At {
    match length {
        0 => At::Trailers,
        length => At::Data(length + 2),
    }
}

impl<B> Body for ChunkGuard<B>
where
    B: Body<Data = Bytes, Error = Box<dyn std::error::Error + Send + Sync>> + Unpin,
{
    type Data = Bytes;
    type Error = Box<dyn std::error::Error + Send + Sync>;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, Self::Error>>> {
        let frame = std::task::ready!(Pin::new(&mut self.body).poll_frame(cx));
        if let Some(Ok(frame)) = &frame
            && let Some(data) = frame.data_ref()
        {
            match follow(self.at, data) {
                Some(at) => self.at = at,
                None => return Poll::Ready(Some(Err(CHUNK_TOO_LONG.into()))),
            }
        }
        Poll::Ready(frame)
    }

    fn is_end_stream(&self) -> bool {
        self.body.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.body.size_hint()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chunks_are_followed_however_they_are_cut() {
        let body = b"3;chunk-signature=ab\r\nabc\r\n2\r\nde\r\n0;chunk-signature=cd\r\nx-trailer:1\r\n\r\n";
        for cut in 0..body.len() {
            let at = follow(At::Length(0), &body[..cut]).unwrap();
            let at = follow(at, &body[cut..]).unwrap();
            assert!(matches!(at, At::Trailers), "{cut}");
        }
        assert!(follow(At::Length(0), b"200000;").is_some());
        assert!(follow(At::Length(0), b"200001;").is_none());
        assert!(follow(At::Length(0), b"ffffffffffffffffffff;").is_none());
        assert!(follow(At::Length(0), b"1\r\na\r\nfffffff").is_none());
    }
}
