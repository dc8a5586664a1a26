//! The promises of a shelf, kept by a WebDAV share at servers that others wrote.

#[path = "common/dav_servers.rs"]
mod dav_servers;

use std::fs;
use std::io::{self, Read, Write};

use dav_servers::{Auth, PASSWORD, Server, apache, wsgidav};
use farshelf::error::{Error, Kind, Next};
use farshelf::shelf::net::Settings;
use farshelf::shelf::secret::Secret;
use farshelf::shelf::share::Share;
use farshelf::shelf::{Part, Shelf, ShelfJson};
use farshelf::sys::World;
use farshelf::sys::disk::Replace;

fn share_at(url: &str, user: &str, password: &str, settings: &Settings) -> Share {
    let secret = Some(Secret::new(password));
    Share::new(
        &World::real(),
        url,
        "the box",
        Some(user),
        secret,
        settings,
        4,
    )
    .unwrap()
}

fn share(server: &Server, path: &str) -> Share {
    let url = format!("{}{path}", server.url.trim_end_matches('/'));
    share_at(&url, server.user, PASSWORD, &settings_for(server))
}

fn about() -> ShelfJson {
    ShelfJson {
        format: 1,
        vault: "v".into(),
        shelf: "s".into(),
    }
}

fn publish(shelf: &dyn Shelf, path: &str, bytes: &[u8], replace: Replace) -> Result<(), Error> {
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

/// What a shelf promises, at a server in which nothing is yet.
fn promises(server: &Server) {
    let shelf = share(server, "/a shelf for süß&so");
    // Nothing there, and nothing laid out.
    assert_eq!(shelf.foreign_names().unwrap(), [""; 0]);
    assert_eq!(shelf.begin().err().unwrap().kind, Kind::Unreachable);
    let error = shelf.list(Part::Reels).unwrap_err();
    assert_eq!(error.kind, Kind::Unreachable, "{}", error.fact());
    assert!(ShelfJson::read(&shelf).is_err(), "no base is no answer");

    shelf.lay_out(&about()).unwrap();
    shelf.lay_out(&about()).unwrap();
    assert_eq!(ShelfJson::read(&shelf).unwrap(), Some(about()));
    assert_eq!(shelf.list(Part::Reels).unwrap(), []);

    // One step, no half objects, and a name that is taken stays as it is.
    let body: Vec<u8> = (0..3_000_000u32).map(|n| (n % 251) as u8).collect();
    publish(&shelf, "reels/a", &body, Replace::No).unwrap();
    publish(&shelf, "reels/b", b"", Replace::No).unwrap();
    publish(&shelf, "keys/k", b"key", Replace::No).unwrap();
    assert!(is_taken(
        &publish(&shelf, "reels/a", b"other", Replace::No).unwrap_err()
    ));
    assert!(whole(&shelf, "reels/a") == body);
    publish(&shelf, "reels/a", b"other", Replace::Yes).unwrap();
    assert_eq!(whole(&shelf, "reels/a"), b"other");
    assert_eq!(whole(&shelf, "reels/b"), b"");

    // What strangers leave there is listed by its name, and no name breaks the list.
    let odd = ["späße und mehr", "a%41&b+c=d?e#f;g", "<&amp;>\"'"];
    let reels = server.files().join("a shelf for süß&so/reels");
    for name in odd {
        fs::write(reels.join(name), name).unwrap();
    }
    fs::create_dir(reels.join("folder")).unwrap();
    fs::write(reels.join("._a"), "").unwrap();
    let listed = shelf.list(Part::Reels).unwrap();
    let mut expected: Vec<(String, u64)> = odd.map(|n| (n.to_string(), n.len() as u64)).into();
    expected.extend([("a".into(), 5), ("b".into(), 0)]);
    expected.sort();
    let listed: Vec<(String, u64)> = listed.into_iter().map(|o| (o.name, o.bytes)).collect();
    assert_eq!(listed, expected);
    for name in odd {
        assert_eq!(whole(&shelf, &Part::Reels.path(name)), name.as_bytes());
    }
    assert_eq!(
        shelf.foreign_names().unwrap(),
        ["keys", "reels", "shelf.json"]
    );

    // Small ones, and ones that are not there.
    assert_eq!(shelf.read_small("keys/k", 3).unwrap().unwrap(), b"key");
    let error = shelf.read_small("keys/k", 2).unwrap_err();
    assert_eq!(error.kind(), io::ErrorKind::InvalidData);
    assert_eq!(shelf.read_small("keys/none", 3).unwrap(), None);
    let error = shelf.read("reels/none").err().unwrap();
    assert_eq!(error.kind(), io::ErrorKind::NotFound);

    // A folder that was removed is made again; a place without its shelf.json is left alone.
    fs::remove_dir_all(&reels).unwrap();
    publish(&shelf, "reels/c", b"c", Replace::No).unwrap();
    let mut upload = shelf.begin().unwrap();
    upload.write_all(b"d").unwrap();
    fs::remove_file(server.files().join("a shelf for süß&so/shelf.json")).unwrap();
    let error = upload.publish("reels/d", Replace::No).unwrap_err();
    assert_eq!(error.kind, Kind::Unreachable);
    assert_eq!(ShelfJson::read(&shelf).unwrap(), None);
    shelf.restore_shelf_json(about().text().as_bytes()).unwrap();
    assert_eq!(ShelfJson::read(&shelf).unwrap(), Some(about()));
    let names: Vec<String> = fs::read_dir(&reels)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .filter(|n| !n.starts_with(".DAV"))
        .collect();
    assert_eq!(names, ["c"], "nothing is left over");

    wrong_ways_in(server);
}

fn wrong_ways_in(server: &Server) {
    let say = |error: Error| {
        let Next::Say(next) = error.next_step() else {
            panic!("{}: no next step", error.fact())
        };
        let text = format!("{:?}: {}; {next}", error.kind, error.fact());
        assert!(
            !text.contains(PASSWORD) && !text.contains("hunter2"),
            "{text}"
        );
        text
    };
    let wrong = share_at(&server.url, server.user, "hunter2", &settings_for(server));
    assert!(!format!("{wrong:?}").contains("hunter2"));
    for error in [
        ShelfJson::read(&wrong).unwrap_err(),
        wrong.list(Part::Keys).unwrap_err(),
        wrong.lay_out(&about()).unwrap_err(),
    ] {
        let text = say(error);
        assert!(text.starts_with("Refused: cannot "), "{text}");
        assert!(text.contains("does not accept the user"), "{text}");
    }
    let deep = share(server, "/not/there");
    let text = say(deep.lay_out(&about()).unwrap_err());
    assert!(text.contains("the folder above it is not there"), "{text}");
}

fn settings_for(server: &Server) -> Settings {
    Settings {
        authority: server.url.starts_with("https").then(|| server.authority()),
        ..Settings::default()
    }
}

#[test]
fn apache_with_basic_keeps_the_promises() {
    if let Some(server) = apache(Auth::Basic, "/", false) {
        promises(&server);
    }
}

#[test]
fn apache_with_digest_keeps_the_promises() {
    if let Some(server) = apache(Auth::Digest, "/", false) {
        promises(&server);
    }
}

#[test]
fn apache_under_a_path_keeps_the_promises() {
    if let Some(server) = apache(Auth::Digest, "/deep/below", false) {
        promises(&server);
    }
}

#[test]
fn wsgidav_with_basic_keeps_the_promises() {
    if let Some(server) = wsgidav(Auth::Basic) {
        promises(&server);
    }
}

#[test]
fn wsgidav_with_digest_keeps_the_promises() {
    if let Some(server) = wsgidav(Auth::Digest) {
        promises(&server);
    }
}

#[test]
fn apache_with_a_certificate_of_its_own_keeps_the_promises_once_it_is_named() {
    let Some(server) = apache(Auth::Basic, "/", true) else {
        return;
    };
    let url = format!("{}/box", server.url.trim_end_matches('/'));
    let stranger = share_at(&url, server.user, PASSWORD, &Settings::default());
    let error = ShelfJson::read(&stranger).unwrap_err();
    assert!(error.fact().contains("vouches for"), "{}", error.fact());
    promises(&server);
}
