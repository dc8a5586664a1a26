//! Guests: who is invited, who took an invite up, and with which secret.
//!
//! The token of an invite is never kept, only its hash. A guest's file is replaced whole, so that a serving host reads
//! either the old or the new one.

use std::fmt;
use std::io;

use serde::{Deserialize, Serialize};
use zeroize::Zeroizing;

use super::folder::{HostFolder, as_toml, parse_address};
use super::holding::Holding;
use crate::error::{Error, Kind, Next, Result};
use crate::lending::{Address, Invite, Redeem, Redeemed, Report};
use crate::model::ids::GuestName;
use crate::sys::disk::{self, Privacy, Replace};
use crate::sys::entropy;

const FORMAT: u32 = 1;
const LIMIT: u64 = 1 << 16;

/// A guest's file.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Guest {
    format: u32,
    /// Tells it from another guest of the same name before or after it; none in older files.
    id: Option<String>,
    /// Bytes it may hold; none: as the disk allows.
    pub(super) quota: Option<u64>,
    /// The generation of the secret in force; 0 before the first.
    #[serde(default)]
    pub(super) generation: u32,
    /// What it signs with.
    pub(super) access: Option<String>,
    pub(super) secret: Option<String>,
    /// The BLAKE3 of the waiting invite's token, hex.
    invite: Option<String>,
    /// The generation that taking it up gives.
    #[serde(default)]
    invite_generation: u32,
    /// The BLAKE3 of the token that was taken up last: the same request again is answered the same way.
    spent: Option<String>,
    /// Access has ended.
    #[serde(default)]
    pub(super) retired: bool,
}

/// Never the secret.
impl fmt::Debug for Guest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Guest")
            .field("access", &self.access)
            .field("generation", &self.generation)
            .finish_non_exhaustive()
    }
}

/// How a guest is invited.
#[derive(Debug, Clone, Default)]
pub struct InviteOptions {
    /// Bytes the guest may hold. For a guest that is there already: a new limit, or as before.
    pub quota: Option<u64>,
    /// Fresh access to the shelf of a guest that is there already.
    pub again: bool,
    /// Another address than the host's own, for this line only.
    pub address: Option<String>,
    /// For a host without TLS of its own, reached without TLS.
    pub plain: bool,
    /// For a host without TLS of its own, behind a proxy that speaks TLS with an ordinary certificate.
    pub proxied: bool,
}

/// An invite that was made.
#[derive(Debug, Clone)]
pub struct Invited {
    /// What to send to the guest. It holds a secret for one use.
    pub line: Invite,
    /// Bytes the guest may hold.
    pub quota: Option<u64>,
}

/// A guest as its host's owner sees it.
#[derive(Debug, Clone)]
pub struct GuestView {
    /// Its name.
    pub name: GuestName,
    /// True once it took an invite up.
    pub in_use: bool,
    /// True while an invite waits to be taken up.
    pub invited: bool,
    /// The generation of the secret in force.
    pub generation: u32,
    /// What it holds, and what reading it again found.
    pub report: Report,
    /// When its newest object came, unix seconds.
    pub last_came: Option<i64>,
    /// Why its file, or what was recorded of its objects, cannot be read.
    pub unreadable: Option<String>,
}

fn token_hash(token: &str) -> String {
    blake3::hash(token.as_bytes()).to_hex().to_string()
}

/// Compares without telling by time how far two texts agree; both are hashes or of public length.
fn same(a: &str, b: &str) -> bool {
    a.len() == b.len() && a.bytes().zip(b.bytes()).fold(0, |d, (a, b)| d | (a ^ b)) == 0
}

impl Guest {
    fn new(host: &HostFolder) -> Result<Guest> {
        Ok(Guest {
            format: FORMAT,
            id: Some(entropy::identifier(host.world.entropy.as_ref())?),
            quota: None,
            generation: 0,
            access: None,
            secret: None,
            invite: None,
            invite_generation: 0,
            spent: None,
            retired: false,
        })
    }

    /// What is the same for as long as it is the same guest.
    pub(super) fn identity(&self) -> &str {
        let id = self.id.as_deref().or(self.access.as_deref());
        id.unwrap_or_default()
    }

    /// The guest of this name, if there is one.
    ///
    /// # Errors
    /// `Damaged` if its file cannot be read.
    pub(super) fn load(host: &HostFolder, name: &GuestName) -> Result<Option<Guest>> {
        let path = host.guests().join(format!("{name}.toml"));
        let text = match disk::read_text(host.world.disk.as_ref(), &path, LIMIT) {
            Ok(text) => Zeroizing::new(text),
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(e) => return Err(Error::io(format!("cannot read {}", path.display()), e)),
        };
        // The parser's message could quote the line with the secret.
        let guest: Guest = toml::from_str(&text).map_err(|_| {
            Error::new(
                Kind::Damaged,
                format!(
                    "{} cannot be read; its shelf is not touched",
                    path.display()
                ),
            )
            .next(Next::say("put that file back from a copy"))
        })?;
        if guest.format > FORMAT {
            return Err(Error::new(
                Kind::NewerFormat,
                format!("{} was written by a newer farshelf", path.display()),
            )
            .next(Next::say("install a newer farshelf on this computer")));
        }
        Ok(Some(guest))
    }

    /// Writes the guest's file.
    ///
    /// # Errors
    /// `Io`.
    pub(super) fn save(&self, host: &HostFolder, name: &GuestName) -> Result<()> {
        let path = host.guests().join(format!("{name}.toml"));
        let text = Zeroizing::new(as_toml(self)?);
        disk::publish(
            host.world.disk.as_ref(),
            &path,
            text.as_bytes(),
            Privacy::Owner,
            Replace::Yes,
        )
    }
}

/// The names of all guests, sorted.
///
/// # Errors
/// `Io`.
pub(super) fn names(host: &HostFolder) -> Result<Vec<GuestName>> {
    let folder = host.guests();
    let names = host
        .world
        .disk
        .list(&folder)
        .map_err(|e| Error::io(format!("cannot list {}", folder.display()), e))?;
    Ok(names
        .iter()
        .filter_map(|n| n.to_str()?.strip_suffix(".toml")?.parse().ok())
        .collect())
}

/// Makes an invite, and the guest with its empty shelf if it is new. A guest's old secret stays in force until the new
/// line is taken up.
///
/// # Errors
/// `AlreadyThere` for a guest that is there, unless `again`; `NotFound` for one that is not, with `again`.
pub fn invite(host: &HostFolder, name: &GuestName, options: &InviteOptions) -> Result<Invited> {
    let mut address = match &options.address {
        Some(text) => parse_address(text)?,
        None => host.address.clone(),
    };
    address = Address {
        tls: !options.plain,
        ..address
    };
    let mut guest = match (Guest::load(host, name)?, options.again) {
        (Some(guest), _) if guest.retired => {
            return Err(Error::new(
                Kind::Refused,
                format!("{name} is on the way out; nothing was changed"),
            )
            .next(Next::run(
                "finish that first",
                format!("host retire {name} --confirm {name}"),
            )));
        }
        (Some(guest), true) => guest,
        // Made for a shelf that was carried over: nobody was invited yet.
        (Some(guest), false) if guest.access.is_none() && guest.invite.is_none() => guest,
        (None, false) => Guest::new(host)?,
        (Some(_), false) => {
            return Err(Error::new(
                Kind::AlreadyThere,
                format!("{name} is a guest already; nothing was changed"),
            )
            .next(Next::run(
                "give fresh access to the same shelf",
                format!("host invite {name} --again"),
            )));
        }
        (None, true) => {
            return Err(
                Error::new(Kind::NotFound, format!("there is no guest {name}"))
                    .next(Next::run("make one", format!("host invite {name}"))),
            );
        }
    };
    guest.quota = options.quota.or(guest.quota);
    let token = entropy::identifier(host.world.entropy.as_ref())?;
    guest.invite = Some(token_hash(&token));
    guest.invite_generation = guest.generation.max(guest.invite_generation) + 1;
    make_shelf(host, name)?;
    guest.save(host, name)?;
    let unreadable = |_| Error::new(Kind::Bug, "a fresh token has not the form of one");
    Ok(Invited {
        line: Invite {
            address,
            host: host.id.clone(),
            generation: guest.invite_generation,
            print: (!options.plain && !options.proxied).then(|| host.print.clone()),
            token: token.parse().map_err(unreadable)?,
        },
        quota: guest.quota,
    })
}

/// Makes the folders of a guest's shelf.
///
/// # Errors
/// `Io`.
pub(super) fn make_shelf(host: &HostFolder, name: &GuestName) -> Result<()> {
    for part in super::key::PARTS {
        let folder = host.shelf(name).join(part);
        disk::create_durable_folders(host.world.disk.as_ref(), &folder, Privacy::Shared)
            .map_err(|e| Error::io(format!("cannot create {}", folder.display()), e))?;
    }
    Ok(())
}

/// A guest without an invite, for a shelf that was carried over.
///
/// # Errors
/// `Io`.
pub(super) fn make_uninvited(host: &HostFolder, name: &GuestName) -> Result<()> {
    make_shelf(host, name)?;
    Guest::new(host)?.save(host, name)
}

/// Every guest, with what it holds. One whose file cannot be read is told as such.
///
/// # Errors
/// `Io`.
pub fn list(host: &HostFolder) -> Result<Vec<GuestView>> {
    let mut views = Vec::new();
    for name in names(host)? {
        views.push(match look_at(host, &name) {
            Ok(Some(view)) => view,
            Ok(None) => continue,
            Err(e) => GuestView {
                in_use: false,
                invited: false,
                generation: 0,
                report: Holding::open(host, &name)
                    .map(|holding| holding.report(None))
                    .unwrap_or_default(),
                last_came: None,
                unreadable: Some(e.to_string()),
                name,
            },
        });
    }
    Ok(views)
}

fn look_at(host: &HostFolder, name: &GuestName) -> Result<Option<GuestView>> {
    let Some(guest) = Guest::load(host, name)? else {
        return Ok(None);
    };
    let holding = Holding::open(host, name)?;
    Ok(Some(GuestView {
        in_use: guest.access.is_some() && !guest.retired,
        invited: guest.invite.is_some(),
        generation: guest.generation,
        report: holding.report(guest.quota),
        last_came: holding.last_came(),
        unreadable: None,
        name: name.clone(),
    }))
}

/// Why an invite was not taken up.
#[derive(Debug)]
pub(super) enum NotRedeemed {
    /// Access id or secret have not the form they must have.
    Form,
    /// No invite with this token waits.
    Token,
    /// Another guest has this access id.
    Taken,
    /// The guest's file could not be read or written.
    Failed,
}

impl From<Error> for NotRedeemed {
    fn from(_: Error) -> NotRedeemed {
        NotRedeemed::Failed
    }
}

/// Takes an invite up. The same request again gives the same answer, and changes nothing.
pub(super) fn redeem(
    host: &HostFolder,
    asked: &Redeem,
) -> std::result::Result<Redeemed, NotRedeemed> {
    let length = |text: &str, from: usize, to: usize| (from..=to).contains(&text.len());
    let fine_access = length(&asked.access, 8, 64)
        && asked
            .access
            .bytes()
            .all(|b| b.is_ascii_digit() || b.is_ascii_lowercase());
    let fine_secret = length(&asked.secret, 32, 128)
        && asked
            .secret
            .bytes()
            .all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b));
    if !fine_access || !fine_secret || asked.token.len() > 64 {
        return Err(NotRedeemed::Form);
    }
    let hash = token_hash(&asked.token);
    let mut found = None;
    let mut taken = false;
    let mut unreadable = false;
    for name in names(host)? {
        let guest = match Guest::load(host, &name) {
            Ok(Some(guest)) => guest,
            Ok(None) => continue,
            Err(_) => {
                unreadable = true;
                continue;
            }
        };
        if guest.retired {
            continue;
        }
        let waits = guest.invite.as_deref().is_some_and(|i| same(i, &hash));
        let spent = guest.spent.as_deref().is_some_and(|s| same(s, &hash));
        if waits || spent {
            found = Some((name, guest, waits));
        } else if guest.access.as_deref() == Some(&asked.access) {
            taken = true;
        }
    }
    let Some((name, mut guest, waits)) = found else {
        // It may be the token of a guest whose file cannot be read.
        return Err(match unreadable {
            true => NotRedeemed::Failed,
            false => NotRedeemed::Token,
        });
    };
    if waits {
        if taken {
            return Err(NotRedeemed::Taken);
        }
        guest.access = Some(asked.access.clone());
        guest.secret = Some(asked.secret.clone());
        guest.generation = guest.invite_generation;
        guest.spent = guest.invite.take();
        guest.save(host, &name)?;
    } else {
        let is =
            |kept: &Option<String>, asked: &str| kept.as_deref().is_some_and(|k| same(k, asked));
        if !is(&guest.access, &asked.access) || !is(&guest.secret, &asked.secret) {
            return Err(NotRedeemed::Token);
        }
    }
    Ok(Redeemed {
        host: host.id.to_string(),
        guest: name.to_string(),
        generation: guest.generation,
        quota: guest.quota,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::host::folder::InitOptions;
    use crate::host::house::tests::world;

    fn asked(invited: &Invited, access: &str, secret: char) -> Redeem {
        Redeem {
            token: invited.line.token.to_string(),
            access: access.into(),
            secret: secret.to_string().repeat(64),
        }
    }

    #[test]
    fn an_invite_is_taken_up_once_and_answered_the_same_again() {
        let dir = tempfile::tempdir().unwrap();
        let host = HostFolder::init(
            &world(dir.path()),
            &dir.path().join("h"),
            &InitOptions::default(),
        )
        .unwrap();
        let lena: GuestName = "lena".parse().unwrap();
        let options = InviteOptions::default();
        let first = invite(&host, &lena, &options).unwrap();
        assert_eq!(first.line.generation, 1);
        assert_eq!(
            invite(&host, &lena, &options).unwrap_err().kind,
            Kind::AlreadyThere
        );
        let file = host.guests().join("lena.toml");
        let text = std::fs::read_to_string(&file).unwrap();
        assert!(!text.contains(first.line.token.as_str()));
        assert!(!disk::is_open_to_others(&file));

        let wrong = Redeem {
            token: "0".repeat(32),
            ..asked(&first, "access01", 'a')
        };
        assert!(matches!(redeem(&host, &wrong), Err(NotRedeemed::Token)));
        let bad = asked(&first, "ACCESS01", 'a');
        assert!(matches!(redeem(&host, &bad), Err(NotRedeemed::Form)));
        let right = asked(&first, "access01", 'a');
        let answer = redeem(&host, &right).unwrap();
        assert_eq!((answer.guest.as_str(), answer.generation), ("lena", 1));
        assert_eq!(redeem(&host, &right).unwrap(), answer);
        // The token is spent: with another secret it lets nobody in.
        let thief = asked(&first, "access01", 'b');
        assert!(matches!(redeem(&host, &thief), Err(NotRedeemed::Token)));

        let again = InviteOptions {
            again: true,
            ..options.clone()
        };
        let second = invite(&host, &lena, &again).unwrap();
        assert_eq!(second.line.generation, 2);
        let third = invite(&host, &lena, &again).unwrap();
        assert_eq!(third.line.generation, 3);
        let late = asked(&second, "access01", 'c');
        assert!(matches!(redeem(&host, &late), Err(NotRedeemed::Token)));
        assert_eq!(
            redeem(&host, &asked(&third, "access01", 'c'))
                .unwrap()
                .generation,
            3
        );

        let omar = invite(&host, &"omar".parse().unwrap(), &options).unwrap();
        let taken = asked(&omar, "access01", 'd');
        assert!(matches!(redeem(&host, &taken), Err(NotRedeemed::Taken)));
        let unknown = invite(&host, &"nobody".parse().unwrap(), &again).unwrap_err();
        assert_eq!(unknown.kind, Kind::NotFound);
    }
}
