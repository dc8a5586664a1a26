//! Where a shelf is, in one line: a folder's path, `bucket+https://…`, `share+https://…` or `host+https://…`.

use std::fmt;
use std::str::FromStr;

use crate::lending::Address;

/// Where a shelf is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Location {
    /// A folder on this computer.
    Folder(String),
    /// An S3-compatible bucket.
    Bucket(BucketLocation),
    /// A folder of a WebDAV server: its URL, ending in a slash.
    Share(String),
    /// A friend's machine.
    Host(Address),
}

/// A bucket, or a part of one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BucketLocation {
    /// Scheme, name and port of the server.
    pub endpoint: String,
    /// The bucket.
    pub bucket: String,
    /// What all names begin with, without slashes at its ends; empty for the whole bucket.
    pub prefix: String,
}

/// Why a text is no location.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BadLocation {
    /// A user or password stands in it: they belong elsewhere.
    Credential,
    /// No bucket is named.
    NoBucket,
    /// The server's address cannot be read.
    Address,
}

impl fmt::Display for BadLocation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            BadLocation::Credential => {
                "users and passwords do not belong into a location; give them with --user and --secret-file"
            }
            BadLocation::NoBucket => {
                "a bucket's location names the server and the bucket: bucket+https://SERVER/BUCKET"
            }
            BadLocation::Address => "the server's address cannot be read",
        })
    }
}

impl std::error::Error for BadLocation {}

/// Splits `scheme+http(s)://server/path` into the server's URL and the path without its outer slashes.
fn split<'t>(text: &'t str, kind: &str) -> Option<Result<(String, &'t str), BadLocation>> {
    let rest = text.strip_prefix(kind)?.strip_prefix('+')?;
    let (scheme, rest) = rest.split_once("://")?;
    if scheme != "http" && scheme != "https" {
        return Some(Err(BadLocation::Address));
    }
    let (server, path) = rest.split_once('/').unwrap_or((rest, ""));
    if server.contains('@') {
        return Some(Err(BadLocation::Credential));
    }
    let plain = |c: char| c.is_ascii_alphanumeric() || "-._:[]".contains(c);
    let odd = |c: char| c.is_control() || c.is_whitespace() || "?#\\".contains(c);
    if server.is_empty() || !server.chars().all(plain) || path.contains(odd) {
        return Some(Err(BadLocation::Address));
    }
    Some(Ok((format!("{scheme}://{server}"), path.trim_matches('/'))))
}

impl FromStr for Location {
    type Err = BadLocation;

    fn from_str(text: &str) -> Result<Location, BadLocation> {
        if let Some(found) = split(text, "bucket") {
            let (endpoint, path) = found?;
            let (bucket, prefix) = path.split_once('/').unwrap_or((path, ""));
            if bucket.is_empty() {
                return Err(BadLocation::NoBucket);
            }
            return Ok(Location::Bucket(BucketLocation {
                endpoint,
                bucket: bucket.to_string(),
                prefix: prefix.trim_matches('/').to_string(),
            }));
        }
        if let Some(found) = split(text, "share") {
            let (server, path) = found?;
            return Ok(Location::Share(match path {
                "" => format!("{server}/"),
                path => format!("{server}/{path}/"),
            }));
        }
        if text.starts_with("host+") {
            return text
                .parse()
                .map(Location::Host)
                .map_err(|_| BadLocation::Address);
        }
        Ok(Location::Folder(text.to_string()))
    }
}

impl fmt::Display for Location {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Location::Folder(path) => f.write_str(path),
            Location::Bucket(at) if at.prefix.is_empty() => {
                write!(f, "bucket+{}/{}", at.endpoint, at.bucket)
            }
            Location::Bucket(at) => {
                write!(f, "bucket+{}/{}/{}", at.endpoint, at.bucket, at.prefix)
            }
            Location::Share(url) => write!(f, "share+{url}"),
            Location::Host(address) => write!(f, "{address}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn locations_read_and_show() {
        for (text, shown) in [
            ("/mnt/barn", "/mnt/barn"),
            (
                "bucket+https://s3.example/synths/",
                "bucket+https://s3.example/synths",
            ),
            (
                "bucket+http://[::1]:90/b/a/c/",
                "bucket+http://[::1]:90/b/a/c",
            ),
            ("share+https://box.example", "share+https://box.example/"),
            (
                "share+https://box.example/dav/me",
                "share+https://box.example/dav/me/",
            ),
            (
                "host+https://lena.example",
                "host+https://lena.example:7625",
            ),
            ("C:\\\\vault", "C:\\\\vault"),
        ] {
            assert_eq!(text.parse::<Location>().unwrap().to_string(), shown);
        }
        for (bad, why) in [
            ("bucket+https://s3.example", BadLocation::NoBucket),
            ("bucket+ftp://s3.example/x", BadLocation::Address),
            (
                "share+https://me:pw@box.example/dav",
                BadLocation::Credential,
            ),
            ("share+https://box.example/a?b", BadLocation::Address),
            ("host+https://a/b/c", BadLocation::Address),
        ] {
            assert_eq!(bad.parse::<Location>(), Err(why), "{bad}");
        }
    }
}
