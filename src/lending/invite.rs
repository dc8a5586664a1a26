//! The line that a host's owner sends to a friend: address, host, generation, certificate and a token for one use.
//!
//! `host+https://lena.example:7625/<host id>-<generation>-<print>-<token>-<check>`; every character passes a shell
//! and a chat unharmed. A host without TLS of its own has `none` for the print; with https a proxy before it shows an
//! ordinary certificate. The check, 8 hex characters of the BLAKE3 of all before it, catches a line that was cut or
//! mistyped; it protects against nothing else.

use std::fmt;
use std::str::FromStr;

use super::address::Address;

/// A host's id: 32 lowercase hex characters.
pub type HostId = Hex<32>;
/// What lets one guest in, once: 32 lowercase hex characters.
pub type Token = Hex<32>;
/// The SHA-256 of a host's certificate in DER: 64 lowercase hex characters.
pub type CertificatePrint = Hex<64>;

/// A text of exactly `N` lowercase hex characters.
#[derive(Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Hex<const N: usize>(String);

impl<const N: usize> Hex<N> {
    /// The characters.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl<const N: usize> FromStr for Hex<N> {
    type Err = BadInvite;

    fn from_str(text: &str) -> Result<Self, BadInvite> {
        let is_hex = |b: u8| b.is_ascii_digit() || (b'a'..=b'f').contains(&b);
        if text.len() == N && text.bytes().all(is_hex) {
            Ok(Hex(text.to_string()))
        } else {
            Err(BadInvite::Form)
        }
    }
}

impl<const N: usize> fmt::Display for Hex<N> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

/// Never the characters: a token is a secret.
impl<const N: usize> fmt::Debug for Hex<N> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Hex<{N}>")
    }
}

/// An invite.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Invite {
    /// Where the host is.
    pub address: Address,
    /// Its id.
    pub host: HostId,
    /// The generation that the guest's secret will have.
    pub generation: u32,
    /// The certificate that the host has to show; none for a host without TLS of its own.
    pub print: Option<CertificatePrint>,
    /// What lets the guest in.
    pub token: Token,
}

/// Why a text is no invite.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BadInvite {
    /// It has not the form of one.
    Form,
    /// It has the form, and some character is not as it was.
    Check,
}

impl fmt::Display for BadInvite {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            BadInvite::Form => "this is no whole invite line",
            BadInvite::Check => "some character of the invite line is not as it was sent",
        })
    }
}

impl std::error::Error for BadInvite {}

fn check(body: &str) -> String {
    blake3::hash(body.as_bytes()).to_hex()[..8].to_string()
}

impl Invite {
    /// True if `text` looks like an invite line rather than like the bare address of a host.
    pub fn is_one(text: &str) -> bool {
        let after = text
            .strip_prefix(super::SCHEME_TLS)
            .or_else(|| text.strip_prefix(super::SCHEME_PLAIN));
        after
            .and_then(|rest| rest.split_once('/'))
            .is_some_and(|(_, tail)| !tail.is_empty())
    }
}

impl fmt::Display for Invite {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let print = self.print.as_ref().map_or("none", |p| p.as_str());
        let body = format!(
            "{}/{}-{}-{print}-{}",
            self.address, self.host, self.generation, self.token
        );
        write!(f, "{body}-{}", check(&body))
    }
}

impl FromStr for Invite {
    type Err = BadInvite;

    fn from_str(text: &str) -> Result<Invite, BadInvite> {
        let text = text.trim();
        let (body, sum) = text.rsplit_once('-').ok_or(BadInvite::Form)?;
        let (address, tail) = body.rsplit_once('/').ok_or(BadInvite::Form)?;
        let parts: Vec<&str> = tail.split('-').collect();
        let [host, generation, print, token] = parts[..] else {
            return Err(BadInvite::Form);
        };
        if check(body) != sum {
            return Err(BadInvite::Check);
        }
        let address: Address = address.parse().map_err(|_| BadInvite::Form)?;
        let print = match print {
            "none" => None,
            hex => Some(hex.parse()?),
        };
        if !address.tls && print.is_some() {
            return Err(BadInvite::Form);
        }
        Ok(Invite {
            address,
            host: host.parse()?,
            generation: generation.parse().map_err(|_| BadInvite::Form)?,
            print,
            token: token.parse()?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn invite(tls: bool) -> Invite {
        Invite {
            address: Address::from_authority("lena.example", tls).unwrap(),
            host: "0123456789abcdef0123456789abcdef".parse().unwrap(),
            generation: 3,
            print: tls.then(|| "ab".repeat(32).parse().unwrap()),
            token: "fedcba9876543210fedcba9876543210".parse().unwrap(),
        }
    }

    #[test]
    fn a_line_reads_back_and_every_changed_character_shows() {
        for tls in [true, false] {
            let one = invite(tls);
            let line = one.to_string();
            assert_eq!(line.parse::<Invite>(), Ok(one));
            assert!(Invite::is_one(&line));
            for at in 0..line.len() {
                let mut bytes = line.clone().into_bytes();
                bytes[at] = if bytes[at] == b'0' { b'1' } else { b'0' };
                let changed = String::from_utf8(bytes).unwrap();
                assert!(changed.parse::<Invite>().is_err(), "{changed}");
                assert!(line[..at].parse::<Invite>().is_err());
            }
        }
        assert!(!Invite::is_one("host+https://lena.example:7625/"));
        assert!(!Invite::is_one("/mnt/barn"));
    }

    #[test]
    fn https_may_go_without_a_print_and_http_never_has_one() {
        let proxied = Invite {
            print: None,
            ..invite(true)
        };
        assert_eq!(proxied.to_string().parse(), Ok(proxied));
        let plain = Invite {
            print: invite(true).print,
            ..invite(false)
        };
        let read = plain.to_string().parse::<Invite>();
        assert_eq!(read, Err(BadInvite::Form));
    }

    #[test]
    fn a_token_is_never_shown_by_accident() {
        assert!(!format!("{:?}", invite(true)).contains("fedcba98"));
    }
}
