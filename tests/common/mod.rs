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
use farshelf::sys::disk::RealDisk;
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
