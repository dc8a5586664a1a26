//! A shelf that a friend's machine lends: taking up an invite, and getting in again with nothing but the key.
//!
//! Access id and secret are derived from the name key and the host's id, so that the key sheet and the host's address
//! open the shelf again. Each fresh invite raises the generation, which gives another secret under the same id.

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
/// `farshelf guest secret v1\n<host id>\n<generation>\n`.
pub fn secret(name_key: &NameKey, host: &HostId, generation: u32) -> Secret {
    let text = format!("farshelf guest secret v1\n{host}\n{generation}\n");
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
    let secret = secret(name_key, &invite.host, invite.generation);
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
    let mut settings = reach.settings(world)?;
    if settings.print.is_none() && address.tls && settings.authority.is_none() {
        // Nothing tells which certificate is right. What is read is proved by the key; the secret never travels.
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
        settings = reach.settings(world)?;
    }
    let courier = Courier::new(world, &address.url(), &settings)?;
    let doing = || format!("cannot look at {address}");
    let about: About =
        ask(&courier, address, ABOUT_PATH, None::<&()>).map_err(|t| t.error(doing()))?;
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
    reach.secret.secret = Some(secret(name_key, &host, guest.generation));
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
        assert_ne!(secret(&key, &host, 1), secret(&key, &host, 2));
        assert_ne!(secret(&key, &host, 1), secret(&key, &other, 1));
        assert_eq!(access_id(&key, &host), "g51c836d9481a0b900bae03e5");
        assert_eq!(
            secret(&key, &host, 1).expose(),
            "d4c49b9abf257b2fc564a43f75cda748f57936af9fbb94af5d2c7594fbe6dd26"
        );
    }
}
