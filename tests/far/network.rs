//! Networks that fail: never taken for damage, never called mirrored, and nothing is sent twice that has arrived.

use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use farshelf::care::standing::ShelfState;
use farshelf::error::Kind;
use farshelf::ops;
use farshelf::vault::Vault;

use crate::bucket_server::{BucketServer, Reply, Request};
use crate::common::{DAY, START, Studio, WAIT, dump, keep, takes};
use crate::far::{
    add, fixity, found, hurry, mirror, one_reel, rescue, stalls_after, standing, state, steady,
    three_reels, verified,
};

fn bucket(reels: u32) -> (Studio, Vault, BucketServer) {
    let studio = Studio::new();
    let server = BucketServer::start();
    let vault = studio.vault();
    add(&vault, "far", &server.bucket("b"));
    for n in 0..reels {
        one_reel(&vault, n);
        vault.writer(WAIT).unwrap().close_reel().unwrap();
    }
    server.asked();
    (studio, vault, server)
}

fn puts(asked: &[String]) -> usize {
    asked
        .iter()
        .filter(|l| l.starts_with("PUT b/reels/"))
        .count()
}

/// Every reel that counts as verified lies at the server, byte by byte as its name says: read it all again.
fn nothing_is_claimed_that_is_not_there(vault: &Vault, server: &BucketServer) {
    server.behave();
    server.revive();
    let claimed = verified(vault, "far");
    let there: Vec<u64> = server
        .reels()
        .iter()
        .map(|k| k["b/reels/".len()..][..6].parse().unwrap())
        .collect();
    assert!(
        claimed.iter().all(|n| there.contains(n)),
        "{claimed:?} of {there:?}"
    );
    let lines = found(&fixity(vault, "far"));
    assert!(lines.is_empty(), "{lines:?}");
}

/// A first mirror of two reels: shelf.json before and after looking, three listings, and for each reel shelf.json, the put
/// and the reading back; each upload may look once whether the shelf is there. The canary is over by then.
#[test]
fn a_mirror_asks_for_little() {
    let (_studio, vault, server) = bucket(2);
    assert_eq!(mirror(&vault, "far").verified, 2);
    let first = server.asked();
    assert_eq!(mirror(&vault, "far").verified, 2);
    let second = server.asked();
    assert!(
        first.len() <= 12 && second.len() <= 4,
        "{first:#?}{second:#?}"
    );
}

#[test]
fn a_shelf_that_goes_away_while_it_is_looked_at_is_no_damage() {
    // After so many requests nothing answers any more.
    for after in 0..8 {
        let studio = Studio::new();
        let server = BucketServer::start();
        let vault = studio.vault();
        add(&vault, "far", &server.bucket("b"));
        three_reels(&studio, &vault);
        let before = verified(&vault, "far");
        // All of them have to be read: the shelf was added anew under its name.
        add(&vault, "far", &server.bucket("b"));
        let left = AtomicU32::new(after);
        let die = server.killer();
        server.script(move |_, _| {
            if left
                .fetch_update(Ordering::SeqCst, Ordering::SeqCst, |n| n.checked_sub(1))
                .is_err()
            {
                die();
            }
            Reply::Pass
        });
        let report = fixity(&vault, "far");
        if !report.complete {
            assert_eq!(report.skipped.len(), 1, "{after}: {report:?}");
        }
        assert!(report.good(), "{after}: {report:?}");
        let told = mirror(&vault, "far");
        assert_ne!(told.state, ShelfState::Damaged, "{after}: {told:?}");
        assert_eq!(told.reels_sent, 0);
        if after < 2 {
            let standing = standing(&vault, "far");
            assert!(!standing.reachable, "{standing:?}");
        }
        assert_eq!(verified(&vault, "far"), before, "{after}");
        nothing_is_claimed_that_is_not_there(&vault, &server);
        assert_eq!(mirror(&vault, "far").state, ShelfState::Good);
    }
}

/// The server dies at each step of a mirror of four reels. What had arrived is not sent again.
#[test]
fn a_mirror_that_is_cut_off_goes_on_where_it_was() {
    for after in [1, 2, 3, 4, 5, 7, 9, 10] {
        let (_studio, vault, server) = bucket(4);
        crate::far::change(vault.dir(), "far", |reach| reach.side_by_side = Some(2));
        let left = AtomicU32::new(after);
        let die = server.killer();
        server.script(move |_, _| {
            if left
                .fetch_update(Ordering::SeqCst, Ordering::SeqCst, |n| n.checked_sub(1))
                .is_err()
            {
                die();
            }
            Reply::Pass
        });
        let told = mirror(&vault, "far");
        assert!(
            told.error.is_some() || !told.notes.is_empty(),
            "{after}: {told:?}"
        );
        assert_ne!(told.state, ShelfState::Damaged, "{after}: {told:?}");
        assert_eq!(
            told.reels_sent as usize,
            verified(&vault, "far").len(),
            "{after}: {told:?}"
        );
        assert_ne!(told.state, ShelfState::Good);
        let arrived = server.reels().len();
        server.behave();
        server.revive();
        server.asked();
        let told = mirror(&vault, "far");
        assert_eq!(
            (told.verified, told.state, &told.error),
            (4, ShelfState::Good, &None),
            "{after}"
        );
        assert_eq!(puts(&server.asked()), 4 - arrived, "{after}");
        assert_eq!(server.reels().len(), 4, "{after}");
        nothing_is_claimed_that_is_not_there(&vault, &server);
    }
}

/// The answer to a put is lost, and the object is there: asking again finds it.
#[test]
fn a_lost_answer_sends_the_same_object_and_leaves_one() {
    let (_studio, vault, server) = bucket(2);
    let lost = AtomicU32::new(0);
    server.script(move |request, objects| {
        if request.is("PUT", "/reels/") && lost.fetch_add(1, Ordering::SeqCst) == 0 {
            objects.insert(request.path.clone(), request.body.clone());
            return Reply::Drop;
        }
        Reply::Pass
    });
    let told = mirror(&vault, "far");
    assert_eq!(
        (told.verified, told.state, &told.error),
        (2, ShelfState::Good, &None)
    );
    assert_eq!(server.reels().len(), 2);
    nothing_is_claimed_that_is_not_there(&vault, &server);
}

/// Bytes that were spoiled on their way were never counted on: the next mirror sends the reel anew, under another name.
#[test]
fn what_arrived_spoiled_is_sent_anew() {
    let (studio, vault, server) = bucket(2);
    studio.add(&vault, "barn");
    mirror(&vault, "barn");
    // Spoiled twice in a row, and in the end there is one good object beside two that nothing depends on.
    for _ in 0..2 {
        server.script(|request, objects| {
            if !request.is("PUT", "/reels/000002") {
                return Reply::Pass;
            }
            let mut bytes = request.body.clone();
            bytes[100] ^= 0x55;
            objects.insert(request.path.clone(), bytes);
            Reply::Say(200, "text/plain", Vec::new())
        });
        let told = mirror(&vault, "far");
        assert!(
            told.error.is_some() && told.state != ShelfState::Good,
            "{told:?}"
        );
        assert!(!verified(&vault, "far").contains(&2));
    }
    server.behave();
    let told = mirror(&vault, "far");
    assert_eq!(
        (told.verified, told.state, &told.error),
        (3, ShelfState::Good, &None),
        "{told:?}"
    );
    assert_eq!(state(&vault, "far"), (ShelfState::Good, String::new()));
    let note = "reel 2 had not arrived there as it was sent; it was sent anew";
    assert_eq!(told.notes, [note]);
    assert_eq!(server.reels().len(), 5);
    server.asked();
    assert_eq!(mirror(&vault, "far").state, ShelfState::Good);
    assert_eq!(puts(&server.asked()), 0);
    nothing_is_claimed_that_is_not_there(&vault, &server);
}

/// Bytes that are spoiled on their way here are asked for again before anything is called damaged or lost.
#[test]
fn what_is_read_spoiled_once_is_no_damage() {
    let (studio, vault, server) = bucket(3);
    assert_eq!(mirror(&vault, "far").verified, 3);
    for look in ["mirror", "fixity", "rescue"] {
        let seen = std::sync::Mutex::new(std::collections::BTreeMap::<String, u32>::new());
        server.script(move |request, objects| {
            if !request.is("GET", "/reels/0") {
                return Reply::Pass;
            }
            let mut seen = seen.lock().unwrap();
            let times = seen.entry(request.path.clone()).or_default();
            *times += 1;
            // A rescue reads the first one once more, to learn whose it is.
            if *times
                != if look == "rescue" && request.path.contains("/000001-") {
                    2
                } else {
                    1
                }
            {
                return Reply::Pass;
            }
            let mut bytes = objects[&request.path].clone();
            bytes[1000] ^= 0x55;
            Reply::Say(200, "application/octet-stream", bytes)
        });
        match look {
            "mirror" => {
                one_reel(&vault, 3);
                let told = mirror(&vault, "far");
                assert_eq!(
                    (told.verified, told.state, told.error),
                    (4, ShelfState::Good, None)
                );
            }
            "fixity" => assert!(found(&fixity(&vault, "far")).is_empty()),
            _ => {
                let (rescued, report) = rescue(&studio, &["far"], "new").unwrap();
                assert!(report.damaged.is_empty(), "{report:?}");
                assert_eq!(takes(&rescued), takes(&vault));
            }
        }
    }
}

type Fault = (&'static str, fn(&Request) -> Option<Reply>);

/// Whatever stands between: at shelf.json, at the listing, and at the objects.
#[test]
fn no_answer_of_a_network_is_taken_for_the_shelfs() {
    fn error(status: u16, code: &str) -> Option<Reply> {
        let text = format!("<Error><Code>{code}</Code><Message>no</Message></Error>");
        Some(Reply::Say(status, "application/xml", text.into_bytes()))
    }
    let faults: [Fault; 8] = [
        ("403", |_| error(403, "AccessDenied")),
        ("403 skewed", |_| error(403, "RequestTimeTooSkewed")),
        ("401", |_| error(401, "InvalidAccessKeyId")),
        ("500", |_| error(500, "InternalError")),
        ("503", |_| error(503, "SlowDown")),
        ("no bucket", |_| error(404, "NoSuchBucket")),
        ("portal", |_| {
            Some(Reply::Say(
                200,
                "text/html",
                b"<html>Welcome to the hotel</html>".to_vec(),
            ))
        }),
        ("dropped", |_| Some(Reply::Drop)),
    ];
    let slow = std::env::var("FARSHELF_SLOW").is_ok_and(|v| v == "1");
    let parts = ["shelf.json", "list-type=2", "/reels/0"];
    for (n, (what, fault)) in faults.into_iter().enumerate() {
        // Each at one of the places, in turn; all at all of them where there is time.
        for part in parts
            .into_iter()
            .enumerate()
            .filter(|(p, _)| slow || p == &(n % 3))
            .map(|p| p.1)
        {
            let studio = Studio::new();
            let server = BucketServer::start();
            let vault = studio.vault();
            add(&vault, "far", &server.bucket("b"));
            three_reels(&studio, &vault);
            crate::far::change(vault.dir(), "far", |reach| reach.tries = Some(1));
            server.script(move |request, _| {
                let line = format!("{}?{}", request.path, request.query);
                match line.contains(part) {
                    true => fault(request).unwrap_or(Reply::Pass),
                    false => Reply::Pass,
                }
            });
            one_reel(&vault, 3);
            let told = mirror(&vault, "far");
            let at = format!("{what} at {part}: {told:?}");
            assert!(told.error.is_some() || told.notes.len() == 1, "{at}");
            assert!(!format!("{told:?}").contains("holds no shelf.json"), "{at}");
            assert_eq!(told.state, ShelfState::Behind, "{at}");
            assert_eq!(verified(&vault, "far"), [1, 2, 3], "{at}");
            let report = fixity(&vault, "far");
            assert!(report.good() && !report.complete, "{at}: {report:?}");
            assert_eq!(state(&vault, "far").0, ShelfState::Behind, "{at}");
            let failed = rescue(&studio, &["far"], "new");
            if part != "shelf.json" {
                let kind = failed.map(|_| ()).unwrap_err().kind;
                assert!(
                    matches!(kind, Kind::Unreachable | Kind::Refused),
                    "{at}: {kind:?}"
                );
            }
            server.behave();
            let told = mirror(&vault, "far");
            assert_eq!(
                (told.verified, told.state),
                (4, ShelfState::Good),
                "{at}: {told:?}"
            );
            assert!(found(&fixity(&vault, "far")).is_empty(), "{at}");
        }
    }
}

#[test]
fn a_shelf_that_stays_away_is_told_so_once_its_time_has_passed() {
    let (studio, vault, server) = bucket(1);
    assert_eq!(mirror(&vault, "far").state, ShelfState::Good);
    server.die();
    studio.later(10);
    assert_eq!(mirror(&vault, "far").state, ShelfState::Good);
    studio.later(21);
    let told = mirror(&vault, "far");
    assert_eq!(told.state, ShelfState::Away, "{told:?}");
    assert_eq!(standing(&vault, "far").mirrored_at, Some(START));
    server.revive();
    assert_eq!(mirror(&vault, "far").state, ShelfState::Good);
    assert_eq!(standing(&vault, "far").mirrored_at, Some(START + 31 * DAY));
}

/// Silence is given up after the stall time and the tries, wherever it falls.
#[test]
fn silence_ends() {
    for part in ["shelf.json", "list-type=2", "PUT b/reels/", "GET b/reels/0"] {
        let (_studio, vault, server) = bucket(1);
        stalls_after(vault.dir(), "far", 1);
        server.script(move |request, _| {
            let line = format!("{} {}?{}", request.method, request.path, request.query);
            match line.contains(part) {
                true => Reply::Wait(Duration::from_secs(4)),
                false => Reply::Pass,
            }
        });
        let began = steady();
        let told = mirror(&vault, "far");
        let took = steady() - began;
        assert!(took < Duration::from_secs(15), "{part}: {took:?}");
        // Never mirrored: away at once, or behind where it could be looked at.
        let not_there = [ShelfState::Away, ShelfState::Behind].contains(&told.state);
        assert!(not_there && told.reels_sent == 0, "{part}: {told:?}");
        assert!(verified(&vault, "far").is_empty(), "{part}");
    }
}

/// Each answer breaks off half-way: the rest is asked for until all is there.
#[test]
fn an_object_that_comes_in_pieces_is_put_together() {
    let (_studio, vault, server) = bucket(1);
    server.script(|request, objects| match request.is("GET", "/reels/0") {
        true => Reply::Half(200, objects[&request.path].clone()),
        false => Reply::Pass,
    });
    let told = mirror(&vault, "far");
    assert_eq!(
        (told.verified, told.state),
        (1, ShelfState::Good),
        "{told:?}"
    );
    let reads = server
        .asked()
        .iter()
        .filter(|l| l.starts_with("GET b/reels/0"))
        .count();
    assert!((3..20).contains(&reads), "{reads}");
}

/// It breaks off, and parts cannot be had: it is never read whole, and nothing is known of it.
#[test]
fn an_object_that_always_breaks_off_is_no_damage() {
    let (_studio, vault, server) = bucket(2);
    assert_eq!(mirror(&vault, "far").verified, 2);
    server.script(|request, objects| match request.is("GET", "/reels/0") {
        true => Reply::HalfAgain(200, objects[&request.path].clone()),
        false => Reply::Pass,
    });
    let report = fixity(&vault, "far");
    assert!(report.good() && !report.complete, "{report:?}");
    assert_eq!(verified(&vault, "far"), [1, 2]);
    one_reel(&vault, 2);
    let told = mirror(&vault, "far");
    assert!(
        told.error.is_some() && told.state == ShelfState::Behind,
        "{told:?}"
    );
    nothing_is_claimed_that_is_not_there(&vault, &server);
}

/// A proxy before the server may take the lengths away.
#[test]
fn answers_without_a_length_are_read_all_the_same() {
    let (studio, vault, server) = bucket(2);
    server.script(|request, objects| {
        let bytes = objects
            .get(&request.path)
            .filter(|_| request.method == "GET");
        bytes.map_or(Reply::Pass, |bytes| Reply::Chunked(bytes.clone()))
    });
    let told = mirror(&vault, "far");
    assert_eq!(
        (told.verified, told.state),
        (2, ShelfState::Good),
        "{told:?}"
    );
    let report = fixity(&vault, "far");
    assert!(report.good() && report.complete, "{report:?}");
    let (rescued, _) = rescue(&studio, &["far"], "new").unwrap();
    assert_eq!(takes(&rescued), takes(&vault));
}

#[test]
fn others_keep_dumps_while_bytes_travel() {
    let (studio, vault, server) = bucket(1);
    let seen = Arc::new(AtomicU32::new(0));
    let at_work = Arc::clone(&seen);
    crate::far::change(vault.dir(), "far", |reach| reach.stall_seconds = Some(30));
    server.script(move |request, _| {
        if request.path.contains("/reels/0") {
            at_work.fetch_add(1, Ordering::SeqCst);
            return Reply::Wait(Duration::from_millis(1500));
        }
        Reply::Pass
    });
    std::thread::scope(|scope| {
        let running = scope.spawn(|| mirror(&studio.vault(), "far"));
        for n in 1..=2 {
            while seen.load(Ordering::SeqCst) < n {
                std::thread::sleep(Duration::from_millis(5));
            }
            let began = steady();
            let other = studio.vault();
            keep(&other, "organ", 10 + n, &dump(10 + n));
            assert_eq!(takes(&other).len() as u32, 2 + n);
            assert!(
                steady() - began < Duration::from_millis(1200),
                "{:?}",
                steady() - began
            );
            assert_eq!(seen.load(Ordering::SeqCst), n, "it was still under way");
        }
        let told = running.join().unwrap();
        assert_eq!((told.verified, told.error), (1, None));
    });
    hurry(vault.dir(), "far");
    server.behave();
    assert_eq!(mirror(&studio.vault(), "far").verified, 2);
}

/// One location that fails must not take the others with it.
#[test]
fn a_rescue_from_two_shelves_does_without_the_one_that_fails() {
    for refusing in [false, true] {
        for after in [0, 1, 2, 3] {
            let studio = Studio::new();
            let server = BucketServer::start();
            let vault = studio.vault();
            add(&vault, "far", &server.bucket("b"));
            studio.add(&vault, "barn");
            three_reels(&studio, &vault);
            let left = AtomicU32::new(after);
            server.script(move |request, _| {
                let ends = request.path.contains("/reels/0")
                    && left
                        .fetch_update(Ordering::SeqCst, Ordering::SeqCst, |n| n.checked_sub(1))
                        .is_err();
                match (ends, refusing) {
                    (true, true) => Reply::Say(
                        403,
                        "application/xml",
                        b"<Error><Code>AccessDenied</Code></Error>".to_vec(),
                    ),
                    (true, false) => Reply::Drop,
                    _ => Reply::Pass,
                }
            });
            let (rescued, report) = rescue(&studio, &["far", "barn"], "new").unwrap();
            assert_eq!(takes(&rescued), takes(&vault), "{after}: {report:?}");
            assert!(report.damaged.is_empty(), "{after}: {report:?}");
        }
    }
}

#[test]
fn exit_words_follow_what_happened() {
    let (_studio, vault, server) = bucket(1);
    server.die();
    let options = ops::mirror::MirrorOptions::of(&[]);
    let report = ops::mirror::mirror(&vault, &options, WAIT).unwrap();
    // Away is no damage: exit 0 or 1 is for the command to say, never 3.
    assert!(!report.needs_attention(), "{report:?}");
    server.revive();
    let report = ops::mirror::mirror(&vault, &options, WAIT).unwrap();
    assert!(!report.needs_attention() && !report.failed(), "{report:?}");
}

/// What was read once and found bad, or beside the point, is not fetched by every mirror: a host keeps it for ever.
#[test]
fn a_damaged_twin_and_a_stray_object_are_not_fetched_again() {
    let (_studio, vault, server) = bucket(2);
    assert_eq!(mirror(&vault, "far").verified, 2);
    let first = server.reels()[0].clone();
    let twin = format!(
        "{}{}.tar.zst.age",
        &first[..first.len() - 76],
        "0".repeat(64)
    );
    let stray = twin.replacen("reels/000001", "reels/000077", 1);
    for name in [&twin, &stray] {
        server
            .objects()
            .insert(name.clone(), b"not what it is named".to_vec());
    }
    mirror(&vault, "far");
    server.asked();
    assert_eq!(mirror(&vault, "far").verified, 2);
    let asked = server.asked();
    let fetched = |name: &str| asked.iter().any(|l| l.contains(&format!("GET {name}")));
    assert!(!fetched(&twin) && !fetched(&stray), "{asked:#?}");
    // Fixity still reads and names it.
    let lines = found(&fixity(&vault, "far"));
    assert!(
        lines.iter().any(|l| l.contains("forged or renamed")),
        "{lines:?}"
    );
}

/// A line that spoils the same byte of each request: the copy lies, and comes back, under another name.
#[test]
fn a_copy_that_went_astray_is_not_called_mirrored() {
    let (_studio, vault, server) = bucket(2);
    server.script(|request, objects| {
        let reel = request.path.contains("reels/00");
        let astray = request.path.replace("reels/00", "reels/70");
        match (request.method.as_str(), reel) {
            ("PUT", true) => {
                objects.insert(astray, request.body.clone());
                Reply::Say(200, "text/plain", Vec::new())
            }
            ("GET", true) => match objects.get(&astray) {
                Some(body) => Reply::Say(200, "application/octet-stream", body.clone()),
                None => Reply::Pass,
            },
            _ => Reply::Pass,
        }
    });
    let told = mirror(&vault, "far");
    assert!(told.error.is_some_and(|e| e.contains("under their names")));
    assert_eq!((told.reels_sent, told.verified), (0, 0));
    assert!(verified(&vault, "far").is_empty());
    server.behave();
    assert_eq!(mirror(&vault, "far").verified, 2);
    assert_eq!(verified(&vault, "far").len(), 2);
}
