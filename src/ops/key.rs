//! The key: read, locked, wrapped for others, printed on a sheet, confirmed to lie elsewhere.

use std::path::Path;
use std::time::Duration;

use zeroize::Zeroizing;

use crate::error::{Error, Kind, Next, Result};
use crate::model::place::Place;
use crate::shelf::cipher::{
    DEFAULT_WORK_FACTOR, Further, Identity, Recipient, SecretString, wrap_identity,
};
use crate::shelf::copying::Copying;
use crate::shelf::keyfile::{self, KeyFile, KeyFileError};
use crate::shelf::name::KeysName;
use crate::shelf::registry::{BUCKET, HOST, Reach, Registry, SHARE};
use crate::shelf::sheet::{Sheet, SheetShelf};
use crate::sys::clock::{day, rfc3339};
use crate::sys::disk::{self, Disk, Privacy, Replace};
use crate::vault::Vault;
use crate::vault::ledger::{self, Event};

/// The key file's name inside a vault.
pub const FILE: &str = "key.txt";

/// Asks a person, a file or a test for the passphrase of a locked key.
pub type AskPassphrase<'a> = &'a mut dyn FnMut() -> Result<SecretString>;

/// Reads the key file of the vault in `dir`.
///
/// # Errors
/// `NotFound`, `Io`, or `WrongKey` if it is no key file.
pub fn read(disk: &dyn Disk, dir: &Path) -> Result<KeyFile> {
    read_file(disk, &dir.join(FILE))
}

/// Reads any key file.
///
/// # Errors
/// `NotFound`, `Io`, or `WrongKey` if it is no key file.
pub fn read_file(disk: &dyn Disk, path: &Path) -> Result<KeyFile> {
    let bytes = Zeroizing::new(
        disk::read_all(disk, path, 1 << 16)
            .map_err(|e| Error::io(format!("cannot read the key {}", path.display()), e))?,
    );
    KeyFile::parse(&bytes).map_err(|e| {
        Error::new(
            Kind::WrongKey,
            format!("{} cannot be used as a key: {e}", path.display()),
        )
        .next(Next::say(
            "use the key file that create made, or type the key from its sheet",
        ))
    })
}

/// The vault's identity; asks for the passphrase if the key is locked.
///
/// # Errors
/// `WrongKey` for a wrong passphrase; as [`read`].
pub fn identity(vault: &Vault, ask: AskPassphrase<'_>) -> Result<Identity> {
    open(read(vault.world().disk.as_ref(), vault.dir())?, ask)
}

/// Opens a key file; asks for the passphrase if it is locked.
///
/// # Errors
/// `WrongKey` for a wrong passphrase.
pub fn open(key: KeyFile, ask: AskPassphrase<'_>) -> Result<Identity> {
    match key {
        KeyFile::Open(identity) => Ok(identity),
        KeyFile::Locked(locked) => locked.unlock(&ask()?).map_err(|e| {
            let kind = match e {
                KeyFileError::Unlock(_) => Kind::WrongKey,
                _ => Kind::BadInput,
            };
            Error::new(kind, format!("the key stays locked: {e}"))
                .next(Next::say("try the passphrase again; nothing was changed"))
        }),
    }
}

/// A printed sheet as text and as one HTML file. Both hold the key itself.
#[derive(Debug)]
pub struct PrintedSheet {
    /// For the terminal or a plain printer.
    pub text: Zeroizing<String>,
    /// For a browser's print dialogue.
    pub html: Zeroizing<String>,
}

/// The key sheet of the vault as it is now. What copying needs is put right on the way if it was lost.
///
/// # Errors
/// `WrongKey`; as [`read`].
pub fn sheet(vault: &Vault, ask: AskPassphrase<'_>) -> Result<PrintedSheet> {
    let identity = identity(vault, ask)?;
    let disk = vault.world().disk.as_ref();
    if Copying::read(disk, vault.dir()).is_err() {
        Copying::of(&identity).write(disk, vault.dir())?;
    }
    let zone = &vault.world().zone;
    let closed = vault
        .catalogue()
        .reels()?
        .into_iter()
        .rev()
        .find(|r| r.blake3.is_some());
    let registry = Registry::read(vault.world().disk.as_ref(), vault.dir())?;
    let sheet = Sheet {
        vault_id: vault.id().to_string(),
        place: vault.settings().place.clone(),
        made_on: day(vault.world().now(), zone),
        identity: &identity,
        shelves: vault
            .catalogue()
            .shelves()?
            .into_iter()
            .map(|s| SheetShelf {
                how_to_reach: how_to_reach(&s.record.location, registry.get(&s.name)),
                name: s.name,
                place: s.record.place,
            })
            .collect(),
        last_reel: closed.map(|r| (r.number, day(r.opened_at, zone))),
    };
    Ok(PrintedSheet {
        text: sheet.text(),
        html: sheet.html(),
    })
}

/// Records that a key sheet lies at `place`.
///
/// # Errors
/// As the writer's.
pub fn confirm(vault: &Vault, place: &Place, wait: Duration) -> Result<()> {
    let mut writer = vault.writer(wait)?;
    writer.record(&Event::KeySheet(ledger::KeySheet {
        place: place.as_str().to_string(),
    }))?;
    writer.commit()
}

/// For whom the vault's key is wrapped.
#[derive(Debug)]
pub enum NewHolder {
    /// The holder of another age key.
    Recipient(Recipient),
    /// Whoever knows this passphrase.
    Passphrase(SecretString),
}

/// Wraps the identity for a further key or passphrase; the file goes to every shelf with the next mirror. Returns its
/// name.
///
/// # Errors
/// `WrongKey`; `Usage` for an empty passphrase; `Io`.
pub fn add(
    vault: &Vault,
    holder: &NewHolder,
    ask: AskPassphrase<'_>,
    wait: Duration,
) -> Result<String> {
    let identity = identity(vault, ask)?;
    let further = match holder {
        NewHolder::Recipient(recipient) => Further::Recipient(recipient),
        NewHolder::Passphrase(passphrase) => Further::Passphrase {
            passphrase,
            work_factor: DEFAULT_WORK_FACTOR,
        },
    };
    let wrapped = wrap_identity(&identity, &further)
        .map_err(|e| Error::usage(format!("the key was not wrapped: {e}")))?;
    let _lock = vault.lock(wait)?;
    let disk = vault.world().disk.as_ref();
    let folder = vault.dir().join("keys");
    disk.create_folders(&folder, Privacy::Owner)
        .map_err(|e| Error::io(format!("cannot create {}", folder.display()), e))?;
    let names = disk
        .list(&folder)
        .map_err(|e| Error::io(format!("cannot list {}", folder.display()), e))?;
    let last = names
        .iter()
        .filter_map(|n| n.to_str()?.parse::<KeysName>().ok())
        .map(|n| n.number)
        .max()
        .unwrap_or(0);
    let name = KeysName::of(last + 1, &wrapped).to_string();
    disk::publish(
        disk,
        &folder.join(&name),
        &wrapped,
        Privacy::Owner,
        Replace::No,
    )?;
    Ok(name)
}

/// Locks key.txt with a passphrase, or with `None` unlocks it for good. Copies and sheets are not touched.
///
/// # Errors
/// `WrongKey`; `Usage` for an empty passphrase; `Io`: the old file is then as it was.
pub fn set_passphrase(
    vault: &Vault,
    new: Option<&SecretString>,
    ask: AskPassphrase<'_>,
    wait: Duration,
) -> Result<()> {
    let identity = identity(vault, ask)?;
    let created = rfc3339(vault.world().now());
    let text = match new {
        Some(passphrase) => Zeroizing::new(
            keyfile::to_locked_text(&identity, &created, passphrase, DEFAULT_WORK_FACTOR)
                .map_err(|e| Error::usage(format!("the key was not locked: {e}")))?,
        ),
        None => keyfile::to_text(&identity, &created),
    };
    let _lock = vault.lock(wait)?;
    let disk = vault.world().disk.as_ref();
    disk::publish(
        disk,
        &vault.dir().join(FILE),
        text.as_bytes(),
        Privacy::Owner,
        Replace::Yes,
    )
}

/// The public half of the vault's key, as text.
///
/// # Errors
/// `NotFound` or `BadInput` naming the file that holds it.
pub fn recipient(vault: &Vault) -> Result<String> {
    let copying = Copying::read(vault.world().disk.as_ref(), vault.dir())?;
    Ok(copying.recipient.to_string())
}

/// What gets one in again without this computer. A password is on no sheet: whoever finds one would have it.
fn how_to_reach(location: &str, reach: Option<&Reach>) -> String {
    let Some(reach) = reach else {
        return location.to_string();
    };
    let location = &reach.location;
    match reach.kind.as_str() {
        HOST => format!(
            "{location}\nno password: this key alone opens it (farshelf rescue LOCATION --key -)"
        ),
        BUCKET | SHARE => match &reach.user {
            Some(user) => {
                format!("{location}\nas {user}; the password or secret key is not on this sheet")
            }
            None => location.clone(),
        },
        _ => location.clone(),
    }
}
