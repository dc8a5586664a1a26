//! What every shelf promises, written once and asked of each kind: memory, a folder, a bucket, a share, a host.

#[path = "common/bucket_server.rs"]
mod bucket_server;
#[path = "common/vaults.rs"]
mod common;
#[allow(dead_code)]
#[path = "common/dav_servers.rs"]
mod dav_servers;
#[path = "common/far.rs"]
mod far;
#[path = "common/memory_shelf.rs"]
mod memory_shelf;
#[path = "common/peers.rs"]
mod peers;

use std::io::{self, Read, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use common::Studio;
use farshelf::error::{Error, Result};
use farshelf::ops::way::{WayOptions, way};
use farshelf::shelf::folder::Folder;
use farshelf::shelf::name::{NameKey, ReelName};
use farshelf::shelf::registry::{HOST, Reach};
use farshelf::shelf::{Part, README, SHELF_JSON, Shelf, ShelfJson, is_away, lent};
use farshelf::sys::disk::{RealDisk, Replace};
use memory_shelf::Memory;
use peers::Peer;

/// The name of a copy of reel `number`; `n` tells copies of one reel apart.
fn name(number: u64, n: u8) -> String {
    let key = NameKey::derive("promises");
    let tag = key.tag(&[7; 32]);
    let mut mac = key.mac("vault", number, &tag);
    mac.update(&[n]);
    let mac = mac.finish();
    ReelName { number, tag, mac }.to_string()
}

fn about() -> ShelfJson {
    ShelfJson {
        format: 1,
        vault: "0123456789abcdef0123456789abcdef".into(),
        shelf: "00000000000000000000000000000001".into(),
    }
}

fn body(n: u8, bytes: usize) -> Vec<u8> {
    let mut out = vec![0; bytes];
    blake3::Hasher::new()
        .update(&[n])
        .finalize_xof()
        .fill(&mut out);
    out
}

fn publish(shelf: &dyn Shelf, path: &str, bytes: &[u8], replace: Replace) -> Result<()> {
    let mut upload = shelf.begin()?;
    upload.write_all(bytes).unwrap();
    upload.publish(path, replace)
}

fn is_taken(e: &Error) -> bool {
    std::error::Error::source(e)
        .and_then(|s| s.downcast_ref::<io::Error>())
        .is_some_and(|s| s.kind() == io::ErrorKind::AlreadyExists)
}

fn whole(shelf: &dyn Shelf, path: &str) -> Vec<u8> {
    let mut bytes = Vec::new();
    shelf.read(path).unwrap().read_to_end(&mut bytes).unwrap();
    bytes
}

fn listed(shelf: &dyn Shelf, part: Part) -> Vec<(String, u64)> {
    let objects = shelf.list(part).unwrap();
    objects.into_iter().map(|o| (o.name, o.bytes)).collect()
}

/// All promises, of an empty place. `stray` leaves something in `reels/` as others do.
fn keeps_its_promises(shelf: &dyn Shelf, stray: &dyn Fn(&str)) {
    what_is_laid_out_is_read_back(shelf);
    what_is_not_there_is_not_away(shelf);
    what_was_only_begun_is_not_there(shelf);
    bytes_come_back_as_they_went(shelf);
    a_name_that_is_taken_stays_as_it_is(shelf);
    small_objects_have_a_limit(shelf);
    two_may_send_the_same_and_four_may_send_others(shelf);
    an_object_appears_whole_or_not_at_all(shelf);
    lists_tell_names_and_lengths_and_no_noise(shelf, stray);
}

fn what_is_laid_out_is_read_back(shelf: &dyn Shelf) {
    assert_eq!(shelf.foreign_names().unwrap(), [""; 0]);
    shelf.lay_out(&about()).unwrap();
    assert_eq!(ShelfJson::read(shelf).unwrap(), Some(about()));
    let text = shelf.read_small(SHELF_JSON, 4096).unwrap().unwrap();
    assert_eq!(text, about().text().as_bytes());
    assert!(shelf.read_small(README, 1 << 20).unwrap().is_some());
    assert_eq!(listed(shelf, Part::Reels), []);
    assert_eq!(listed(shelf, Part::Keys), []);
}

fn what_is_not_there_is_not_away(shelf: &dyn Shelf) {
    let path = Part::Reels.path(&name(999, 0));
    let error = shelf.read(&path).err().unwrap();
    assert_eq!(error.kind(), io::ErrorKind::NotFound, "{error}");
    assert!(!is_away(&error), "{error}");
    assert_eq!(shelf.read_small(&path, 10).unwrap(), None);
}

fn what_was_only_begun_is_not_there(shelf: &dyn Shelf) {
    let mut upload = shelf.begin().unwrap();
    upload.write_all(&body(1, 3 << 20)).unwrap();
    assert_eq!(listed(shelf, Part::Reels), []);
    drop(upload);
    assert_eq!(listed(shelf, Part::Reels), []);
    assert_eq!(
        shelf
            .foreign_names()
            .unwrap()
            .iter()
            .filter(|n| *n != SHELF_JSON)
            .count(),
        0
    );
}

fn bytes_come_back_as_they_went(shelf: &dyn Shelf) {
    for (number, bytes) in [(1, 0), (2, 1), (3, 100_000), (4, 8 << 20)] {
        let path = Part::Reels.path(&name(number, 0));
        let sent = body(2, bytes);
        publish(shelf, &path, &sent, Replace::No).unwrap();
        assert!(whole(shelf, &path) == sent, "{bytes} bytes");
    }
    let lengths: Vec<u64> = listed(shelf, Part::Reels).iter().map(|o| o.1).collect();
    assert_eq!(lengths, [0, 1, 100_000, 8 << 20]);
}

/// None of these servers ignores the condition; for one that does, names are unique by content.
fn a_name_that_is_taken_stays_as_it_is(shelf: &dyn Shelf) {
    let path = Part::Reels.path(&name(5, 0));
    let sent = body(3, 50_000);
    publish(shelf, &path, &sent, Replace::No).unwrap();
    // A host takes the same bytes again and says nothing.
    if let Err(e) = publish(shelf, &path, &sent, Replace::No) {
        assert!(is_taken(&e), "{}", e.fact());
    }
    let e = publish(shelf, &path, b"other bytes", Replace::No).unwrap_err();
    assert!(is_taken(&e), "{:?} {}", e.kind, e.fact());
    assert!(whole(shelf, &path) == sent);
    // To replace is allowed or refused, and nothing between.
    let other = body(4, 60_000);
    let now = match publish(shelf, &path, &other, Replace::Yes) {
        Ok(()) => other,
        Err(_) => sent,
    };
    assert!(whole(shelf, &path) == now);
}

fn small_objects_have_a_limit(shelf: &dyn Shelf) {
    let path = Part::Reels.path(&name(2, 0));
    assert_eq!(shelf.read_small(&path, 1).unwrap().unwrap().len(), 1);
    let error = shelf.read_small(&path, 0).unwrap_err();
    assert_eq!(error.kind(), io::ErrorKind::InvalidData);
    assert!(!is_away(&error));
    let path = Part::Reels.path(&name(1, 0));
    assert_eq!(shelf.read_small(&path, 0).unwrap().unwrap(), b"");
}

fn two_may_send_the_same_and_four_may_send_others(shelf: &dyn Shelf) {
    let same = Part::Reels.path(&name(6, 0));
    let sent = body(6, 1 << 20);
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| match publish(shelf, &same, &sent, Replace::No) {
                Ok(()) => {}
                Err(e) => assert!(is_taken(&e), "{}", e.fact()),
            });
        }
    });
    assert!(whole(shelf, &same) == sent);
    std::thread::scope(|scope| {
        for n in 10..14u8 {
            scope.spawn(move || {
                for m in 0..4 {
                    let path = Part::Reels.path(&name(u64::from(n), m));
                    let sent = body(n * 16 + m, 70_000 + usize::from(m));
                    publish(shelf, &path, &sent, Replace::No).unwrap();
                    assert!(whole(shelf, &path) == sent);
                }
            });
        }
    });
    let many = listed(shelf, Part::Reels);
    assert_eq!(many.iter().filter(|o| o.0.starts_with("00001")).count(), 16);
}

/// Whoever looks meanwhile sees nothing, or all of it.
fn an_object_appears_whole_or_not_at_all(shelf: &dyn Shelf) {
    let sent = body(8, 4 << 20);
    let name = name(20, 0);
    let path = Part::Reels.path(&name);
    let done = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            publish(shelf, &path, &sent, Replace::No).unwrap();
            done.store(true, Ordering::SeqCst);
        });
        let mut last = false;
        while !last {
            last = done.load(Ordering::SeqCst);
            let there = listed(shelf, Part::Reels).into_iter().find(|o| o.0 == name);
            assert!(there.is_none_or(|o| o.1 == sent.len() as u64));
            match shelf.read(&path) {
                Err(e) => assert_eq!(e.kind(), io::ErrorKind::NotFound, "{e}"),
                Ok(mut object) => {
                    let mut bytes = Vec::new();
                    object.read_to_end(&mut bytes).unwrap();
                    assert!(bytes == sent, "{} bytes", bytes.len());
                }
            }
        }
    });
    assert!(whole(shelf, &path) == sent);
}

fn lists_tell_names_and_lengths_and_no_noise(shelf: &dyn Shelf, stray: &dyn Fn(&str)) {
    let before = listed(shelf, Part::Reels);
    assert!(before.is_sorted());
    for noise in ["._a", ".DS_Store", ".unfinished-17-0-copy"] {
        stray(noise);
    }
    stray("notes.txt");
    let mut after = listed(shelf, Part::Reels);
    after.retain(|o| o.0 != "notes.txt");
    assert_eq!(after, before);
    assert!(before.contains(&(name(3, 0), 100_000)));
    let key = "1-0000000000000000000000000000000000000000000000000000000000000000.age";
    publish(shelf, &Part::Keys.path(key), b"a key", Replace::No).unwrap();
    assert_eq!(listed(shelf, Part::Keys), [(key.to_string(), 5)]);
}

fn open(studio: &Studio, peer: &Peer) -> Box<dyn Shelf> {
    let world = &studio.world;
    let location = (peer.location)(peer.port);
    let reach = match location.parse() {
        Ok(invite) => {
            let base = Reach {
                kind: HOST.to_string(),
                ..Reach::default()
            };
            lent::redeem(world, &studio.identity.name_key(), &invite, &base).unwrap()
        }
        Err(_) => way(world, &location, &peer.way, None).unwrap(),
    };
    reach.open(world).unwrap()
}

#[test]
fn memory() {
    let shelf = Memory::default();
    let behind = shelf.clone();
    keeps_its_promises(&shelf, &|name| behind.put(&Part::Reels.path(name), b"x"));
}

#[test]
fn a_folder() {
    let studio = Studio::new();
    let path = studio.path("barn");
    let shelf = Folder::new(Arc::new(RealDisk), path.clone());
    keeps_its_promises(&shelf, &|name| {
        std::fs::write(path.join("reels").join(name), "x").unwrap();
    });
    assert_eq!(
        way(
            &studio.world,
            path.to_str().unwrap(),
            &WayOptions::default(),
            None
        )
        .unwrap()
        .kind,
        "folder"
    );
}

#[test]
fn a_bucket() {
    let studio = Studio::new();
    let peer = peers::scripted();
    let shelf = open(&studio, &peer);
    keeps_its_promises(shelf.as_ref(), &|name| {
        publish(shelf.as_ref(), &Part::Reels.path(name), b"x", Replace::Yes).unwrap();
    });
}

#[test]
fn a_bucket_of_others() {
    let studio = Studio::new();
    let Some(peer) = peers::moto() else {
        return;
    };
    let shelf = open(&studio, &peer);
    keeps_its_promises(shelf.as_ref(), &|name| {
        publish(shelf.as_ref(), &Part::Reels.path(name), b"x", Replace::Yes).unwrap();
    });
}

#[test]
fn a_share() {
    let studio = Studio::new();
    let Some(peer) = peers::share() else {
        return;
    };
    let shelf = open(&studio, &peer);
    keeps_its_promises(shelf.as_ref(), &|name| (peer.stray)(name));
}

#[test]
fn a_host() {
    let studio = Studio::new();
    let peer = peers::host(studio.temp.path());
    let shelf = open(&studio, &peer);
    keeps_its_promises(shelf.as_ref(), &|name| (peer.stray)(name));
}
