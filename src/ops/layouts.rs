//! Layouts: the published ones and the person's own.

use std::collections::BTreeSet;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use crate::error::{Error, Kind, Next, Result};
use crate::layout::draft::{self, Draft};
use crate::layout::{Layout, Layouts, Reader, Reading, explain};
use crate::model::hash::Hash;
use crate::ops::devices::nearest;
use crate::ops::opened::messages_of;
use crate::sys::World;
use crate::sys::disk::FileReader;
use crate::vault::Vault;
use crate::vault::catalogue::Form;
use crate::vault::ledger::{self, Event};
use crate::vault::pieces::Pieces;

/// All layouts that dumps of this vault are read with: the published ones, and the person's own, which come first. One of
/// a later version, or one whose text is damaged, is left out; [`list`] tells of it.
///
/// # Errors
/// As the catalogue's.
pub fn known(vault: &Vault) -> Result<Layouts> {
    let mut layouts = Layouts::builtin();
    for (name, text) in vault.catalogue().layouts()? {
        if let Ok(layout) = own(vault, &name, &text) {
            layouts.add(Arc::new(layout));
        }
    }
    Ok(layouts)
}

/// A layout in the list.
#[derive(Debug, Clone)]
pub struct Listed {
    /// Its name.
    pub name: String,
    /// What it is for, or why it cannot be used.
    pub title: String,
    /// True if it is the person's own.
    pub own: bool,
    /// True if it can be used.
    pub usable: bool,
    /// The devices that it is recorded for.
    pub devices: Vec<String>,
}

/// All layouts, the person's own first.
///
/// # Errors
/// As the catalogue's.
pub fn list(vault: &Vault) -> Result<Vec<Listed>> {
    let devices = vault.catalogue().devices()?;
    let used_by = |name: &str| -> Vec<String> {
        devices
            .iter()
            .filter(|d| d.record.layout.as_deref() == Some(name))
            .map(|d| d.name.clone())
            .collect()
    };
    let mut listed = Vec::new();
    for (name, text) in vault.catalogue().layouts()? {
        let (title, usable) = match own(vault, &name, &text) {
            Ok(layout) => (layout.title.clone(), true),
            Err(e) => (e.fact(), false),
        };
        listed.push(Listed {
            devices: used_by(&name),
            name,
            title,
            own: true,
            usable,
        });
    }
    for layout in Layouts::builtin().iter() {
        if !listed.iter().any(|l| l.name == layout.name) {
            listed.push(Listed {
                name: layout.name.clone(),
                title: layout.title.clone(),
                own: false,
                usable: true,
                devices: used_by(&layout.name),
            });
        }
    }
    Ok(listed)
}

/// One layout: its own text, and what it says in sentences.
#[derive(Debug, Clone)]
pub struct Shown {
    /// The layout.
    pub layout: Arc<Layout>,
    /// True if it is the person's own.
    pub own: bool,
    /// What it says, a line each.
    pub words: Vec<String>,
}

/// The layout of that name.
///
/// # Errors
/// `NotFound`, naming the nearest.
pub fn show(vault: &Vault, name: &str) -> Result<Shown> {
    let known = known(vault)?;
    let Some(layout) = known.get(name) else {
        let e = Error::new(Kind::NotFound, format!("there is no layout {name}"));
        return Err(match nearest(name, known.iter().map(|l| l.name.clone())) {
            Some(near) => e.next(Next::say(format!("did you mean {near}?"))),
            None => e.next(Next::run("see the layouts there are", "layout list")),
        });
    };
    Ok(Shown {
        own: known.is_own(name),
        words: explain(layout),
        layout: layout.clone(),
    })
}

/// How a layout fares on a dump.
#[derive(Debug, Clone)]
pub struct Tried {
    /// The file.
    pub path: PathBuf,
    /// Whole SysEx messages in it.
    pub messages: u64,
    /// What the layout reads in it; `None` if it does not fit.
    pub reading: Option<Reading>,
}

/// The layout in a file, tried on dumps.
///
/// # Errors
/// `Io`; `BadInput` naming the line of every mistake.
pub fn check(world: &World, file: &Path, dumps: &[PathBuf]) -> Result<(Shown, Vec<Tried>)> {
    let layout = Arc::new(parsed(file, &read_text(world, file)?)?);
    let mut layouts = Layouts::none();
    layouts.add(layout.clone());
    let mut tried = Vec::new();
    for path in dumps {
        let messages = messages_of(&read_bytes(world, path)?);
        let mut reader = Reader::new(&layouts, Some(&layout.name));
        for message in &messages {
            reader.push(message);
        }
        tried.push(Tried {
            path: path.clone(),
            messages: messages.len() as u64,
            reading: reader.finish(),
        });
    }
    let shown = Shown {
        own: true,
        words: explain(&layout),
        layout,
    };
    Ok((shown, tried))
}

/// Keeps a layout of the person's own in the vault. Takes whose dumps may be of its kind are read anew.
///
/// # Errors
/// `Io`; `BadInput` naming the line of every mistake; as the writer's.
pub fn add(vault: &Vault, file: &Path, wait: Duration) -> Result<Arc<Layout>> {
    let text = read_text(vault.world(), file)?;
    let layout = Arc::new(parsed(file, &text)?);
    let hash = Hash::of(text.as_bytes());
    let mut writer = vault.writer(wait)?;
    writer.put_piece(Form::Layout, hash, text.as_bytes())?;
    let mut begins = begins(&layout);
    match show(vault, &layout.name) {
        Ok(before) => begins.extend(self::begins(&before.layout)),
        // One that cannot be read any more may have fitted anything.
        Err(_) => begins.extend(
            vault
                .catalogue()
                .layouts()?
                .into_iter()
                .filter(|(name, _)| *name == layout.name)
                .map(|_| String::new()),
        ),
    }
    writer.record(&Event::Layout(ledger::Layout {
        layout: layout.name.clone(),
        blake3: Some(hash.to_string()),
        begins: begins.into_iter().collect(),
    }))?;
    writer.commit()?;
    Ok(layout)
}

/// Gives up a layout of the person's own. Its text stays in the vault; takes that it read are read anew.
///
/// # Errors
/// `NotFound` if it is none of the person's own; as the writer's.
pub fn drop(vault: &Vault, name: &str, wait: Duration) -> Result<()> {
    let mut writer = vault.writer(wait)?;
    let own = vault.catalogue().layouts()?;
    if !own.iter().any(|(n, _)| n == name) {
        return Err(Error::new(
            Kind::NotFound,
            format!("there is no layout {name} of your own; nothing was changed"),
        )
        .next(Next::run("see the layouts there are", "layout list")));
    }
    // One that cannot be read any more may have fitted anything.
    let begins = match show(vault, name) {
        Ok(shown) if shown.own => begins(&shown.layout),
        _ => BTreeSet::from([String::new()]),
    };
    writer.record(&Event::Layout(ledger::Layout {
        layout: name.to_string(),
        blake3: None,
        begins: begins.into_iter().collect(),
    }))?;
    writer.commit()
}

/// Proposes a layout from dumps of an unknown device.
///
/// # Errors
/// `Io`; `BadInput` if none of them holds a SysEx message.
pub fn draft(world: &World, dumps: &[PathBuf]) -> Result<Draft> {
    let mut all = Vec::new();
    for path in dumps {
        all.push(messages_of(&read_bytes(world, path)?));
    }
    if all.iter().all(Vec::is_empty) {
        return Err(Error::new(
            Kind::BadInput,
            "there is no whole SysEx message in what was named",
        )
        .next(Next::say(
            "name files with dumps, best two or more of one instrument",
        )));
    }
    Ok(draft::draft(&all))
}

/// How the header keys of dumps may begin that the layout fits.
fn begins(layout: &Layout) -> BTreeSet<String> {
    layout
        .messages
        .iter()
        .map(|kind| {
            // As far as the ID goes; a header without one may fit anything.
            let fixed: Vec<&str> = kind.header.as_str().split_whitespace().skip(1).collect();
            let n_id = if fixed.first() == Some(&"00") { 3 } else { 1 };
            let id = fixed.get(..n_id).unwrap_or_default();
            let is_hex = |t: &&str| u8::from_str_radix(t, 16).is_ok();
            if id.iter().all(is_hex) {
                id.join(" ").to_uppercase()
            } else {
                String::new()
            }
        })
        .collect()
}

fn own(vault: &Vault, name: &str, text: &Hash) -> Result<Layout> {
    let mut bytes = Vec::new();
    Pieces::new(vault).copy(text, &mut bytes)?;
    let text = String::from_utf8_lossy(&bytes);
    parsed(Path::new(name), &text)
}

fn parsed(file: &Path, text: &str) -> Result<Layout> {
    Layout::parse(text).map_err(|bad| {
        let (kind, next) = if bad.is_newer {
            (Kind::NewerFormat, "read it with a newer farshelf")
        } else {
            (
                Kind::BadInput,
                "put it right and run the same command again",
            )
        };
        let told: Vec<String> = bad.mistakes.iter().map(|m| m.to_string()).collect();
        Error::new(
            kind,
            format!("{} is no layout: {}", file.display(), told.join("; ")),
        )
        .next(Next::say(next))
    })
}

fn read_text(world: &World, file: &Path) -> Result<String> {
    String::from_utf8(read_bytes(world, file)?).map_err(|_| {
        Error::new(Kind::BadInput, format!("{} is no text", file.display()))
            .next(Next::say("name a file in TOML that describes a layout"))
    })
}

/// No layout and no dump to try one on is longer.
const LONGEST: u64 = 64 << 20;

fn read_bytes(world: &World, file: &Path) -> Result<Vec<u8>> {
    let fail = |e| Error::io(format!("cannot read {}", file.display()), e);
    let opened = world.disk.open(file).map_err(fail)?;
    let size = opened.meta().map_err(fail)?.size;
    if size > LONGEST {
        return Err(Error::new(
            Kind::BadInput,
            format!("{} is too long for this", file.display()),
        )
        .next(Next::say("name a file with one dump")));
    }
    let mut bytes = Vec::new();
    FileReader::new(opened.as_ref())
        .take(LONGEST)
        .read_to_end(&mut bytes)
        .map_err(fail)?;
    Ok(bytes)
}
