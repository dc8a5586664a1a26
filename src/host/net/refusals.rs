//! Refusals in the words and codes of the S3 protocol.
//!
//! # Source
//! Amazon S3 API Reference, "Error responses": codes and statuses. `QuotaExceeded` and `DiskNearlyFull` are this
//! host's own; their status is 403, because clients send again what was answered with 5xx.

use http::StatusCode;
use s3s::{S3Error, S3ErrorCode};

use super::patience::Stalled;
use crate::host::holding::Refusal;
use crate::host::key;
use crate::sys::text::size;

/// What a guest of old is told.
pub(super) const ENDED: &str = "this guest's access has ended";

/// An error with a code that the protocol does not know.
fn custom(code: &'static str, status: StatusCode, message: String) -> S3Error {
    let mut error = S3Error::with_message(S3ErrorCode::Custom(code.into()), message);
    error.set_status_code(status);
    error
}

fn coded(code: S3ErrorCode, message: impl Into<String>) -> S3Error {
    S3Error::with_message(code, message.into())
}

impl From<Refusal> for S3Error {
    fn from(refusal: Refusal) -> S3Error {
        match refusal {
            Refusal::Exists => coded(
                S3ErrorCode::PreconditionFailed,
                "an object of that name is there already",
            ),
            Refusal::OnlyAdds => only_adds("other bytes are there under that name, and they stay"),
            Refusal::Quota(quota, used) => custom(
                "QuotaExceeded",
                StatusCode::FORBIDDEN,
                format!(
                    "this guest may hold {} here and holds, with what is being sent, {} (each object counts for at least 4 KiB); ask the host's owner for more",
                    size(quota),
                    size(used)
                ),
            ),
            Refusal::TooMany(limit) => custom(
                "QuotaExceeded",
                StatusCode::FORBIDDEN,
                format!("this host holds {limit} objects for a guest at most"),
            ),
            Refusal::Busy => coded(
                S3ErrorCode::SlowDown,
                "the same object is being sent already; send it again later",
            ),
            Refusal::Ended => coded(S3ErrorCode::AccessDenied, ENDED),
            Refusal::DiskNearlyFull => custom(
                "DiskNearlyFull",
                StatusCode::FORBIDDEN,
                "the host's disk is nearly full; ask its owner to make room".to_string(),
            ),
            Refusal::Io(e) => failed(e),
        }
    }
}

/// The host itself failed; what was sent did not appear.
pub(super) fn failed(e: impl std::error::Error + Send + Sync + 'static) -> S3Error {
    let mut error = coded(
        S3ErrorCode::InternalError,
        "the host could not read or write its disk",
    );
    error.set_source(Box::new(e));
    error
}

/// Nothing is overwritten or removed here.
pub(super) fn only_adds(what: &str) -> S3Error {
    coded(
        S3ErrorCode::AccessDenied,
        format!("this host only adds: {what}"),
    )
}

/// The request makes no sense here.
pub(super) fn bad(message: impl Into<String>) -> S3Error {
    coded(S3ErrorCode::InvalidArgument, message)
}

/// No object of that name.
pub(super) fn no_such_key() -> S3Error {
    coded(
        S3ErrorCode::NoSuchKey,
        "no object of that name is held here",
    )
}

/// The name is none that a shelf holds.
pub(super) fn bad_key() -> S3Error {
    bad(key::RULE)
}

/// The body is not what its headers say.
pub(super) fn bad_digest(header: &str) -> S3Error {
    coded(
        S3ErrorCode::BadDigest,
        format!("the bytes that came do not agree with {header}; nothing was kept of them"),
    )
}

/// A body broke off or turned out wrong. The S3 crate's errors are private, so their text decides.
pub(super) fn broken_body(e: &(dyn std::error::Error + Send + Sync)) -> S3Error {
    let text = e.to_string();
    if text.contains("Sha256Mismatch") {
        return bad_digest("x-amz-content-sha256");
    }
    if text.contains("SignatureMismatch") {
        return coded(
            S3ErrorCode::SignatureDoesNotMatch,
            "a part of the body is not signed rightly; nothing was kept of it",
        );
    }
    if text.contains(&Stalled.to_string()) {
        return coded(S3ErrorCode::RequestTimeout, Stalled.to_string());
    }
    if text.contains(super::guard::CHUNK_TOO_LONG) {
        return coded(S3ErrorCode::InvalidRequest, super::guard::CHUNK_TOO_LONG);
    }
    coded(
        S3ErrorCode::IncompleteBody,
        "the body broke off; nothing was kept of it",
    )
}
