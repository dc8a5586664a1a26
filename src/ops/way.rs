//! From what a person typed to the way to a shelf: a folder, `bucket+https://…`, `share+https://…`, `host+https://…`.

use std::path::{Path, PathBuf};

use crate::error::{Error, Kind, Next, Result};
use crate::shelf::location::{BadLocation, Location};
use crate::shelf::net::Rate;
use crate::shelf::registry::{BUCKET, FOLDER, HOST, Reach, SHARE};
use crate::shelf::secret::SecretSource;
use crate::sys::World;

/// How a place is reached, as far as the person said.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct WayOptions {
    /// The user of a share, or the id of a bucket's access key.
    pub user: Option<String>,
    /// Their password or secret key.
    pub secret: SecretSource,
    /// The region that requests to a bucket are signed for.
    pub region: Option<String>,
    /// A file of certificates, in PEM, that are trusted beside the system's.
    pub ca_file: Option<PathBuf>,
    /// A share may have its password in clear.
    pub in_clear: bool,
    /// Bytes a second in each direction.
    pub limit: Option<Rate>,
    /// Objects sent side by side, 2 to 8.
    pub side_by_side: Option<usize>,
}

/// The way to `text`. What was not said is as in `base`, the way there that is known already.
///
/// # Errors
/// `BadInput` for a text that is no location; `Usage` for options that do not belong to its kind, or are missing.
pub fn way(world: &World, text: &str, options: &WayOptions, base: Option<&Reach>) -> Result<Reach> {
    let location: Location = text.parse().map_err(|e: BadLocation| {
        // Whoever typed a password here must not find it in a log.
        Error::new(Kind::BadInput, "this cannot be a shelf's location").because(e).next(
            Next::say("write bucket+https://SERVER/BUCKET, share+https://SERVER/PATH, host+https://SERVER:PORT or a folder"),
        )
    })?;
    let (kind, location) = match &location {
        Location::Folder(path) => (FOLDER, absolute(world, Path::new(path))?),
        Location::Bucket(_) => (BUCKET, location.to_string()),
        Location::Share(_) => (SHARE, location.to_string()),
        Location::Host(_) => (HOST, location.to_string()),
    };
    let known = base.filter(|b| b.kind == kind && b.location == location);
    let mut reach = Reach {
        kind: kind.to_string(),
        location,
        ..known.cloned().unwrap_or_default()
    };
    fill(world, &mut reach, options)?;
    let lacks = |what: &str, flag: &str| {
        Error::usage(format!("{} needs {what}", reach.location))
            .next(Next::say(format!("add {flag}")))
    };
    match kind {
        BUCKET if reach.user.is_none() => Err(lacks(
            "the id of an access key",
            "--user and --secret-file FILE",
        )),
        BUCKET if reach.secret.is_none() => Err(lacks("the access key's secret", SECRETS)),
        SHARE if reach.user.is_some() && reach.secret.is_none() => {
            Err(lacks("the user's password", SECRETS))
        }
        _ => Ok(reach),
    }
}

const SECRETS: &str = "--secret-file FILE, --secret-env NAME or --secret-command COMMAND";

/// Enters into `reach` what the person said.
///
/// # Errors
/// `Usage` for options that do not belong to its kind; `Io` of finding the file of certificates.
pub fn fill(world: &World, reach: &mut Reach, options: &WayOptions) -> Result<()> {
    let credential = options.user.is_some() || !options.secret.is_none();
    let misplaced = match reach.kind.as_str() {
        FOLDER => *options != WayOptions::default(),
        HOST => {
            credential || options.region.is_some() || options.ca_file.is_some() || options.in_clear
        }
        BUCKET => options.in_clear,
        SHARE => options.region.is_some(),
        _ => false,
    };
    if misplaced {
        return Err(Error::usage(format!(
            "{} does not go with one of these options: a folder has none, a host gets in by your key, a share has no region",
            reach.location
        )));
    }
    let absolute_text = |path: &Path| absolute(world, path);
    if options.user.is_some() {
        reach.user = options.user.clone();
    }
    if !options.secret.is_none() {
        reach.secret = options.secret.clone();
        if let Some(file) = &options.secret.secret_file {
            reach.secret.secret_file = Some(absolute_text(Path::new(file))?);
        }
    }
    if options.region.is_some() {
        reach.region = options.region.clone();
    }
    if let Some(file) = &options.ca_file {
        reach.ca_file = Some(absolute_text(file)?);
    }
    if options.in_clear {
        reach.in_clear = Some(true);
    }
    if let Some(limit) = options.limit {
        reach.limit = Some(limit.to_string());
    }
    if options.side_by_side.is_some() {
        reach.side_by_side = options.side_by_side;
    }
    Ok(())
}

/// `path` made absolute, with links of the part that exists resolved.
///
/// # Errors
/// `BadInput` if it is not text; `Io`.
pub fn absolute(world: &World, path: &Path) -> Result<String> {
    let disk = world.disk.as_ref();
    let full = std::path::absolute(path)
        .map_err(|e| Error::io(format!("cannot find {}", path.display()), e))?;
    let mut missing = Vec::new();
    let mut existing = full.as_path();
    loop {
        match disk.canonical(existing) {
            Ok(mut found) => {
                found.extend(missing.iter().rev());
                return found.to_str().map(str::to_string).ok_or_else(|| {
                    Error::new(
                        Kind::BadInput,
                        format!("the path {} is not text", found.display()),
                    )
                });
            }
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
                let (Some(name), Some(parent)) = (existing.file_name(), existing.parent()) else {
                    return Err(Error::io(format!("cannot find {}", path.display()), e));
                };
                missing.push(name.to_os_string());
                existing = parent;
            }
            Err(e) => return Err(Error::io(format!("cannot find {}", path.display()), e)),
        }
    }
}
