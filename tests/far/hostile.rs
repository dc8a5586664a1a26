//! A host that lies: whatever can be told by the key or by this vault's own memory is told, and named.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::time::Duration;

use farshelf::care::standing::ShelfState;
use farshelf::error::Kind;
use farshelf::ops::mirror::MirroredShelf;
use farshelf::vault::Vault;

use crate::bucket_server::{BucketServer, Reply, listing};
use crate::common::{Studio, copy_folder, takes};
use crate::far::{
    add, fixity, found, mirror, one_reel, repair, rescue, standing, state, steady, three_reels,
    verified,
};

const ROTTED: &str = "its bytes are not those that were sent";

/// A vault of three reels that are all at the host `far`.
fn lent() -> (Studio, Vault, BucketServer) {
    let studio = Studio::new();
    let server = BucketServer::start();
    let vault = studio.vault();
    add(&vault, "far", &server.host());
    three_reels(&studio, &vault);
    assert_eq!(state(&vault, "far"), (ShelfState::Good, String::new()));
    assert_eq!(verified(&vault, "far"), [1, 2, 3]);
    (studio, vault, server)
}

/// Another vault with another key at the same server.
fn neighbour(server: &BucketServer, n: u32) -> Studio {
    let other = Studio::new();
    let vault = other.create("other", "fedcba98765432100123456789abcdef");
    add(&vault, "far", &server.bucket("shelf2"));
    for i in 0..3 {
        one_reel(&vault, n + i);
        crate::common::mirror(&vault);
    }
    other
}

fn key_of(server: &BucketServer, reel: u64) -> String {
    let begin = format!("shelf/reels/{reel:06}-");
    let keys = server.reels();
    keys.into_iter().find(|k| k.starts_with(&begin)).unwrap()
}

fn contains(lines: &[String], begin: &str, part: &str) {
    let fits = |l: &&String| l.starts_with(begin) && l.contains(part);
    assert!(
        lines.iter().any(|l| fits(&l)),
        "{begin} … {part}: {lines:?}"
    );
}

#[test]
fn an_altered_byte_is_found_told_and_mended() {
    let (studio, vault, server) = lent();
    let key = key_of(&server, 2);
    server.objects().get_mut(&key).unwrap()[700] ^= 1;
    assert_eq!(found(&fixity(&vault, "far")), [format!("2: {ROTTED}")]);
    let (state_now, reason) = state(&vault, "far");
    assert_eq!(
        (state_now, reason.as_str()),
        (
            ShelfState::Damaged,
            "reel 2: its bytes are not those that were sent"
        )
    );
    assert_eq!(verified(&vault, "far"), [1, 3]);
    assert_eq!(mirror(&vault, "far").state, ShelfState::Damaged);
    let (rescued, report) = rescue(&studio, &["far"], "new").unwrap();
    assert_eq!(
        report.damaged.first().and_then(|l| l.reel),
        Some(2),
        "{report:?}"
    );
    assert_eq!(takes(&rescued).len(), 4);
    drop(vault);
    assert_eq!(repair(&studio).repaired.len(), 1);
    assert_eq!(state(&studio.vault(), "far").0, ShelfState::Good);
    assert!(found(&fixity(&studio.vault(), "far")).is_empty());
}

#[test]
fn forged_and_renamed_objects_are_named_and_stop_nothing() {
    let (studio, vault, server) = lent();
    let (two, three) = (key_of(&server, 2), key_of(&server, 3));
    let forged = three.replace("/000003-", "/000009-");
    {
        let mut objects = server.objects();
        let bytes = objects[&three].clone();
        objects.insert(forged, bytes);
        // Renamed: gone under its own name.
        let bytes = objects.remove(&two).unwrap();
        objects.insert(two.replace("/000002-", "/000007-"), bytes);
    }
    let told = mirror(&vault, "far");
    assert_eq!((told.reels_sent, told.state), (0, ShelfState::Damaged));
    assert_eq!(
        told.reason.as_deref(),
        Some("missing: reel 2 was there and is gone")
    );
    contains(&told.notes, "objects there that are no reels", "9 (");
    let lines = found(&fixity(&vault, "far"));
    contains(&lines, "2: missing", "is gone");
    contains(&lines, "7: forged or renamed", "");
    contains(&lines, "9: forged or renamed", "");
    // The tag is over the plain bytes: a reel under another name is still one of ours.
    let (rescued, report) = rescue(&studio, &["far"], "new").unwrap();
    assert_eq!(takes(&rescued), takes(&vault), "{report:?}");
    contains(
        &report.notes,
        "host+http",
        "holds reel 2 under another name",
    );
    drop(vault);
    let report = repair(&studio);
    assert_eq!(
        (report.repaired[0].reel, report.repaired[0].from.as_str()),
        (Some(2), "local")
    );
    assert_eq!(report.unrepairable.len(), 2, "{report:?}");
}

#[test]
fn another_reels_bytes_under_a_reels_name_are_damage() {
    let (studio, vault, server) = lent();
    let (one, two) = (key_of(&server, 1), key_of(&server, 2));
    let bytes = server.objects()[&one].clone();
    server.objects().insert(two, bytes);
    assert_eq!(found(&fixity(&vault, "far")), [format!("2: {ROTTED}")]);
    let (_, report) = rescue(&studio, &["far"], "new").unwrap();
    assert_eq!(report.damaged.first().and_then(|l| l.reel), Some(2));
}

#[test]
fn what_the_listing_omits_is_missing_and_what_it_lists_and_does_not_give_is_damaged() {
    let (studio, vault, server) = lent();
    let (two, three) = (key_of(&server, 2), key_of(&server, 3));
    let hidden = two.clone();
    server.script(move |request, objects| {
        if request.lists("reels") {
            let shown = objects.iter().filter(|(k, _)| **k != hidden);
            let text = listing(
                request,
                shown.map(|(k, b)| (k.clone(), b.len().to_string())),
            );
            return Reply::Say(200, "application/xml", text.into_bytes());
        }
        match request.is("GET", &three) {
            true => Reply::Say(
                404,
                "application/xml",
                b"<Error><Code>NoSuchKey</Code></Error>".to_vec(),
            ),
            false => Reply::Pass,
        }
    });
    assert_eq!(
        mirror(&vault, "far").reason.as_deref(),
        Some("missing: reel 2 was there and is gone")
    );
    let lines = found(&fixity(&vault, "far"));
    contains(&lines, "2: missing", "");
    contains(&lines, "3: it cannot be read", "");
    assert_eq!(verified(&vault, "far"), [1]);
    // Reel 3 is the last that anyone knows of, and it is listed: it is named, and so is the gap.
    let (_, report) = rescue(&studio, &["far"], "new").unwrap();
    let reels: Vec<_> = report.damaged.iter().filter_map(|l| l.reel).collect();
    assert!(reels.contains(&3), "{report:?}");
    assert_eq!(report.reels, 1);
}

/// A gap inside the chain is told by the key alone; newest reels by this vault, or by another shelf.
#[test]
fn a_host_that_goes_back_to_an_earlier_set_is_found_out() {
    let studio = Studio::new();
    let server = BucketServer::start();
    let vault = studio.vault();
    add(&vault, "far", &server.host());
    studio.add(&vault, "barn");
    three_reels(&studio, &vault);
    let earlier = server.objects().clone();
    one_reel(&vault, 3);
    crate::common::mirror(&vault);
    one_reel(&vault, 4);
    crate::common::mirror(&vault);
    *server.objects() = earlier;
    let told = mirror(&vault, "far");
    assert_eq!(
        (told.reels_sent, told.state, told.verified),
        (0, ShelfState::Damaged, 3)
    );
    contains(&found(&fixity(&vault, "far")), "4: missing", "");
    contains(&found(&fixity(&vault, "far")), "5: missing", "");
    let (_, report) = rescue(&studio, &["far", "barn"], "new").unwrap();
    assert_eq!(report.reels, 5);
    contains(
        &report.withheld,
        "shelf far",
        "verified up to reel 4 and lacks reel 4",
    );
    drop(vault);
    assert_eq!(repair(&studio).repaired.len(), 2);
    assert_eq!(mirror(&studio.vault(), "far").verified, 5);
}

#[test]
fn two_vaults_objects_exchanged_are_no_reels_of_either() {
    let (studio, vault, server) = lent();
    let _other = neighbour(&server, 20);
    {
        let mut objects = server.objects();
        let swapped = objects.iter().map(|(key, bytes)| {
            let key = match key.strip_prefix("shelf/") {
                Some(rest) => format!("shelf2/{rest}"),
                None => key.replacen("shelf2/", "shelf/", 1),
            };
            (key, bytes.clone())
        });
        *objects = swapped.collect();
    }
    let told = mirror(&vault, "far");
    assert_eq!((told.reels_sent, told.state), (0, ShelfState::Damaged));
    assert_eq!(
        told.reason.as_deref(),
        Some("shelf.json: its shelf.json names another vault")
    );
    let lines = found(&fixity(&vault, "far"));
    contains(&lines, "shelf.json: its shelf.json names another vault", "");
    contains(&lines, "1: forged or renamed", "");
    contains(&lines, "1: missing", "");
    assert_eq!(
        rescue(&studio, &["far"], "new").unwrap_err().kind,
        Kind::WrongKey
    );
    drop(vault);
    let report = repair(&studio);
    assert!(
        report.repaired.is_empty() && !report.unrepairable.is_empty(),
        "{report:?}"
    );
    // With its own shelf.json in front of the other's reels, still none of them counts.
    let vault = studio.vault();
    let mut objects = server.objects();
    let own = objects["shelf2/shelf.json"].clone();
    objects.insert("shelf/shelf.json".into(), own);
    drop(objects);
    let told = mirror(&vault, "far");
    assert_eq!((told.verified, told.state), (0, ShelfState::Damaged));
}

#[test]
fn lengths_that_are_lies_neither_break_nor_count() {
    for lie in [
        "0",
        "1",
        "9223372036854775807",
        "18446744073709551615",
        "-5",
        "many",
    ] {
        let (studio, vault, server) = lent();
        server.script(move |request, objects| match request.lists("reels") {
            true => {
                let text = listing(
                    request,
                    objects.keys().map(|k| (k.clone(), lie.to_string())),
                );
                Reply::Say(200, "application/xml", text.into_bytes())
            }
            false => Reply::Pass,
        });
        studio.add(&vault, "barn");
        let report = crate::common::mirror(&vault);
        // The liar stops nobody else.
        let all_there = |s: &MirroredShelf| s.verified == 4 && s.state == ShelfState::Good;
        assert!(all_there(&report.shelves[0]), "{lie}: {report:?}");
        let far = standing(&vault, "far");
        assert!(far.bytes < 1 << 28, "{lie}: {} bytes", far.bytes);
        assert!(found(&fixity(&vault, "far")).is_empty(), "{lie}");
        if let Ok((rescued, _)) = rescue(&studio, &["far"], "new") {
            assert_eq!(takes(&rescued).len(), 6, "{lie}");
        }
    }
}

/// Most memory this process ever held, in bytes.
fn most_memory() -> u64 {
    let text = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = text.lines().find_map(|l| l.strip_prefix("VmHWM:"));
    let kilobytes = line.and_then(|l| l.split_whitespace().next()?.parse::<u64>().ok());
    kilobytes.unwrap_or(0) << 10
}

#[test]
fn bodies_without_end_are_given_up() {
    let (studio, vault, server) = lent();
    let began = steady();
    for part in ["/reels/0", "shelf.json", "README.txt", "report.json"] {
        server.script(move |request, _| match request.is("GET", part) {
            true => Reply::Endless(200, vec![b'7'; 1 << 16]),
            false => Reply::Pass,
        });
        mirror(&vault, "far");
        let lines = found(&fixity(&vault, "far"));
        match part {
            "report.json" => assert!(lines.is_empty(), "{lines:?}"),
            "README.txt" => contains(&lines, "readme: ", ""),
            "shelf.json" => contains(&lines, "shelf.json: ", ""),
            _ => contains(&lines, "1: ", ROTTED),
        }
    }
    assert!(rescue(&studio, &["far"], "new").is_ok());
    assert!(
        steady() - began < Duration::from_secs(60),
        "{:?}",
        steady() - began
    );
    assert!(most_memory() < 400 << 20, "{}", most_memory());
}

/// A listing that never ends says nothing of what is there.
#[test]
fn listings_without_end_are_given_up_and_are_no_damage() {
    let (studio, vault, server) = lent();
    let slow = std::env::var("FARSHELF_SLOW").is_ok_and(|v| v == "1");
    // A thousand pages take their time.
    let ways = ["one body", "a circle", "ever new pages"];
    for way in &ways[..if slow { 3 } else { 2 }] {
        let way = *way;
        let page = AtomicU32::new(0);
        server.script(move |request, objects| {
            if !request.lists("reels") {
                return Reply::Pass;
            }
            if way == "one body" {
                return Reply::Endless(200, b"<Contents><Key>x</Key></Contents>".repeat(1000));
            }
            let n = match way {
                "a circle" => 7,
                _ => page.fetch_add(1, Ordering::SeqCst),
            };
            // Forged names, as many as a page may hold, and other ones on each.
            let name = |i: u32| {
                let (tag, mac) = (format!("{n:032x}"), format!("{i:064x}"));
                format!(
                    "{}/reels/000009-{tag}-{mac}.tar.zst.age",
                    request.path.trim_end_matches('/')
                )
            };
            let forged = (0..1000).map(|i| (name(i), "1".to_string()));
            let own = objects
                .iter()
                .map(|(k, b)| (k.clone(), b.len().to_string()));
            let more = format!(
                "<IsTruncated>true</IsTruncated><NextContinuationToken>{n}</NextContinuationToken>"
            );
            let text = listing(request, own.chain(forged))
                .replace("<IsTruncated>false</IsTruncated>", &more);
            Reply::Say(200, "application/xml", text.into_bytes())
        });
        let began = steady();
        let told = mirror(&vault, "far");
        assert!(
            told.error.is_some() && told.state == ShelfState::Good,
            "{way}: {told:?}"
        );
        let report = fixity(&vault, "far");
        assert!(report.good() && !report.complete, "{way}: {report:?}");
        assert!(rescue(&studio, &["far"], "new").is_err(), "{way}");
        assert_eq!(verified(&vault, "far"), [1, 2, 3], "{way}");
        assert!(slow || steady() - began < Duration::from_secs(20), "{way}");
    }
}

/// Whatever the keeper says, only reading counts: its alarms are looked into, its praise is nothing.
#[test]
fn a_report_that_lies_changes_no_verdict() {
    let (_studio, vault, server) = lent();
    let key = key_of(&server, 2);
    let report = |damaged: &[String]| {
        let text = serde_json::json!({
            "checked_at": "2026-10-25T12:00:00Z", "objects": 9, "bytes": 9, "quota": null, "damaged": damaged,
        });
        Reply::Say(200, "application/json", text.to_string().into_bytes())
    };
    let say = |reply: Reply| {
        server.script(move |request, _| match request.is("GET", "report.json") {
            true => reply.clone(),
            false => Reply::Pass,
        });
    };
    // All good, and it is not.
    say(report(&[]));
    server.objects().get_mut(&key).unwrap()[700] ^= 1;
    assert_eq!(found(&fixity(&vault, "far")), [format!("2: {ROTTED}")]);
    assert_eq!(mirror(&vault, "far").state, ShelfState::Damaged);
    server.objects().get_mut(&key).unwrap()[700] ^= 1;
    assert!(found(&fixity(&vault, "far")).is_empty());
    // All damaged, and nothing is: everything is read, and it stays good.
    let all: Vec<String> = server
        .reels()
        .iter()
        .map(|k| k.replace("shelf/", ""))
        .collect();
    say(report(&all));
    server.asked();
    let told = mirror(&vault, "far");
    assert_eq!(
        (told.state, told.verified, told.error),
        (ShelfState::Good, 3, None)
    );
    let reads = server
        .asked()
        .iter()
        .filter(|l| l.starts_with("GET shelf/reels/0"))
        .count();
    assert_eq!(reads, 3);
    // Its alarm is right: the mirror finds what it would not have read.
    server.objects().get_mut(&key).unwrap()[700] ^= 1;
    let told = mirror(&vault, "far");
    assert_eq!(told.reason, Some(format!("reel 2: {ROTTED}")));
    server.objects().get_mut(&key).unwrap()[700] ^= 1;
    assert!(found(&fixity(&vault, "far")).is_empty());
    for nonsense in [
        Reply::Say(200, "application/json", b"{\"damaged\": 7}".to_vec()),
        Reply::Say(200, "application/json", Vec::new()),
        Reply::Say(200, "application/json", vec![b'['; 3 << 20]),
        Reply::Say(200, "text/html", b"<html>hello".to_vec()),
        Reply::Say(403, "application/xml", Vec::new()),
        Reply::Half(200, b"{\"damaged\": []}".to_vec()),
        Reply::Drop,
    ] {
        say(nonsense.clone());
        let told = mirror(&vault, "far");
        assert_eq!(
            (told.state, told.verified, told.error),
            (ShelfState::Good, 3, None),
            "{nonsense:?}"
        );
    }
}

/// A server that says yes and does not keep what it was given.
#[test]
fn what_is_not_kept_as_it_was_sent_is_never_called_mirrored() {
    type Keep = fn(&[u8]) -> Option<Vec<u8>>;
    let ways: [(&str, Keep); 4] = [
        ("nothing", |_| None),
        ("half", |bytes| Some(bytes[..bytes.len() / 2].to_vec())),
        ("altered", |bytes| {
            let mut bytes = bytes.to_vec();
            bytes[900] ^= 4;
            Some(bytes)
        }),
        ("empty", |_| Some(Vec::new())),
    ];
    for (what, keep) in ways {
        let (studio, vault, server) = lent();
        one_reel(&vault, 3);
        server.script(move |request, objects| {
            if !request.is("PUT", "/reels/") {
                return Reply::Pass;
            }
            if let Some(bytes) = keep(&request.body) {
                objects.insert(request.path.clone(), bytes);
            }
            Reply::Say(200, "text/plain", Vec::new())
        });
        let told = mirror(&vault, "far");
        assert_eq!((told.reels_sent, told.verified), (0, 3), "{what}: {told:?}");
        assert!(
            told.error.is_some() && told.state != ShelfState::Good,
            "{what}: {told:?}"
        );
        assert_eq!(verified(&vault, "far"), [1, 2, 3], "{what}");
        assert_ne!(state(&vault, "far").0, ShelfState::Good, "{what}");
        // However often it is asked, it is not given the same for ever.
        for _ in 0..12 {
            let told = mirror(&vault, "far");
            assert_eq!((told.reels_sent, told.verified), (0, 3), "{what}: {told:?}");
            assert_ne!(told.state, ShelfState::Good, "{what}: {told:?}");
        }
        assert!(
            server.reels().len() <= 3 + 8,
            "{what}: {:?}",
            server.reels()
        );
        assert_eq!(verified(&vault, "far"), [1, 2, 3], "{what}");
        // Once it keeps what it is given, it is made whole.
        server.behave();
        drop(vault);
        repair(&studio);
        let vault = studio.vault();
        let told = mirror(&vault, "far");
        assert_eq!(
            (told.verified, told.state),
            (4, ShelfState::Good),
            "{what}: {told:?}"
        );
        assert!(found(&fixity(&vault, "far")).is_empty(), "{what}");
    }
}

/// It gives the right bytes to whoever reads back, and other ones later.
#[test]
fn an_honest_first_answer_does_not_last() {
    let (_studio, vault, server) = lent();
    let turned = Arc::new(AtomicBool::new(false));
    let is_turned = Arc::clone(&turned);
    server.script(move |request, objects| {
        if request.is("GET", "/reels/0") && is_turned.load(Ordering::SeqCst) {
            let mut bytes = objects[&request.path].clone();
            let n = bytes.len();
            bytes.truncate(n - 1);
            return Reply::Say(200, "application/octet-stream", bytes);
        }
        Reply::Pass
    });
    one_reel(&vault, 3);
    assert_eq!(mirror(&vault, "far").verified, 4);
    turned.store(true, Ordering::SeqCst);
    assert_eq!(found(&fixity(&vault, "far")).len(), 4);
    assert!(verified(&vault, "far").is_empty());
}

#[test]
fn an_older_vault_finds_the_shelf_ahead_or_forked_and_writes_nothing() {
    let (studio, vault, server) = lent();
    drop(vault);
    copy_folder(&studio.path("vault"), &studio.path("kept"));
    let vault = studio.vault();
    one_reel(&vault, 3);
    assert_eq!(mirror(&vault, "far").verified, 4);
    drop(vault);
    std::fs::remove_dir_all(studio.path("vault")).unwrap();
    copy_folder(&studio.path("kept"), &studio.path("vault"));
    let vault = studio.vault();
    server.asked();
    let told = mirror(&vault, "far");
    assert!(
        told.reason
            .as_ref()
            .is_some_and(|r| r.starts_with("ahead: ")),
        "{told:?}"
    );
    contains(&found(&fixity(&vault, "far")), "ahead: ", "4 (");
    keep_other(&vault);
    let told = mirror(&vault, "far");
    assert_eq!(told.state, ShelfState::Damaged);
    vault
        .writer(crate::common::WAIT)
        .unwrap()
        .close_reel()
        .unwrap();
    let told = mirror(&vault, "far");
    assert!(
        told.reason
            .as_ref()
            .is_some_and(|r| r.starts_with("forked: ")),
        "{told:?}"
    );
    assert!(!server.asked().iter().any(|l| l.starts_with("PUT")));
}

fn keep_other(vault: &Vault) {
    crate::common::keep(vault, "organ", 7, &crate::common::dump(77));
}
