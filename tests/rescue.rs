//! Rebuilding a vault from shelves and a key: what redundancy allows, and the truth about the rest.

#[path = "common/vaults.rs"]
mod common;

use std::fs;
use std::path::PathBuf;

use common::{Studio, WAIT, copy_folder, cut, dump, flip, keep, mirror, takes};
use farshelf::care::standing::ShelfState;
use farshelf::error::{Kind, Result};
use farshelf::ops;
use farshelf::ops::rescue::{RescueOptions, RescueReport, Until, rescue};
use farshelf::shelf::cipher::Identity;
use farshelf::vault::Vault;

fn options<'a>(studio: &'a Studio, shelves: &[&str], to: &str) -> RescueOptions<'a> {
    RescueOptions {
        locations: shelves
            .iter()
            .map(|s| farshelf::shelf::registry::Reach::folder(&studio.path(s)))
            .collect(),
        identity: &studio.identity,
        to: studio.path(to),
        line: None,
        until: None,
        progress: std::sync::Arc::new(farshelf::ops::mirror::Silent),
    }
}

fn run(studio: &Studio, options: &RescueOptions<'_>) -> Result<(Vault, RescueReport)> {
    rescue(options, &studio.elsewhere(), WAIT)
}

fn object(studio: &Studio, shelf: &str, reel: usize) -> PathBuf {
    let prefix = format!("{reel:06}-");
    studio
        .objects(shelf)
        .into_iter()
        .find(|p| {
            p.file_name()
                .unwrap()
                .to_str()
                .unwrap()
                .starts_with(&prefix)
        })
        .unwrap()
}

#[test]
fn everything_comes_back_and_the_shelves_are_taken_up_again() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn", "loft"]);
    let key = b"an age file".to_vec();
    let key_name = farshelf::shelf::name::KeysName::of(1, &key).to_string();
    fs::write(studio.path("vault/keys").join(&key_name), &key).unwrap();
    mirror(&vault);
    let before = takes(&vault);
    drop(vault);
    fs::remove_dir_all(studio.path("vault")).unwrap();
    let (vault, report) = run(&studio, &options(&studio, &["barn"], "new")).unwrap();
    assert_eq!(
        (report.takes, report.devices, report.reels, report.last_reel),
        (6, 1, 3, 3)
    );
    assert_eq!(report.last_date, Some(common::START + 2 * common::DAY));
    assert!(report.damaged.is_empty() && report.withheld.is_empty() && report.left.is_empty());
    assert_eq!(takes(&vault), before);
    assert_eq!(vault.settings().place.as_deref(), Some("studio"));
    let key_file = fs::read_to_string(studio.path("new/key.txt")).unwrap();
    assert!(key_file.contains(&studio.key_line()));
    assert!(!farshelf::sys::disk::is_open_to_others(&studio.path("new")));
    assert!(!farshelf::sys::disk::is_open_to_others(
        &studio.path("new/key.txt")
    ));
    assert_eq!(
        fs::read(studio.path("new/keys").join(key_name)).unwrap(),
        key
    );
    assert!(!studio.path("new/.rescue-unfinished").exists());
    assert!(!studio.path("new/incoming/rescue").exists());
    // What was read counts as verified there, nothing else does, and where they are is not known.
    let listed = ops::shelf::list(&vault).unwrap();
    assert_eq!(
        (listed[0].name.as_str(), listed[0].reels, listed[0].state),
        ("barn", 3, ShelfState::Away)
    );
    assert_eq!(
        (listed[1].name.as_str(), listed[1].reels, listed[1].state),
        ("loft", 0, ShelfState::Away)
    );
    let (vault, _) = Vault::reindex(vault.dir(), studio.elsewhere(), WAIT).unwrap();
    assert_eq!(ops::shelf::list(&vault).unwrap()[1].reels, 0);
    for name in ["barn", "loft"] {
        assert!(studio.add(&vault, name).taken_up);
    }
    keep(&vault, "organ", 7, &dump(7));
    for shelf in mirror(&vault).shelves {
        assert_eq!(
            (shelf.state, shelf.verified),
            (ShelfState::Good, 4),
            "{shelf:?}"
        );
        assert_eq!(shelf.reels_sent, 1);
    }
    assert_eq!(vault.reel_numbers().unwrap(), [1, 2, 3, 4]);
}

#[test]
fn a_persons_own_names_of_makers_come_back() {
    let studio = Studio::new();
    drop(studio.three_reels(&["barn"]));
    let path = studio.path("vault/farshelf.toml");
    let mut text = fs::read_to_string(&path).unwrap();
    text.push_str("\n[makers]\n\"00 21 7f\" = \"my \\\"workshop\\\"\"\n43 = \"Böhms Keller\"\n");
    fs::write(&path, text).unwrap();
    let vault = studio.open("vault");
    keep(&vault, "organ", 7, &dump(7));
    mirror(&vault);
    let asked = vault.settings().clone();
    assert_eq!(asked.makers.len(), 2);
    drop(vault);
    fs::remove_dir_all(studio.path("vault")).unwrap();
    let (vault, _) = run(&studio, &options(&studio, &["barn"], "new")).unwrap();
    assert_eq!(vault.settings(), &asked);
    drop(vault);
    // Also as the next command reads them.
    let vault = Vault::open(&studio.path("new"), studio.elsewhere()).unwrap();
    assert_eq!(vault.settings(), &asked);
    let names = vault.settings().names();
    for (id, name) in [("00 21 7F", "my \"workshop\""), ("43", "Böhms Keller")] {
        assert_eq!(names.of(&id.parse().unwrap()), Some(name));
    }
}

#[test]
fn two_half_ruined_shelves_make_one_vault() {
    type Harm = fn(&std::path::Path);
    let harms: [Harm; 4] = [
        |p| flip(p, 1000),
        cut,
        |p| fs::remove_file(p).unwrap(),
        |p| {
            fs::remove_file(p).unwrap();
            std::os::unix::fs::symlink("/dev/zero", p).unwrap();
        },
    ];
    for harm in harms {
        let studio = Studio::new();
        let vault = studio.three_reels(&["barn", "loft"]);
        harm(&object(&studio, "barn", 1));
        harm(&object(&studio, "barn", 3));
        harm(&object(&studio, "loft", 2));
        fs::remove_file(studio.path("barn/shelf.json")).unwrap();
        fs::write(
            studio.path("loft/shelf.json"),
            r#"{"format":1,"vault":"ffffffffffffffffffffffffffffffff","shelf":"x"}"#,
        )
        .unwrap();
        let (new, report) = run(
            &studio,
            &options(&studio, &["nowhere", "barn", "loft"], "new"),
        )
        .unwrap();
        assert_eq!(takes(&new), takes(&vault));
        assert_eq!(report.damaged, []);
        assert_eq!(report.notes.len(), 1, "{report:?}");
    }
}

#[test]
fn what_is_gone_everywhere_is_named_with_reels_and_takes() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    keep(&vault, "organ", 7, &dump(7));
    // Takes 3's bytes again under another number: its ledger line is here, its bytes only in reel 2.
    keep(&vault, "organ", 8, &dump(3));
    mirror(&vault);
    flip(&object(&studio, "barn", 2), 700);
    let (new, report) = run(&studio, &options(&studio, &["barn"], "new")).unwrap();
    assert_eq!(report.reels, 3);
    let reels: Vec<_> = report.damaged.iter().filter_map(|d| d.reel).collect();
    assert_eq!(reels, [2], "{report:?}");
    let lost: Vec<_> = report
        .damaged
        .iter()
        .filter_map(|d| d.take.clone())
        .map(|t| t.1)
        .collect();
    assert_eq!(lost, [8, 3, 4], "{report:?}");
    assert_eq!(takes(&new).len(), 5);
    // Found again later, the reel comes back.
    flip(&object(&studio, "barn", 2), 700);
    assert!(studio.add(&new, "barn").taken_up);
    mirror(&new);
    let (new, report) = ops::repair::repair(
        new,
        Some(&studio.identity),
        ops::repair::Look::Everywhere,
        WAIT,
    )
    .unwrap();
    assert_eq!(report.repaired.len(), 1, "{report:?}");
    assert_eq!(takes(&new).len(), 8);
}

#[test]
fn numbering_goes_on_past_what_was_seen_and_could_not_be_read() {
    let studio = Studio::new();
    studio.three_reels(&["barn"]);
    flip(&object(&studio, "barn", 3), 700);
    let (new, report) = run(&studio, &options(&studio, &["barn"], "new")).unwrap();
    assert_eq!((report.last_reel, report.reels), (2, 2));
    assert!(report.damaged.iter().any(|d| d.reel == Some(3)));
    keep(&new, "organ", 9, &dump(9));
    assert_eq!(new.reel_numbers().unwrap(), [1, 2, 4]);
    // A forged name far ahead does not drive the numbers up.
    let name = object(&studio, "barn", 3)
        .file_name()
        .unwrap()
        .to_str()
        .unwrap()
        .to_string();
    fs::copy(
        object(&studio, "barn", 3),
        studio
            .path("barn/reels")
            .join(name.replacen("000003", "18446744073709551615", 1)),
    )
    .unwrap();
    let (new, _) = run(&studio, &options(&studio, &["barn"], "newer")).unwrap();
    keep(&new, "organ", 9, &dump(9));
    assert_eq!(new.reel_numbers().unwrap(), [1, 2, 4]);
}

#[test]
fn a_withheld_reel_is_named_by_what_later_reels_say() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn", "loft"]);
    // Reel 4 says that both shelves were verified up to reel 3.
    keep(&vault, "organ", 7, &dump(7));
    ops::mirror::mirror(
        &vault,
        &ops::mirror::MirrorOptions::of(&["loft".to_string()]),
        WAIT,
    )
    .unwrap();
    let (_, report) = run(&studio, &options(&studio, &["barn", "loft"], "fine")).unwrap();
    assert_eq!(report.withheld, [] as [String; 0]);
    fs::remove_file(object(&studio, "barn", 3)).unwrap();
    let (_, report) = run(&studio, &options(&studio, &["barn", "loft"], "new")).unwrap();
    assert_eq!(report.takes, 7);
    assert_eq!(report.withheld.len(), 1, "{report:?}");
    assert!(report.withheld[0].contains("barn") && report.withheld[0].contains("lacks reel 3"));
    // From that shelf alone the last word is older, and that is what is printed.
    let (_, report) = run(&studio, &options(&studio, &["barn"], "old")).unwrap();
    assert_eq!(
        (report.last_reel, report.last_date),
        (2, Some(common::START + common::DAY))
    );
}

#[test]
fn a_wrong_key_and_a_wrong_folder_are_told_apart() {
    let studio = Studio::new();
    studio.three_reels(&["barn"]);
    let other = Identity::generate();
    let mut wrong = options(&studio, &["barn"], "new");
    wrong.identity = &other;
    let error = run(&studio, &wrong).unwrap_err();
    assert_eq!(error.kind, Kind::WrongKey);
    assert!(error.fact().contains("does not fit"), "{}", error.fact());
    // Nothing stands in the way of the right key.
    run(&studio, &options(&studio, &["barn"], "new")).unwrap();
    let error = run(&studio, &options(&studio, &["barn"], "new")).unwrap_err();
    assert_eq!(error.kind, Kind::Refused);
    assert_eq!(
        run(&studio, &options(&studio, &["state"], "x"))
            .unwrap_err()
            .kind,
        Kind::NotFound
    );
    assert_eq!(
        run(&studio, &options(&studio, &["nowhere"], "x"))
            .unwrap_err()
            .kind,
        Kind::NotFound
    );
}

#[test]
fn a_rescue_that_died_is_begun_again() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    let to = studio.path("new");
    fs::create_dir_all(to.join("reels")).unwrap();
    fs::create_dir_all(to.join("incoming/rescue")).unwrap();
    fs::write(to.join(".rescue-unfinished"), "").unwrap();
    fs::write(to.join("reels/000001.tar"), "half").unwrap();
    fs::write(to.join("reels/000009.tar"), "half").unwrap();
    fs::write(to.join("catalogue-new.sqlite"), "half").unwrap();
    let (new, _) = run(&studio, &options(&studio, &["barn"], "new")).unwrap();
    assert_eq!(takes(&new), takes(&vault));
    assert_eq!(new.reel_numbers().unwrap(), [1, 2, 3]);
}

#[test]
fn a_rescue_that_died_before_its_mark_stood_is_begun_again() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    let to = studio.path("new");
    fs::create_dir_all(&to).unwrap();
    let draft = to.join(".unfinished-1-0-.rescue-unfinished");
    fs::write(&draft, "A res").unwrap();
    let (new, _) = run(&studio, &options(&studio, &["barn"], "new")).unwrap();
    assert_eq!(takes(&new), takes(&vault));
    assert!(!draft.exists());
}

#[test]
fn lines_are_named_chosen_and_accepted() {
    let studio = Studio::new();
    let desk = studio.three_reels(&["barn"]);
    copy_folder(&studio.path("vault"), &studio.path("copy"));
    let laptop = Vault::open(&studio.path("copy"), studio.elsewhere()).unwrap();
    keep(&desk, "organ", 7, &dump(7));
    mirror(&desk);
    keep(&laptop, "organ", 7, &dump(107));
    studio.add(&laptop, "loft");
    ops::mirror::mirror(
        &laptop,
        &ops::mirror::MirrorOptions::of(&["loft".to_string()]),
        WAIT,
    )
    .unwrap();
    // Two lines at two shelves, neither accepted.
    let both = options(&studio, &["barn", "loft"], "new");
    let error = run(&studio, &both).unwrap_err();
    assert_eq!(error.kind, Kind::Refused);
    let fact = error.fact();
    assert!(
        fact.contains("on desk 2026-") && fact.contains("on laptop 2026-"),
        "{fact}"
    );
    let next = error.next_step().text().unwrap();
    assert!(next.contains("--line "), "{next}");
    let tag_on = |computer: &str| {
        let end = fact.find(&format!("written on {computer}")).unwrap();
        let start = fact[..end].rfind(" (reel").unwrap();
        fact[start - 32..start].to_string()
    };
    for (computer, vault) in [("desk", &desk), ("laptop", &laptop)] {
        let mut chosen = options(&studio, &["barn", "loft"], computer);
        chosen.line = Some(tag_on(computer));
        let (new, report) = run(&studio, &chosen).unwrap();
        assert_eq!(takes(&new), takes(vault), "{computer}");
        assert_eq!(report.left.len(), 1);
        // The other line was accepted by that, and numbering goes on past it.
        keep(&new, "organ", 30, &dump(30));
        assert_eq!(new.reel_numbers().unwrap(), [1, 2, 3, 4, 5]);
    }
    // Once the desk has accepted the laptop's reels, its line is the vault.
    ops::shelf::drop_shelf(&laptop, "barn", WAIT).unwrap();
    copy_folder(&studio.path("loft/reels"), &studio.path("barn/reels"));
    let shelf = mirror(&desk).shelves.remove(0);
    assert!(
        shelf.reason.unwrap().starts_with("forked"),
        "two fourth reels"
    );
    ops::shelf::accept(&desk, "barn", WAIT).unwrap();
    mirror(&desk);
    let (new, report) = run(&studio, &options(&studio, &["barn"], "new")).unwrap();
    assert_eq!(takes(&new), takes(&desk));
    assert_eq!(report.left.len(), 1);
}

#[test]
fn until_stops_early_and_leaves_the_rest_at_the_shelf() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    let cases = [
        (Until::Reel(2), 4),
        (Until::Reel(9), 6),
        (Until::Instant(common::START + common::DAY + 60), 4),
    ];
    for (index, (until, expected)) in cases.into_iter().enumerate() {
        let mut early = options(&studio, &["barn"], &format!("new{index}"));
        early.until = Some(until);
        let (new, report) = run(&studio, &early).unwrap();
        assert_eq!(takes(&new).len(), expected, "{until:?}");
        assert_eq!(report.damaged, [], "{until:?}");
        keep(&new, "organ", 30, &dump(30));
        // The reel with the acceptance is past all that was seen; take 30 lies in it.
        assert_eq!(new.reel_numbers().unwrap().last(), Some(&4), "{until:?}");
    }
    let mut none = options(&studio, &["barn"], "none");
    none.until = Some(Until::Instant(common::START - 1));
    assert_eq!(run(&studio, &none).unwrap_err().kind, Kind::NotFound);
    assert_eq!(takes(&vault).len(), 6);
}

/// A desk and a laptop that both went on after the third reel: `reels` further ones at barn and at loft.
fn forked(reels: u32) -> (Studio, Vault, Vault) {
    let studio = Studio::new();
    let desk = studio.three_reels(&["barn"]);
    copy_folder(&studio.path("vault"), &studio.path("copy"));
    let laptop = Vault::open(&studio.path("copy"), studio.elsewhere()).unwrap();
    studio.add(&laptop, "loft");
    for n in 7..7 + reels {
        keep(&desk, "organ", n, &dump(n));
        mirror(&desk);
        keep(&laptop, "organ", n, &dump(100 + n));
        ops::mirror::mirror(
            &laptop,
            &ops::mirror::MirrorOptions::of(&["loft".to_string()]),
            WAIT,
        )
        .unwrap();
    }
    (studio, desk, laptop)
}

fn tag_of(studio: &Studio, shelf: &str, reel: usize) -> String {
    let path = object(studio, shelf, reel);
    path.file_name().unwrap().to_str().unwrap()[7..39].to_string()
}

#[test]
fn a_gap_never_makes_one_line_of_two() {
    let (studio, desk, laptop) = forked(2);
    fs::remove_file(object(&studio, "loft", 4)).unwrap();
    // The desk's line ends with reel 4, right below what is left of the laptop's.
    fs::remove_file(object(&studio, "barn", 5)).unwrap();
    let both = ["barn", "loft"];
    let error = run(&studio, &options(&studio, &both, "new")).unwrap_err();
    assert_eq!(error.kind, Kind::Refused);
    for (shelf, reel, vault) in [("barn", 4, &desk), ("loft", 5, &laptop)] {
        let mut chosen = options(&studio, &both, &format!("new-{shelf}"));
        chosen.line = Some(tag_of(&studio, shelf, reel));
        let (new, _) = run(&studio, &chosen).unwrap();
        let (all, got) = (takes(vault), takes(&new));
        assert!(got.iter().all(|t| all.contains(t)), "{shelf}: {got:?}");
        assert_eq!(got.len(), 7, "{shelf}");
    }
}

#[test]
fn a_line_is_named_by_any_reel_that_is_its_own() {
    let (studio, desk, _) = forked(2);
    let both = ["barn", "loft"];
    let with = |line: String, to: &str| {
        let mut chosen = options(&studio, &both, to);
        chosen.line = Some(line);
        run(&studio, &chosen)
    };
    let inner = tag_of(&studio, "barn", 4);
    let (new, _) = with(inner.clone(), "inner").unwrap();
    assert_eq!(takes(&new), takes(&desk));
    with(inner[..6].to_string(), "short").unwrap();
    let error = with(inner[..5].to_string(), "shorter").unwrap_err();
    assert_eq!(error.kind, Kind::Usage);
    let shared = with(tag_of(&studio, "barn", 2), "shared").unwrap_err();
    assert_eq!(shared.kind, Kind::Refused);
    // Before they parted there is one line.
    let mut early = options(&studio, &both, "early");
    early.until = Some(Until::Reel(3));
    let (new, _) = run(&studio, &early).unwrap();
    assert_eq!(takes(&new).len(), 6);
    keep(&new, "organ", 30, &dump(30));
    assert_eq!(new.reel_numbers().unwrap(), [1, 2, 3, 6]);
}

#[test]
fn a_refused_rescue_leaves_nothing_behind() {
    let (studio, ..) = forked(1);
    let other = Identity::generate();
    let mut wrong = options(&studio, &["barn"], "new");
    wrong.identity = &other;
    assert_eq!(run(&studio, &wrong).unwrap_err().kind, Kind::WrongKey);
    let both = options(&studio, &["barn", "loft"], "new");
    assert_eq!(run(&studio, &both).unwrap_err().kind, Kind::Refused);
    assert!(!studio.path("new").exists());
    fs::create_dir(studio.path("new")).unwrap();
    assert_eq!(run(&studio, &both).unwrap_err().kind, Kind::Refused);
    assert_eq!(common::files(&studio.path("new")), [] as [PathBuf; 0]);
}

#[test]
fn the_key_is_never_laid_among_the_copies() {
    let studio = Studio::new();
    studio.three_reels(&["barn"]);
    std::os::unix::fs::symlink(studio.path("barn"), studio.path("link")).unwrap();
    for to in ["barn/new", "link/new/deeper", "barn"] {
        let error = run(&studio, &options(&studio, &["barn"], to)).unwrap_err();
        assert_eq!(error.kind, Kind::Refused, "{to}");
    }
    assert!(!studio.path("barn/new").exists());
}

#[test]
fn a_reel_closed_with_damage_is_no_second_vault_and_stays_as_it_is() {
    let headers = |path: &PathBuf| -> Vec<usize> {
        let bytes = fs::read(path).unwrap();
        (0..bytes.len() / 512)
            .map(|i| i * 512)
            .filter(|at| bytes[at + 257..].starts_with(b"ustar"))
            .collect()
    };
    // The header of reel.json, or that of the last ledger member, was hit before the reel was closed.
    for last in [false, true] {
        let studio = Studio::new();
        let vault = studio.three_reels(&["barn"]);
        keep(&vault, "organ", 7, &dump(7));
        keep(&vault, "organ", 8, &dump(8));
        let path = vault.reel_path(4);
        drop(vault);
        let at = headers(&path);
        flip(&path, if last { at[at.len() - 1] } else { at[0] } + 3);
        let vault = studio.vault();
        mirror(&vault);
        if !last {
            keep(&vault, "organ", 9, &dump(9));
            mirror(&vault);
        }
        let (new, report) = run(&studio, &options(&studio, &["barn"], "new")).unwrap();
        assert_eq!(report.reels, if last { 4 } else { 5 });
        assert_eq!(
            fs::read(new.reel_path(4)).unwrap(),
            fs::read(vault.reel_path(4)).unwrap()
        );
        studio.add(&new, "barn");
        let shelf = mirror(&new).shelves.remove(0);
        assert!(shelf.reason.is_none_or(|r| !r.contains("forked")));
    }
}

#[test]
fn what_is_beside_the_reels_stops_no_rescue() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn", "loft"]);
    let key = b"an age file".to_vec();
    let key_name = farshelf::shelf::name::KeysName::of(1, &key).to_string();
    fs::write(studio.path("vault/keys").join(&key_name), &key).unwrap();
    mirror(&vault);
    fs::remove_dir_all(studio.path("barn/keys")).unwrap();
    fs::write(studio.path("barn/keys"), "no folder").unwrap();
    fs::remove_file(studio.path("loft/shelf.json")).unwrap();
    // Another vault's shelf with later reels is beside them.
    let other = Studio::new();
    let shed = other.three_reels(&["shed"]);
    keep(&shed, "organ", 7, &dump(7));
    mirror(&shed);
    copy_folder(&other.path("shed"), &studio.path("shed"));
    fs::remove_file(studio.path("shed/shelf.json")).unwrap();
    let (new, report) = run(&studio, &options(&studio, &["barn", "loft", "shed"], "new")).unwrap();
    assert_eq!(takes(&new), takes(&vault));
    assert_eq!(
        fs::read(studio.path("new/keys").join(key_name)).unwrap(),
        key
    );
    assert_eq!(report.damaged, []);
    assert!(
        report.notes.iter().any(|n| n.contains("shed")),
        "{report:?}"
    );
    keep(&new, "organ", 9, &dump(9));
    assert_eq!(new.reel_numbers().unwrap(), [1, 2, 3, 4]);
}

#[test]
fn a_newest_reel_found_whole_later_is_not_passed_over_in_silence() {
    let studio = Studio::new();
    studio.three_reels(&["barn", "loft"]);
    flip(&object(&studio, "barn", 3), 700);
    let (new, report) = run(&studio, &options(&studio, &["barn"], "new")).unwrap();
    assert!(report.damaged.iter().any(|d| d.reel == Some(3)));
    studio.add(&new, "barn");
    studio.add(&new, "loft");
    let report = mirror(&new);
    let reason = |i: usize| report.shelves[i].reason.clone().unwrap_or_default();
    assert!(!reason(0).contains("forked"), "{report:?}");
    assert!(reason(1).starts_with("forked"), "{report:?}");
    assert_eq!(new.reel_numbers().unwrap(), [1, 2, 4]);
}
