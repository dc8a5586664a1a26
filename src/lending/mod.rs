//! What a host and its guests say to each other: addresses, invite lines, and the few questions beside the S3 protocol.
//!
//! A guest's objects travel in the S3 protocol, so that any S3 client can look at a shelf. Beside it stand the answers
//! to `GET /about`, `GET /about/<access>` and `POST /guests`, and the object [`REPORT`], all of them JSON.

mod address;
mod invite;

pub use address::{Address, BadAddress, DEFAULT_PORT, SCHEME_PLAIN, SCHEME_TLS};
pub use invite::{BadInvite, CertificatePrint, HostId, Invite, Token};

use serde::{Deserialize, Serialize};

/// The one bucket that a guest sees: its shelf.
pub const BUCKET: &str = "shelf";
/// The region in which requests to a host are signed.
pub const REGION: &str = "us-east-1";
/// The object that a host makes up for each guest: a [`Report`].
pub const REPORT: &str = "report.json";
/// The path of [`About`]; with an access id behind it, of [`AboutGuest`].
pub const ABOUT_PATH: &str = "/about";
/// The path that takes a [`Redeem`].
pub const GUESTS_PATH: &str = "/guests";

/// What a host says to anyone.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct About {
    /// Its id, 32 lowercase hex characters.
    pub host: String,
    /// The SHA-256 of the certificate with which the host itself serves TLS, 64 lowercase hex characters; none for one
    /// that leaves TLS to a proxy or goes without. Whoever reads it has to compare it with what an invite said.
    #[serde(default)]
    pub print: Option<String>,
}

/// What a host says to anyone who knows a guest's access id.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct AboutGuest {
    /// The host's id.
    pub host: String,
    /// The generation of the guest's secret that is in force.
    pub generation: u32,
}

/// What a guest sends once to take up an invite. The same again is answered the same way.
#[derive(Clone, Serialize, Deserialize)]
pub struct Redeem {
    /// The token of the invite line.
    pub token: String,
    /// The access id that the guest will sign with; it stays the same for all generations.
    pub access: String,
    /// The secret that goes with it.
    pub secret: String,
}

/// The answer to a [`Redeem`] that was accepted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Redeemed {
    /// The host's id.
    pub host: String,
    /// What the host calls the guest.
    pub guest: String,
    /// The generation of the secret now in force.
    pub generation: u32,
    /// Bytes the guest may hold; none: as the disk allows.
    pub quota: Option<u64>,
}

/// What a host found when it last read a guest's objects again. A guest believes only what is bad in it.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Report {
    /// When the oldest of these checks was done, RFC 3339; none if some object was never checked.
    pub checked_at: Option<String>,
    /// Objects held.
    pub objects: u64,
    /// Bytes held.
    pub bytes: u64,
    /// Bytes the guest may hold.
    pub quota: Option<u64>,
    /// Keys of objects that are not as they came, or are gone.
    pub damaged: Vec<String>,
}
