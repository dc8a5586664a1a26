//! Servers that hold shelves, each on the loopback and each with a look behind it: what it really keeps.
#![allow(dead_code)]

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::Duration;

use farshelf::host::{self, HostFolder, InitOptions, InviteOptions};
use farshelf::ops::way::WayOptions;
use farshelf::shelf::bucket::{Bucket, BucketAt};
use farshelf::shelf::net::Settings;
use farshelf::shelf::secret::Secret;
use farshelf::shelf::{Part, Shelf};
use farshelf::sys::World;

use super::bucket_server::BucketServer;
use super::dav_servers::{self, Auth, PASSWORD};
use super::far;

/// Names and bytes of the copies of reels that a server keeps.
pub type Kept = BTreeMap<String, Vec<u8>>;

/// A server, how it is added as a shelf through a port that leads to its own, and what it keeps.
pub struct Peer {
    pub port: u16,
    pub location: Box<dyn Fn(u16) -> String>,
    pub way: WayOptions,
    pub kept: Box<dyn Fn() -> Kept>,
    /// Leaves a file beside the copies, where they lie in a folder.
    pub stray: Box<dyn Fn(&str)>,
}

fn stray_in(folder: PathBuf) -> Box<dyn Fn(&str)> {
    Box::new(move |name| std::fs::write(folder.join(name), "x").unwrap())
}

/// The scripted server, behaving.
pub fn scripted() -> Peer {
    let server = Arc::new(BucketServer::start());
    let port = server.port;
    Peer {
        port,
        location: Box::new(|port| format!("bucket+http://127.0.0.1:{port}/b")),
        way: far::way("bucket", "access", "secret"),
        kept: Box::new(move || {
            let objects = server.objects();
            let reels = objects.iter().filter_map(|(key, bytes)| {
                Some((key.strip_prefix("b/reels/")?.to_string(), bytes.clone()))
            });
            reels.collect()
        }),
        stray: Box::new(|_| {}),
    }
}

/// A process that ends with this value.
struct Ended(Child);

impl Drop for Ended {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// moto with a bucket, or nothing, said in one line, where it is not installed.
pub fn moto() -> Option<Peer> {
    if !python_has("moto.server") {
        return not_there("moto (PyPI: moto[s3,server])");
    }
    for _ in 0..3 {
        let port = free_port();
        let mut child = Ended(
            Command::new("python3")
                .args([
                    "-m",
                    "moto.server",
                    "-H",
                    "127.0.0.1",
                    "-p",
                    &port.to_string(),
                ])
                .stdin(Stdio::null())
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .spawn()
                .unwrap(),
        );
        for _ in 0..600 {
            if TcpStream::connect(("127.0.0.1", port)).is_ok() {
                assert_eq!(plain(port, "PUT", "/studio"), 200);
                return Some(Peer {
                    port,
                    location: Box::new(|port| format!("bucket+http://127.0.0.1:{port}/studio")),
                    way: far::way("bucket", "access", "secret"),
                    kept: Box::new(move || {
                        let _running = &child;
                        kept_by_bucket(port)
                    }),
                    stray: Box::new(|_| {}),
                });
            }
            if child.0.try_wait().unwrap().is_some() {
                break;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
    }
    panic!("moto did not start")
}

fn kept_by_bucket(port: u16) -> Kept {
    let at = BucketAt {
        endpoint: format!("http://127.0.0.1:{port}"),
        bucket: "studio".to_string(),
        prefix: String::new(),
        region: "us-east-1".to_string(),
        access: "access".to_string(),
        secret: Secret::new("secret"),
        shown: "moto".to_string(),
        reports: false,
    };
    let bucket = Bucket::new(&World::real(), at, &Settings::default(), 2).unwrap();
    let listed = bucket.list(Part::Reels).unwrap();
    let kept = listed.into_iter().map(|o| {
        let mut bytes = Vec::new();
        let mut object = bucket.read(&Part::Reels.path(&o.name)).unwrap();
        object.read_to_end(&mut bytes).unwrap();
        (o.name, bytes)
    });
    kept.collect()
}

/// Asks for something without a signature, and gives the status.
fn plain(port: u16, method: &str, target: &str) -> u16 {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    write!(
        stream,
        "{method} {target} HTTP/1.0\r\nHost: 127.0.0.1:{port}\r\nContent-Length: 0\r\n\r\n"
    )
    .unwrap();
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).unwrap();
    let status = std::str::from_utf8(&answer[9..12]).unwrap();
    status.parse().unwrap()
}

/// wsgidav, or nothing, said in one line, where it is not installed.
pub fn share() -> Option<Peer> {
    let server = dav_servers::wsgidav(Auth::Basic)?;
    let port = server
        .url
        .rsplit(':')
        .next()?
        .trim_matches('/')
        .parse()
        .ok()?;
    let files = server.files().join("shelf").join("reels");
    Some(Peer {
        port,
        location: Box::new(|port| format!("share+http://127.0.0.1:{port}/shelf")),
        way: far::way("share", server.user, PASSWORD),
        stray: stray_in(files.clone()),
        kept: Box::new(move || {
            let _running = &server;
            kept_in_folder(&files)
        }),
    })
}

/// A host of ours. It serves until the process ends.
pub fn host(folder: &Path) -> Peer {
    let world = World {
        state_dir: Some(folder.join("state")),
        ..World::real()
    };
    let root = folder.join("host");
    let host = HostFolder::init(&world, &root, &InitOptions::default()).unwrap();
    let any = "127.0.0.1:0".parse().unwrap();
    let serving = host::start(&host, Some(any), true).unwrap();
    let port = serving.listening.port();
    std::thread::spawn(move || serving.run(|_| {}));
    let files = root.join("shelves").join("studio").join("reels");
    Peer {
        port,
        location: Box::new(move |port| {
            let options = InviteOptions {
                address: Some(format!("127.0.0.1:{port}")),
                plain: true,
                ..InviteOptions::default()
            };
            let invited = host::invite(&host, &"studio".parse().unwrap(), &options).unwrap();
            invited.line.to_string()
        }),
        way: WayOptions::default(),
        stray: stray_in(files.clone()),
        kept: Box::new(move || kept_in_folder(&files)),
    }
}

fn kept_in_folder(folder: &PathBuf) -> Kept {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    entries
        .map(|e| {
            (
                e.file_name().into_string().unwrap(),
                std::fs::read(e.path()).unwrap(),
            )
        })
        .collect()
}

pub fn free_port() -> u16 {
    let free = TcpListener::bind("127.0.0.1:0").unwrap();
    free.local_addr().unwrap().port()
}

pub fn python_has(module: &str) -> bool {
    Command::new("python3")
        .args(["-c", &format!("import {module}")])
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|s| s.success())
}

pub fn not_there<T>(what: &str) -> Option<T> {
    let required = std::env::var("FARSHELF_REQUIRE_OUTSIDE").is_ok_and(|v| v == "1");
    assert!(!required, "{what} is missing");
    // Past the test harness, which swallows what passing tests print.
    let _ = writeln!(std::io::stderr(), "not run: shelves ({what} is missing)");
    None
}
