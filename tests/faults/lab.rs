//! What the tests with failing disks share: a small disk that is put back before each try, the commands that are tried
//! on it, and what must be true afterwards.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use farshelf::care::standing::ShelfState;
use farshelf::error::{Error, Kind, Result};
use farshelf::model::hash::Hash;
use farshelf::ops;
use farshelf::ops::keep::{KeepOptions, Status, Whose};
use farshelf::ops::repair::Look;
use farshelf::sys::World;
use farshelf::sys::clock::FixedClock;
use farshelf::sys::disk::{Disk, RealDisk};
use farshelf::vault::Vault;
use farshelf::vault::catalogue::Form;
use farshelf::vault::pieces::Pieces;

use crate::common::{self, NOW, WAIT, dump, options, set_mtime};
use crate::stand_in::{Dice, SeededEntropy, StandIn, Trouble};

/// A temporary folder with one small disk in it, and beside it the files that are kept from.
pub struct Lab {
    temp: tempfile::TempDir,
    pub clock: Arc<FixedClock>,
    /// The bytes of everything that can be kept, by name.
    pub originals: BTreeMap<Hash, Vec<u8>>,
}

/// What a command told: it must stay true.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Told {
    /// There is a vault now.
    Vault,
    /// A take of a device holds these bytes.
    Take(String, u32, Hash),
}

/// A command: runs in this world and tells what became of it.
pub type Command = fn(&Lab, &World, &mut dyn FnMut(Told)) -> Result<()>;

/// One command on a prepared disk.
pub struct Scenario {
    pub name: &'static str,
    /// The vault that it leaves.
    pub vault: &'static str,
    /// True if there is no vault before.
    pub makes_vault: bool,
    /// True if something on the disk is damaged before.
    pub damaged: bool,
    pub prepare: fn(&Lab),
    pub run: Command,
}

/// Which catalogue is found after a fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Catalogue {
    /// As SQLite left it when it happened.
    AsItWas,
    /// The one of before the command, as if its last commits had been lost.
    Older,
    /// None at all.
    Gone,
}

/// What happened to the command.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum After {
    /// The power went, and this catalogue was found.
    Cut(Catalogue),
    /// A call failed.
    Fault,
}

/// Everything that must survive any fault, in the order of a vault's life.
pub const SCENARIOS: &[Scenario] = &[
    Scenario {
        name: "create",
        vault: "music/vault",
        makes_vault: true,
        damaged: false,
        prepare: |_| {},
        run: |lab, world, tell| {
            let place = "studio".parse().unwrap();
            ops::create::create(&lab.path("music/vault"), Some(&place), world)?;
            tell(Told::Vault);
            Ok(())
        },
    },
    on_a_vault("keep one", Lab::prepare_one, |lab, world, tell| {
        lab.keep(world, &options("organ", vec![lab.input("b.syx")]), tell)
    }),
    on_a_vault("keep many", Lab::prepare_one, |lab, world, tell| {
        lab.keep(world, &many(lab), tell)
    }),
    on_a_vault("keep chunked", Lab::prepare_one, |lab, world, tell| {
        lab.keep(world, &options("organ", vec![lab.input("long.bin")]), tell)
    }),
    on_a_vault("keep as one", Lab::prepare_one, |lab, world, tell| {
        let mut card = options("organ", vec![lab.input("card")]);
        card.as_one = true;
        lab.keep(world, &card, tell)
    }),
    on_a_vault("close", Lab::prepare_one, |lab, world, tell| {
        lab.open(world)?.writer(WAIT)?.close_reel()?;
        lab.keep(world, &options("organ", vec![lab.input("b.syx")]), tell)
    }),
    on_a_vault("add a layout", Lab::prepare_one, |lab, world, _| {
        let vault = lab.open(world)?;
        ops::layouts::add(&vault, &lab.input("layout.toml"), WAIT)?;
        ops::reread::bring_up_to_date(&vault, usize::MAX, WAIT).map(|_| ())
    }),
    on_a_vault("add a shelf", Lab::prepare_one, |lab, world, _| {
        lab.add_shelf(&lab.open(world)?, "barn").map(|_| ())
    }),
    on_a_vault("mirror", Lab::prepare_mirrored, |lab, world, _| {
        let report = ops::mirror::mirror(
            &lab.open(world)?,
            &ops::mirror::MirrorOptions::of(&[]),
            WAIT,
        )?;
        match report.shelves.into_iter().find_map(|s| s.error) {
            Some(e) => Err(Error::new(Kind::Io, e)),
            None => Ok(()),
        }
    }),
    on_a_vault("fixity", Lab::prepare_mirrored, |lab, world, _| {
        ops::fixity::fixity(&lab.open(world)?, &Default::default(), WAIT).map(|_| ())
    }),
    Scenario {
        damaged: true,
        ..on_a_vault("repair", Lab::prepare_damaged, |lab, world, _| {
            let vault = lab.open(world)?;
            let identity = ops::key::identity(&vault, &mut || unreachable!())?;
            ops::repair::repair(vault, Some(&identity), Look::Everywhere, WAIT).map(|_| ())
        })
    },
    Scenario {
        name: "rescue",
        vault: "music/rescued",
        makes_vault: true,
        damaged: false,
        prepare: Lab::prepare_lost,
        run: |lab, world, tell| {
            let identity = ops::key::open(
                ops::key::read_file(&RealDisk, &lab.temp.path().join("sheet.txt"))?,
                &mut || unreachable!(),
            )?;
            let options = ops::rescue::RescueOptions {
                locations: vec![farshelf::shelf::registry::Reach::folder(&lab.path("barn"))],
                identity: &identity,
                to: lab.path("music/rescued"),
                line: None,
                until: None,
                progress: std::sync::Arc::new(farshelf::ops::mirror::Silent),
            };
            let (_, report) = ops::rescue::rescue(&options, world, WAIT)?;
            // What could not be read is told as missing, and a person tries again into another folder.
            if let Some(lost) = report.damaged.into_iter().next() {
                return Err(Error::new(Kind::Damaged, lost.detail));
            }
            tell(Told::Vault);
            Ok(())
        },
    },
    on_a_vault("reindex", Lab::prepare_mirrored, |lab, world, _| {
        Vault::reindex(&lab.path("vault"), world.clone(), WAIT).map(|_| ())
    }),
];

/// A reel that grows past its largest size while things are kept. Its disk is large, so it is tried at fewer points.
pub const OVERFLOW: Scenario = on_a_vault("overflow", Lab::prepare_long, |lab, world, tell| {
    let paths = (0..4)
        .map(|n| lab.input(&format!("block-{n}.bin")))
        .collect();
    lab.keep(world, &options("organ", paths), tell)
});

const fn on_a_vault(name: &'static str, prepare: fn(&Lab), run: Command) -> Scenario {
    Scenario {
        name,
        vault: "vault",
        makes_vault: false,
        damaged: false,
        prepare,
        run,
    }
}

fn many(lab: &Lab) -> KeepOptions {
    let mut many = options("organ", vec![lab.input("many")]);
    many.whose = Whose::ByFolder { add_devices: true };
    many
}

impl Lab {
    /// A lab whose disk is as the scenario wants it.
    pub fn of(scenario: &Scenario) -> Lab {
        let mut lab = Lab::new();
        lab.write_inputs();
        (scenario.prepare)(&lab);
        copy(&lab.disk(), &lab.temp.path().join("before"));
        lab
    }

    /// A lab with an empty disk and nothing to keep.
    pub fn new() -> Lab {
        // Where the system has room in memory, syncing costs nothing: nothing here depends on a real disk.
        let memory = Path::new("/dev/shm");
        let temp = match RealDisk.free_space(memory) {
            Ok(free) if free > 1 << 30 => tempfile::tempdir_in(memory),
            _ => tempfile::tempdir(),
        }
        .unwrap();
        for folder in ["disk", "attic", "in"] {
            std::fs::create_dir(temp.path().join(folder)).unwrap();
        }
        Lab {
            temp,
            clock: Arc::new(FixedClock::at(NOW)),
            originals: BTreeMap::new(),
        }
    }

    /// The folder that is the disk.
    pub fn disk(&self) -> PathBuf {
        self.temp.path().join("disk")
    }

    /// A path on the disk.
    pub fn path(&self, name: &str) -> PathBuf {
        self.disk().join(name)
    }

    /// A path beside the disk.
    pub fn beside(&self, name: &str) -> PathBuf {
        self.temp.path().join(name)
    }

    pub fn input(&self, name: &str) -> PathBuf {
        self.temp.path().join("in").join(name)
    }

    /// The world around `disk`; the same seed gives the same random bytes.
    pub fn world(&self, disk: Arc<dyn Disk>, seed: u64) -> World {
        World {
            clock: self.clock.clone(),
            entropy: Arc::new(SeededEntropy::new(seed)),
            disk,
            zone: jiff::tz::TimeZone::UTC,
            computer: "desk".into(),
            state_dir: Some(self.path("state")),
        }
    }

    /// The world without any faults.
    pub fn calm(&self, seed: u64) -> World {
        self.world(Arc::new(RealDisk), seed)
    }

    /// The disk with a fault in it.
    pub fn faulty(&self, trouble: Trouble) -> StandIn {
        let attic = self.temp.path().join("attic");
        remake(&attic);
        StandIn::new(&self.disk(), &attic, trouble)
    }

    /// Puts the disk back to how it was before the command.
    pub fn put_back(&self) {
        self.put(&self.temp.path().join("before"));
    }

    /// Makes the disk a copy of `from`.
    pub fn put(&self, from: &Path) {
        let _ = std::fs::remove_dir_all(self.disk());
        copy(from, &self.disk());
    }

    pub fn open(&self, world: &World) -> Result<Vault> {
        Vault::open(&self.path("vault"), world.clone())
    }

    /// Keeps, and tells what was kept; fails if one dump failed.
    pub fn keep(
        &self,
        world: &World,
        options: &KeepOptions,
        tell: &mut dyn FnMut(Told),
    ) -> Result<()> {
        keep_in(&self.open(world)?, options, tell)
    }

    /// Adds a shelf that is a folder of that name on the disk.
    pub fn add_shelf(&self, vault: &Vault, name: &str) -> Result<ops::shelf::Added> {
        let options = ops::shelf::AddOptions {
            name: name.to_string(),
            location: self.path(name).display().to_string(),
            way: Default::default(),
            place: Some("attic".parse().unwrap()),
            every_days: None,
            separate: true,
        };
        ops::shelf::add(vault, &options, WAIT)
    }

    fn write_inputs(&mut self) {
        let file = |lab: &mut Lab, name: &str, bytes: &[u8], days_ago: i64| {
            let path = lab.input(name);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(&path, bytes).unwrap();
            set_mtime(&path, NOW - days_ago * 86_400);
            lab.originals.insert(Hash::of(bytes), bytes.to_vec());
        };
        for (n, name) in ["a.syx", "b.syx", "c.syx"].into_iter().enumerate() {
            file(self, name, &dump(1, &noise(n as u64, 700)), 90 - n as i64);
        }
        for n in 0..5 {
            let bytes = dump(1 + n as u8 % 2, &noise(10 + n, 300 + 400 * n as usize));
            file(self, &format!("many/organ/{n}.syx"), &bytes, 60 - n as i64);
        }
        // The dumps of the organ, with seven nameless patches.
        let layout = b"layout = 1\nname = \"organ\"\ntitle = \"Organ\"\n[[message]]\nname = \"bank\"\n\
            header = \"F0 7D 0n 01 01 02\"\nbytes = 707\npatches = { from = 6, stride = 100, count = 7 }\n";
        file(self, "layout.toml", layout, 60);
        file(self, "many/piano/x.syx", &dump(3, b"piano"), 50);
        // The same bytes under another device: stored once.
        let shared = dump(1, &noise(10, 300));
        file(self, "many/piano/y.syx", &shared, 49);
        file(self, "long.bin", &noise(20, 1_300_000), 40);
        let mut list = Vec::new();
        for (n, name) in ["1.bin", "songs/2.bin", "songs/3.bin"]
            .into_iter()
            .enumerate()
        {
            let bytes = noise(30 + n as u64, 900);
            file(self, &format!("card/{name}"), &bytes, 30);
            list.extend(format!("{}  {name}\n", Hash::of(&bytes)).into_bytes());
        }
        self.originals.insert(Hash::of(&list), list);
    }

    fn prepare_one(&self) {
        let place = "studio".parse().unwrap();
        let world = self.calm(1);
        let vault = ops::create::create(&self.path("vault"), Some(&place), &world).unwrap();
        common::add_device(&vault, "organ");
        common::keep(&vault, &options("organ", vec![self.input("a.syx")]));
    }

    /// One reel at one shelf, a second shelf that has nothing yet, and facts that wait.
    fn prepare_mirrored(&self) {
        self.prepare_one();
        let vault = self.open(&self.calm(2)).unwrap();
        self.add_shelf(&vault, "barn").unwrap();
        assert!(
            !ops::mirror::mirror(&vault, &ops::mirror::MirrorOptions::of(&[]), WAIT)
                .unwrap()
                .failed()
        );
        self.add_shelf(&vault, "cellar").unwrap();
        common::keep(&vault, &options("organ", vec![self.input("c.syx")]));
    }

    /// Two reels at two shelves; the first is damaged here, the second at one of them.
    fn prepare_damaged(&self) {
        self.prepare_mirrored();
        let vault = self.open(&self.calm(3)).unwrap();
        assert!(
            !ops::mirror::mirror(&vault, &ops::mirror::MirrorOptions::of(&[]), WAIT)
                .unwrap()
                .failed()
        );
        let first = vault.reel_path(1);
        let second = self.path("barn/reels");
        let second = RealDisk
            .list(&second)
            .unwrap()
            .into_iter()
            .find(|n| n.to_string_lossy().starts_with("000002"))
            .map(|n| second.join(n))
            .unwrap();
        for path in [first, second] {
            let mut bytes = std::fs::read(&path).unwrap();
            let middle = bytes.len() / 2;
            bytes[middle] ^= 1;
            std::fs::write(path, bytes).unwrap();
        }
    }

    /// Only a shelf is left, and the key.
    fn prepare_lost(&self) {
        self.prepare_mirrored();
        let vault = self.open(&self.calm(3)).unwrap();
        assert!(
            !ops::mirror::mirror(&vault, &ops::mirror::MirrorOptions::of(&[]), WAIT)
                .unwrap()
                .failed()
        );
        drop(vault);
        let key = self.path("vault").join(ops::key::FILE);
        std::fs::copy(key, self.temp.path().join("sheet.txt")).unwrap();
        for gone in ["vault", "cellar", "state"] {
            std::fs::remove_dir_all(self.path(gone)).unwrap();
        }
    }

    /// A reel with room for two more blocks.
    fn prepare_long(&self) {
        self.prepare_one();
        let vault = self.open(&self.calm(2)).unwrap();
        let mut writer = vault.writer(WAIT).unwrap();
        for n in 0..29 {
            let bytes = noise(100 + n, 1 << 20);
            writer
                .put_piece(Form::Whole, Hash::of(&bytes), &bytes)
                .unwrap();
        }
        writer.commit().unwrap();
        for n in 0..4 {
            let path = self.input(&format!("block-{n}.bin"));
            std::fs::write(&path, noise(200 + n, 1 << 20)).unwrap();
            set_mtime(&path, NOW - 86_400 * (9 - n as i64));
        }
    }
}

/// Keeps, and tells what was kept; fails if one dump failed.
pub fn keep_in(vault: &Vault, options: &KeepOptions, tell: &mut dyn FnMut(Told)) -> Result<()> {
    let mut failed = None;
    ops::keep::keep(vault, options, &mut std::io::empty(), &mut |result| {
        match (&result.error, result.status) {
            (Some(e), _) => {
                let again = Error::new(e.kind, e.fact()).next(e.next_step().clone());
                failed.get_or_insert(again);
            }
            (None, Status::Failed) => panic!("{}: failed without an error", result.source),
            (None, _) => tell(Told::Take(
                result.device.clone().unwrap(),
                result.take.unwrap(),
                result.blake3.unwrap(),
            )),
        }
        Ok(())
    })?;
    match failed {
        Some(e) => Err(e),
        None => Ok(()),
    }
}

/// The takes of a vault: device, section, number, hash.
pub type Takes = BTreeSet<(String, String, u32, Hash)>;

/// Every take of the vault; each is read back byte for byte.
///
/// # Errors
/// What is wrong, in words.
pub fn takes(
    vault: &Vault,
    originals: &BTreeMap<Hash, Vec<u8>>,
) -> std::result::Result<Takes, String> {
    let (all, unread) = all_takes(vault, originals)?;
    match unread.into_iter().next() {
        Some((told, why)) => Err(format!("{told:?} cannot be read: {why}")),
        None => Ok(all),
    }
}

/// Every take of the vault, and those that cannot be read with the reason. Wrong bytes that pass for right ones are
/// an error in any case.
fn all_takes(
    vault: &Vault,
    originals: &BTreeMap<Hash, Vec<u8>>,
) -> std::result::Result<(Takes, BTreeMap<Told, String>), String> {
    let pieces = Pieces::new(vault);
    let read = |hash: &Hash| -> Result<Vec<u8>> {
        let mut bytes = Vec::new();
        pieces.copy(hash, &mut bytes)?;
        Ok(bytes)
    };
    let mut all = Takes::new();
    let mut unread = BTreeMap::new();
    let mut wrong = None;
    let catalogue = vault.catalogue();
    catalogue
        .each_take(|take| {
            let (device, hash) = (catalogue.device_name(take.device())?, take.hash);
            let told = Told::Take(device.clone(), take.number(), hash);
            let got = match take.form {
                Form::Folder => pieces.entries(&hash).and_then(|entries| {
                    let mut list = String::new();
                    for entry in entries {
                        let bytes = read(&entry.hash)?;
                        list.push_str(&format!("{}  {}\n", Hash::of(&bytes), entry.path));
                    }
                    Ok(list.into_bytes())
                }),
                _ => read(&hash),
            };
            match got {
                Err(e) => {
                    unread.insert(told, e.fact());
                }
                Ok(bytes) => {
                    let right = match originals.get(&hash) {
                        Some(original) => *original == bytes,
                        None => Hash::of(&bytes) == hash,
                    };
                    if !right {
                        wrong = Some(format!("{told:?} reads as other bytes"));
                    }
                }
            }
            all.insert((device, take.section_name.clone(), take.number(), hash));
            Ok(())
        })
        .map_err(|e| format!("takes cannot be listed: {}", e.fact()))?;
    match wrong {
        Some(wrong) => Err(wrong),
        None => Ok((all, unread)),
    }
}

/// What was told is still there and reads well; what was not told may be damaged, and then says so when it is read.
fn told_ones_read(
    vault: &Vault,
    originals: &BTreeMap<Hash, Vec<u8>>,
    told: &[Told],
) -> std::result::Result<(), String> {
    let (all, unread) = all_takes(vault, originals)?;
    let unread: Vec<Told> = unread.into_keys().collect();
    match told.iter().find(|t| unread.contains(t)) {
        Some(t) => Err(format!("{t:?} was told and cannot be read")),
        None => all_told(&all, told),
    }
}

/// What was told is still there.
pub fn all_told(takes: &Takes, told: &[Told]) -> std::result::Result<(), String> {
    for told in told {
        if let Told::Take(device, number, hash) = told
            && !takes
                .iter()
                .any(|(d, _, n, h)| d == device && n == number && h == hash)
        {
            return Err(format!("{device}@{number} was told as kept and is gone"));
        }
    }
    Ok(())
}

/// Every copy reads well.
pub fn nothing_damaged(vault: &Vault) -> std::result::Result<(), String> {
    let report = ops::fixity::fixity(vault, &Default::default(), WAIT)
        .map_err(|e| format!("fixity: {}", e.fact()))?;
    match report.damaged.first() {
        Some(d) => Err(format!(
            "fixity finds damage: {} {:?} {}",
            d.place, d.reel, d.detail
        )),
        None => Ok(()),
    }
}

/// Rebuilding the catalogue gives the same rows.
pub fn rebuilds_the_same(dir: &Path, world: World) -> std::result::Result<Vault, String> {
    let before = facts(dir);
    let (vault, rebuilt) =
        Vault::reindex(dir, world, WAIT).map_err(|e| format!("reindex: {}", e.fact()))?;
    if !rebuilt.damaged.is_empty() || !rebuilt.lost.is_empty() {
        return Err(format!("reindex: {rebuilt:?}"));
    }
    let after = facts(dir);
    let gone: Vec<&String> = before.difference(&after).collect();
    let new: Vec<&String> = after.difference(&before).collect();
    if gone.is_empty() && new.is_empty() {
        Ok(vault)
    } else {
        Err(format!("reindex: rows gone {gone:?}, rows new {new:?}"))
    }
}

/// Every fact in the catalogue of the vault in `dir`, one line each, with names in place of row numbers.
pub fn facts(dir: &Path) -> BTreeSet<String> {
    const DEVICE: &str = "(SELECT name FROM device WHERE id = {})";
    const TAKE: &str = "(SELECT name FROM device WHERE id = {} >> 32) || '@' || ({} & 0xffffffff)";
    const PIECE: &str = "(SELECT hex(hash) FROM piece WHERE id = {})";
    const SECTION: &str = "(SELECT d.name || '/' || s.name FROM section s JOIN device d ON d.id = s.device WHERE s.id = {})";
    let name = |template: &str, column: &str| template.replace("{}", column);
    let queries = [
        // What is remembered of the work itself is no fact.
        "SELECT 'meta', key, value FROM meta WHERE key NOT IN ('spread', 'searched') AND value <> '0'".to_string(),
        "SELECT 'reel', number, hex(previous), writer, computer, opened_at, hex(blake3), bytes FROM reel".to_string(),
        "SELECT 'piece', hex(hash), form, bytes, whole_bytes, reel, at FROM piece".to_string(),
        format!("SELECT 'list_part', {}, part, bytes, reel, at FROM list_part", name(PIECE, "piece")),
        format!("SELECT 'spread', {}, reel FROM spread", name(PIECE, "piece")),
        "SELECT 'device', name, retired, record FROM device".to_string(),
        format!("SELECT 'section', {}, name, expected, loose, record FROM section", name(DEVICE, "device")),
        format!("SELECT 'section_key', {}, key, {} FROM section_key", name(DEVICE, "device"), name(SECTION, "section")),
        format!(
            "SELECT 'take', {}, {}, (SELECT key FROM section_key k WHERE k.id = take.key), {}, content,
             hex(content_hash), bytes, messages, flags, evidence, ledger, reel, kept_at, anchor, date, dated_by, start,
             newest, alias_of, sysex_number FROM take",
            name(TAKE, "id"), name(SECTION, "section"), name(PIECE, "piece")
        ),
        format!(
            "SELECT 'sighting', {}, date, by, state, seen_at, via, (SELECT path FROM folder f WHERE f.id = folder),
             (SELECT text FROM text x WHERE x.id = name), mtime FROM sighting",
            name(TAKE, "take")
        ),
        format!("SELECT 'finding', {}, seq, code, severity, message FROM finding", name(TAKE, "take")),
        format!("SELECT 'label', {}, label FROM label", name(TAKE, "take")),
        format!("SELECT 'vouch', {}, at, text FROM vouch", name(TAKE, "take")),
        format!("SELECT 'log', {}, at, kind, date, text FROM log", name(DEVICE, "device")),
        "SELECT 'layout', name, hex(text) FROM layout".to_string(),
        "SELECT 'shelf', name, dropped, record FROM shelf".to_string(),
        "SELECT 'foreign_reel', number, tag FROM foreign_reel".to_string(),
        "SELECT 'key_place', place, confirmed_at FROM key_place".to_string(),
    ];
    let conn = rusqlite::Connection::open(dir.join("catalogue.sqlite")).unwrap();
    let mut all = BTreeSet::new();
    for query in queries {
        let mut statement = conn.prepare(&query).unwrap();
        let columns = statement.column_count();
        let mut rows = statement.query([]).unwrap();
        while let Some(row) = rows.next().unwrap() {
            let line: Vec<String> = (0..columns)
                .map(|i| format!("{:?}", row.get::<_, rusqlite::types::Value>(i).unwrap()))
                .collect();
            // Equal rows count by how many there are.
            let mut line = line.join(" ");
            while !all.insert(line.clone()) {
                line.push('+');
            }
        }
    }
    all
}

/// Asserts that the vault of `scenario` stands after a fault: what was told is there, all that is there is whole,
/// a rebuilt catalogue says the same, and the same command again succeeds and gives what it gives undisturbed.
///
/// # Errors
/// What is wrong, in words.
pub fn stands(
    lab: &Lab,
    scenario: &Scenario,
    told: &[Told],
    after: After,
    undisturbed: &Takes,
) -> std::result::Result<(), String> {
    let dir = lab.path(scenario.vault);
    let catalogue = match after {
        After::Fault => Catalogue::AsItWas,
        After::Cut(catalogue) => catalogue,
    };
    if after == After::Fault && scenario.name == "rescue" && !told.contains(&Told::Vault) {
        // It told that something could not be read: that vault is whole as far as it goes.
        if let Ok(vault) = Vault::open(&dir, lab.calm(11)) {
            takes(&vault, &lab.originals)?;
            drop(vault);
            std::fs::remove_dir_all(&dir).unwrap();
        }
    }
    let opened = Vault::open(&dir, lab.calm(11));
    let is_there = match &opened {
        Ok(_) => true,
        Err(e) if scenario.makes_vault && e.kind == Kind::NotFound => false,
        Err(e) => return Err(format!("opening fails: {}", e.fact())),
    };
    if !is_there && told.contains(&Told::Vault) {
        return Err("the vault was told as made and is not there".into());
    }
    if let (Ok(vault), true, false) = (opened, is_there, scenario.damaged) {
        // Without a catalogue nobody knows how much of a torn reel was told: it is closed as it stands, and a take
        // in it that cannot be read is named as damaged.
        match catalogue {
            Catalogue::Gone => told_ones_read(&vault, &lab.originals, told)?,
            _ => {
                all_told(&takes(&vault, &lab.originals)?, told)?;
                nothing_damaged(&vault)?;
                all_told(&takes(&vault, &lab.originals)?, told)?;
                drop(vault);
                rebuilds_the_same(&dir, lab.calm(12))?;
            }
        }
    }
    // A vault that is there is not made again.
    if !(scenario.makes_vault && is_there) {
        (scenario.run)(lab, &lab.calm(13), &mut |_| {})
            .map_err(|e| format!("the same command again: {}", e.fact()))?;
    }
    let vault = Vault::open(&dir, lab.calm(14)).map_err(|e| format!("then: {}", e.fact()))?;
    let now = takes(&vault, &lab.originals)?;
    all_told(&now, told)?;
    // A file that could not be read at first gets a later number, and a section may get another name.
    let plain = |takes: &Takes| -> Vec<(String, Hash)> {
        let mut all: Vec<_> = takes.iter().map(|(d, _, _, h)| (d.clone(), *h)).collect();
        all.sort();
        all
    };
    let same = match after {
        After::Cut(_) => now == *undisturbed,
        After::Fault => plain(&now) == plain(undisturbed),
    };
    if !same {
        let more: Vec<_> = now.difference(undisturbed).collect();
        let less: Vec<_> = undisturbed.difference(&now).collect();
        return Err(format!(
            "the same command again gives also {more:?} and lacks {less:?}"
        ));
    }
    if catalogue == Catalogue::Gone {
        return Ok(());
    }
    nothing_damaged(&vault)?;
    if scenario.name == "mirror" {
        let states: Vec<ShelfState> = ops::shelf::list(&vault)
            .map_err(|e| e.fact())?
            .iter()
            .map(|s| s.state)
            .collect();
        if states != [ShelfState::Good; 2] {
            return Err(format!("after a mirror the shelves are {states:?}"));
        }
    }
    drop(vault);
    rebuilds_the_same(&dir, lab.calm(15)).map(|_| ())
}

/// What `work` says, or that it panicked: one bad try must not hide the others.
pub fn in_words(
    work: impl FnOnce() -> std::result::Result<(), String>,
) -> std::result::Result<(), String> {
    std::panic::catch_unwind(std::panic::AssertUnwindSafe(work))
        .unwrap_or_else(|_| Err("a panic".into()))
}

/// The takes that the command gives undisturbed, and how many calls it makes on the way.
pub fn undisturbed(lab: &Lab, scenario: &Scenario) -> (Takes, StandIn) {
    lab.put_back();
    let disk = lab.faulty(Trouble::None);
    (scenario.run)(lab, &lab.world(Arc::new(disk.clone()), 10), &mut |_| {}).unwrap();
    let vault = Vault::open(&lab.path(scenario.vault), lab.calm(11)).unwrap();
    (takes(&vault, &lab.originals).unwrap(), disk)
}

/// Which of `total` points are tried: at most `most`, spread evenly with the last among them, or all of them where
/// `FARSHELF_FAULT_POINTS` says `all`.
pub fn points(total: u64, most: u64) -> Vec<u64> {
    let most = if all_points() { total } else { most.min(total) };
    (1..=most).map(|n| n * total / most).collect()
}

/// True if all points are to be tried.
pub fn all_points() -> bool {
    std::env::var("FARSHELF_FAULT_POINTS").is_ok_and(|v| v == "all")
}

/// Prints a line past the test harness, which swallows what passing tests print.
pub fn say(line: &str) {
    let _ = std::io::stderr().write_all(format!("{line}\n").as_bytes());
}

/// Bytes that do not pack away to nothing.
pub fn noise(seed: u64, len: usize) -> Vec<u8> {
    let mut dice = Dice::new(seed);
    let mut out = Vec::with_capacity(len + 8);
    while out.len() < len {
        out.extend(dice.next().to_le_bytes());
    }
    out.truncate(len);
    out
}

/// Empties the folder, or makes it.
pub fn remake(folder: &Path) {
    let _ = std::fs::remove_dir_all(folder);
    std::fs::create_dir_all(folder).unwrap();
}

/// Copies a folder with all that is in it.
pub fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).unwrap();
        }
    }
}
