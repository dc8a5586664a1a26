//! The promises of a shelf, kept by a bucket at servers that others wrote.

#[path = "common/s3_servers.rs"]
mod s3_servers;

use std::io::{self, Read, Write};

use farshelf::error::{Error, Kind, Next};
use farshelf::shelf::bucket::{Bucket, BucketAt, Word};
use farshelf::shelf::net::Settings;
use farshelf::shelf::secret::Secret;
use farshelf::shelf::{Part, SHELF_JSON, Shelf, ShelfJson};
use farshelf::sys::World;
use farshelf::sys::disk::Replace;
use s3_servers::{BUCKET, Server, garage, moto, moto_with_keys, s3rver};

fn at(server: &Server, prefix: &str) -> BucketAt {
    BucketAt {
        endpoint: server.url.clone(),
        bucket: BUCKET.into(),
        prefix: prefix.into(),
        region: server.region.into(),
        access: server.access.clone(),
        secret: Secret::new(server.secret.as_str()),
        shown: "the bucket".into(),
        reports: false,
    }
}

fn open(at: BucketAt) -> Bucket {
    Bucket::new(&World::real(), at, &Settings::default(), 4).unwrap()
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

fn names(shelf: &dyn Shelf, part: Part) -> Vec<(String, u64)> {
    let listed = shelf.list(part).unwrap();
    listed.into_iter().map(|o| (o.name, o.bytes)).collect()
}

fn say(error: &Error) -> String {
    let next = match error.next_step() {
        Next::Say(text) => text.clone(),
        other => panic!("{}: {other:?}", error.fact()),
    };
    let mut text = format!("{:?}: {}", error.kind, error.fact());
    let mut source = std::error::Error::source(error);
    while let Some(one) = source {
        text += &format!(": {one}");
        source = one.source();
    }
    text + "; " + &next
}

/// What a shelf promises, under a prefix in which nothing is yet.
fn promises(server: &Server, prefix: &str, conditions: bool) {
    let shelf = open(at(server, prefix));
    assert!(!format!("{shelf:?}").contains(&server.secret));
    // Nothing there, and nothing laid out.
    assert_eq!(shelf.foreign_names().unwrap(), [""; 0]);
    assert_eq!(shelf.begin().err().unwrap().kind, Kind::Unreachable);
    assert_eq!(ShelfJson::read(&shelf).unwrap(), None);
    assert_eq!(names(&shelf, Part::Reels), []);

    shelf.lay_out(&about()).unwrap();
    shelf.lay_out(&about()).unwrap();
    assert_eq!(ShelfJson::read(&shelf).unwrap(), Some(about()));

    // No half objects, and a name that is taken stays as it is where the server looks.
    let body: Vec<u8> = (0..3_000_000u32).map(|n| (n % 251) as u8).collect();
    publish(&shelf, "reels/a", &body, Replace::No).unwrap();
    publish(&shelf, "reels/b", b"", Replace::No).unwrap();
    publish(&shelf, "keys/k", b"key", Replace::No).unwrap();
    assert!(whole(&shelf, "reels/a") == body);
    let again = publish(&shelf, "reels/a", b"other", Replace::No);
    match conditions {
        true => {
            assert!(is_taken(&again.unwrap_err()));
            assert!(whole(&shelf, "reels/a") == body);
        }
        false => again.unwrap(),
    }
    publish(&shelf, "reels/a", b"other", Replace::Yes).unwrap();
    assert_eq!(whole(&shelf, "reels/a"), b"other");
    assert_eq!(whole(&shelf, "reels/b"), b"");

    // Small ones, and ones that are not there.
    assert_eq!(shelf.read_small("keys/k", 3).unwrap().unwrap(), b"key");
    let error = shelf.read_small("keys/k", 2).unwrap_err();
    assert_eq!(error.kind(), io::ErrorKind::InvalidData);
    assert_eq!(shelf.read_small("keys/none", 3).unwrap(), None);
    let error = shelf.read("reels/none").err().unwrap();
    assert_eq!(error.kind(), io::ErrorKind::NotFound);
    assert_eq!(
        shelf.foreign_names().unwrap(),
        ["keys", "reels", "shelf.json"]
    );
    assert_eq!(names(&shelf, Part::Keys), [("k".to_string(), 3)]);

    // A missing bucket is no missing object.
    let nowhere = open(BucketAt {
        bucket: "no-such-bucket".into(),
        ..at(server, prefix)
    });
    for error in [
        ShelfJson::read(&nowhere).unwrap_err(),
        nowhere.list(Part::Reels).unwrap_err(),
        nowhere.foreign_names().unwrap_err(),
        nowhere.begin().err().unwrap(),
        nowhere.lay_out(&about()).unwrap_err(),
    ] {
        let text = say(&error);
        assert!(text.starts_with("Refused: cannot "), "{text}");
        assert!(text.contains("has no bucket of that name"), "{text}");
        assert!(text.contains("check the bucket's name"), "{text}");
    }
}

/// Objects of strangers, by any name, hide none of ours. `keys` are written as they stand in a URL.
fn strangers(server: &Server, keys: &[&str], expected: &[&str]) {
    let shelf = open(at(server, "odd"));
    shelf.lay_out(&about()).unwrap();
    publish(&shelf, "reels/ours", b"ours", Replace::No).unwrap();
    for key in keys {
        let (status, answer) = server.ask("PUT", &format!("/{BUCKET}/odd/{key}"), b"x");
        assert_eq!(status, 200, "{key}: {answer}");
    }
    let listed = names(&shelf, Part::Reels);
    let mut wanted: Vec<(String, u64)> = expected.iter().map(|n| (n.to_string(), 1)).collect();
    wanted.push(("ours".into(), 4));
    wanted.sort();
    assert_eq!(listed, wanted);
    for name in expected {
        assert_eq!(whole(&shelf, &Part::Reels.path(name)), b"x", "{name:?}");
    }
}

fn wrong_secret(server: &Server) {
    let wrong = BucketAt {
        secret: Secret::new("hunter2"),
        ..at(server, "")
    };
    let stranger = BucketAt {
        access: "AKIASTRANGER".into(),
        ..at(server, "")
    };
    for at in [wrong, stranger] {
        let shelf = open(at);
        for error in [
            ShelfJson::read(&shelf).unwrap_err(),
            shelf.list(Part::Reels).unwrap_err(),
            shelf.lay_out(&about()).unwrap_err(),
            shelf.honours().unwrap_err(),
        ] {
            let text = say(&error);
            assert!(text.starts_with("Refused: cannot "), "{text}");
            assert!(
                text.contains("does not accept the user or access key"),
                "{text}"
            );
            assert!(text.contains("right user or access key"), "{text}");
            assert!(!text.contains("hunter2"), "{text}");
        }
    }
}

/// Everything that a prefix may be made of.
const PREFIX: &str = "a shelf/süß&so ~%41#[x]{y}*?+=@:";

#[test]
fn moto_keeps_the_promises() {
    let Some(server) = moto() else { return };
    promises(&server, "", true);
    promises(&server, PREFIX, true);
    // Only the innermost of a prefix is looked at: a bucket may hold other things.
    assert_eq!(
        open(at(&server, "elsewhere")).foreign_names().unwrap(),
        [""; 0]
    );
    strangers(
        &server,
        &[
            "reels//x",
            "reels/",
            "reels/deep/er/one",
            "reels/._noise",
            "reels/a%01b",
            "reels/%C3%A4%20+%2B%25",
            "reels/%3C%26amp%3B%3E%22'",
            "reels/canary-x",
        ],
        &["a\u{1}b", "ä ++%", "<&amp;>\"'", "canary-x"],
    );
}

#[test]
fn moto_with_keys_lets_in_who_signs_and_nobody_else() {
    let Some(server) = moto_with_keys() else {
        return;
    };
    // moto compares with what it has decoded, and so cannot tell of listings; another test compares those.
    let shelf = open(at(&server, "a/b-c_d.e/~f"));
    shelf.lay_out(&about()).unwrap();
    publish(&shelf, "reels/a_b-c", b"abc", Replace::No).unwrap();
    let again = publish(&shelf, "reels/a_b-c", b"other", Replace::No);
    assert!(is_taken(&again.unwrap_err()));
    assert_eq!(whole(&shelf, "reels/a_b-c"), b"abc");
    let (status, _) = server.ask("GET", &format!("/{BUCKET}/{SHELF_JSON}"), b"");
    assert_eq!(status, 403, "only who signs gets in");
    wrong_secret(&server);
}

/// What a canary tells, and that it leaves nothing behind.
fn honoured(server: &Server, conditional_puts: Word, checksums: Word) {
    let shelf = open(at(server, "canaries/of it"));
    let honours = shelf.honours().unwrap();
    assert_eq!(
        (honours.conditional_puts, honours.checksums),
        (conditional_puts, checksums)
    );
    assert_eq!(
        (honours.listing, honours.ranges, honours.deletes),
        (Word::Honoured, Word::Honoured, Word::Honoured)
    );
    let words = shelf.probe().unwrap();
    assert_eq!(words["conditional puts"], conditional_puts.to_string());
    assert_eq!(words["ranges"], "honoured");
    let (_, listing) = server.ask(
        "GET",
        &format!("/{BUCKET}?list-type=2&prefix=canaries"),
        b"",
    );
    assert!(listing.contains("<ListBucketResult"), "{listing}");
    assert!(!listing.contains("<Key>"), "{listing}");
    // A host is not asked: it keeps every canary.
    let host = open(BucketAt {
        reports: true,
        ..at(server, "")
    });
    assert_eq!(host.probe().unwrap().len(), 0);
}

/// What stands there already, by whose it is.
fn foreign(server: &Server) {
    let put = |key: &str, body: &str| {
        let (status, answer) = server.ask("PUT", &format!("/{BUCKET}/yard/{key}"), body.as_bytes());
        assert_eq!(status, 200, "{key}: {answer}");
    };
    let shelf = open(at(server, "yard"));
    let host = open(BucketAt {
        reports: true,
        ..at(server, "yard")
    });
    for ours in ["._a", "canary-1", "reels/.DS_Store"] {
        put(ours, "x");
    }
    assert_eq!(shelf.foreign_names().unwrap(), [""; 0]);
    put("report.json", "{}");
    assert_eq!(host.foreign_names().unwrap(), [""; 0]);
    assert_eq!(shelf.foreign_names().unwrap(), ["report.json"]);
    put("README.txt", "of another house");
    put("keys/mine", "x");
    put("deep/x", "x");
    assert_eq!(
        host.foreign_names().unwrap(),
        ["README.txt", "deep", "keys"]
    );
    host.lay_out(&about()).unwrap();
    assert_eq!(
        host.foreign_names().unwrap(),
        ["deep", "keys", "shelf.json"]
    );
}

#[test]
fn s3rver_keeps_what_promises_it_can() {
    let Some(server) = s3rver() else { return };
    promises(&server, "a shelf/süß&so", false);
}

#[test]
fn canaries_tell_what_a_server_honours() {
    if let Some(server) = moto() {
        honoured(&server, Word::Honoured, Word::Ignored);
        foreign(&server);
    }
    if let Some(server) = s3rver() {
        honoured(&server, Word::Ignored, Word::Ignored);
        foreign(&server);
    }
}

/// Amazon S3 API Reference, ListObjectsV2: a page holds up to a thousand keys.
#[test]
fn more_than_a_page_of_objects_is_listed_whole() {
    let Some(server) = moto() else { return };
    let shelf = open(at(&server, "many & odd"));
    let n = 1_203;
    std::thread::scope(|scope| {
        for part in 0..4 {
            let server = &server;
            scope.spawn(move || {
                for i in (part..n).step_by(4) {
                    let path = format!("/{BUCKET}/many%20%26%20odd/reels/r%2B{i:04}");
                    assert_eq!(server.ask("PUT", &path, &vec![1; i % 7]).0, 200);
                }
            });
        }
    });
    // Deeper ones cost no pages.
    server.ask(
        "PUT",
        &format!("/{BUCKET}/many%20%26%20odd/reels/deep/x"),
        b"x",
    );
    let wanted: Vec<(String, u64)> = (0..n)
        .map(|i| (format!("r+{i:04}"), i as u64 % 7))
        .collect();
    assert_eq!(names(&shelf, Part::Reels), wanted);
    assert_eq!(shelf.foreign_names().unwrap(), ["reels"]);
}

#[test]
fn s3rver_never_compares_the_secret_and_knows_strangers() {
    let Some(server) = s3rver() else { return };
    let wrong = open(BucketAt {
        secret: Secret::new("hunter2"),
        ..at(&server, "")
    });
    assert_eq!(ShelfJson::read(&wrong).unwrap(), None);
    let stranger = open(BucketAt {
        access: "AKIASTRANGER".into(),
        ..at(&server, "")
    });
    let text = say(&ShelfJson::read(&stranger).unwrap_err());
    assert!(text.contains("right user or access key"), "{text}");
    strangers(
        &server,
        &["reels/deep/er/one", "reels/%C3%A4%20%2B%25", "reels/._x"],
        &["ä +%"],
    );
}

#[test]
fn garage_keeps_the_promises() {
    let Some(server) = garage() else { return };
    promises(&server, PREFIX, true);
    wrong_secret(&server);
    let elsewhere = open(BucketAt {
        region: "us-east-1".into(),
        ..at(&server, "")
    });
    let text = say(&ShelfJson::read(&elsewhere).unwrap_err());
    assert!(text.contains("--region garage"), "{text}");
}
