//! A shelf that is a folder: a second disk, a stick, a mounted share.

use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::by_hand::readme_text;
use super::{Object, Part, README, SHELF_JSON, Shelf, ShelfJson, Upload};
use crate::error::{Error, Kind, Next, Result};
use crate::sys::disk::{self, DRAFT_PREFIX, Disk, DiskFile, Draft, FileKind, Privacy, Replace};

/// A folder that holds copies.
#[derive(Debug)]
pub struct Folder {
    disk: Arc<dyn Disk>,
    location: PathBuf,
}

impl Folder {
    /// The shelf in the folder `location`; whether it is there is not looked at.
    pub fn new(disk: Arc<dyn Disk>, location: PathBuf) -> Folder {
        Folder { disk, location }
    }

    fn target(&self, path: &str) -> PathBuf {
        path.split('/')
            .fold(self.location.clone(), |p, n| p.join(n))
    }

    fn must_have_shelf_json(&self) -> Result<()> {
        let path = self.location.join(SHELF_JSON);
        match self.disk.meta(&path) {
            Ok(meta) if meta.kind == FileKind::File => return Ok(()),
            Err(e)
                if !matches!(
                    e.kind(),
                    io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
                ) =>
            {
                return Err(Error::io(format!("cannot look at {}", path.display()), e));
            }
            _ => {}
        }
        Err(Error::new(
            Kind::Unreachable,
            format!(
                "{} holds no {SHELF_JSON}; nothing was written there",
                self.location.display()
            ),
        )
        .next(Next::say(
            "plug in or mount that disk, then run the same command again",
        )))
    }

    fn open(&self, path: &str) -> io::Result<Box<dyn DiskFile>> {
        let path = self.target(path);
        // A link could lead anywhere, a pipe would wait for ever.
        if self.disk.meta(&path)?.kind != FileKind::File {
            return Err(io::Error::new(
                io::ErrorKind::InvalidInput,
                "it is no regular file",
            ));
        }
        let file = self.disk.open(&path)?;
        file.drop_cached();
        Ok(file)
    }
}

impl Shelf for Folder {
    fn location(&self) -> String {
        self.location.display().to_string()
    }

    fn is_near(&self) -> bool {
        true
    }

    fn side_by_side(&self) -> usize {
        2
    }

    fn list(&self, part: Part) -> Result<Vec<Object>> {
        let folder = self.location.join(part.as_str());
        let names = match self.disk.list(&folder) {
            Ok(names) => names,
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            Err(e) => return Err(Error::io(format!("cannot list {}", folder.display()), e)),
        };
        let mut objects = Vec::new();
        for name in names {
            let Some(name) = name.to_str().filter(|n| !is_noise(n)) else {
                continue;
            };
            match self.disk.meta(&folder.join(name)) {
                Ok(meta) if meta.kind == FileKind::File => objects.push(Object {
                    name: name.to_string(),
                    bytes: meta.size,
                }),
                // Whoever reads it is told why that fails.
                Err(e) if e.kind() != io::ErrorKind::NotFound => objects.push(Object {
                    name: name.to_string(),
                    bytes: 0,
                }),
                _ => {}
            }
        }
        Ok(objects)
    }

    fn read(&self, path: &str) -> io::Result<Box<dyn Read + Send + '_>> {
        Ok(Box::new(OpenObject {
            file: self.open(path)?,
            offset: 0,
        }))
    }

    fn read_small(&self, path: &str, limit: u64) -> io::Result<Option<Vec<u8>>> {
        match self.open(path) {
            Ok(file) => disk::read_open(file.as_ref(), limit).map(Some),
            Err(e)
                if matches!(
                    e.kind(),
                    io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
                ) =>
            {
                Ok(None)
            }
            Err(e) => Err(e),
        }
    }

    fn begin(&self) -> Result<Box<dyn Upload + '_>> {
        self.must_have_shelf_json()?;
        for part in [Part::Reels, Part::Keys] {
            make_folder(self.disk.as_ref(), &self.location.join(part.as_str()))?;
        }
        let beside = self.target(&Part::Reels.path("copy"));
        let draft = Draft::beside(self.disk.as_ref(), &beside, Privacy::Shared)
            .map_err(|e| Error::io(format!("cannot write to {}", self.location.display()), e))?;
        Ok(Box::new(FolderUpload {
            shelf: self,
            draft: Some(draft),
        }))
    }

    fn restore_shelf_json(&self, text: &[u8]) -> Result<()> {
        publish(self.disk.as_ref(), &self.location.join(SHELF_JSON), text)
    }

    fn foreign_names(&self) -> Result<Vec<String>> {
        let disk = self.disk.as_ref();
        let list = |path: &Path| match disk.list(path) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(Vec::new()),
            other => other.map_err(|e| Error::io(format!("cannot list {}", path.display()), e)),
        };
        let mut foreign = Vec::new();
        for name in list(&self.location)? {
            let name = name.to_string_lossy().into_owned();
            let path = self.location.join(&name);
            let expected = match name.as_str() {
                README => disk::read_all(disk, &path, 1 << 20)
                    .is_ok_and(|text| text == readme_text().as_bytes()),
                // Left by an interrupted `shelf add`.
                "reels" | "keys" => list(&path)?.iter().all(|n| is_noise(&n.to_string_lossy())),
                _ => is_noise(&name),
            };
            if !expected {
                foreign.push(name);
            }
        }
        foreign.sort();
        Ok(foreign)
    }

    fn lay_out(&self, about: &ShelfJson) -> Result<()> {
        let (disk, location) = (self.disk.as_ref(), &self.location);
        disk::create_durable_folders(disk, location, Privacy::Shared)
            .map_err(|e| Error::io(format!("cannot create {}", location.display()), e))?;
        for part in [Part::Reels, Part::Keys] {
            make_folder(disk, &location.join(part.as_str()))?;
        }
        publish(disk, &location.join(README), readme_text().as_bytes())?;
        publish(disk, &location.join(SHELF_JSON), about.text().as_bytes())
    }

    fn file_system(&self) -> Option<u64> {
        self.disk.meta(&self.location).ok().map(|m| m.device)
    }
}

struct FolderUpload<'s> {
    shelf: &'s Folder,
    draft: Option<Draft<'s>>,
}

impl Write for FolderUpload<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &mut self.draft {
            Some(draft) => draft.write(bytes),
            None => Err(io::Error::other("it was published before")),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match &mut self.draft {
            Some(draft) => draft.flush(),
            None => Ok(()),
        }
    }
}

impl Upload for FolderUpload<'_> {
    fn publish(mut self: Box<Self>, path: &str, replace: Replace) -> Result<()> {
        self.shelf.must_have_shelf_json()?;
        let target = self.shelf.target(path);
        match self.draft.take() {
            Some(draft) => draft
                .publish(&target, replace)
                .map_err(|e| Error::io(format!("cannot write {}", target.display()), e)),
            None => Ok(()),
        }
    }
}

struct OpenObject {
    file: Box<dyn DiskFile>,
    offset: u64,
}

impl Read for OpenObject {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        let n = self.file.read_at(buf, self.offset)?;
        self.offset += n as u64;
        Ok(n)
    }
}

/// What systems leave in folders, and what an interrupted upload leaves: neither copy nor damage.
pub(super) fn is_noise(name: &str) -> bool {
    name.starts_with(DRAFT_PREFIX)
        || name.starts_with("._")
        || matches!(
            name,
            ".DS_Store"
                | ".Trashes"
                | ".fseventsd"
                | ".Spotlight-V100"
                | "lost+found"
                | "System Volume Information"
                | "$RECYCLE.BIN"
                | "Thumbs.db"
                | "desktop.ini"
        )
        || name.starts_with(".Trash-")
}

fn make_folder(disk: &dyn Disk, path: &Path) -> Result<()> {
    if disk.meta(path).is_ok_and(|m| m.kind == FileKind::Folder) {
        return Ok(());
    }
    disk::create_durable_folders(disk, path, Privacy::Shared)
        .map_err(|e| Error::io(format!("cannot create {}", path.display()), e))
}

fn publish(disk: &dyn Disk, path: &Path, bytes: &[u8]) -> Result<()> {
    disk::publish(disk, path, bytes, Privacy::Shared, Replace::Yes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sys::disk::RealDisk;

    fn shelf(location: &Path) -> Folder {
        Folder::new(Arc::new(RealDisk), location.to_path_buf())
    }

    fn laid_out(location: &Path) -> Folder {
        let about = ShelfJson {
            format: 1,
            vault: "v".into(),
            shelf: "s".into(),
        };
        let shelf = shelf(location);
        shelf.lay_out(&about).unwrap();
        shelf
    }

    #[test]
    fn a_place_without_its_shelf_json_is_never_written_to() {
        let dir = tempfile::tempdir().unwrap();
        let empty = shelf(dir.path());
        let error = empty.begin().err().unwrap();
        assert_eq!(error.kind, Kind::Unreachable);
        assert!(std::fs::read_dir(dir.path()).unwrap().next().is_none());

        let there = laid_out(&dir.path().join("a"));
        let mut upload = there.begin().unwrap();
        upload.write_all(b"x").unwrap();
        std::fs::remove_file(dir.path().join("a").join(SHELF_JSON)).unwrap();
        let error = upload.publish("reels/x", Replace::Yes).unwrap_err();
        assert_eq!(error.kind, Kind::Unreachable);
        assert_eq!(there.list(Part::Reels).unwrap(), []);
    }

    #[test]
    fn only_whole_regular_objects_are_listed() {
        let dir = tempfile::tempdir().unwrap();
        let shelf = laid_out(dir.path());
        let mut upload = shelf.begin().unwrap();
        upload.write_all(b"abc").unwrap();
        assert_eq!(shelf.list(Part::Reels).unwrap(), []);
        upload.publish("reels/b", Replace::No).unwrap();
        let reels = dir.path().join("reels");
        std::os::unix::fs::symlink("/dev/zero", reels.join("c")).unwrap();
        std::fs::create_dir(reels.join("d")).unwrap();
        let listed = shelf.list(Part::Reels).unwrap();
        assert_eq!(listed.len(), 1);
        assert_eq!((listed[0].name.as_str(), listed[0].bytes), ("b", 3));
        assert!(shelf.read("reels/c").is_err());
        assert!(shelf.read_small("reels/b", 2).is_err());
        assert_eq!(shelf.read_small("reels/b", 3).unwrap().unwrap(), b"abc");
        assert_eq!(shelf.read_small("reels/none", 3).unwrap(), None);
        let mut again = shelf.begin().unwrap();
        again.write_all(b"other").unwrap();
        assert!(again.publish("reels/b", Replace::No).is_err());
        assert_eq!(shelf.read_small("reels/b", 9).unwrap().unwrap(), b"abc");
    }

    #[test]
    fn an_interrupted_add_is_nothing_foreign() {
        let dir = tempfile::tempdir().unwrap();
        laid_out(dir.path());
        std::fs::remove_file(dir.path().join(SHELF_JSON)).unwrap();
        std::fs::write(dir.path().join(".unfinished-1-0-shelf.json"), "").unwrap();
        assert_eq!(shelf(dir.path()).foreign_names().unwrap(), [""; 0]);
        std::fs::write(dir.path().join("reels/mine"), "").unwrap();
        assert_eq!(shelf(dir.path()).foreign_names().unwrap(), ["reels"]);
        let none = dir.path().join("none");
        assert_eq!(shelf(&none).foreign_names().unwrap(), [""; 0]);
    }
}
