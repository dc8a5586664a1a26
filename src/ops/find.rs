//! `find`: patch names, labels, file names and devices over everything ever kept.

use crate::error::{Error, Result};
use crate::vault::Vault;

/// At most so many hits of each kind are given; more would help nobody.
pub const MOST_HITS: usize = 1_000;

/// What a search found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hit {
    /// The device.
    pub device: String,
    /// The take, unless the device itself was found; for a patch the newest of its section that has it.
    pub take: Option<u32>,
    /// Where the text stands.
    pub kind: HitKind,
    /// The text that was found. Untrusted text.
    pub name: String,
}

/// Where a text was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HitKind {
    /// In the name of a patch.
    Patch {
        /// The patch's number in that take, from 1.
        number: u32,
        /// In how many takes of the section a patch has that name.
        takes: u64,
    },
    /// In a label.
    Label,
    /// In the name of a file that a take came from, or of its folder.
    File,
    /// In what is recorded of a device.
    Device,
}

impl HitKind {
    /// The word for it in JSON and for people; never changes.
    pub fn as_str(self) -> &'static str {
        match self {
            HitKind::Patch { .. } => "patch",
            HitKind::Label => "label",
            HitKind::File => "file",
            HitKind::Device => "device",
        }
    }
}

/// Searches devices, patch names, labels and file names for `text`, in capitals or not. At most [`MOST_HITS`] of each kind.
///
/// # Errors
/// `Usage` for an empty text.
pub fn find(vault: &Vault, text: &str) -> Result<Vec<Hit>> {
    if text.trim().is_empty() {
        return Err(Error::usage("say what to look for"));
    }
    let catalogue = vault.catalogue();
    let mut hits = devices(vault, text)?;
    let mut add = |take: i64, kind, name| -> Result<()> {
        hits.push(Hit {
            device: catalogue.device_name(take >> 32)?,
            take: Some((take & 0xffff_ffff) as u32),
            kind,
            name,
        });
        Ok(())
    };
    for patch in catalogue.patches_like(text, MOST_HITS)? {
        let kind = HitKind::Patch {
            number: patch.number,
            takes: patch.takes,
        };
        add(patch.take, kind, patch.name)?;
    }
    for (label, take) in catalogue.labels_like(text)?.into_iter().take(MOST_HITS) {
        add(take, HitKind::Label, label)?;
    }
    for file in catalogue.files_like(text, MOST_HITS)? {
        add(file.take, HitKind::File, file.path)?;
    }
    Ok(hits)
}

fn devices(vault: &Vault, text: &str) -> Result<Vec<Hit>> {
    let low = text.to_lowercase();
    let mut hits = Vec::new();
    for device in vault.catalogue().devices()? {
        let r = &device.record;
        let fields = [
            Some(&device.name),
            r.name.as_ref(),
            r.maker.as_ref(),
            r.model.as_ref(),
            r.serial.as_ref(),
        ];
        let found = fields
            .into_iter()
            .flatten()
            .find(|f| f.to_lowercase().contains(&low));
        hits.extend(found.map(|field| Hit {
            device: device.name.clone(),
            take: None,
            kind: HitKind::Device,
            name: field.clone(),
        }));
    }
    Ok(hits)
}
