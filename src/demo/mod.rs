//! The demonstration: an invented orchestra pit, from two years of dumps to a rescue, in a few seconds.
//!
//! Every step says what it does, does it through the same functions as the commands, and checks what came out. The
//! person's own vault is never touched.

mod pit;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use crate::care::health::{Code, State, lines};
use crate::care::standing::ShelfState;
use crate::error::{Error, Kind, Next, Result};
use crate::model::hash::Hash;
use crate::ops;
use crate::ops::fixity::FixityOptions;
use crate::ops::keep::{KeepOptions, KeepTotals, When, Whose};
use crate::ops::repair::Look;
use crate::ops::rescue::RescueOptions;
use crate::ops::shelf::AddOptions;
use crate::shelf::typed::parse_typed;
use crate::sys::World;
use crate::sys::clock::{FixedClock, day};
use crate::sys::disk::{self, FileKind, Replace};
use crate::sys::text::{counted, grouped, printable, size};
use crate::vault::Vault;
use crate::vault::keeping::Into;
use crate::vault::pieces::Pieces;
use pit::{DAY, UNITS};

const WAIT: Duration = Duration::from_secs(10);
const SHELVES: [(&str, &str); 2] = [
    ("office", "theatre office"),
    ("barn", "the barn outside town"),
];

/// What the demonstration left behind.
#[derive(Debug)]
pub struct Demo {
    /// The folder with everything in it.
    pub folder: PathBuf,
    /// The vault, to explore.
    pub vault: PathBuf,
}

/// Builds and shows everything in `folder`, which must be new or empty. `say` prints one line.
///
/// # Errors
/// `AlreadyThere`; `Io`; `Bug` if something did not come out as told.
pub fn run(folder: &Path, world: &World, say: &mut dyn FnMut(&str) -> Result<()>) -> Result<Demo> {
    let disk = world.disk.as_ref();
    if disk.list(folder).is_ok_and(|names| !names.is_empty()) {
        return Err(Error::new(
            Kind::AlreadyThere,
            format!("{} is not empty; it was left alone", folder.display()),
        )
        .next(Next::say("name a new folder with --to DIR")));
    }
    disk.create_folders(folder, disk::Privacy::Owner)
        .map_err(|e| Error::io(format!("cannot create {}", folder.display()), e))?;
    let folder = disk
        .canonical(folder)
        .map_err(|e| Error::io(format!("cannot find {}", folder.display()), e))?;
    let clock = Arc::new(FixedClock::at(world.now() - 40 * DAY));
    let stage = Stage {
        now: world.now(),
        world: World {
            clock: clock.clone(),
            ..world.clone()
        },
        clock,
        folder: folder.clone(),
        say: std::cell::RefCell::new(say),
    };
    stage.play()?;
    Ok(Demo {
        vault: folder.join("vault"),
        folder,
    })
}

/// Prints one line.
type Say<'s> = &'s mut dyn FnMut(&str) -> Result<()>;

struct Stage<'s> {
    now: i64,
    world: World,
    clock: Arc<FixedClock>,
    folder: PathBuf,
    say: std::cell::RefCell<Say<'s>>,
}

impl Stage<'_> {
    fn say(&self, text: &str) -> Result<()> {
        (self.say.borrow_mut())(text)
    }

    fn step(&self, title: &str, command: &str) -> Result<()> {
        self.say("")?;
        self.say(title)?;
        self.say(&format!("  $ farshelf {command}"))
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    fn vault(&self) -> Result<Vault> {
        Vault::open(&self.path("vault"), self.world.clone())
    }

    fn play(&self) -> Result<()> {
        self.say(
            "A small theatre's orchestra pit (invented): nine instruments, two years of dumps.",
        )?;
        self.begin()?;
        self.dumps_come_in()?;
        self.copies()?;
        self.clock.set(self.now);
        self.this_month()?;
        self.health()?;
        self.damage_and_repair()?;
        self.last_month_back()?;
        self.rescue()?;
        self.farewell()
    }

    fn begin(&self) -> Result<()> {
        self.step(
            "1. A vault is made, and the instruments are entered.",
            "create --place \"orchestra pit\"",
        )?;
        let place = "orchestra pit"
            .parse()
            .map_err(|_| bug("the place is none"))?;
        let vault = ops::create::create(&self.path("vault"), Some(&place), &self.world)?;
        for unit in UNITS {
            let id = unit.id.parse().map_err(|_| bug("a device id is none"))?;
            let day = |ago: i64| day(self.now - ago * DAY, &self.world.zone);
            ops::devices::add(&vault, &id, unit.record(day), WAIT)?;
        }
        self.say(&format!(
            "  {} entered",
            counted(UNITS.len() as u64, "device")
        ))
    }

    /// Writes the dumps that are between `oldest` and `newest` days old as files.
    fn write_dumps(&self, oldest: i64, newest: i64) -> Result<u64> {
        let mut files = 0;
        for unit in UNITS {
            for dump in unit
                .dumps()
                .iter()
                .filter(|d| d.days_ago < oldest && d.days_ago >= newest)
            {
                let when = self.now - dump.days_ago * DAY;
                let name = format!("{}-{}.syx", day(when, &self.world.zone), dump.section);
                self.write_file(unit.id, &name, &dump.bytes, when)?;
                files += 1;
            }
        }
        Ok(files)
    }

    fn write_file(&self, device: &str, name: &str, bytes: &[u8], when: i64) -> Result<()> {
        let folder = self.path("dumps").join(device);
        let path = folder.join(name);
        let fail = |e| Error::io(format!("cannot write {}", path.display()), e);
        let disk = self.world.disk.as_ref();
        disk.create_folders(&folder, disk::Privacy::Shared)
            .map_err(fail)?;
        let mut file = disk
            .create_new(&path, disk::Privacy::Shared)
            .map_err(fail)?;
        file.write_at(bytes, 0).map_err(fail)?;
        file.set_modified(when).map_err(fail)
    }

    fn keep(&self) -> Result<KeepTotals> {
        let options = KeepOptions {
            whose: Whose::ByFolder { add_devices: false },
            into: Into::Auto,
            when: When::FileTime,
            as_one: false,
            reread: false,
            paths: vec![self.path("dumps")],
            wait: WAIT,
        };
        let vault = self.vault()?;
        let mut doubtful = Vec::new();
        let totals = ops::keep::keep(&vault, &options, &mut std::io::empty(), &mut |r| {
            if r.condition == crate::model::take::Condition::Doubtful {
                let why = r
                    .findings
                    .first()
                    .map(|f| f.message.clone())
                    .unwrap_or_default();
                doubtful.push(format!(
                    "  doubtful: {}@{}: {}",
                    r.device.as_deref().unwrap_or("?"),
                    r.take.unwrap_or(0),
                    printable(&why)
                ));
            }
            Ok(())
        })?;
        for line in doubtful {
            self.say(&line)?;
        }
        self.say(&format!(
            "  {} kept, {} unchanged, {} doubtful",
            grouped(totals.kept),
            grouped(totals.unchanged),
            grouped(totals.doubtful)
        ))?;
        Ok(totals)
    }

    fn dumps_come_in(&self) -> Result<()> {
        let files = self.write_dumps(i64::MAX, 30)?;
        self.step(
            &format!(
                "2. Two years of dumps come in: {}, one folder for each instrument.",
                counted(files, "file")
            ),
            "keep --by-folder dumps",
        )?;
        let totals = self.keep()?;
        expect(
            totals.failed == 0 && totals.doubtful == 0 && totals.kept > 100,
            "the dumps were not kept",
        )?;
        let vault = self.vault()?;
        for (section, name) in [
            ("section-1", "bank"),
            ("section-2", "songs"),
            ("section-3", "system"),
        ] {
            let change = ops::devices::SectionChange {
                rename: Some(name.parse().map_err(|_| bug("a section name is none"))?),
                dump_steps: Some("UTIL, page 3, SEND, then PLAY".to_string()),
                ..Default::default()
            };
            let organ = "pit-organ"
                .parse()
                .map_err(|_| bug("a device id is none"))?;
            let section = section.parse().map_err(|_| bug("a section name is none"))?;
            ops::devices::section(&vault, &organ, &section, change, WAIT)?;
        }
        let labelling = ops::takes::Labelling {
            text: Some("opening night".to_string()),
            ..Default::default()
        };
        ops::takes::label(&vault, "pit-organ", &labelling, WAIT)?;
        self.say("  the organ's sections are named bank, songs and system; its state is labelled \"opening night\"")
    }

    fn copies(&self) -> Result<()> {
        self.step(
            "3. Two shelves in two other places hold encrypted copies.",
            "shelf add barn …/barn --place \"the barn outside town\" && farshelf mirror",
        )?;
        let vault = self.vault()?;
        for (name, place) in SHELVES {
            let options = AddOptions {
                name: name.to_string(),
                location: self.path(name).display().to_string(),
                way: Default::default(),
                place: Some(place.parse().map_err(|_| bug("a place is none"))?),
                every_days: Some(30),
                // Both lie on one disk here; in the story they do not.
                separate: true,
            };
            ops::shelf::add(&vault, &options, WAIT)?;
        }
        self.mirror(&vault)?;
        let place = SHELVES[1].1.parse().map_err(|_| bug("a place is none"))?;
        ops::key::confirm(&vault, &place, WAIT)?;
        self.say(&format!("  the printed key sheet lies in {}", SHELVES[1].1))
    }

    fn mirror(&self, vault: &Vault) -> Result<()> {
        let report = ops::mirror::mirror(vault, &ops::mirror::MirrorOptions::of(&[]), WAIT)?;
        for s in &report.shelves {
            self.say(&format!(
                "  {}: {} sent and read back, {}",
                s.name,
                size(s.bytes_sent),
                s.state.as_str()
            ))?;
            expect(
                s.state == ShelfState::Good,
                "a shelf is not good after the mirror",
            )?;
        }
        Ok(())
    }

    fn this_month(&self) -> Result<()> {
        let files = self.write_dumps(30, 0)?;
        // A cable came loose in the middle of the lead's bank.
        let whole = UNITS
            .iter()
            .find(|u| u.id == "lead")
            .map(|u| u.dumps())
            .unwrap_or_default();
        let mut torn = whole.last().map(|d| d.bytes.clone()).unwrap_or_default();
        torn.truncate(1_000);
        self.write_file("lead", "after-the-show.syx", &torn, self.now - 5 * DAY)?;
        self.step(
            &format!(
                "4. This month's dumps: {}. A cable came loose during one.",
                counted(files + 1, "file")
            ),
            "keep --by-folder dumps && farshelf mirror",
        )?;
        let totals = self.keep()?;
        expect(
            totals.doubtful == 1 && totals.failed == 0,
            "the torn dump was not noticed",
        )?;
        self.mirror(&self.vault()?)
    }

    fn health(&self) -> Result<()> {
        self.step(
            "5. Is everything safe? All copies are read again, then looked at.",
            "fixity && farshelf health",
        )?;
        let vault = self.vault()?;
        // Everything is read again first: the copies of forty days ago have to be looked at.
        ops::fixity::fixity(&vault, &everything(), WAIT)?;
        let health = ops::health::health(&vault)?.0;
        for line in lines(&health) {
            self.say(&format!("  {line}"))?;
        }
        let state = |id: &str| health.devices.iter().find(|d| d.id == id).map(|d| d.state);
        expect(
            state("bells") == Some(State::Overdue),
            "the bells are not overdue",
        )?;
        expect(
            state("strings") == Some(State::BatteryDue),
            "the strings' battery is not due",
        )?;
        expect(
            state("pit-organ") == Some(State::Good),
            "the organ is not good",
        )?;
        let doubt = health.devices.iter().find(|d| d.id == "lead");
        expect(
            doubt.is_some_and(|d| d.reasons.iter().any(|r| r.code == Code::NewestDoubtful)),
            "the lead's doubtful dump is not told",
        )?;
        self.say("  A battery inside a unit is work for a qualified technician: unplug it, follow its service manual.")
    }

    fn damage_and_repair(&self) -> Result<()> {
        self.step(
            "6. One byte rots on the shelf in the barn. Is it found?",
            "fixity",
        )?;
        let reels = self.path("barn").join("reels");
        let disk = self.world.disk.as_ref();
        let names = disk
            .list(&reels)
            .map_err(|e| Error::io("cannot list the shelf", e))?;
        let victim = names
            .iter()
            .map(|n| reels.join(n))
            .find(|p| disk.meta(p).is_ok_and(|m| m.kind == FileKind::File))
            .ok_or_else(|| bug("the shelf is empty"))?;
        let fail = |e| Error::io("cannot damage the shelf", e);
        let mut file = disk.open_write(&victim).map_err(fail)?;
        let middle = file.meta().map_err(fail)?.size / 2;
        let mut byte = [0u8];
        file.read_at(&mut byte, middle).map_err(fail)?;
        file.write_at(&[byte[0] ^ 0x10], middle).map_err(fail)?;
        file.sync().map_err(fail)?;
        let vault = self.vault()?;
        let found = ops::fixity::fixity(&vault, &everything(), WAIT)?;
        for d in &found.damaged {
            let reel = d.reel.map_or(String::new(), |n| format!(" reel {n}:"));
            self.say(&format!(
                "  damaged {}:{reel} {}",
                d.place,
                printable(&d.detail)
            ))?;
        }
        expect(
            found.damaged.len() == 1 && found.damaged[0].place == "barn",
            "the damage was not found",
        )?;
        self.step("   And mended?", "repair")?;
        let identity = ops::key::identity(&vault, &mut || Err(bug("the key is locked")))?;
        let (vault, done) = ops::repair::repair(vault, Some(&identity), Look::Everywhere, WAIT)?;
        for m in &done.repaired {
            let reel = m.reel.map_or(String::new(), |n| format!(" reel {n}"));
            self.say(&format!("  mended {}{reel} from {}", m.place, m.from))?;
        }
        expect(
            done.unrepairable.is_empty() && done.repaired.len() == 1,
            "the damage was not mended",
        )?;
        let again = ops::fixity::fixity(&vault, &everything(), WAIT)?;
        expect(
            again.good() && again.complete,
            "the vault is not good after the repair",
        )?;
        self.say(&format!(
            "  everything is as it was written: {} read in {}",
            size(again.checked_bytes),
            counted(again.checked_reels, "copy")
        ))
    }

    fn last_month_back(&self) -> Result<()> {
        self.step(
            "7. The organ as it was a month ago, byte for byte.",
            "recall pit-organ@30d --to last-month",
        )?;
        let vault = self.vault()?;
        let to = self.path("last-month");
        let result = ops::recall::recall(
            &vault,
            "pit-organ@30d",
            &to,
            Replace::No,
            &ops::recall::Altered::default(),
            &mut std::io::sink(),
        )?;
        let unit = UNITS
            .iter()
            .find(|u| u.id == "pit-organ")
            .map(|u| u.dumps())
            .unwrap_or_default();
        for (section, name) in [(1, "bank"), (2, "songs"), (3, "system")] {
            let then = unit
                .iter()
                .rfind(|d| d.section == section && d.days_ago >= 30);
            let file = disk::read_all(
                self.world.disk.as_ref(),
                &to.join(format!("{name}.syx")),
                1 << 20,
            )
            .map_err(|e| Error::io("cannot read what was recalled", e))?;
            expect(
                then.is_some_and(|d| d.bytes == file),
                "what was recalled is not what was dumped",
            )?;
        }
        let names: Vec<String> = result
            .takes
            .iter()
            .map(|t| format!("{} @{}", t.section.as_deref().unwrap_or("loose"), t.take))
            .collect();
        self.say(&format!(
            "  {}, compared with what the organ sent then: the same",
            names.join(", ")
        ))?;
        self.say("  (Sending a dump to an instrument overwrites its memory: capture what it holds first.)")
    }

    fn rescue(&self) -> Result<()> {
        self.step(
            "8. The theatre burns down. All that is left: the shelf in the barn and the printed key.",
            "rescue …/barn --key - --to rescued",
        )?;
        let vault = self.vault()?;
        let sheet = ops::key::sheet(&vault, &mut || Err(bug("the key is locked")))?;
        let typed: String = sheet
            .text
            .lines()
            .filter(|l| l.trim_start().starts_with("AGE-SECRET-KEY-1"))
            .map(|l| l.to_lowercase())
            .collect();
        let identity = parse_typed(&typed).map_err(|e| bug(&e.to_string()))?;
        let options = RescueOptions {
            locations: vec![crate::shelf::registry::Reach::folder(&self.path("barn"))],
            to: self.path("rescued"),
            identity: &identity,
            line: None,
            until: None,
            progress: std::sync::Arc::new(crate::ops::mirror::Silent),
        };
        let (after, rescued) = ops::rescue::rescue(&options, &self.world, WAIT)?;
        let before = all_takes(&vault)?;
        let after = all_takes(&after)?;
        expect(
            before == after && rescued.damaged.is_empty(),
            "the rescued vault is not the same",
        )?;
        self.say(&format!(
            "  {} of {} rebuilt, each compared with the vault that burned: identical",
            counted(rescued.takes, "take"),
            counted(rescued.devices, "device")
        ))
    }

    fn farewell(&self) -> Result<()> {
        self.say("")?;
        self.say("Everything came out as told. The vault is yours to explore:")?;
        let dir = self.path("vault");
        let vault = format!("farshelf --vault {}", dir.display());
        for command in [
            "health",
            "history pit-organ",
            "show lead@17",
            "recall \"pit-organ@opening night\" --to organ-files",
            "shelf list",
            "find bells",
            "key sheet",
        ] {
            self.say(&format!("  {vault} {command}"))?;
        }
        self.say(&format!("To be rid of it: rm -r {}", self.folder.display()))
    }
}

fn everything() -> FixityOptions {
    FixityOptions::default()
}

/// Every take with its bytes read and checked: device, number, hash.
fn all_takes(vault: &Vault) -> Result<Vec<(String, u32, Hash)>> {
    let pieces = Pieces::new(vault);
    let mut all = Vec::new();
    vault.catalogue().each_take(|take| {
        pieces.check(&take.hash)?;
        all.push((
            vault.catalogue().device_name(take.device())?,
            take.number(),
            take.hash,
        ));
        Ok(())
    })?;
    all.sort();
    Ok(all)
}

fn bug(text: &str) -> Error {
    Error::new(
        Kind::Bug,
        format!("the demonstration did not come out as told: {text}"),
    )
}

fn expect(true_: bool, otherwise: &str) -> Result<()> {
    if true_ { Ok(()) } else { Err(bug(otherwise)) }
}
