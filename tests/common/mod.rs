//! What tests share: a vault in a temporary folder, with a clock that is moved by hand.

#![allow(dead_code)]

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use farshelf::model::ids::DeviceId;
use farshelf::ops;
use farshelf::ops::keep::{KeepOptions, KeepResult, KeepTotals, When, Whose};
use farshelf::sys::World;
use farshelf::sys::clock::FixedClock;
use farshelf::sys::disk::{Disk, DiskFile, Meta, Privacy, RealDisk};
use farshelf::sys::entropy::SystemEntropy;
use farshelf::vault::Vault;
use farshelf::vault::keeping::Into;

/// 2026-06-01T12:00:00Z.
pub const NOW: i64 = 1_780_315_200;
/// How long tests wait for a lock.
pub const WAIT: Duration = Duration::from_secs(5);

/// A temporary folder with everything a test needs in it.
pub struct Studio {
    pub dir: tempfile::TempDir,
    pub clock: Arc<FixedClock>,
}

impl Studio {
    pub fn new() -> Studio {
        Studio {
            dir: tempfile::tempdir().unwrap(),
            clock: Arc::new(FixedClock::at(NOW)),
        }
    }

    pub fn world(&self) -> World {
        World {
            clock: self.clock.clone(),
            entropy: Arc::new(SystemEntropy),
            disk: Arc::new(RealDisk),
            zone: jiff::tz::TimeZone::UTC,
            computer: "test-computer".into(),
            state_dir: Some(self.dir.path().join("state")),
        }
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub fn create(&self) -> Vault {
        let place = "studio".parse().unwrap();
        ops::create::create(&self.path("vault"), Some(&place), &self.world()).unwrap()
    }

    pub fn open(&self) -> Vault {
        Vault::open(&self.path("vault"), self.world()).unwrap()
    }

    /// Writes a file with this modification time.
    pub fn file(&self, name: &str, bytes: &[u8], mtime: i64) -> PathBuf {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, bytes).unwrap();
        set_mtime(&path, mtime);
        path
    }
}

pub fn set_mtime(path: &Path, mtime: i64) {
    let time = std::time::UNIX_EPOCH + Duration::from_secs(u64::try_from(mtime.max(0)).unwrap());
    std::fs::File::options()
        .write(true)
        .open(path)
        .unwrap()
        .set_modified(time)
        .unwrap();
}

/// A SysEx message under the non-commercial ID: `kind` tells sections apart.
pub fn dump(kind: u8, body: &[u8]) -> Vec<u8> {
    let mut bytes = vec![0xf0, 0x7d, 0x00, kind, 0x01, 0x02];
    bytes.extend(body.iter().map(|b| b & 0x7f));
    bytes.push(0xf7);
    bytes
}

pub fn options(device: &str, paths: Vec<PathBuf>) -> KeepOptions {
    KeepOptions {
        whose: Whose::Device(device.parse().unwrap()),
        into: Into::Auto,
        when: When::FileTime,
        as_one: false,
        reread: false,
        paths,
        wait: WAIT,
    }
}

pub fn add_device(vault: &Vault, id: &str) {
    let id: DeviceId = id.parse().unwrap();
    ops::devices::add(vault, &id, Default::default(), WAIT).unwrap();
}

pub fn keep(vault: &Vault, options: &KeepOptions) -> (KeepTotals, Vec<KeepResult>) {
    keep_stdin(vault, options, &[])
}

pub fn keep_stdin(
    vault: &Vault,
    options: &KeepOptions,
    stdin: &[u8],
) -> (KeepTotals, Vec<KeepResult>) {
    let mut results = Vec::new();
    let mut stdin = stdin;
    let totals = ops::keep::keep(vault, options, &mut stdin, &mut |r| {
        results.push(KeepResult {
            source: r.source.clone(),
            device: r.device.clone(),
            section: r.section.clone(),
            take: r.take,
            status: r.status,
            loose: r.loose,
            condition: r.condition,
            evidence: r.evidence,
            bytes: r.bytes,
            blake3: r.blake3,
            messages: r.messages,
            findings: r.findings.clone(),
            error: r
                .error
                .as_ref()
                .map(|e| farshelf::error::Error::new(e.kind, e.fact()).next(e.next_step().clone())),
        });
        Ok(())
    })
    .unwrap();
    (totals, results)
}

pub fn codes(result: &KeepResult) -> Vec<String> {
    result.findings.iter().map(|f| f.code.to_string()).collect()
}

/// A disk on which files named `growing.syx` change while they are read.
#[derive(Debug)]
pub struct RestlessDisk;

#[derive(Debug)]
struct RestlessFile {
    inner: Box<dyn DiskFile>,
    /// Each read finds the file changed once more.
    reads: std::sync::atomic::AtomicU64,
}

impl DiskFile for RestlessFile {
    fn read_at(&self, buf: &mut [u8], offset: u64) -> std::io::Result<usize> {
        self.reads.fetch_add(1, std::sync::atomic::Ordering::SeqCst);
        self.inner.read_at(buf, offset)
    }
    fn write_at(&mut self, bytes: &[u8], offset: u64) -> std::io::Result<()> {
        self.inner.write_at(bytes, offset)
    }
    fn set_len(&mut self, len: u64) -> std::io::Result<()> {
        self.inner.set_len(len)
    }
    fn sync(&mut self) -> std::io::Result<()> {
        self.inner.sync()
    }
    fn meta(&self) -> std::io::Result<Meta> {
        let mut meta = self.inner.meta()?;
        meta.mtime_ns += i128::from(self.reads.load(std::sync::atomic::Ordering::SeqCst));
        Ok(meta)
    }
    fn set_modified(&mut self, seconds: i64) -> std::io::Result<()> {
        self.inner.set_modified(seconds)
    }
    fn drop_cached(&self) {
        self.inner.drop_cached();
    }
}

impl Disk for RestlessDisk {
    fn open(&self, path: &Path) -> std::io::Result<Box<dyn DiskFile>> {
        let inner = RealDisk.open(path)?;
        if path
            .file_name()
            .is_some_and(|n| n == "growing.syx" || n == "growing.img")
        {
            return Ok(Box::new(RestlessFile {
                inner,
                reads: Default::default(),
            }));
        }
        Ok(inner)
    }
    fn open_write(&self, path: &Path) -> std::io::Result<Box<dyn DiskFile>> {
        RealDisk.open_write(path)
    }
    fn create_new(&self, path: &Path, privacy: Privacy) -> std::io::Result<Box<dyn DiskFile>> {
        RealDisk.create_new(path, privacy)
    }
    fn rename(&self, from: &Path, to: &Path) -> std::io::Result<()> {
        RealDisk.rename(from, to)
    }
    fn rename_new(&self, from: &Path, to: &Path) -> std::io::Result<()> {
        RealDisk.rename_new(from, to)
    }
    fn remove_file(&self, path: &Path) -> std::io::Result<()> {
        RealDisk.remove_file(path)
    }
    fn remove_folder(&self, path: &Path) -> std::io::Result<()> {
        RealDisk.remove_folder(path)
    }
    fn create_folders(&self, path: &Path, privacy: Privacy) -> std::io::Result<()> {
        RealDisk.create_folders(path, privacy)
    }
    fn sync_folder(&self, path: &Path) -> std::io::Result<()> {
        RealDisk.sync_folder(path)
    }
    fn list(&self, path: &Path) -> std::io::Result<Vec<std::ffi::OsString>> {
        RealDisk.list(path)
    }
    fn meta(&self, path: &Path) -> std::io::Result<Meta> {
        RealDisk.meta(path)
    }
    fn canonical(&self, path: &Path) -> std::io::Result<PathBuf> {
        RealDisk.canonical(path)
    }
    fn free_space(&self, path: &Path) -> std::io::Result<u64> {
        RealDisk.free_space(path)
    }
}
