//! What can go wrong between this computer and a server, told apart so that each has its own words and next step.

use std::error::Error as StdError;
use std::io;
use std::time::Duration;

use http::header::DATE;
use http::{HeaderMap, StatusCode};
use jiff::Timestamp;
use jiff::fmt::rfc2822;
use rustls::CertificateError;

use crate::error::{Error, Kind, Next};
use crate::sys::text::{counted, printable};

/// Something went wrong with a server.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trouble {
    /// Scheme, name and port of the server.
    pub server: String,
    /// What it was.
    pub kind: TroubleKind,
}

/// What went wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum TroubleKind {
    /// Its name leads to no address.
    NotFound,
    /// No connection came about in time.
    NoAnswer,
    /// The computer is there, and nothing listens at that port.
    NotListening,
    /// No byte moved for so long.
    Stalled(Duration),
    /// The connection broke off.
    Broken,
    /// Its certificate's time is over, or has not begun.
    Expired,
    /// Its certificate is for another name.
    OtherName,
    /// Nobody trusted vouches for its certificate.
    Untrusted,
    /// It shows another certificate than the pinned one.
    NotPinned,
    /// It does not speak TLS, or not as it should.
    Tls(String),
    /// A web page came instead: a network that wants a sign-in first.
    Portal,
    /// It sends us elsewhere.
    Redirected(String),
    /// It asks for the password in clear where others can read along.
    InClear,
    /// It asks for a way of signing in that we do not know.
    NoWayIn,
    /// It answers as a server does that knows no WebDAV.
    NoShare,
    /// It answered with a status that is no success.
    Answered(Answered),
    /// Anything else.
    Other(String),
}

/// An answer that is no success.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answered {
    /// The HTTP status.
    pub status: u16,
    /// The code of an S3 error, if there was one.
    pub code: Option<String>,
    /// The words that came with it, if there were some.
    pub words: Option<String>,
    /// Seconds by which its clock is ahead of ours, where it says.
    pub ahead: Option<i64>,
    /// The region or server in which a bucket is, if it says that it is not to be asked for like this.
    pub elsewhere: Option<Box<Elsewhere>>,
}

/// Where a bucket is instead.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Elsewhere {
    /// The region that requests are to be signed for.
    pub region: Option<String>,
    /// The name of the server.
    pub endpoint: Option<String>,
}

/// S3 signatures hold for a quarter of an hour around the server's time.
const SKEW: i64 = 15 * 60;

impl TroubleKind {
    /// What `e` tells.
    pub(super) fn of(e: &reqwest::Error) -> TroubleKind {
        let mut broken = false;
        let mut cause: Option<&(dyn StdError + 'static)> = Some(e);
        while let Some(one) = cause {
            if let Some(tls) = one.downcast_ref::<rustls::Error>() {
                return TroubleKind::of_tls(tls);
            }
            if let Some(mut io) = one.downcast_ref::<io::Error>() {
                // What an io::Error carries, which may be another one, is not in its chain of sources, only what lies
                // behind it.
                while let Some(inner) = io.get_ref().and_then(|i| i.downcast_ref::<io::Error>()) {
                    io = inner;
                }
                if let Some(tls) = io.get_ref().and_then(|i| i.downcast_ref::<rustls::Error>()) {
                    return TroubleKind::of_tls(tls);
                }
                match io.kind() {
                    io::ErrorKind::ConnectionRefused => return TroubleKind::NotListening,
                    io::ErrorKind::TimedOut if e.is_connect() => return TroubleKind::NoAnswer,
                    io::ErrorKind::HostUnreachable | io::ErrorKind::NetworkUnreachable => {
                        return TroubleKind::NoAnswer;
                    }
                    _ => broken = true,
                }
            }
            if one.to_string().contains("dns error") {
                return TroubleKind::NotFound;
            }
            cause = one.source();
        }
        match () {
            () if e.is_connect() && e.is_timeout() => TroubleKind::NoAnswer,
            () if e.is_connect() && !broken => TroubleKind::NoAnswer,
            () if e.is_builder() => TroubleKind::Other("the request cannot be made".into()),
            () => TroubleKind::Broken,
        }
    }

    fn of_tls(e: &rustls::Error) -> TroubleKind {
        match e {
            rustls::Error::InvalidCertificate(why) => match why {
                CertificateError::Expired
                | CertificateError::ExpiredContext { .. }
                | CertificateError::NotValidYet
                | CertificateError::NotValidYetContext { .. } => TroubleKind::Expired,
                CertificateError::NotValidForName
                | CertificateError::NotValidForNameContext { .. } => TroubleKind::OtherName,
                CertificateError::ApplicationVerificationFailure => TroubleKind::NotPinned,
                _ => TroubleKind::Untrusted,
            },
            other => TroubleKind::Tls(other.to_string()),
        }
    }

    /// What an answer that is no success tells: its status, and the S3 error code or the words in its body.
    pub(super) fn answered(
        status: StatusCode,
        body: &[u8],
        headers: &HeaderMap,
        now: &Timestamp,
    ) -> TroubleKind {
        let text = String::from_utf8_lossy(body);
        let between = |name: &str| {
            let (_, rest) = text.split_once(&format!("<{name}>"))?;
            let (inner, _) = rest.split_once(&format!("</{name}>"))?;
            let short: String = inner.trim().chars().take(200).collect();
            // The five that XML knows; the last one last.
            let plain = [
                ("&lt;", "<"),
                ("&gt;", ">"),
                ("&quot;", "\""),
                ("&apos;", "'"),
                ("&amp;", "&"),
            ]
            .iter()
            .fold(short, |text, (from, to)| text.replace(from, to));
            (!plain.is_empty()).then(|| printable(&plain).to_string())
        };
        let header = |name: &str| headers.get(name)?.to_str().ok();
        let theirs = header(DATE.as_str()).and_then(|d| rfc2822::parse(d).ok());
        let code = between("Code");
        // Amazon S3 API Reference, Error responses: AuthorizationHeaderMalformed names the region, PermanentRedirect
        // the server; a header names the region in both. Some servers name their region in every error.
        let named = header("x-amz-bucket-region").map(str::to_string);
        let is_elsewhere = match code.as_deref() {
            Some("AuthorizationHeaderMalformed") => true,
            Some(_) => status.is_redirection(),
            None => status.is_redirection() && named.is_some(),
        };
        // It stands in a command that is to be pasted.
        let plain = |r: &String| {
            r.bytes()
                .all(|b| b.is_ascii_alphanumeric() || b"-_.".contains(&b))
        };
        let elsewhere = is_elsewhere.then(|| {
            Box::new(Elsewhere {
                region: between("Region").or(named).filter(plain),
                endpoint: between("Endpoint"),
            })
        });
        TroubleKind::Answered(Answered {
            status: status.as_u16(),
            code,
            words: between("Message"),
            ahead: theirs.map(|t| t.timestamp().as_second() - now.as_second()),
            elsewhere,
        })
    }
}

impl Trouble {
    /// True if `e` came from a network that failed in mid-transfer: asking again may help.
    pub fn is_passing(e: &io::Error) -> bool {
        let inner = e.get_ref();
        inner
            .and_then(|i| i.downcast_ref::<Trouble>())
            .is_some_and(|t| matches!(t.kind, TroubleKind::Broken | TroubleKind::Stalled(_)))
    }

    /// The trouble as an error: `doing` says what was tried, such as `cannot list shelf lena`.
    pub fn error(self, doing: impl Into<String>) -> Error {
        let (kind, next) = self.advice();
        Error::new(kind, doing.into()).next(next).because(self)
    }

    fn advice(&self) -> (Kind, Next) {
        let later = "try again later; what is kept here is not touched";
        let away = |text: &str| (Kind::Unreachable, Next::say(text));
        match &self.kind {
            TroubleKind::NotFound => away(
                "check the name and this computer's connection, then try again; nothing is lost",
            ),
            TroubleKind::NoAnswer | TroubleKind::NotListening => away(
                "is the computer there switched on, and may it be reached from here? nothing is lost, try again later",
            ),
            TroubleKind::Stalled(_) | TroubleKind::Broken => {
                away("run the same command again: it goes on where it was")
            }
            TroubleKind::Expired => away(
                "check this computer's clock; if it is right, the server's owner has to renew the certificate",
            ),
            TroubleKind::OtherName => away("use the name that stands in its certificate"),
            TroubleKind::Untrusted => away(
                "if it is your own server, name its certificate when adding the shelf: --ca-file FILE",
            ),
            TroubleKind::NotPinned => away(
                "ask the host's owner before anything else; if the host was set up anew, ask for a new invite",
            ),
            TroubleKind::Tls(_) => {
                away("check the address: is it https there, and is the port right?")
            }
            TroubleKind::Portal => {
                away("sign in to this network with a browser, then run the same command again")
            }
            TroubleKind::Redirected(_) => (
                Kind::Refused,
                Next::say("add the shelf again under the address that it names, if you trust it"),
            ),
            TroubleKind::InClear => (
                Kind::Refused,
                Next::say(
                    "add the shelf again under its https address, or with --in-clear on a network of your own; the password was not sent",
                ),
            ),
            TroubleKind::NoWayIn => (
                Kind::Refused,
                Next::say(
                    "let the server offer Basic or Digest sign-in; the password was not sent",
                ),
            ),
            TroubleKind::NoShare => (
                Kind::Refused,
                Next::say(
                    "check the address: shares often have a path of their own, such as /dav; nothing is lost",
                ),
            ),
            TroubleKind::Answered(a) => a.advice(),
            TroubleKind::Other(_) => away(later),
        }
    }

    /// True if the other side has no room.
    pub fn is_full(&self) -> bool {
        matches!(&self.kind, TroubleKind::Answered(a) if a.is_full())
    }

    /// True if the answer says that an object is not there; a missing bucket is another matter.
    pub fn is_missing_object(&self) -> bool {
        matches!(&self.kind, TroubleKind::Answered(a) if a.status == 404 && !a.is_missing_bucket())
    }

    /// The status, if there was an answer.
    pub fn status(&self) -> Option<u16> {
        match &self.kind {
            TroubleKind::Answered(a) => Some(a.status),
            _ => None,
        }
    }
}

impl Elsewhere {
    fn advice(&self) -> String {
        let region = |r: &String| format!(" --region {r}");
        let region = self.region.as_ref().map(region).unwrap_or_default();
        match (&self.endpoint, region.as_str()) {
            (Some(name), _) => format!(
                "if you trust it, add the shelf again under the address of {name}{}{region}; nothing is lost",
                if region.is_empty() { "" } else { ", with" }
            ),
            (None, "") => {
                "add the shelf again with the region in which the bucket was made: --region REGION"
                    .into()
            }
            (None, region) => format!("add the shelf again with{region}; nothing is lost"),
        }
    }
}

impl Answered {
    /// True if it is the bucket that is not there, and not an object in it.
    pub fn is_missing_bucket(&self) -> bool {
        self.code.as_deref() == Some("NoSuchBucket")
    }

    fn is_full(&self) -> bool {
        let code = self.code.as_deref().unwrap_or_default();
        matches!(self.status, 413 | 507)
            || matches!(
                code,
                "QuotaExceeded" | "DiskNearlyFull" | "StorageFull" | "EntityTooLarge"
            )
    }

    fn is_skewed(&self) -> bool {
        self.code.as_deref() == Some("RequestTimeTooSkewed")
            || (matches!(self.status, 401 | 403) && self.ahead.is_some_and(|s| s.abs() > SKEW))
    }

    fn is_wrong_credential(&self) -> bool {
        self.status == 401
            || matches!(
                self.code.as_deref(),
                Some("SignatureDoesNotMatch" | "InvalidAccessKeyId")
            )
    }

    fn advice(&self) -> (Kind, Next) {
        let say = |kind, text: &str| (kind, Next::say(text));
        if self.is_full() {
            return say(
                Kind::Refused,
                "make room there, or ask its owner for more; what waits goes with the next mirror",
            );
        }
        if self.is_skewed() {
            return say(
                Kind::Unreachable,
                "set this computer's clock right, then run the same command again",
            );
        }
        if let Some(elsewhere) = &self.elsewhere {
            return (Kind::Refused, Next::say(elsewhere.advice()));
        }
        if self.is_wrong_credential() {
            return say(
                Kind::Refused,
                "add the shelf again with the right user or access key and its secret",
            );
        }
        if self.is_missing_bucket() {
            return say(
                Kind::Refused,
                "check the bucket's name, or make the bucket first; nothing is lost",
            );
        }
        match self.status {
            403 => say(
                Kind::Refused,
                "let this user or access key read and write there, then run the same command again",
            ),
            404 => say(
                Kind::NotFound,
                "check the address: the server has nothing there",
            ),
            408 | 425 | 429 | 500.. => say(
                Kind::Unreachable,
                "the server is busy or broken; try again later, nothing is lost",
            ),
            _ => say(
                Kind::Refused,
                "check the address and what is served there; nothing is lost",
            ),
        }
    }
}

impl std::fmt::Display for Trouble {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let server = &self.server;
        match &self.kind {
            TroubleKind::NotFound => write!(f, "the name in {server} leads nowhere"),
            TroubleKind::NoAnswer => write!(f, "{server} does not answer"),
            TroubleKind::NotListening => write!(f, "nothing listens at {server}"),
            TroubleKind::Stalled(time) => write!(
                f,
                "no byte moved between here and {server} for {}",
                counted(time.as_secs(), "second")
            ),
            TroubleKind::Broken => write!(f, "the connection to {server} broke off"),
            TroubleKind::Expired => write!(f, "the certificate of {server} is out of date"),
            TroubleKind::OtherName => write!(f, "the certificate of {server} is for another name"),
            TroubleKind::Untrusted => {
                write!(
                    f,
                    "nobody this computer trusts vouches for the certificate of {server}"
                )
            }
            TroubleKind::NotPinned => write!(
                f,
                "{server} shows another certificate than the one its invite line named"
            ),
            TroubleKind::Tls(why) => {
                write!(f, "no safe connection to {server}: {}", printable(why))
            }
            TroubleKind::Portal => {
                write!(f, "a web page came instead of an answer from {server}")
            }
            TroubleKind::Redirected(to) => write!(f, "{server} sends us to {to} instead"),
            TroubleKind::InClear => write!(
                f,
                "{server} asks for the password in clear, and others could read it on the way"
            ),
            TroubleKind::NoWayIn => write!(
                f,
                "{server} asks for a way of signing in that farshelf does not know"
            ),
            TroubleKind::NoShare => write!(f, "{server} serves no WebDAV share at this address"),
            TroubleKind::Answered(a) => a.say(server, f),
            TroubleKind::Other(what) => write!(f, "{what} ({server})"),
        }
    }
}

impl Answered {
    fn say(&self, server: &str, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let status = self.status;
        if self.is_full() {
            write!(f, "{server} has no room left for us (HTTP {status}")?;
        } else if self.is_skewed() {
            match self.ahead {
                Some(s) if s.abs() > 60 => write!(
                    f,
                    "the clocks of this computer and {server} are {} apart (HTTP {status}",
                    counted(s.unsigned_abs() / 60, "minute")
                )?,
                _ => write!(
                    f,
                    "the clocks of this computer and {server} do not agree (HTTP {status}"
                )?,
            }
        } else if let Some(elsewhere) = &self.elsewhere {
            match (&elsewhere.endpoint, &elsewhere.region) {
                (Some(name), _) => write!(f, "{server} says that the bucket is at {name}")?,
                (None, Some(region)) => {
                    write!(f, "{server} says that the bucket is in the region {region}")?;
                }
                (None, None) => write!(f, "{server} says that the bucket is elsewhere")?,
            }
            write!(f, " (HTTP {status}")?;
        } else if self.is_wrong_credential() {
            write!(
                f,
                "{server} does not accept the user or access key, or its secret (HTTP {status}"
            )?;
        } else if self.is_missing_bucket() {
            write!(f, "{server} has no bucket of that name (HTTP {status}")?;
        } else {
            match status {
                403 => write!(f, "{server} does not allow it (HTTP 403")?,
                404 => write!(f, "{server} has nothing there (HTTP 404")?,
                429 | 503 => write!(f, "{server} is too busy (HTTP {status}")?,
                500.. => write!(f, "{server} failed (HTTP {status}")?,
                _ => write!(f, "{server} refused it (HTTP {status}")?,
            }
        }
        match (&self.code, &self.words) {
            (Some(code), Some(words)) => write!(f, ", {code}: {words})"),
            (Some(one), None) | (None, Some(one)) => write!(f, ", {one})"),
            (None, None) => f.write_str(")"),
        }
    }
}

impl StdError for Trouble {}

impl From<Trouble> for io::Error {
    fn from(trouble: Trouble) -> io::Error {
        io::Error::other(trouble)
    }
}
