//! Health over real vaults: each state and reason as it comes out of reels, shelves and key sheets.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use farshelf::care::copies::{Copies, LOCAL, copies_of_take};
use farshelf::care::health::{Code, Health, ShelfGlance, ShelfState, State, text};
use farshelf::model::hash::Hash;
use farshelf::ops::health::health_beside;
use farshelf::sys::World;
use farshelf::sys::clock::{FixedClock, rfc3339};
use farshelf::vault::Vault;
use farshelf::vault::catalogue::{Form, ReelCheck, ShelfCheck, ShelfReel};
use farshelf::vault::ledger::{self, Event};
use farshelf::vault::pieces::chunk_line;

const DAY: i64 = 86_400;
/// 2026-10-25T12:00:00Z
const START: i64 = 1_792_929_600;

struct Studio {
    _root: tempfile::TempDir,
    dir: PathBuf,
    clock: Arc<FixedClock>,
    vault: Vault,
}

fn studio(place: Option<&str>) -> Studio {
    let root = tempfile::tempdir().unwrap();
    let dir = root.path().join("vault");
    let clock = Arc::new(FixedClock::at(START));
    let world = World {
        clock: clock.clone(),
        zone: jiff::tz::TimeZone::UTC,
        computer: "desk".into(),
        state_dir: Some(root.path().join("state")),
        ..World::real()
    };
    let place = place.map(|p| p.parse().unwrap());
    let vault = Vault::create(&dir, place.as_ref(), "0".repeat(32), world).unwrap();
    Studio {
        _root: root,
        dir,
        clock,
        vault,
    }
}

/// What can be said about a take when it is kept.
struct Dump<'a> {
    bytes: &'a [u8],
    at: i64,
    doubtful: bool,
    evidence: &'a str,
    section: &'a str,
}

fn dump(bytes: &[u8], at: i64) -> Dump<'_> {
    Dump {
        bytes,
        at,
        doubtful: false,
        evidence: "checksum",
        section: "all",
    }
}

impl Studio {
    fn record(&self, events: &[Event]) {
        let mut writer = self.vault.writer(Duration::ZERO).unwrap();
        for event in events {
            writer.record(event).unwrap();
        }
        writer.commit().unwrap();
    }

    fn keep(&self, device: &str, take: u32, dump: Dump<'_>) {
        let hash = Hash::of(dump.bytes);
        let mut writer = self.vault.writer(Duration::ZERO).unwrap();
        writer.put_piece(Form::Whole, hash, dump.bytes).unwrap();
        let event = take_event(device, take, hash, &dump);
        writer.record(&event).unwrap();
        writer.commit().unwrap();
    }

    fn close(&self) {
        let mut writer = self.vault.writer(Duration::ZERO).unwrap();
        writer.close_reel().unwrap();
    }

    fn shelf(&self, name: &str, place: &str, separate: bool) {
        self.record(&[Event::Shelf(ledger::Shelf {
            shelf: name.into(),
            shelf_id: name.into(),
            kind: "folder".into(),
            location: format!("/mnt/{name}"),
            place: place.into(),
            every_days: 30,
            separate,
            honours: Default::default(),
            dropped: false,
            more: Default::default(),
        })]);
        self.close();
    }

    /// Every reel lies at the shelf and was read back at `at`.
    fn mirrored(&self, name: &str, at: i64, file_system: Option<u64>) {
        let catalogue = self.vault.catalogue();
        let shelf = catalogue.shelf_id(name).unwrap().unwrap();
        for reel in catalogue.reels().unwrap() {
            let row = ShelfReel {
                reel: reel.number,
                object: format!("{}", reel.number),
                bytes: reel.bytes,
                mirrored_at: Some(at),
                verified_at: Some(at),
                damage: None,
            };
            catalogue.set_shelf_reel(shelf, &row).unwrap();
        }
        let check = ShelfCheck {
            mirrored_at: Some(at),
            seen_at: Some(at),
            file_system,
            damage: None,
            ..ShelfCheck::default()
        };
        catalogue.set_shelf_check(shelf, &check).unwrap();
    }

    fn key_sheet(&self, place: &str) {
        self.record(&[Event::KeySheet(ledger::KeySheet {
            place: place.into(),
        })]);
        self.close();
    }

    /// The state of shelves as if each were good.
    fn health(&self) -> Health {
        let shelves = self.vault.catalogue().shelves().unwrap();
        let states = shelves.into_iter().map(|shelf| ShelfGlance {
            offsite: shelf.record.place != "studio",
            name: shelf.name,
            place: shelf.record.place,
            state: ShelfState::Good,
            reason: None,
            located: true,
        });
        health_beside(&self.vault, states.collect()).unwrap()
    }

    fn own_file_system(&self) -> u64 {
        let disk = &self.vault.world().disk;
        disk.meta(&self.dir).unwrap().device
    }

    /// Opens it again as another run of the program would.
    fn reopen(self) -> Studio {
        let world = self.vault.world().clone();
        Studio {
            vault: Vault::open(&self.dir, world).unwrap(),
            ..self
        }
    }
}

fn take_event(device: &str, take: u32, hash: Hash, dump: &Dump<'_>) -> Event {
    Event::Take(ledger::Take {
        device: device.into(),
        take,
        section: Some(dump.section.into()),
        by_hand: false,
        key: "f0".into(),
        blake3: hash.to_string(),
        content: None,
        bytes: dump.bytes.len() as u64,
        messages: 1,
        doubtful: dump.doubtful,
        evidence: dump.evidence.into(),
        findings: vec![],
        reading: 0,
        sysex_number: None,
        patches: 0,
        date: rfc3339(dump.at),
        by: "captured".into(),
        origin: ledger::Origin {
            via: "port".into(),
            ..Default::default()
        },
    })
}

/// One device, three separate copies, one of them elsewhere, and a key sheet elsewhere.
fn safe_studio() -> Studio {
    let studio = studio(Some("studio"));
    studio.keep("bass", 1, dump(b"one", START));
    studio.shelf("usb", "studio", true);
    studio.shelf("flat", "lena's flat", true);
    studio.key_sheet("parents");
    for shelf in ["usb", "flat"] {
        studio.mirrored(shelf, START, Some(1));
    }
    studio
}

fn codes(health: &Health) -> Vec<Code> {
    health.devices[0].reasons.iter().map(|r| r.code).collect()
}

fn check(health: &Health, state: State, expected: &[Code], copies: (u32, u32)) {
    let device = &health.devices[0];
    let got = (device.state, codes(health));
    assert_eq!(got, (state, expected.to_vec()), "{}", text(health));
    assert_eq!(
        (device.copies, device.offsite_copies),
        copies,
        "{}",
        text(health)
    );
    if state != State::Good {
        assert!(!health.good);
    }
}

#[test]
fn a_new_vault_is_not_good_and_says_what_to_do() {
    let health = studio(Some("studio")).health();
    assert!(!health.good && health.devices.is_empty());
    assert_eq!(health.steps().len(), 2);
}

#[test]
fn three_copies_one_elsewhere_and_a_key_sheet_are_safe() {
    let studio = safe_studio();
    let health = studio.health();
    check(&health, State::Good, &[], (3, 1));
    assert!(health.good, "{health:?}");
    let section = &health.devices[0].sections[0];
    assert_eq!(section.section, "all");
    assert_eq!((section.newest_take, section.age_days), (Some(1), Some(0)));
    assert_eq!(section.date.as_deref(), Some("2026-10-25T12:00:00Z"));
    assert_eq!(
        text(&health),
        "bass is safe: 3 copies, one at lena's flat; newest dump from today.\n"
    );
    studio.clock.set(START + 30 * DAY);
    assert_eq!(
        text(&studio.health()),
        "bass is safe: 3 copies, one at lena's flat; newest dump 30 days old.\n"
    );
}

#[test]
fn copies_count_while_they_were_checked_lately() {
    let studio = safe_studio();
    studio.clock.set(START + 35 * DAY);
    check(&studio.health(), State::Good, &[], (3, 1));
    studio.clock.set(START + 36 * DAY);
    let unchecked = [Code::CopiesUnchecked, Code::OffsiteUnchecked];
    check(&studio.health(), State::AtRisk, &unchecked, (0, 0));
    // Reading the vault's own reels and the far shelf again makes those two count.
    let catalogue = studio.vault.catalogue();
    for reel in catalogue.reels().unwrap() {
        let check = ReelCheck {
            verified_at: Some(START + 36 * DAY),
            damage: None,
        };
        catalogue.set_reel_check(reel.number, &check).unwrap();
    }
    studio.mirrored("flat", START + 36 * DAY, Some(1));
    let unchecked = [Code::CopiesUnchecked];
    check(&studio.health(), State::AtRisk, &unchecked, (2, 1));
    // A check dated in the future says nothing.
    studio.mirrored("flat", START + 99 * DAY, Some(1));
    let both = [Code::CopiesUnchecked, Code::OffsiteUnchecked];
    check(&studio.health(), State::AtRisk, &both, (1, 0));
}

#[test]
fn a_write_just_acknowledged_is_the_first_verification() {
    let studio = studio(Some("studio"));
    studio.keep("bass", 1, dump(b"one", START));
    let reasons = [Code::TooFewCopies, Code::TooFewOffsite, Code::NoKeySheet];
    check(&studio.health(), State::AtRisk, &reasons, (1, 0));
    studio.clock.set(START + 36 * DAY);
    check(&studio.health(), State::AtRisk, &reasons, (0, 0));
    studio.keep("bass", 2, dump(b"two", START + 36 * DAY));
    check(&studio.health(), State::AtRisk, &reasons, (1, 0));
}

#[test]
fn one_file_system_counts_once_unless_separate() {
    let check_shelf = |separate: bool, own: bool, copies: (u32, u32), sharing: &[&str]| {
        let studio = studio(Some("studio"));
        studio.keep("bass", 1, dump(b"one", START));
        studio.shelf("flat", "lena's flat", separate);
        let other = studio.own_file_system() + 1;
        let file_system = if own { studio.own_file_system() } else { other };
        studio.mirrored("flat", START, Some(file_system));
        let health = studio.health();
        let device = &health.devices[0];
        assert_eq!((device.copies, device.offsite_copies), copies);
        assert_eq!(health.sharing_a_disk, sharing);
    };
    check_shelf(false, false, (2, 1), &[]);
    check_shelf(true, true, (2, 1), &[]);
    check_shelf(false, true, (1, 0), &["flat"]);
}

#[test]
fn a_shelf_on_the_vaults_own_disk_is_here_also_when_the_vaults_copy_is_gone() {
    let studio = studio(Some("studio"));
    studio.keep("bass", 1, dump(b"one", START));
    studio.shelf("flat", "lena's flat", false);
    studio.mirrored("flat", START, Some(studio.own_file_system()));
    let catalogue = studio.vault.catalogue();
    let piece = catalogue.piece_id(&Hash::of(b"one")).unwrap().unwrap();
    catalogue.mark_piece_damaged(piece, START).unwrap();
    let few = [Code::TooFewCopies, Code::TooFewOffsite, Code::NoKeySheet];
    check(&studio.health(), State::AtRisk, &few, (1, 0));
}

#[test]
fn a_copy_is_as_fresh_as_the_part_that_was_not_read_for_longest() {
    let studio = safe_studio();
    // The same bytes in another device: its line lies in a later reel than its piece.
    studio.keep("twin", 1, dump(b"one", START));
    studio.close();
    studio.mirrored("usb", START + 20 * DAY, None);
    let catalogue = studio.vault.catalogue();
    let usb = catalogue.shelf_id("usb").unwrap().unwrap();
    let mut first = catalogue.shelf_reels(usb).unwrap().remove(0);
    first.verified_at = Some(START + DAY);
    catalogue.set_shelf_reel(usb, &first).unwrap();
    let device = catalogue.device_id("twin").unwrap().unwrap();
    let take = catalogue.take((device << 32) | 1).unwrap().unwrap();
    assert_ne!(take.reel, 1);
    studio.clock.set(START + 20 * DAY);
    let copies = copies_of_take(&studio.vault, &take).unwrap();
    let usb = copies.iter().find(|c| c.where_ == "usb").unwrap();
    assert_eq!(usb.verified_at, START + DAY);
    assert!(copies.iter().all(|c| c.where_ != "flat"));
}

#[test]
fn two_shelves_on_one_disk_count_once() {
    let studio = studio(Some("studio"));
    studio.keep("bass", 1, dump(b"one", START));
    studio.shelf("a", "lena's flat", false);
    studio.shelf("b", "lena's flat", false);
    studio.shelf("c", "the barn", false);
    for (shelf, file_system) in [("a", Some(u64::MAX)), ("b", Some(u64::MAX)), ("c", None)] {
        studio.mirrored(shelf, START, file_system);
    }
    let health = studio.health();
    assert_eq!(health.devices[0].copies, 3);
    assert_eq!(health.devices[0].offsite_copies, 2);
    // One disk cannot be in two places: it is here if one of its shelves is.
    studio.shelf("d", "studio", false);
    studio.mirrored("d", START, Some(u64::MAX));
    for shelf in ["a", "b", "c"] {
        studio.mirrored(shelf, START, (shelf != "c").then_some(u64::MAX));
    }
    assert_eq!(studio.health().devices[0].copies, 3);
    assert_eq!(studio.health().devices[0].offsite_copies, 1);
}

#[test]
fn places_alike_but_for_case_are_one_place() {
    let studio = studio(Some("studio"));
    studio.keep("bass", 1, dump(b"one", START));
    studio.shelf("usb", " STUDIO", true);
    studio.key_sheet("Studio");
    studio.mirrored("usb", START, None);
    let reasons = [Code::TooFewCopies, Code::TooFewOffsite, Code::NoKeySheet];
    check(&studio.health(), State::AtRisk, &reasons, (2, 0));
    assert!(!studio.health().key.confirmed);
    assert_eq!(studio.health().key.places, ["Studio"]);
}

#[test]
fn a_vault_without_a_place_has_nothing_elsewhere() {
    let studio = studio(None);
    studio.keep("bass", 1, dump(b"one", START));
    studio.shelf("usb", "studio", true);
    studio.shelf("flat", "lena's flat", true);
    studio.key_sheet("parents");
    studio.mirrored("usb", START, None);
    studio.mirrored("flat", START, None);
    let reasons = [Code::TooFewOffsite, Code::NoKeySheet];
    check(&studio.health(), State::AtRisk, &reasons, (3, 0));
}

#[test]
fn what_a_shelf_lacks_or_holds_damaged_is_no_copy() {
    let studio = safe_studio();
    studio.keep("bass", 2, dump(b"two", START + DAY));
    studio.close();
    let few = [Code::TooFewCopies, Code::TooFewOffsite];
    check(&studio.health(), State::AtRisk, &few, (1, 0));
    studio.mirrored("flat", START, None);
    let few = [Code::TooFewCopies];
    check(&studio.health(), State::AtRisk, &few, (2, 1));
    studio.mirrored("usb", START, None);
    check(&studio.health(), State::Good, &[], (3, 1));
    let catalogue = studio.vault.catalogue();
    let flat = catalogue.shelf_id("flat").unwrap().unwrap();
    let mut rows = catalogue.shelf_reels(flat).unwrap();
    let last = rows.last_mut().unwrap();
    last.damage = Some("too short".into());
    catalogue.set_shelf_reel(flat, last).unwrap();
    let few = [Code::TooFewCopies, Code::TooFewOffsite];
    check(&studio.health(), State::AtRisk, &few, (2, 0));
}

#[test]
fn sections_are_overdue_by_their_own_interval() {
    let studio = safe_studio();
    let within = |days: i64| {
        studio.clock.set(START + days * DAY);
        for reel in studio.vault.catalogue().reels().unwrap() {
            let check = ReelCheck {
                verified_at: Some(START + days * DAY),
                damage: None,
            };
            let catalogue = studio.vault.catalogue();
            catalogue.set_reel_check(reel.number, &check).unwrap();
        }
        for shelf in ["usb", "flat"] {
            studio.mirrored(shelf, START + days * DAY, None);
        }
    };
    within(90);
    check(&studio.health(), State::Good, &[], (3, 1));
    within(91);
    check(&studio.health(), State::Overdue, &[Code::TooOld], (3, 1));
    studio.record(&[Event::Section(ledger::Section {
        device: "bass".into(),
        section: "all".into(),
        expected: true,
        every_days: Some(365),
        ..Default::default()
    })]);
    check(&studio.health(), State::Good, &[], (3, 1));
    within(366);
    check(&studio.health(), State::Overdue, &[Code::TooOld], (3, 1));
    // Seen again in the device: the same take, a newer sighting.
    studio.record(&[Event::Sighting(ledger::Sighting {
        device: "bass".into(),
        take: 1,
        date: rfc3339(START + 300 * DAY),
        by: "captured".into(),
        corrects: None,
        origin: Default::default(),
    })]);
    let health = studio.health();
    check(&health, State::Good, &[], (3, 1));
    assert_eq!(health.devices[0].sections[0].age_days, Some(66));
}

#[test]
fn sections_not_expected_and_retired_devices_are_not_judged() {
    let studio = safe_studio();
    let section = |name: &str, expected: bool, loose: bool| {
        Event::Section(ledger::Section {
            device: "bass".into(),
            section: name.into(),
            expected,
            loose,
            ..Default::default()
        })
    };
    let gone = Event::Device(ledger::Device {
        device: "sold".into(),
        retired: true,
        ..Default::default()
    });
    studio.record(&[
        section("system", false, false),
        section("patches", true, true),
        gone,
    ]);
    let health = studio.health();
    check(&health, State::Good, &[], (3, 1));
    assert_eq!((health.devices.len(), health.retired), (1, 1));
    assert!(health.good);
    studio.record(&[section("songs", true, false)]);
    let health = studio.health();
    check(&health, State::Overdue, &[Code::NeverDumped], (3, 1));
}

#[test]
fn a_device_without_dumps_is_overdue_and_unknown_dates_are_never_recent() {
    let studio = studio(Some("studio"));
    studio.record(&[Event::Device(ledger::Device {
        device: "bass".into(),
        ..Default::default()
    })]);
    check(
        &studio.health(),
        State::Overdue,
        &[Code::NeverDumped],
        (0, 0),
    );
    let hash = Hash::of(b"old");
    let mut writer = studio.vault.writer(Duration::ZERO).unwrap();
    writer.put_piece(Form::Whole, hash, b"old").unwrap();
    let Event::Take(mut take) = take_event("bass", 1, hash, &dump(b"old", START)) else {
        unreachable!()
    };
    take.date = "unknown".into();
    take.by = "given".into();
    writer.record(&Event::Take(take)).unwrap();
    writer.commit().unwrap();
    drop(writer);
    assert!(codes(&studio.health()).contains(&Code::DateUnknown));
}

#[test]
fn doubtful_and_uncheckable_dumps_are_remarks() {
    let studio = safe_studio();
    let mut torn = dump(b"torn", START + DAY);
    torn.doubtful = true;
    studio.keep("bass", 2, torn);
    studio.clock.set(START + 2 * DAY);
    let health = studio.health();
    check(&health, State::Good, &[Code::NewestDoubtful], (3, 1));
    let section = &health.devices[0].sections[0];
    assert_eq!((section.newest_take, section.age_days), (Some(1), Some(2)));
    // A person's word makes it count: now it is the newest.
    studio.record(&[Event::Vouch(ledger::Vouch {
        device: "bass".into(),
        take: 2,
        text: "I watched it".into(),
    })]);
    studio.close();
    studio.mirrored("usb", START, None);
    studio.mirrored("flat", START, None);
    let health = studio.health();
    check(&health, State::Good, &[], (3, 1));
    assert_eq!(health.devices[0].sections[0].newest_take, Some(2));
    let mut image = dump(b"image", START + 2 * DAY);
    image.evidence = "none";
    studio.keep("bass", 3, image);
    studio.close();
    studio.mirrored("usb", START, None);
    studio.mirrored("flat", START, None);
    check(&studio.health(), State::Good, &[Code::Uncheckable], (3, 1));
    assert!(studio.health().good);
}

#[test]
fn a_battery_is_due_by_its_record() {
    let studio = safe_studio();
    studio.record(&[Event::Device(ledger::Device {
        device: "bass".into(),
        power: Some("coin-soldered".into()),
        fitted_on: Some("2022-03-01".into()),
        ..Default::default()
    })]);
    let health = studio.health();
    check(&health, State::BatteryDue, &[Code::BatteryDue], (3, 1));
    let due = health.devices[0].battery_due.as_deref();
    assert_eq!(due, Some("2027-03-01"));
}

#[test]
fn a_damaged_reel_of_its_own_is_no_copy() {
    let studio = safe_studio();
    let catalogue = studio.vault.catalogue();
    let damage = ReelCheck {
        verified_at: None,
        damage: Some("4 bytes from byte 512 belong to nothing".into()),
    };
    catalogue.set_reel_check(1, &damage).unwrap();
    let health = studio.health();
    check(&health, State::AtRisk, &[Code::TooFewCopies], (2, 1));
    assert_eq!(health.problems.len(), 1);
    assert!(
        text(&health).contains("the vault's own reel 1: 4 bytes"),
        "{}",
        text(&health)
    );
    assert!(text(&health).contains("farshelf repair"));
}

#[test]
fn a_damaged_piece_is_no_copy_and_lost_once_no_shelf_has_it() {
    let studio = safe_studio();
    let catalogue = studio.vault.catalogue();
    let piece = catalogue.piece_id(&Hash::of(b"one")).unwrap().unwrap();
    catalogue.mark_piece_damaged(piece, START).unwrap();
    check(
        &studio.health(),
        State::AtRisk,
        &[Code::TooFewCopies],
        (2, 1),
    );
    for shelf in ["usb", "flat"] {
        let id = catalogue.shelf_id(shelf).unwrap().unwrap();
        catalogue.forget_shelf_reels(id).unwrap();
    }
    let health = studio.health();
    check(
        &health,
        State::Lost,
        &[Code::Lost, Code::TooFewCopies, Code::TooFewOffsite],
        (0, 0),
    );
    assert_eq!(health.lost.len(), 1);
    assert_eq!(
        (health.lost[0].device.as_str(), health.lost[0].take),
        ("bass", 1)
    );
}

#[test]
fn an_older_take_that_is_lost_is_told_too() {
    let studio = safe_studio();
    studio.keep("bass", 2, dump(b"two", START + DAY));
    studio.close();
    studio.mirrored("usb", START, None);
    studio.mirrored("flat", START, None);
    let catalogue = studio.vault.catalogue();
    let first = catalogue.holding(&Hash::of(b"one")).unwrap().unwrap();
    catalogue.mark_piece_damaged(first.piece, START).unwrap();
    check(&studio.health(), State::Good, &[], (3, 1));
    assert!(!studio.health().good, "the damage itself needs attention");
    for shelf in ["usb", "flat"] {
        let id = catalogue.shelf_id(shelf).unwrap().unwrap();
        let mut row = catalogue.shelf_reels(id).unwrap().remove(0);
        assert_eq!(row.reel, first.reel);
        row.damage = Some("missing".into());
        catalogue.set_shelf_reel(id, &row).unwrap();
    }
    let health = studio.health();
    check(&health, State::Lost, &[Code::Lost], (3, 1));
    assert_eq!(health.lost[0].take, 1);
}

#[test]
fn reel_files_that_are_missing_or_short_are_found_by_their_length() {
    let studio = safe_studio();
    let path = studio.vault.reel_path(1);
    let bytes = std::fs::read(&path).unwrap();
    std::fs::write(&path, &bytes[..600]).unwrap();
    let studio = studio.reopen();
    let health = studio.health();
    check(&health, State::AtRisk, &[Code::TooFewCopies], (2, 1));
    assert!(health.problems[0].detail.contains("600 bytes of"));
    std::fs::remove_file(&path).unwrap();
    let studio = studio.reopen();
    let health = studio.health();
    check(&health, State::AtRisk, &[Code::TooFewCopies], (2, 1));
    assert_eq!(health.problems[0].detail, "its file is missing");
    let catalogue = studio.vault.catalogue();
    for shelf in ["usb", "flat"] {
        let id = catalogue.shelf_id(shelf).unwrap().unwrap();
        catalogue.forget_shelf_reels(id).unwrap();
    }
    assert_eq!(studio.health().devices[0].state, State::Lost);
}

#[test]
fn a_damaged_chunk_spoils_every_take_that_needs_it() {
    let studio = studio(Some("studio"));
    let (a, b) = (b"first half".as_slice(), b"second half".as_slice());
    let whole = [a, b].concat();
    let hash = Hash::of(&whole);
    let mut writer = studio.vault.writer(Duration::ZERO).unwrap();
    let mut list = String::new();
    for chunk in [a, b] {
        let name = Hash::of(chunk);
        writer.put_piece(Form::Chunk, name, chunk).unwrap();
        list.push_str(&chunk_line(&name, chunk.len() as u64));
    }
    writer.put_list(Form::Chunked, hash, &list).unwrap();
    let event = take_event("bass", 1, hash, &dump(&whole, START));
    writer.record(&event).unwrap();
    writer.commit().unwrap();
    drop(writer);
    assert_eq!(studio.health().devices[0].copies, 1);
    let catalogue = studio.vault.catalogue();
    let chunk = catalogue.piece_id(&Hash::of(b)).unwrap().unwrap();
    catalogue.mark_piece_damaged(chunk, START).unwrap();
    let health = studio.health();
    assert_eq!(health.devices[0].copies, 0);
    assert_eq!(health.devices[0].state, State::Lost);
    // Stored anew, it heals the take.
    let mut writer = studio.vault.writer(Duration::ZERO).unwrap();
    writer.put_piece(Form::Chunk, Hash::of(b), b).unwrap();
    writer.commit().unwrap();
    drop(writer);
    assert_eq!(studio.health().devices[0].copies, 1);
    assert!(studio.health().lost.is_empty());
}

#[test]
fn copies_of_a_take_are_told_by_place() {
    let studio = safe_studio();
    let catalogue = studio.vault.catalogue();
    let device = catalogue.device_id("bass").unwrap().unwrap();
    let take = catalogue.take((device << 32) | 1).unwrap().unwrap();
    let copies = copies_of_take(&studio.vault, &take).unwrap();
    let told: Vec<(&str, Option<&str>, bool, i64)> = copies
        .iter()
        .map(|c| {
            (
                c.where_.as_str(),
                c.place.as_deref(),
                c.offsite,
                c.verified_at,
            )
        })
        .collect();
    assert_eq!(
        told,
        [
            (LOCAL, Some("studio"), false, START),
            ("flat", Some("lena's flat"), true, START),
            ("usb", Some("studio"), false, START),
        ]
    );
    studio.clock.set(START + 36 * DAY);
    assert_eq!(copies_of_take(&studio.vault, &take).unwrap(), []);
    let all = Copies::of(&studio.vault).unwrap().of_take(&take).unwrap();
    assert_eq!(all.len(), 3);
    assert!(all.iter().all(|copy| !copy.recent));
}
