//! Where a host is: `host+https://lena.example:7625`, or `host+http://…` behind a proxy or a private network.

use std::fmt;
use std::str::FromStr;

/// The port a host listens on unless told otherwise.
pub const DEFAULT_PORT: u16 = 7625;
/// The beginning of an address that is reached over TLS with a pinned certificate.
pub const SCHEME_TLS: &str = "host+https://";
/// The beginning of an address that is reached without TLS of its own.
pub const SCHEME_PLAIN: &str = "host+http://";

/// Where a host is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Address {
    /// A name, an IPv4 address, or an IPv6 address in brackets.
    pub name: String,
    /// The TCP port.
    pub port: u16,
    /// False for a host that leaves TLS to a proxy or a private network.
    pub tls: bool,
}

/// The text is no address of a host.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BadAddress;

impl fmt::Display for BadAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an address is a name or an IP address, a colon and a port")
    }
}

impl std::error::Error for BadAddress {}

impl Address {
    /// Reads `name`, `name:port` or `[ipv6]:port`.
    ///
    /// # Errors
    /// [`BadAddress`].
    pub fn from_authority(text: &str, tls: bool) -> Result<Address, BadAddress> {
        let (name, port) = match text.strip_prefix('[') {
            Some(rest) => {
                let (inner, after) = rest.split_once(']').ok_or(BadAddress)?;
                let fine = inner.contains(':') && inner.parse::<std::net::Ipv6Addr>().is_ok();
                let name = fine.then(|| format!("[{inner}]")).ok_or(BadAddress)?;
                (
                    name,
                    after.strip_prefix(':').or((after.is_empty()).then_some("")),
                )
            }
            None => match text.split_once(':') {
                Some((name, port)) => (name.to_string(), Some(port)),
                None => (text.to_string(), Some("")),
            },
        };
        let port = match port.ok_or(BadAddress)? {
            "" if !text.ends_with(':') => DEFAULT_PORT,
            digits if digits.bytes().all(|b| b.is_ascii_digit()) => {
                digits.parse().ok().filter(|p| *p > 0).ok_or(BadAddress)?
            }
            _ => return Err(BadAddress),
        };
        let plain = |b: u8| b.is_ascii_alphanumeric() || b == b'-' || b == b'.' || b == b'_';
        if name.is_empty()
            || name.len() > 255
            || !(name.starts_with('[') || name.bytes().all(plain))
        {
            return Err(BadAddress);
        }
        Ok(Address { name, port, tls })
    }

    /// The name and the port, as they stand in a URL.
    pub fn authority(&self) -> String {
        format!("{}:{}", self.name, self.port)
    }

    /// The URL of the host's root, without a slash at its end.
    pub fn url(&self) -> String {
        let scheme = if self.tls { "https" } else { "http" };
        format!("{scheme}://{}", self.authority())
    }
}

impl FromStr for Address {
    type Err = BadAddress;

    fn from_str(text: &str) -> Result<Address, BadAddress> {
        let (rest, tls) = match text.strip_prefix(SCHEME_TLS) {
            Some(rest) => (rest, true),
            None => (text.strip_prefix(SCHEME_PLAIN).ok_or(BadAddress)?, false),
        };
        Address::from_authority(rest.strip_suffix('/').unwrap_or(rest), tls)
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let scheme = if self.tls { SCHEME_TLS } else { SCHEME_PLAIN };
        write!(f, "{scheme}{}", self.authority())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_read_and_show() {
        for (text, shown) in [
            (
                "host+https://lena.example:9000",
                "host+https://lena.example:9000",
            ),
            ("host+http://10.0.0.7/", "host+http://10.0.0.7:7625"),
            ("host+https://[::1]:80", "host+https://[::1]:80"),
            ("host+https://[fe80::1]", "host+https://[fe80::1]:7625"),
        ] {
            assert_eq!(text.parse::<Address>().unwrap().to_string(), shown);
        }
        for bad in [
            "https://lena.example",
            "host+https://",
            "host+https://a:0",
            "host+https://a:x",
            "host+https://a:",
            "host+https://user@a",
            "host+https://a/b",
            "host+https://[zz]:1",
            "host+https://a:99999",
            "host+https://[::1]x",
            "host+https://a:+1",
        ] {
            assert_eq!(bad.parse::<Address>(), Err(BadAddress), "{bad}");
        }
    }
}
