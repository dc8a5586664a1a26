//! Every byte of a small vault's reels and of a shelf's files flipped, every file cut at every length, grown, exchanged,
//! renamed and removed: found, named, mended, and never given out as good.

use std::collections::BTreeSet;

use farshelf::care::standing::ShelfState;
use farshelf::ops;
use farshelf::ops::fixity::FixityReport;
use farshelf::ops::repair::Look;
use farshelf::ops::rescue::{RescueOptions, RescueReport, rescue};
use farshelf::shelf::name::ReelName;
use farshelf::vault::catalogue::Form;
use farshelf::vault::{Vault, reel};

use crate::bed::{Bed, Harm, NO_REEL, OPEN, Point, Points, bytes_of};
use crate::common::WAIT;
use crate::points::{Spread, try_points};
use crate::{check, repair};

/// A place and, where it is one, a reel there.
type Spot = (String, Option<u64>);

/// The answer of one point: what was not as promised.
type Verdict = Result<(), String>;

macro_rules! ensure {
    ($right:expr, $($why:tt)+) => {
        if !$right {
            return Err(format!($($why)+));
        }
    };
}

/// The number of the reel that a file holds; `None` for the small files of a shelf.
fn reel_of(file: &str) -> Option<u64> {
    let name = file.rsplit('/').next()?;
    file.contains("/reels/").then(|| name[..6].parse().unwrap())
}

fn place_of(file: &str) -> String {
    match file.split('/').next() {
        Some("vault") | None => "local".to_string(),
        Some(shelf) => shelf.to_string(),
    }
}

fn spots(point: &Point) -> BTreeSet<Spot> {
    let mut files = vec![point.file.clone()];
    if let Harm::Swap(other) = &point.harm {
        files.push(other.clone());
    }
    files.iter().map(|f| (place_of(f), reel_of(f))).collect()
}

/// What a renamed file is told as beside its absence: a file of nobody, under its new number.
fn stray(points: &[&Point]) -> BTreeSet<Spot> {
    let told = points.iter().filter_map(|point| match &point.harm {
        Harm::Rename(name) => {
            let number = name.get(..6).and_then(|n| n.parse().ok());
            Some((place_of(&point.file), number))
        }
        _ => None,
    });
    told.collect()
}

fn is_rename(point: &Point) -> bool {
    matches!(point.harm, Harm::Rename(_))
}

/// A further key that is not at a shelf leaves it behind; that is no damage.
fn is_lost_key(point: &Point) -> bool {
    point.file.contains("/keys/") && matches!(point.harm, Harm::Remove | Harm::Rename(_))
}

/// Fixity named all of `wanted`, and nothing that was not touched.
fn named(report: &FixityReport, wanted: &BTreeSet<Spot>, points: &[&Point]) -> Verdict {
    let found: BTreeSet<Spot> = report
        .damaged
        .iter()
        .map(|d| (d.place.clone(), d.reel))
        .collect();
    for spot in wanted {
        ensure!(
            found.contains(spot),
            "fixity does not name {spot:?}: {:?}",
            report.damaged
        );
    }
    let strays = stray(points);
    for spot in &found {
        ensure!(
            wanted.contains(spot) || strays.contains(spot),
            "fixity names {spot:?}, which is not hurt: {:?}",
            report.damaged
        );
    }
    for point in points {
        let name = point.file.rsplit('/').next().unwrap_or_default();
        let small = reel_of(&point.file).is_none() && !is_lost_key(point);
        ensure!(
            !small || report.damaged.iter().any(|d| d.detail.contains(name)),
            "fixity does not name the file {name}: {:?}",
            report.damaged
        );
    }
    Ok(())
}

/// Harm to files of which a good copy is left: found, named, mended byte for byte with the key.
fn mendable(bed: &Bed, points: &[&Point]) -> Verdict {
    let vault = bed.open();
    let mut wanted: BTreeSet<Spot> = BTreeSet::new();
    for point in points {
        if !is_lost_key(point) {
            wanted.extend(spots(point));
        }
    }
    let unhurt = |take: u32| !bed.is_hurt(take, points);
    bed.recalls(&vault, unhurt)?;
    let report = check(&vault);
    named(&report, &wanted, points)?;
    for point in points.iter().filter(|p| is_lost_key(p)) {
        let shown = ops::shelf::show(&vault, &place_of(&point.file)).map_err(|e| e.fact())?;
        ensure!(
            shown.shelf.state == ShelfState::Behind,
            "a lost key is not told: {:?}",
            shown.shelf
        );
    }
    bed.recalls(&vault, unhurt)?;
    let (vault, repaired) = repair(&bed.studio, vault);
    for spot in &wanted {
        ensure!(
            repaired
                .repaired
                .iter()
                .any(|r| (&r.place, &r.reel) == (&spot.0, &spot.1)),
            "repair does not say that it mended {spot:?}: {repaired:?}"
        );
    }
    let strays = stray(points);
    ensure!(
        repaired.lost_takes.is_empty()
            && repaired
                .unrepairable
                .iter()
                .all(|u| strays.contains(&(u.place.clone(), u.reel))),
        "repair leaves something: {repaired:?}"
    );
    for file in bed.changed() {
        let text = std::fs::read(bed.studio.path(&file)).unwrap_or_default();
        // A file under a wrong name is left, or moved to incoming/, for it may be the only one of its kind.
        let aside = file.starts_with("vault/incoming/");
        let moved = points
            .iter()
            .any(|p| is_rename(p) && text == bed.original(&p.file))
            || aside && (1..OPEN).any(|n| text == bed.original(&Bed::reel(n)));
        ensure!(moved, "{file} is not as it was after repair: {repaired:?}");
        // What a person is told to do by hand.
        std::fs::remove_file(bed.studio.path(&file)).unwrap();
    }
    let report = check(&vault);
    ensure!(
        report.good() && report.complete,
        "not good after repair: {:?}",
        report.damaged
    );
    bed.recalls(&vault, |_| true).map(|_| ())
}

/// Runs `point`, putting everything back before the next one if it went wrong or `afresh` is set.
fn on_the_bed(
    bed: &Bed,
    points: &[&Point],
    afresh: bool,
    work: impl FnOnce() -> Verdict,
) -> Verdict {
    for point in points {
        bed.harm(point);
    }
    let guard = Reset {
        bed,
        wanted: std::cell::Cell::new(true),
    };
    let done = work().map_err(|why| format!("{points:?}: {why}"));
    guard.wanted.set(afresh || done.is_err());
    done
}

struct Reset<'b> {
    bed: &'b Bed,
    wanted: std::cell::Cell<bool>,
}

impl Drop for Reset<'_> {
    fn drop(&mut self) {
        // Also after a panic.
        if self.wanted.get() {
            self.bed.reset();
        }
    }
}

#[test]
fn every_point_of_the_closed_reels() {
    let bed = Bed::new();
    let reels: Vec<String> = (1..OPEN).map(Bed::reel).collect();
    let whole = [bed.whole_files(&reels, &reels), bed.hearts(&reels)].concat();
    let points = Points::new(&bed, &reels, whole);
    let spread = Spread {
        always: points.whole.len(),
        all: points.all(),
        few: 400,
    };
    try_points("closed reels", spread, |index| {
        let point = points.get(index);
        let afresh = index < points.whole.len();
        on_the_bed(&bed, &[&point], afresh, || mendable(&bed, &[&point]))
    });
}

#[test]
fn every_point_of_a_shelf() {
    let bed = Bed::new();
    let mut files: Vec<String> = (1..OPEN).map(|n| bed.object("barn", n)).collect();
    let small = [
        "barn/shelf.json".to_string(),
        "barn/README.txt".to_string(),
        bed.key("barn"),
    ];
    let mut whole = bed.whole_files(&files, &files);
    let mut partners = small.to_vec();
    partners.push("loft/shelf.json".to_string());
    whole.extend(bed.whole_files(&small, &partners));
    files.extend(small);
    let points = Points::new(&bed, &files, whole);
    let spread = Spread {
        always: points.whole.len(),
        all: points.all(),
        few: 400,
    };
    try_points("files of a shelf", spread, |index| {
        let point = points.get(index);
        let afresh = index < points.whole.len();
        on_the_bed(&bed, &[&point], afresh, || mendable(&bed, &[&point]))
    });
}

#[test]
fn every_point_of_a_local_reel_and_a_shelf_at_once() {
    let bed = Bed::new();
    let reels: Vec<String> = (1..OPEN).map(Bed::reel).collect();
    let objects: Vec<String> = (1..OPEN).map(|n| bed.object("barn", n)).collect();
    let points = Points::new(&bed, &reels, bed.whole_files(&objects, &objects));
    let spread = Spread {
        always: points.whole.len(),
        all: points.all(),
        few: 400,
    };
    try_points("a local reel and a shelf's copy at once", spread, |index| {
        let one = points.get(index);
        let number = reel_of(&one.file).unwrap();
        let other = if index < points.whole.len() {
            let file = Bed::reel(number);
            let length = bed.original(&file).len();
            let harm = Harm::at(length, index * 101 % (2 * length));
            Point { file, harm }
        } else {
            let file = bed.object(["barn", "loft"][index % 2], number);
            let length = bed.original(&file).len();
            let harm = Harm::at(length, index / 2 % (2 * length));
            Point { file, harm }
        };
        let both = [&one, &other];
        let afresh = index < points.whole.len();
        on_the_bed(&bed, &both, afresh, || mendable(&bed, &both))
    });
}

/// A copy rots after it was read and before it is mended from: it is not used, the next one is.
fn rotten_source(bed: &Bed, here: &Point, source: &Point) -> Verdict {
    let vault = bed.open();
    check(&vault);
    bed.harm(source);
    let key = Some(&bed.studio.identity);
    let mended = ops::repair::repair(vault, key, Look::AsRecorded, WAIT);
    let (vault, repaired) = mended.map_err(|e| e.fact())?;
    let now = std::fs::read(bed.studio.path(&here.file)).unwrap_or_default();
    ensure!(
        now == bed.original(&here.file),
        "the reel is not mended from the other shelf: {repaired:?}"
    );
    bed.recalls(&vault, |_| true)?;
    let (vault, _) = repair(&bed.studio, vault);
    ensure!(bed.changed().is_empty(), "changed: {:?}", bed.changed());
    ensure!(check(&vault).good(), "{:?}", check(&vault).damaged);
    Ok(())
}

#[test]
fn every_point_of_a_copy_that_rots_before_it_is_mended_from() {
    let bed = Bed::new();
    let objects: Vec<String> = (1..OPEN).map(|n| bed.object("barn", n)).collect();
    let mut whole = bed.whole_files(&objects, &objects);
    whole.retain(|point| !is_rename(point));
    let points = Points::new(&bed, &objects, whole);
    let spread = Spread {
        always: points.whole.len(),
        all: points.all(),
        few: 150,
    };
    try_points(
        "a copy that rots before it is mended from",
        spread,
        |index| {
            let source = points.get(index);
            let file = Bed::reel(reel_of(&source.file).unwrap());
            let harm = Harm::Flip(index % bed.original(&file).len());
            let here = Point { file, harm };
            let afresh = index < points.whole.len();
            on_the_bed(&bed, &[&here], afresh, || {
                rotten_source(&bed, &here, &source).map_err(|why| format!("{source:?}: {why}"))
            })
        },
    );
}

/// No good copy is left of a reel: exactly the takes it takes with it are named, and the others are given.
fn unmendable(bed: &Bed, points: &[&Point]) -> Verdict {
    let vault = bed.open();
    let wanted = points.iter().flat_map(|p| spots(p)).collect();
    let unhurt = |take: u32| !bed.is_hurt(take, points);
    bed.recalls(&vault, unhurt)?;
    named(&check(&vault), &wanted, points)?;
    let (vault, repaired) = repair(&bed.studio, vault);
    ensure!(
        repaired.repaired.is_empty(),
        "nothing good is left and something is mended: {repaired:?}"
    );
    let told: BTreeSet<Spot> = repaired
        .unrepairable
        .iter()
        .map(|u| (u.place.clone(), u.reel))
        .collect();
    ensure!(told == wanted, "not all is told: {repaired:?}");
    let not_given = bed.recalls(&vault, unhurt)?;
    lost_exactly(&repaired.lost_takes, &not_given)?;
    for point in points {
        bed.restore(&point.file);
    }
    // Where the files come back, all is well again.
    ensure!(
        check(&vault).good(),
        "files that are back are not taken for good"
    );
    bed.recalls(&vault, |_| true).map(|_| ())
}

fn lost_exactly(told: &[(String, u32)], not_given: &BTreeSet<u32>) -> Verdict {
    let told: BTreeSet<u32> = told.iter().map(|(_, n)| *n).collect();
    ensure!(
        told == *not_given,
        "takes {told:?} are said to be lost, {not_given:?} are not given"
    );
    Ok(())
}

#[test]
fn every_point_of_a_reel_that_is_good_nowhere() {
    let bed = Bed::new();
    let reels: Vec<String> = (1..OPEN).map(Bed::reel).collect();
    let points = Points::new(&bed, &reels, Vec::new());
    let spread = Spread {
        always: 0,
        all: points.all(),
        few: 300,
    };
    try_points("a reel and both its copies at once", spread, |index| {
        let here = points.get(index);
        let number = reel_of(&here.file).unwrap();
        let far = ["barn", "loft"].map(|shelf| {
            let file = bed.object(shelf, number);
            let length = bed.original(&file).len();
            let harm = Harm::at(length, index % (2 * length));
            Point { file, harm }
        });
        let all = [&here, &far[0], &far[1]];
        on_the_bed(&bed, &all, false, || unmendable(&bed, &all))
    });
}

/// True for a cut inside the zeros behind the last member: nothing of anything is missing.
fn lost_only_fill(bed: &Bed, point: &Point) -> bool {
    let whole = bed.original(&point.file);
    let last = reel::scan(whole, 0).members.pop();
    matches!(point.harm, Harm::Cut(length) if last.is_some_and(|m| length >= m.data.end))
}

/// Harm to the reel that is open, of which no copy was made yet.
fn open_reel(bed: &Bed, point: &Point) -> Verdict {
    let harmed = std::fs::read(bed.studio.path(&point.file)).ok();
    let vault = bed.open();
    let unhurt = |take: u32| !bed.is_hurt(take, &[point]);
    bed.recalls(&vault, unhurt)?;
    let report = check(&vault);
    if let Harm::Grow(..) = point.harm {
        // What follows on the last batch was never acknowledged.
        ensure!(report.good(), "{:?}", report.damaged);
        ensure!(bed.changed().is_empty(), "changed: {:?}", bed.changed());
        bed.recalls(&vault, |_| true)?;
        return Ok(());
    }
    if lost_only_fill(bed, point) {
        // Closing put it back.
        ensure!(report.good(), "{:?}", report.damaged);
        return bed.recalls(&vault, |_| true).map(|_| ());
    }
    let wanted = spots(point);
    named(&report, &wanted, &[point])?;
    let (vault, repaired) = repair(&bed.studio, vault);
    let not_given = bed.recalls(&vault, unhurt)?;
    lost_exactly(&repaired.lost_takes, &not_given)?;
    let named = repaired.unrepairable.iter().any(|u| u.reel == Some(OPEN));
    let told_again = repaired.repaired.iter().any(|r| r.reel == Some(OPEN));
    ensure!(
        named || told_again,
        "repair says nothing of it: {repaired:?}"
    );
    ensure!(named || check(&vault).good(), "not good after all");
    if let Some(harmed) = harmed {
        let now = std::fs::read(bed.studio.path(&point.file)).unwrap_or_default();
        ensure!(
            now.starts_with(&harmed),
            "something was cut off or written over"
        );
    }
    // Keeping the same dumps again heals.
    let mut writer = vault.writer(WAIT).map_err(|e| e.fact())?;
    for take in &not_given {
        let bytes = bytes_of(*take);
        let hash = farshelf::model::hash::Hash::of(&bytes);
        let stored = writer.put_piece(Form::Whole, hash, &bytes);
        ensure!(stored.is_ok_and(|s| s), "take {take} is not stored anew");
    }
    writer.commit().map_err(|e| e.fact())?;
    drop(writer);
    bed.recalls(&vault, |_| true).map(|_| ())
}

#[test]
fn every_point_of_the_open_reel() {
    let bed = Bed::new();
    let open = [Bed::reel(OPEN)];
    let whole = [bed.whole_files(&open, &[]), bed.hearts(&open)].concat();
    let points = Points::new(&bed, &open, whole);
    let spread = Spread {
        always: points.whole.len(),
        all: points.all(),
        few: 400,
    };
    try_points("the open reel", spread, |index| {
        let point = points.get(index);
        on_the_bed(&bed, &[&point], true, || open_reel(&bed, &point))
    });
}

/// Without the catalogue only the open reel itself tells what was acknowledged: nothing of it is cut off, and harm to
/// one batch takes no other with it.
fn open_reel_alone(bed: &Bed, point: &Point) -> Verdict {
    let path = bed.studio.path(&point.file);
    let original = bed.original(&point.file);
    let scan = reel::scan(original, 0);
    let is_ledger = |m: &&reel::Found| matches!(m.member, reel::Member::Ledger { .. });
    // The first batch ends where the member behind its ledger begins.
    let first = scan.members.iter().position(|m| is_ledger(&m)).unwrap_or(0);
    let second_from = scan.members[first + 1].at as usize;
    let harmed = std::fs::read(&path).unwrap();
    std::fs::remove_file(bed.studio.path("vault/catalogue.sqlite")).unwrap();
    let vault = bed.open();
    let of_open = bed.takes_of(OPEN);
    bed.recalls(&vault, |take| match point.harm {
        _ if !of_open.contains(&take) => true,
        Harm::Flip(at) => (take == of_open[0]) == (at >= second_from),
        Harm::Cut(length) => take == of_open[0] && length >= second_from,
        _ => true,
    })?;
    let now = std::fs::read(&path).unwrap_or_default();
    ensure!(
        now.starts_with(&harmed),
        "something was cut off or written over"
    );
    Ok(())
}

#[test]
fn every_point_of_the_open_reel_without_the_catalogue() {
    let bed = Bed::new();
    let points = Points::new(&bed, &[Bed::reel(OPEN)], Vec::new());
    let spread = Spread {
        always: 0,
        all: points.all(),
        few: 150,
    };
    try_points("the open reel without the catalogue", spread, |index| {
        let point = points.get(index);
        on_the_bed(&bed, &[&point], true, || open_reel_alone(&bed, &point))
    });
}

/// Swaps with the open reel: the closed one comes back, and no byte that was only in the open one is gone.
#[test]
fn the_open_reel_exchanged_with_a_closed_one() {
    let bed = Bed::new();
    let spread = Spread {
        always: 3,
        all: 3,
        few: 0,
    };
    try_points(
        "the open reel exchanged with a closed one",
        spread,
        |index| {
            let point = Point {
                file: Bed::reel(OPEN),
                harm: Harm::Swap(Bed::reel(index as u64 + 1)),
            };
            on_the_bed(&bed, &[&point], true, || {
                let vault = bed.open();
                let unhurt = |take: u32| !bed.is_hurt(take, &[&point]);
                bed.recalls(&vault, unhurt)?;
                let closed = Some(index as u64 + 1);
                let report = check(&vault);
                ensure!(
                    report.damaged.iter().any(|d| d.reel == closed),
                    "fixity does not name it: {report:?}"
                );
                let (vault, repaired) = repair(&bed.studio, vault);
                let of_open = bed.takes_of(OPEN);
                bed.recalls(&vault, |take| !of_open.contains(&take))?;
                let held = bed.original(&point.file);
                let mut folders = ["vault/reels", "vault/incoming"].into_iter();
                let kept = folders.any(|folder| {
                    crate::files(&bed.studio.path(folder))
                        .iter()
                        .any(|f| std::fs::read(f).is_ok_and(|b| b.starts_with(held)))
                });
                ensure!(kept, "the open reel's bytes are gone: {repaired:?}");
                Ok(())
            })
        },
    );
}

fn rescued(bed: &Bed, shelves: &[&str]) -> Result<(Vault, RescueReport), String> {
    let options = RescueOptions {
        locations: shelves
            .iter()
            .map(|s| farshelf::shelf::registry::Reach::folder(&bed.studio.path(s)))
            .collect(),
        identity: &bed.studio.identity,
        to: bed.studio.path("new"),
        line: None,
        until: None,
        progress: std::sync::Arc::new(farshelf::ops::mirror::Silent),
    };
    rescue(&options, &bed.studio.elsewhere(), WAIT).map_err(|e| e.fact())
}

/// What was said to be lost: reels and takes.
fn said(report: &RescueReport) -> (BTreeSet<u64>, BTreeSet<u32>) {
    let reels = report.damaged.iter().filter_map(|l| l.reel).collect();
    let takes = report
        .damaged
        .iter()
        .filter_map(|l| l.take.as_ref().map(|t| t.1))
        .collect();
    (reels, takes)
}

fn has_its_tag(file: &str, renamed: &str) -> bool {
    let was = file
        .rsplit('/')
        .next()
        .and_then(|n| n.parse::<ReelName>().ok());
    match (was, renamed.parse::<ReelName>()) {
        (Some(was), Ok(is)) => was.tag == is.tag,
        _ => false,
    }
}

/// Rescue from the harmed shelf alone: what its other reels hold comes back, and the rest is named.
fn rescued_alone(bed: &Bed, point: &Point) -> Verdict {
    let (vault, report) = rescued(bed, &["barn"])?;
    let mut gone: BTreeSet<u64> = spots(point).iter().filter_map(|s| s.1).collect();
    // Under another number it is still the reel that its tag names.
    if matches!(&point.harm, Harm::Rename(to) if has_its_tag(&point.file, to)) {
        gone.clear();
    }
    let closed: BTreeSet<u32> = (1..OPEN).flat_map(|n| bed.takes_of(n)).collect();
    let missing: BTreeSet<u32> = gone.iter().flat_map(|n| bed.takes_of(*n)).collect();
    let not_given = bed.recalls(&vault, |take| {
        closed.contains(&take) && !missing.contains(&take)
    })?;
    let still_given: Vec<&u32> = missing.difference(&not_given).collect();
    ensure!(
        still_given.is_empty(),
        "out of a damaged reel came {still_given:?}"
    );
    let (reels, takes) = said(&report);
    // Of takes in the newest reel nothing else tells; and of a newest reel that left no trace, no shelf alone can.
    let last = OPEN - 1;
    let unnamed = matches!(&point.harm, Harm::Rename(to) if to.parse::<ReelName>().is_err());
    let no_trace = unnamed || matches!(&point.harm, Harm::Remove);
    ensure!(
        !unnamed || reel_of(&point.file).is_none() || report.notes.len() == 1,
        "nothing tells of a file that was not looked at: {report:?}"
    );
    for reel in &gone {
        ensure!(
            reels.contains(reel) || (*reel == last && no_trace),
            "reel {reel} is not said to be missing: {:?}",
            report.damaged
        );
    }
    let strays: BTreeSet<u64> = stray(&[point]).iter().filter_map(|s| s.1).collect();
    let too_many: Vec<&u64> = reels
        .iter()
        .filter(|r| !gone.contains(r) && !strays.contains(r))
        .collect();
    ensure!(
        too_many.is_empty(),
        "reels {too_many:?} are said to be missing"
    );
    let highest = closed.difference(&missing).max().copied().unwrap_or(0);
    let wanted: BTreeSet<u32> = missing.iter().filter(|t| **t < highest).copied().collect();
    ensure!(
        takes == wanted,
        "takes {takes:?} are said to be missing, {wanted:?} are"
    );
    small_files_of(bed)
}

/// Rescue with a second, good shelf at hand: nothing is missing.
fn rescued_beside(bed: &Bed, point: &Point) -> Verdict {
    let (vault, report) = rescued(bed, &["barn", "loft"])?;
    let open = bed.takes_of(OPEN);
    bed.recalls(&vault, |take| !open.contains(&take))?;
    let (reels, takes) = said(&report);
    let strays: BTreeSet<u64> = stray(&[point]).iter().filter_map(|s| s.1).collect();
    ensure!(
        takes.is_empty() && reels.is_subset(&strays),
        "all is there and something is said to be missing: {:?}",
        report.damaged
    );
    small_files_of(bed)
}

/// The reels and keys of the new vault are those of the old one or are not there.
fn small_files_of(bed: &Bed) -> Verdict {
    for file in crate::files(&bed.studio.path("new/reels")) {
        let name = file.file_name().unwrap().to_str().unwrap().to_string();
        let number = name[..6].parse().unwrap_or(NO_REEL);
        let same =
            number < OPEN && std::fs::read(&file).unwrap() == bed.original(&Bed::reel(number));
        // The last one is its own: it says which reels are left aside.
        ensure!(same || number >= OPEN, "{name} is not what it was");
    }
    for file in crate::files(&bed.studio.path("new/keys")) {
        let right = std::fs::read(&file).unwrap() == bed.original(&bed.key("barn"));
        ensure!(right, "a damaged key was taken over");
    }
    Ok(())
}

fn every_rescue(what: &str, few: usize, work: fn(&Bed, &Point) -> Verdict) {
    let bed = Bed::new();
    let objects: Vec<String> = (1..OPEN).map(|n| bed.object("barn", n)).collect();
    let small = [
        "barn/shelf.json".to_string(),
        "barn/README.txt".to_string(),
        bed.key("barn"),
    ];
    let mut whole = bed.whole_files(&objects, &objects);
    whole.extend(bed.whole_files(&small, &small));
    let files = [
        objects,
        vec![bed.key("barn"), "barn/shelf.json".to_string()],
    ]
    .concat();
    let points = Points::new(&bed, &files, whole);
    let spread = Spread {
        always: points.whole.len(),
        all: points.all(),
        few,
    };
    try_points(what, spread, |index| {
        let point = points.get(index);
        on_the_bed(&bed, &[&point], true, || work(&bed, &point))
    });
}

#[test]
fn every_point_of_a_shelf_that_is_rescued_from_alone() {
    every_rescue("rescue from a harmed shelf alone", 150, rescued_alone);
}

#[test]
fn every_point_of_a_shelf_that_is_rescued_from_beside_a_good_one() {
    every_rescue("rescue beside a good shelf", 150, rescued_beside);
}
