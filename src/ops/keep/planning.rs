//! What a keep has to read: which files belong to which device, without those that are kept already and look the same.

use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::reading::{Item, Job, file_path, sort_by_date};
use super::{KeepResult, Run, Status, When, Whose, source_folder};
use crate::error::{Error, Kind, Next, Result};
use crate::intake::examine::Lens;
use crate::intake::walk::{self, Found, Left};
use crate::model::ids::DeviceId;
use crate::model::take::Condition;
use crate::ops::devices::{self, nearest_device};
use crate::sys::disk::FileKind;
use crate::vault::catalogue::KnownFile;
use crate::vault::keeping::Into;
use crate::vault::pieces::Pieces;

impl Run<'_, '_> {
    pub(super) fn check_options(&self) -> Result<()> {
        let dashes = self
            .options
            .paths
            .iter()
            .filter(|p| p.as_os_str() == "-")
            .count();
        if dashes > 1 {
            return Err(Error::usage("standard input can be read only once"));
        }
        if matches!(self.options.whose, Whose::ByFolder { .. }) && dashes > 0 {
            return Err(Error::usage(
                "standard input has no sub-folders; name its device with --device",
            ));
        }
        if let Whose::Device(id) = &self.options.whose
            && self.vault.catalogue().device(id.as_str())?.is_none()
        {
            return Err(devices::no_device(self.vault, id.as_str())?);
        }
        Ok(())
    }

    /// Which files belong to which device. What cannot be used is told at once.
    pub(super) fn plan(&mut self) -> Result<Vec<Job>> {
        match self.options.whose.clone() {
            Whose::ByFolder { add_devices } => self.plan_by_folder(add_devices),
            Whose::Device(id) => {
                let items = self.plan_paths()?;
                Ok(vec![Job {
                    lens: self.lens(Some(&id))?,
                    device: Some(id),
                    items,
                    to_walk: Vec::new(),
                }])
            }
            Whose::Recognised => {
                let items = self.plan_paths()?;
                Ok(vec![Job {
                    lens: self.lens(None)?,
                    device: None,
                    items,
                    to_walk: Vec::new(),
                }])
            }
        }
    }

    /// With what the dumps of a device are read.
    pub(super) fn lens(&self, device: Option<&DeviceId>) -> Result<Arc<Lens>> {
        let record = match device {
            Some(id) => self.vault.catalogue().device(id.as_str())?,
            None => None,
        };
        let preferred = record.and_then(|d| d.record.layout);
        Ok(match preferred {
            None => self.lens.clone(),
            preferred => Arc::new(Lens {
                layouts: self.lens.layouts.clone(),
                preferred,
            }),
        })
    }

    fn plan_paths(&mut self) -> Result<Vec<Item>> {
        let mut items = Vec::new();
        for path in &self.options.paths {
            if path.as_os_str() == "-" {
                items.push(Item::Stdin);
                continue;
            }
            match walk::named(self.vault.world().disk.as_ref(), path) {
                Err(e) => self.failed(path.display().to_string(), None, e)?,
                Ok((real, FileKind::Folder, _)) if self.options.as_one => {
                    items.push(Item::Folder(real));
                }
                Ok((real, FileKind::Folder, _)) => {
                    let top = path.file_name().map(|n| n.to_string_lossy().into_owned());
                    items.extend(self.walk(&real, &top.unwrap_or_default())?);
                }
                Ok((_, _, found)) if self.options.as_one => {
                    let _ = found;
                    let e = Error::usage(format!(
                        "{} is a file; --as-one keeps folders",
                        path.display()
                    ))
                    .next(Next::say("leave --as-one out to keep the file by itself"));
                    self.failed(path.display().to_string(), None, e)?;
                }
                Ok((_, _, found)) => items.extend(found.map(Item::File)),
            }
        }
        sort_by_date(&mut items);
        Ok(items)
    }

    fn walk(&mut self, path: &Path, top: &str) -> Result<Vec<Item>> {
        let mut left = Left::default();
        let found = match walk::folder(self.vault.world().disk.as_ref(), path, top, &mut left) {
            Ok(found) => found,
            Err(e) => {
                self.failed(path.display().to_string(), None, e)?;
                return Ok(Vec::new());
            }
        };
        for (path, e) in left.failed {
            self.failed(path.display().to_string(), None, e)?;
        }
        Ok(found.into_iter().map(Item::File).collect())
    }

    fn plan_by_folder(&mut self, add_devices: bool) -> Result<Vec<Job>> {
        let disk = self.vault.world().disk.clone();
        let mut folders: Vec<(PathBuf, String)> = Vec::new();
        for path in &self.options.paths {
            let names = match disk.list(path) {
                Ok(names) => names,
                Err(e) => {
                    let e = Error::io(format!("cannot list {}", path.display()), e);
                    self.failed(path.display().to_string(), None, e)?;
                    continue;
                }
            };
            for name in names {
                let child = path.join(&name);
                let kind = disk.meta(&child).map(|m| m.kind);
                let shown = walk::name_text(&name, &mut Left::default());
                match kind {
                    Ok(FileKind::Folder) => folders.push((child, shown)),
                    Ok(_) if shown.starts_with("._") || shown == ".DS_Store" => {}
                    Err(e) => {
                        let e = Error::io(format!("cannot read {}", child.display()), e);
                        self.failed(child.display().to_string(), None, e)?;
                    }
                    _ => {
                        let e = Error::new(
                            Kind::BadInput,
                            format!(
                                "{} lies beside the device folders, so its device is not known",
                                child.display()
                            ),
                        )
                        .next(Next::say(
                            "move it into the folder of its device, or keep it with --device ID",
                        ));
                        self.failed(child.display().to_string(), None, e)?;
                    }
                }
            }
        }
        let mut named: HashMap<DeviceId, Vec<(PathBuf, String)>> = HashMap::new();
        let mut order = Vec::new();
        for (path, shown) in folders {
            let Some(id) = DeviceId::fold(&shown) else {
                let e = Error::new(
                    Kind::BadInput,
                    format!("no device id can be made from the folder name {shown}"),
                )
                .next(Next::say(
                    "rename the folder with letters or digits, or keep it with --device ID",
                ));
                self.failed(path.display().to_string(), None, e)?;
                continue;
            };
            if !named.contains_key(&id) {
                order.push(id.clone());
            }
            named.entry(id).or_default().push((path, shown));
        }
        let mut jobs = Vec::new();
        for id in order {
            let folders = named.remove(&id).unwrap_or_default();
            let names: HashSet<&str> = folders.iter().map(|(_, shown)| shown.as_str()).collect();
            if names.len() > 1 {
                let mut names: Vec<&str> = names.into_iter().collect();
                names.sort_unstable();
                let e = Error::new(
                    Kind::BadInput,
                    format!(
                        "the folders {} would both be the device {id}; neither was kept",
                        names.join(" and ")
                    ),
                )
                .next(Next::say(
                    "rename one of them, or keep each with --device ID",
                ));
                self.failed(folders[0].0.display().to_string(), Some(&id), e)?;
                continue;
            }
            if self.vault.catalogue().device(id.as_str())?.is_none() {
                if !add_devices {
                    let e = devices::no_device(self.vault, id.as_str())?;
                    let e = match nearest_device(self.vault, id.as_str())? {
                        Some(_) => e,
                        None => e.next(Next::say(
                            "add it with device add, or run keep again with --add-devices",
                        )),
                    };
                    self.failed(folders[0].0.display().to_string(), Some(&id), e)?;
                    continue;
                }
                self.new_devices.push(id.clone());
            }
            let (mut items, mut to_walk) = (Vec::new(), Vec::new());
            for (path, shown) in folders {
                if self.options.as_one {
                    items.push(Item::Folder(path));
                } else if self.new_devices.contains(&id) {
                    to_walk.push((path, shown));
                } else {
                    items.extend(self.walk(&path, &shown)?);
                }
            }
            sort_by_date(&mut items);
            jobs.push(Job {
                lens: self.lens(Some(&id))?,
                device: Some(id),
                items,
                to_walk,
            });
        }
        Ok(jobs)
    }

    pub(super) fn skip_all_unchanged(&mut self, jobs: Vec<Job>) -> Result<Vec<Job>> {
        let mut left = Vec::new();
        for job in jobs {
            let items = self.skip_unchanged(job.device.as_ref(), job.items)?;
            if !items.is_empty() || !job.to_walk.is_empty() {
                left.push(Job { items, ..job });
            }
        }
        Ok(left)
    }

    /// Files that were read before and look the same are not read again.
    fn skip_unchanged(&mut self, device: Option<&DeviceId>, items: Vec<Item>) -> Result<Vec<Item>> {
        let plain = self.options.into == Into::Auto && self.options.when == When::FileTime;
        let device_row = match device {
            Some(id) => self.vault.catalogue().device_id(id.as_str())?,
            None => None,
        };
        if self.options.reread || !plain || (device.is_some() && device_row.is_none()) {
            return Ok(items);
        }
        // Items come sorted by date; looked up by folder, in the order of names, one question serves a whole folder.
        let mut by_folder: Vec<usize> = (0..items.len()).collect();
        by_folder.sort_by(|a, b| file_path(&items[*a]).cmp(&file_path(&items[*b])));
        let mut skipped = vec![false; items.len()];
        let mut folder: Option<PathBuf> = None;
        let mut known: std::iter::Peekable<std::vec::IntoIter<KnownFile>> =
            Vec::new().into_iter().peekable();
        for index in by_folder {
            let Item::File(found) = &items[index] else {
                continue;
            };
            let Some(parent) = found.path.parent() else {
                continue;
            };
            if folder.as_deref() != Some(parent) {
                let text = source_folder(self.vault, parent);
                known = self
                    .vault
                    .catalogue()
                    .known_files(&text)?
                    .into_iter()
                    .peekable();
                folder = Some(parent.to_path_buf());
            }
            while known.next_if(|k| k.source.name < found.name).is_some() {}
            let Some(file) = known.next_if(|k| k.source.name == found.name) else {
                continue;
            };
            let same = file.source.size == found.size
                && i128::from(file.source.mtime_ns) == found.mtime_ns
                && file.source.inode == found.inode as i64
                && device_row.is_none_or(|d| file.source.take >> 32 == d);
            if same && self.is_still_good(&file)? {
                skipped[index] = true;
                self.tell_unchanged(found, file)?;
            }
        }
        let mut skipped = skipped.into_iter();
        Ok(items
            .into_iter()
            .filter(|_| !skipped.next().unwrap_or(false))
            .collect())
    }

    /// What is held of a skipped file is looked at as far as this run's assurance goes.
    fn is_still_good(&mut self, file: &KnownFile) -> Result<bool> {
        if file.damaged {
            return Ok(false);
        }
        if self.damage_known || self.skip_assurance > 0 {
            self.skip_assurance = self.skip_assurance.saturating_sub(file.bytes + 4096);
            return Ok(Pieces::new(self.vault).check(&file.hash).is_ok());
        }
        Ok(true)
    }

    fn tell_unchanged(&mut self, found: &Found, file: KnownFile) -> Result<()> {
        self.tell(&KeepResult {
            source: found.path.display().to_string(),
            device: Some(file.device),
            section: (!file.loose).then_some(file.section),
            take: Some((file.source.take & 0xffff_ffff) as u32),
            status: Status::Unchanged,
            loose: file.loose,
            condition: if file.doubtful {
                Condition::Doubtful
            } else {
                Condition::Whole
            },
            evidence: file.evidence,
            bytes: file.bytes,
            blake3: Some(file.hash),
            messages: file.messages,
            findings: Vec::new(),
            error: None,
        })
    }
}
