//! A shelf that a friend's machine lends: taking up an invite, and getting in again with nothing but the key.
//!
//! Access id and secret are derived from the name key and the host's id, so that the key sheet and the host's address
//! open the shelf again. Each fresh invite raises the generation, which gives another secret under the same id.
//!
//! A host's id is no secret: another host could call itself by it to be told the secret. So the secret is derived from
//! what that other host cannot have as well: the print of the pinned certificate, or, where nothing is pinned, the
//! address that was asked.

use std::io::Read;

use http::{Request, StatusCode};
use serde::Serialize;
use serde::de::DeserializeOwned;

use super::name::NameKey;
use super::net::{Courier, Payload, Trouble};
use super::registry::{HOST, Reach};
use super::secret::{Secret, SecretSource};
use crate::error::{Error, Kind, Next, Result};
use crate::lending::{
    ABOUT_PATH, About, AboutGuest, Address, GUESTS_PATH, HostId, Invite, Redeem, Redeemed,
};
use crate::sys::World;

/// Access id of a guest: the same in all generations.
///
/// `g` and 24 hex characters of keyed BLAKE3 over `farshelf guest access v1\n<host id>\n`.
pub fn access_id(name_key: &NameKey, host: &HostId) -> String {
    let text = format!("farshelf guest access v1\n{host}\n");
    let hash = blake3::keyed_hash(name_key.expose(), text.as_bytes());
    format!("g{}", &hash.to_hex()[..24])
}

/// The guest's lasting secret: 64 hex characters of keyed BLAKE3 over
/// `farshelf guest secret v1\n<host id>\n<generation>\n<proof>\n`; the proof is the print of the pinned certificate, else
/// the host's address such as `host+http://10.0.0.7:7625`, in lower case.
pub fn secret(
    name_key: &NameKey,
    host: &HostId,
    generation: u32,
    address: &Address,
    print: Option<&str>,
) -> Secret {
    let proof = match print {
        Some(print) => print.to_string(),
        None => address.to_string().to_ascii_lowercase(),
    };
    let text = format!("farshelf guest secret v1\n{host}\n{generation}\n{proof}\n");
    let hash = blake3::keyed_hash(name_key.expose(), text.as_bytes());
    Secret::new(hash.to_hex().as_str())
}

/// Takes up an invite and gives the way to the shelf. The same invite may be taken up again by the same vault.
///
/// # Errors
/// `Unreachable`; `Refused` if the host does not know the invite (any more), or is another one than it names.
pub fn redeem(world: &World, name_key: &NameKey, invite: &Invite, base: &Reach) -> Result<Reach> {
    let mut reach = reach_at(&invite.address, base);
    reach.print = invite.print.as_ref().map(|p| p.to_string());
    reach.host = Some(invite.host.to_string());
    reach.generation = Some(invite.generation);
    reach.user = Some(access_id(name_key, &invite.host));
    let print = reach.print.as_deref();
    let secret = secret(
        name_key,
        &invite.host,
        invite.generation,
        &invite.address,
        print,
    );
    let asked = Redeem {
        token: invite.token.to_string(),
        access: reach.user.clone().unwrap_or_default(),
        secret: secret.expose().to_string(),
    };
    reach.secret = SecretSource {
        secret: Some(secret),
        ..SecretSource::default()
    };
    let courier = Courier::new(world, &invite.address.url(), &reach.settings(world)?)?;
    let doing = format!("cannot take up the invite to {}", invite.address);
    let answer: Redeemed =
        ask(&courier, &invite.address, GUESTS_PATH, Some(&asked)).map_err(|t| refusal(t, doing))?;
    if answer.host != invite.host.as_str() || answer.generation != invite.generation {
        return Err(Error::new(
            Kind::Refused,
            format!(
                "{} is another host than the one the invite names",
                invite.address
            ),
        )
        .next(Next::say("ask the host's owner for a new invite line")));
    }
    Ok(reach)
}

/// The way to a shelf at a host for who has the key and the host's address: after a fire, or on another computer.
///
/// # Errors
/// `Unreachable`; `Refused` if the host has no shelf for this key.
pub fn way_in(world: &World, name_key: &NameKey, address: &Address, base: &Reach) -> Result<Reach> {
    let mut reach = reach_at(address, base);
    let mut shown = None;
    if reach.print.is_none() && address.tls {
        // Nothing tells which certificate is right. What is read is proved by the key; the secret never travels.
        let settings = reach.settings(world)?;
        let print =
            super::net::tls::shown_by(&address.name, address.port, settings.patience.connect)
                .map_err(|kind| {
                    Trouble {
                        server: address.url(),
                        kind,
                    }
                    .error(format!("cannot look at {address}"))
                })?;
        reach.print = Some(print.to_string());
        shown = Some(print.to_string());
    }
    let courier = Courier::new(world, &address.url(), &reach.settings(world)?)?;
    let doing = || format!("cannot look at {address}");
    let about: About =
        ask(&courier, address, ABOUT_PATH, None::<&()>).map_err(|t| t.error(doing()))?;
    if shown.is_some() && about.print != shown {
        // It is the certificate of one that stands before the host: ordinary authorities vouch for it, and it changes.
        reach.print = None;
    }
    let courier = Courier::new(world, &address.url(), &reach.settings(world)?)?;
    let odd = || {
        Error::new(
            Kind::Refused,
            format!("what answers at {address} is no host"),
        )
        .next(Next::say("check the address and the port"))
    };
    let host: HostId = about.host.parse().map_err(|_| odd())?;
    let access = access_id(name_key, &host);
    let path = format!("{ABOUT_PATH}/{access}");
    let guest: AboutGuest = ask(&courier, address, &path, None::<&()>).map_err(|t| {
        if t.status() == Some(404) {
            Error::new(
                Kind::Refused,
                format!("{address} lends no shelf to this key"),
            )
            .next(Next::say(
                "check the address, or ask the host's owner for an invite line",
            ))
        } else {
            t.error(doing())
        }
    })?;
    reach.user = Some(access);
    let print = reach.print.as_deref();
    reach.secret.secret = Some(secret(name_key, &host, guest.generation, address, print));
    reach.host = Some(host.to_string());
    reach.generation = Some(guest.generation);
    Ok(reach)
}

fn reach_at(address: &Address, base: &Reach) -> Reach {
    Reach {
        kind: HOST.to_string(),
        location: address.to_string(),
        ..base.clone()
    }
}

fn refusal(trouble: Trouble, doing: String) -> Error {
    match trouble.status() {
        Some(401 | 403 | 404 | 409 | 410) => Error::new(Kind::Refused, doing)
            .because(trouble)
            .next(Next::say(
                "an invite line works once: ask the host's owner for a fresh one (farshelf host invite NAME --again)",
            )),
        _ => trouble.error(doing),
    }
}

/// No answer to these questions is longer.
const LONGEST: u64 = 64 << 10;

fn ask<Q: Serialize, A: DeserializeOwned>(
    courier: &Courier,
    address: &Address,
    path: &str,
    question: Option<&Q>,
) -> std::result::Result<A, Trouble> {
    let odd = |what: &str| Trouble {
        server: address.url(),
        kind: super::net::TroubleKind::Other(what.to_string()),
    };
    let url = format!("{}{path}", address.url());
    let request = match question {
        None => Request::get(url).body(Payload::empty()),
        Some(question) => {
            let body =
                serde_json::to_vec(question).map_err(|_| odd("the question cannot be put"))?;
            Request::post(url)
                .header("content-type", "application/json")
                .body(body.into())
        }
    };
    let request = request.map_err(|_| odd("its address is no URL"))?;
    let answer = courier.send(request, |_: StatusCode| false)?;
    let mut body = Vec::new();
    answer
        .into_body()
        .take(LONGEST)
        .read_to_end(&mut body)
        .map_err(|e| match e.downcast::<Trouble>() {
            Ok(trouble) => trouble,
            Err(_) => odd("its answer broke off"),
        })?;
    serde_json::from_slice(&body).map_err(|_| odd("what answers there is no host"))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Computed with b3sum 1.2 (--derive-key, then --keyed) and written down: who changes the derivation locks out every guest.
    #[test]
    fn access_and_secret_stay_what_they_are() {
        let key = NameKey::derive("AGE-SECRET-KEY-TEST");
        let host: HostId = "0123456789abcdef0123456789abcdef".parse().unwrap();
        let other: HostId = "f123456789abcdef0123456789abcdef".parse().unwrap();
        assert_eq!(access_id(&key, &host).len(), 25);
        assert_ne!(access_id(&key, &host), access_id(&key, &other));
        let address = Address::from_authority("Lena.example", true).unwrap();
        let elsewhere = Address::from_authority("evil.example", true).unwrap();
        let (print, other_print) = ("ab".repeat(32), "cd".repeat(32));
        let made =
            |host, generation, address, print| secret(&key, host, generation, address, print);
        let first = made(&host, 1, &address, Some(print.as_str()));
        for other in [
            made(&host, 2, &address, Some(print.as_str())),
            made(&other, 1, &address, Some(print.as_str())),
            // A host that calls itself by another's id learns nothing that opens the other.
            made(&host, 1, &address, Some(other_print.as_str())),
            made(&host, 1, &address, None),
            made(&host, 1, &elsewhere, None),
        ] {
            assert_ne!(first, other);
        }
        // With a pinned certificate the address may change.
        assert_eq!(first, made(&host, 1, &elsewhere, Some(print.as_str())));
        assert_eq!(access_id(&key, &host), "g51c836d9481a0b900bae03e5");
        assert_eq!(
            first.expose(),
            "49fb0002f53fe426f5ae8884e9eb471b6e0ff4d0b48be79376b6ad4da62d456b"
        );
        assert_eq!(
            made(&host, 1, &address, None).expose(),
            "97171cfb6985eb1d282c9108cf8e6ac49318c376b551dda26f45039162063888"
        );
    }
}
