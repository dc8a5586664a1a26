//! The promises of a shelf, kept by a WebDAV share at servers that others wrote, and at one that does what those do
//! seldom.

#[path = "common/dav_servers.rs"]
mod dav_servers;
#[path = "common/scripted.rs"]
mod scripted;

use std::fs;
use std::io::{self, Read, Write};
use std::time::Duration;

use dav_servers::{Auth, PASSWORD, Server, Tls, apache, wsgidav};
use farshelf::error::{Error, Kind, Next};
use farshelf::shelf::net::{Patience, Settings};
use farshelf::shelf::secret::Secret;
use farshelf::shelf::share::Share;
use farshelf::shelf::{Part, Shelf, ShelfJson, is_away};
use farshelf::sys::World;
use farshelf::sys::disk::Replace;
use scripted::{Asked, Reply, Scripted, reply};

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
    if let Some(server) = apache(Auth::Basic, "/", Tls::No) {
        promises(&server);
    }
}

#[test]
fn apache_with_digest_keeps_the_promises() {
    if let Some(server) = apache(Auth::Digest, "/", Tls::No) {
        promises(&server);
    }
}

#[test]
fn apache_under_a_path_keeps_the_promises() {
    if let Some(server) = apache(Auth::Digest, "/deep/below", Tls::No) {
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
    let Some(server) = apache(Auth::Basic, "/", Tls::Good) else {
        return;
    };
    let url = format!("{}/box", server.url.trim_end_matches('/'));
    let stranger = share_at(&url, server.user, PASSWORD, &Settings::default());
    let error = ShelfJson::read(&stranger).unwrap_err();
    assert!(error.fact().contains("vouches for"), "{}", error.fact());
    promises(&server);
}

#[test]
fn a_certificate_that_is_out_of_date_is_named_as_that() {
    let Some(server) = apache(Auth::Basic, "/", Tls::Expired) else {
        return;
    };
    let shelf = share_at(&server.url, server.user, PASSWORD, &settings_for(&server));
    let error = ShelfJson::read(&shelf).unwrap_err();
    assert_eq!(error.kind, Kind::Unreachable);
    assert!(error.fact().contains("is out of date"), "{}", error.fact());
    assert_eq!(server.requests(), [""; 0], "nothing was sent");
}

#[test]
fn leftovers_of_ours_go_once_they_are_a_day_old() {
    let Some(server) = apache(Auth::Basic, "/", Tls::No) else {
        return;
    };
    let shelf = share(&server, "/box");
    shelf.lay_out(&about()).unwrap();
    let reels = server.files().join("box/reels");
    let now = std::time::UNIX_EPOCH + Duration::from_secs(World::real().now() as u64);
    let old = now - Duration::from_secs(25 * 3600);
    let young = now - Duration::from_secs(23 * 3600);
    let ours = |digit: &str| format!(".unfinished-{}", digit.repeat(32));
    for (name, modified) in [
        (ours("a"), old),
        (ours("b"), young),
        (".unfinished-7-0-copy".into(), old),
        ("x".into(), old),
    ] {
        let file = fs::File::create(reels.join(name)).unwrap();
        file.set_modified(modified).unwrap();
    }
    let names = || {
        let mut names: Vec<String> = fs::read_dir(&reels)
            .unwrap()
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .filter(|n| !n.starts_with(".DAV"))
            .collect();
        names.sort();
        names
    };
    shelf.list(Part::Reels).unwrap();
    assert_eq!(names().len(), 4, "looking removes nothing");
    drop(shelf.begin().unwrap());
    let left = [".unfinished-7-0-copy".to_string(), ours("b"), "x".into()];
    assert_eq!(names(), left);
}

#[test]
fn an_object_costs_few_requests_on_few_connections() {
    let Some(server) = apache(Auth::Digest, "/", Tls::No) else {
        return;
    };
    let shelf = share(&server, "/box");
    shelf.lay_out(&about()).unwrap();
    drop(shelf.begin().unwrap());
    // Its nonces live for a second: the next answer is refused once as stale.
    std::thread::sleep(Duration::from_millis(2_100));
    let before = wait_for_log(&server, 0).len();
    let body: Vec<u8> = vec![7; 5_000_000];
    for n in 0..3 {
        publish(&shelf, &format!("reels/{n}"), &body, Replace::No).unwrap();
    }
    let log = wait_for_log(&server, before + 16);
    let log = &log[before..];
    let refused = log.iter().filter(|l| l.contains(" 401 ")).count();
    assert!((1..=3).contains(&refused), "{log:#?}");
    assert_eq!(log.len() - refused, 3 * 5, "{log:#?}");
    // `%k` counts the requests that its connection carried before.
    let connections = log.iter().filter(|l| l.ends_with(" 0")).count();
    assert!(connections <= 2, "{log:#?}");
}

/// The log, once it has so many lines: Apache writes them after it has answered.
fn wait_for_log(server: &Server, lines: usize) -> Vec<String> {
    for _ in 0..100 {
        std::thread::sleep(Duration::from_millis(20));
        if server.requests().len() >= lines {
            break;
        }
    }
    server.requests()
}

#[test]
fn many_are_sent_side_by_side() {
    for server in [apache(Auth::Digest, "/", Tls::No), wsgidav(Auth::Digest)] {
        let Some(server) = server else {
            continue;
        };
        let shelf = share(&server, "/box");
        shelf.lay_out(&about()).unwrap();
        assert_eq!((shelf.side_by_side(), shelf.is_near()), (4, false));
        std::thread::scope(|scope| {
            for n in 0..8 {
                let shelf = &shelf;
                scope.spawn(move || {
                    for m in 0..10 {
                        let name = format!("reels/{n}-{m}");
                        publish(shelf, &name, name.as_bytes(), Replace::No).unwrap();
                        assert_eq!(whole(shelf, &name), name.as_bytes());
                    }
                });
            }
        });
        assert_eq!(shelf.list(Part::Reels).unwrap().len(), 80);
    }
}

/// RFC 7616, sections 3.3 and 3.4: one that takes each nonce and count once, as strict servers do.
#[test]
fn a_sign_in_is_renewed_as_often_as_it_needs_and_a_wrong_one_is_not_repeated() {
    let strict = |right: bool, stale: &'static str, refusals: usize| {
        Scripted::new(move |asked: &Asked| {
            let taken = right
                && asked.header("authorization").is_some()
                && (asked.before == 1 || asked.before > 2 + refusals);
            match taken {
                true => found(&asked.path, 1),
                false => {
                    let n = asked.before;
                    let challenge = format!(
                        "WWW-Authenticate: Digest realm=r, nonce=n{n}, qop=\"auth\"{stale}\r\n"
                    );
                    reply("401 Who", &challenge, b"")
                }
            }
        })
    };
    // Requests: 0 without an answer, 1 taken, 2 refused, and so many more.
    for (stale, refusals, good) in [("", 3, true), (", stale=true", 3, true), ("", 4, false)] {
        let server = strict(true, stale, refusals);
        let shelf = scripted_share(&server);
        shelf.has_ground().unwrap();
        let got = shelf.has_ground();
        assert_eq!(got.is_ok(), good, "{stale}: {got:?}");
        assert_eq!(
            server.count("PROPFIND"),
            if good { 4 + refusals } else { 7 }
        );
    }
    let server = strict(false, "", 0);
    assert!(scripted_share(&server).has_ground().is_err());
    assert_eq!(server.count("PROPFIND"), 2);
    // A wrong password goes out once a question: more would only bring a lock nearer.
    let basic = |_: &Asked| reply("401 Who", "WWW-Authenticate: Basic realm=r\r\n", b"");
    let server = Scripted::new(basic);
    let shelf = scripted_share(&server);
    for sent in [1, 2] {
        assert!(shelf.has_ground().is_err());
        let with_password = |a: &&Asked| a.header("authorization").is_some();
        assert_eq!(server.asked().iter().filter(with_password).count(), sent);
    }
}

fn impatient() -> Settings {
    Settings {
        patience: Patience {
            connect: Duration::from_millis(500),
            stall: Duration::from_millis(400),
            tries: 3,
            first_wait: Duration::from_millis(4),
        },
        ..Settings::default()
    }
}

fn scripted_share(server: &Scripted) -> Share {
    share_at(&server.url, "lena", PASSWORD, &impatient())
}

/// The answer to a PROPFIND about one resource.
fn found(path: &str, bytes: usize) -> Reply {
    let body = format!(
        "<D:multistatus xmlns:D='DAV:'><D:response><D:href>{path}</D:href><D:propstat><D:prop>\
         <D:getcontentlength>{bytes}</D:getcontentlength></D:prop><D:status>HTTP/1.1 200 OK</D:status>\
         </D:propstat></D:response></D:multistatus>"
    );
    reply("207 Multi-Status", "", body.as_bytes())
}

#[test]
fn a_read_goes_on_where_it_broke_off() {
    let body: Vec<u8> = (0..100_000u32).map(|n| (n % 253) as u8).collect();
    let cut = 40_000;
    for kind in ["ranges", "no ranges", "other range", "whole", "gone"] {
        let bytes = body.clone();
        let server = Scripted::new(move |asked: &Asked| {
            let whole = |sent: usize| {
                let length = bytes.len();
                let mut out =
                    format!("HTTP/1.1 200 OK\r\nContent-Length: {length}\r\n\r\n").into_bytes();
                out.extend_from_slice(&bytes[..sent]);
                Reply::Bytes(out)
            };
            let part = |from: usize| {
                let last = bytes.len() - 1;
                let range = format!("Content-Range: bytes {from}-{last}/{}\r\n", bytes.len());
                reply("206 Partial Content", &range, &bytes[from..])
            };
            match (asked.method.as_str(), asked.before, kind) {
                ("PROPFIND", ..) => found("/", 0),
                (_, 0, "whole") => {
                    // All bytes, and no end.
                    let mut out = b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n".to_vec();
                    out.extend_from_slice(format!("{:x}\r\n", bytes.len()).as_bytes());
                    out.extend_from_slice(&bytes);
                    Reply::Bytes(out)
                }
                (_, _, "whole") => reply(
                    "416 No",
                    &format!("Content-Range: bytes */{}\r\n", bytes.len()),
                    b"",
                ),
                (_, 0, _) => whole(cut),
                (_, 1, "no ranges") => whole(cut + 9_000),
                (_, _, "no ranges") => whole(bytes.len()),
                (_, _, "other range") => part(cut - 1),
                (_, _, "gone") => reply("404 Not Found", "", b""),
                _ => part(cut),
            }
        });
        let shelf = scripted_share(&server);
        let mut read = Vec::new();
        let end = shelf.read("reels/x").unwrap().read_to_end(&mut read);
        let ranges: Vec<Option<String>> = server
            .asked()
            .iter()
            .map(|a| a.header("range").map(str::to_string))
            .collect();
        match kind {
            "ranges" => assert_eq!(ranges, [None, Some("bytes=40000-".into())]),
            "no ranges" => assert_eq!(ranges.len(), 3),
            "whole" => assert_eq!(ranges, [None, Some("bytes=100000-".into())]),
            _ => {
                let error = end.unwrap_err();
                assert_eq!(is_away(&error), kind == "other range", "{kind}: {error:?}");
                assert!(read == body[..cut], "{kind}");
                continue;
            }
        }
        end.unwrap();
        assert!(read == body, "{kind}");
    }
}

/// A server for one upload: what it says to each MOVE, to DELETE, and how long are what it kept of the upload and the
/// target (-1: not there).
fn publishing(
    moves: &'static [&'static str],
    delete: &'static str,
    kept: i64,
    there: i64,
) -> Scripted {
    Scripted::new(move |asked: &Asked| match asked.method.as_str() {
        "PROPFIND" if asked.path == "/shelf.json" => found("/shelf.json", 1),
        "PROPFIND" if asked.path == "/reels/x" && there >= 0 => found("/reels/x", there as usize),
        "PROPFIND" if asked.path.contains(".unfinished-") && kept >= 0 => {
            found(&asked.path, kept as usize)
        }
        "PUT" => reply("201 Created", "", b""),
        "DELETE" => reply(delete, "", b""),
        "MOVE" => {
            let moved = asked.asked_before(moves.len());
            match moves[moved] {
                "" => Reply::Bytes(Vec::new()),
                status => reply(status, "", b""),
            }
        }
        _ => reply("404 Not Found", "", b""),
    })
}

impl Asked {
    /// The number of this request among its like, kept below `most`.
    fn asked_before(&self, most: usize) -> usize {
        self.before.min(most - 1)
    }
}

#[test]
fn the_answer_to_a_move_is_understood() {
    const LOST: &str = "";
    let put = |server: &Scripted| publish(&scripted_share(server), "reels/x", b"abc", Replace::No);
    for (moves, delete, kept, there, good) in [
        (&["201 Created"][..], "204 No", 3, 3, true),
        (&["204 No Content"], "204 No", 3, 3, true),
        // Done, and the answer was lost.
        (&[LOST, "404 Not Found"], "404 Not Found", 3, 3, true),
        (&[LOST, "412 Taken"], "404 Not Found", 3, 3, true),
        (&["503 Busy", "201 Created"], "204 No", 3, 3, true),
        // Not done.
        (&["404 Not Found"], "404 Not Found", 3, -1, false),
        (&["404 Not Found"], "404 Not Found", 3, 2, false),
        (&["201 Created"], "204 No", 2, 3, false),
        (&["201 Created"], "404 Not Found", -1, 3, false),
        (&["207 Multi-Status"], "204 No", 3, 3, false),
        (&["403 Forbidden"], "204 No", 3, 3, false),
        (&["412 Taken"], "204 No", 3, 3, false),
        (&["412 Taken"], "404 Not Found", 3, 2, false),
    ] {
        let server = publishing(moves, delete, kept, there);
        let got = put(&server);
        assert_eq!(got.is_ok(), good, "{moves:?} {there}: {got:?}");
        let taken = got.as_ref().is_err_and(is_taken);
        assert_eq!(
            taken,
            !good && moves[0].starts_with("412"),
            "{moves:?}: {got:?}"
        );
        if let Err(error) = &got {
            assert!(
                !matches!(error.next_step(), Next::Nothing),
                "{}",
                error.fact()
            );
            assert_eq!(server.count("DELETE"), 1, "{moves:?}");
        }
        for asked in server.asked().iter().filter(|a| a.method == "MOVE") {
            assert!(asked.path.starts_with("/reels/.unfinished-"));
            assert_eq!(asked.header("overwrite"), Some("f"));
            let to = format!("{}/reels/x", server.url);
            assert_eq!(asked.header("destination"), Some(to.as_str()));
        }
    }
    // What is there is not given up for a part.
    let server = publishing(&["204 No Content"], "204 No", 2, 3);
    let put = publish(&scripted_share(&server), "reels/x", b"abc", Replace::Yes);
    assert!(put.unwrap_err().fact().contains("kept 2 of the 3 bytes"));
    assert_eq!((server.count("MOVE"), server.count("DELETE")), (0, 1));
    let server = publishing(&["204 No Content"], "204 No", 3, 3);
    publish(&scripted_share(&server), "reels/x", b"abc", Replace::Yes).unwrap();
    let asked = server.asked();
    let moved = asked.iter().find(|a| a.method == "MOVE").unwrap();
    assert_eq!(moved.header("overwrite"), Some("t"));
}

/// RFC 4918, section 9.9.4: an Apache that takes itself for one that is reached by https answers 502 to http.
#[test]
fn a_server_that_is_reached_by_another_way_than_it_knows_is_understood() {
    let Some(server) = apache(Auth::Basic, "/", Tls::Before) else {
        return;
    };
    let url = format!("{}box", server.url);
    let shelf = share_at(&url, server.user, PASSWORD, &impatient());
    shelf.lay_out(&about()).unwrap();
    publish(&shelf, "reels/x", b"abc", Replace::No).unwrap();
    let error = publish(&shelf, "reels/x", b"def", Replace::No).unwrap_err();
    assert!(is_taken(&error), "{}", error.fact());
    let log = wait_for_log(&server, 20);
    let confused = log.iter().filter(|l| l.contains(" 502 ")).count();
    assert_eq!(confused, 3, "as often as one request is tried: {log:#?}");
}

#[test]
fn a_full_server_is_named_and_asked_once() {
    for status in ["507 Insufficient Storage", "413 Content Too Large"] {
        let server = Scripted::new(move |asked: &Asked| match asked.method.as_str() {
            "PROPFIND" if asked.path == "/shelf.json" => found("/shelf.json", 1),
            "PUT" => reply(status, "", b""),
            _ => reply("404 Not Found", "", b""),
        });
        let error = publish(&scripted_share(&server), "reels/x", b"abc", Replace::No).unwrap_err();
        assert_eq!(error.kind, Kind::Refused);
        assert!(error.fact().contains("no room left"), "{}", error.fact());
        assert_eq!((server.count("PUT"), server.count("DELETE")), (1, 1));
    }
}

/// Whatever keeps us from looking is no word about what is there.
#[test]
fn a_server_that_gives_no_answer_is_away_and_says_why() {
    let list = reply_list();
    for (answer, kind, says, next) in [
        (
            "silence",
            Kind::Unreachable,
            "no byte moved",
            "goes on where it was",
        ),
        (
            "page",
            Kind::Unreachable,
            "a web page came",
            "sign in to this network",
        ),
        (
            "redirect",
            Kind::Refused,
            "sends us to https://other.example",
            "under the address",
        ),
        (
            "500",
            Kind::Unreachable,
            "failed (HTTP 500",
            "try again later",
        ),
        (
            "403",
            Kind::Refused,
            "does not allow it",
            "read and write there",
        ),
        ("405", Kind::Refused, "no WebDAV share", "path of their own"),
        ("200", Kind::Refused, "no WebDAV share", "path of their own"),
        (
            "ntlm",
            Kind::Refused,
            "a way of signing in",
            "Basic or Digest",
        ),
        (
            "other list",
            Kind::Unreachable,
            "not of the folder",
            "try again later",
        ),
        (
            "no list",
            Kind::Unreachable,
            "cannot be read",
            "try again later",
        ),
        (
            "404",
            Kind::Unreachable,
            "there is no folder",
            "check the address",
        ),
    ] {
        let list = list.clone();
        let server = Scripted::new(move |asked: &Asked| match answer {
            "silence" => Reply::Silence,
            "page" => reply("200 OK", "Content-Type: text/html\r\n", b"<html>Welcome"),
            "redirect" => reply("302 Go", "Location: https://other.example/?a=b\r\n", b""),
            "500" => reply("500 Oh", "", b""),
            "403" => reply("403 No", "", b""),
            "405" if asked.method == "PROPFIND" => reply("405 No", "", b""),
            "200" if asked.method == "PROPFIND" => reply("200 OK", "", b"hello"),
            "ntlm" => reply("401 Who", "WWW-Authenticate: NTLM\r\n", b""),
            "other list" if asked.method == "PROPFIND" => reply("207 List", "", list.as_bytes()),
            "no list" if asked.method == "PROPFIND" => reply("207 List", "", b"<D:multistatus"),
            _ => reply("404 Not Found", "", b""),
        });
        let shelf = scripted_share(&server);
        let told = |error: Error| {
            let Next::Say(advice) = error.next_step() else {
                panic!("{answer}: no next step")
            };
            let text = format!("{}; {advice}", error.fact());
            assert_eq!(error.kind, kind, "{answer}: {text}");
            assert!(
                text.contains(says) && text.contains(next),
                "{answer}: {text}"
            );
        };
        told(shelf.list(Part::Reels).unwrap_err());
        if answer == "other list" {
            continue;
        }
        told(ShelfJson::read(&shelf).unwrap_err());
        let error = shelf.read("reels/x").err().unwrap();
        assert!(is_away(&error), "{answer}: {error:?}");
        assert!(shelf.begin().is_err(), "{answer}");
        assert_eq!(server.count("PUT"), 0);
    }
}

/// A list that is about another folder than the one that was asked for.
fn reply_list() -> String {
    "<D:multistatus xmlns:D='DAV:'><D:response><D:href>/elsewhere/reels/</D:href></D:response></D:multistatus>".into()
}

#[test]
fn a_folder_that_somebody_else_makes_meanwhile_is_taken_as_made() {
    for status in ["405 There", "403 No", "409 Conflict", "500 Oh", "200 OK"] {
        let collection = "<D:multistatus xmlns:D='DAV:'><D:response><D:href>@</D:href><D:propstat><D:prop>\
            <D:resourcetype><D:collection/></D:resourcetype><D:getcontentlength>@n</D:getcontentlength></D:prop>\
            <D:status>HTTP/1.1 200 OK</D:status></D:propstat></D:response></D:multistatus>";
        let written = std::sync::Mutex::new(std::collections::HashMap::new());
        let server = Scripted::new(move |asked: &Asked| {
            let mut written = written.lock().unwrap();
            match asked.method.as_str() {
                "MKCOL" => reply(status, "", b""),
                "PUT" => {
                    written.insert(asked.path.clone(), asked.body.len());
                    reply("201 Created", "", b"")
                }
                "MOVE" => {
                    let bytes = written.remove(&asked.path).unwrap();
                    let (_, to) = asked
                        .header("destination")
                        .unwrap()
                        .rsplit_once('/')
                        .unwrap();
                    written.insert(format!("/{to}"), bytes);
                    reply("201 Created", "", b"")
                }
                _ => {
                    let bytes = written.get(&asked.path.to_ascii_lowercase()).copied();
                    let body = collection.replace("@n", &bytes.unwrap_or(0).to_string());
                    reply("207 List", "", body.replace('@', &asked.path).as_bytes())
                }
            }
        });
        scripted_share(&server).lay_out(&about()).unwrap();
        let last = server.asked().pop().unwrap();
        let named = last.header("destination").unwrap_or_default();
        assert!(named.ends_with("/shelf.json"), "it comes last: {named}");
    }
}

/// 0.0.0.0 leads to this computer and is not known to: as good as a server that others can read along with.
#[test]
fn a_password_goes_in_clear_only_where_the_person_says_so() {
    let server = Scripted::new(|asked: &Asked| match asked.header("authorization") {
        Some(_) => reply("404 Not Found", "", b""),
        None => reply("401 Who", "WWW-Authenticate: Basic realm=x\r\n", b""),
    });
    let url = server.url.replace("127.0.0.1", "0.0.0.0");
    let shelf = share_at(&url, "lena", PASSWORD, &impatient());
    let error = shelf.foreign_names().unwrap_err();
    assert_eq!(error.kind, Kind::Refused);
    assert!(error.fact().contains("in clear"), "{}", error.fact());
    assert!(
        server
            .asked()
            .iter()
            .all(|a| a.header("authorization").is_none())
    );
    let shelf = shelf.even_in_clear();
    assert_eq!(shelf.foreign_names().unwrap(), [""; 0]);
}
