//! Random commands on one vault, some of them undisturbed, some with a failing call, some cut off by a power cut,
//! against a plain list of what was told. After each, all that was told is there and nothing else but what was tried.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;

use farshelf::care::standing::ShelfState;
use farshelf::error::Result;
use farshelf::model::date::Moment;
use farshelf::model::hash::Hash;
use farshelf::ops;
use farshelf::ops::takes::Labelling;
use farshelf::vault::Vault;

use crate::common::{self, NOW, WAIT, dump, options, set_mtime};
use crate::io_faults::unclear;
use crate::lab::{
    Lab, Told, all_points, all_told, in_words, keep_in, noise, nothing_damaged, rebuilds_the_same,
    remake, say, takes,
};
use crate::stand_in::{Dice, Fate, How, Sort, StandIn, Trouble};

const DEVICES: [&str; 2] = ["organ", "piano"];
const STEPS: u64 = 30;

/// What was told, and what was tried.
#[derive(Default)]
struct Model {
    told: BTreeSet<Told>,
    labels: BTreeMap<String, (String, u32)>,
    vouched: BTreeSet<(String, u32, String)>,
    dates: BTreeMap<(String, u32), String>,
    /// Device and bytes of everything that was ever to be kept.
    tried: BTreeSet<(String, Hash)>,
}

/// One command.
#[derive(Debug, Clone)]
enum Step {
    Keep(&'static str, Vec<usize>),
    Label(String, u32, String),
    Date(String, u32, String),
    Vouch(String, u32, String),
    Mirror,
    Fixity,
    Reindex,
}

struct Run {
    lab: Lab,
    dice: Dice,
    files: Vec<(PathBuf, Hash)>,
    model: Model,
}

#[test]
fn random_commands_and_faults_lose_nothing_that_was_told() {
    let seeds: Vec<u64> = match std::env::var("FARSHELF_FAULT_SEED") {
        Ok(seed) => vec![seed.parse().unwrap()],
        Err(_) if all_points() => (1..=60).collect(),
        Err(_) => (1..=8).collect(),
    };
    let mut counts = [0; 3];
    let mut bad = Vec::new();
    for seed in &seeds {
        if let Err(e) = in_words(|| one_life(*seed, &mut counts)) {
            bad.push(format!("FARSHELF_FAULT_SEED={seed}: {e}"));
        }
    }
    let [calm, faults, cuts] = counts;
    say(&format!(
        "random commands: {} seeds, {calm} undisturbed, {faults} with a failing call, {cuts} with a power cut, {} bad",
        seeds.len(),
        bad.len()
    ));
    assert!(bad.is_empty(), "{}", bad.join("\n"));
    assert!(counts.iter().all(|n| *n > seeds.len()), "{counts:?}");
}

/// One vault from its making to its rescue.
fn one_life(seed: u64, counts: &mut [usize; 3]) -> std::result::Result<(), String> {
    let mut run = Run::new(seed);
    for number in 0..STEPS {
        run.lab.clock.set(NOW + number as i64 * 3600);
        let step = run.choose(number);
        let kind = run.dice.below(4);
        let outcome = match kind {
            0 | 1 => run.calmly(&step, number),
            2 => run.with_a_fault(&step, number),
            _ => run.with_a_power_cut(&step, number),
        };
        counts[kind.saturating_sub(1) as usize] += 1;
        outcome
            .and_then(|()| run.check(number))
            .map_err(|e| format!("step {number}, {step:?}, kind {kind}: {e}"))?;
    }
    run.end()
}

impl Run {
    fn new(seed: u64) -> Run {
        let lab = Lab::new();
        let world = lab.calm(seed);
        let place = "studio".parse().unwrap();
        let vault = ops::create::create(&lab.path("vault"), Some(&place), &world).unwrap();
        for device in DEVICES {
            common::add_device(&vault, device);
        }
        lab.add_shelf(&vault, "barn").unwrap();
        let mut files = Vec::new();
        for n in 0..12u64 {
            let (name, bytes) = match n {
                11 => ("bin", noise(n, 1_200_000)),
                _ => (
                    "syx",
                    dump(1 + n as u8 % 3, &noise(n, 100 + 90 * n as usize)),
                ),
            };
            let path = lab.input(&format!("{n}.{name}"));
            std::fs::write(&path, &bytes).unwrap();
            set_mtime(&path, NOW - 86_400 * (100 - n as i64));
            files.push((path, Hash::of(&bytes)));
        }
        Run {
            lab,
            dice: Dice::new(seed),
            files,
            model: Model::default(),
        }
    }

    fn choose(&mut self, number: u64) -> Step {
        let all: Vec<(String, u32)> = self
            .model
            .told
            .iter()
            .filter_map(|t| match t {
                Told::Take(device, take, _) => Some((device.clone(), *take)),
                Told::Vault => None,
            })
            .collect();
        let dice = &mut self.dice;
        let some = match all.len() as u64 {
            0 => None,
            n => all.get(dice.below(n) as usize).cloned(),
        };
        match (dice.below(12), some) {
            (6, Some((d, t))) => Step::Label(d, t, format!("label {number}")),
            (7, Some((d, t))) => Step::Date(d, t, format!("{}", 1990 + number)),
            (8, Some((d, t))) => Step::Vouch(d, t, format!("heard it {number}")),
            (9, _) => Step::Mirror,
            (10, _) => Step::Fixity,
            (11, _) => Step::Reindex,
            _ => {
                let device = DEVICES[dice.below(2) as usize];
                let count = 1 + dice.below(3);
                let which = (0..count).map(|_| dice.below(12) as usize).collect();
                Step::Keep(device, which)
            }
        }
    }

    /// Runs the step around `disk`, and believes what it tells while the power is on.
    fn run(
        &mut self,
        step: &Step,
        world: farshelf::sys::World,
        disk: Option<&StandIn>,
    ) -> Result<()> {
        let alive = || disk.is_none_or(StandIn::alive);
        if let Step::Reindex = step {
            return Vault::reindex(&self.lab.path("vault"), world, WAIT).map(|_| ());
        }
        let vault = self.lab.open(&world)?;
        let model = &mut self.model;
        match step {
            Step::Keep(device, which) => {
                let paths = which.iter().map(|n| self.files[*n].0.clone()).collect();
                for n in which {
                    model.tried.insert((device.to_string(), self.files[*n].1));
                }
                keep_in(&vault, &options(device, paths), &mut |t| {
                    if alive() {
                        model.told.insert(t);
                    }
                })?;
            }
            Step::Label(device, take, text) => {
                let what = Labelling {
                    text: Some(text.clone()),
                    ..Labelling::default()
                };
                ops::takes::label(&vault, &format!("{device}@{take}"), &what, WAIT)?;
                if alive() {
                    model.labels.insert(text.clone(), (device.clone(), *take));
                }
            }
            Step::Date(device, take, date) => {
                let what = Labelling {
                    date: Some(date.parse::<Moment>().unwrap()),
                    ..Labelling::default()
                };
                ops::takes::label(&vault, &format!("{device}@{take}"), &what, WAIT)?;
                if alive() {
                    model.dates.insert((device.clone(), *take), date.clone());
                }
            }
            Step::Vouch(device, take, text) => {
                ops::takes::vouch(&vault, &format!("{device}@{take}"), text, WAIT)?;
                if alive() {
                    model.vouched.insert((device.clone(), *take, text.clone()));
                }
            }
            Step::Mirror => {
                let report =
                    ops::mirror::mirror(&vault, &ops::mirror::MirrorOptions::of(&[]), WAIT)?;
                if let Some(e) = report.shelves.into_iter().find_map(|s| s.error) {
                    return Err(farshelf::error::Error::new(farshelf::error::Kind::Io, e));
                }
            }
            Step::Fixity => {
                ops::fixity::fixity(&vault, &Default::default(), WAIT)?;
            }
            Step::Reindex => {}
        }
        Ok(())
    }

    fn calmly(&mut self, step: &Step, number: u64) -> std::result::Result<(), String> {
        let world = self.lab.calm(1000 + number);
        self.run(step, world, None).map_err(|e| e.fact())
    }

    fn with_a_fault(&mut self, step: &Step, number: u64) -> std::result::Result<(), String> {
        let (sort, how) = match self.dice.below(5) {
            0 => (Sort::Change, How::Full),
            1 => (Sort::Change, How::ReadOnly),
            2 => (Sort::Change, How::Short),
            3 => (Sort::Change, How::Broken),
            _ => (Sort::Look, How::Broken),
        };
        let most = if sort == Sort::Look { 40 } else { 8 };
        let disk = self.lab.faulty(Trouble::Fails {
            sort,
            at: 1 + self.dice.below(most),
            how,
            lasting: self.dice.coin(),
        });
        let world = self.lab.world(Arc::new(disk.clone()), 1000 + number);
        match self.run(step, world, Some(&disk)) {
            Err(e) => match unclear(&e) {
                Some(why) => Err(format!("{why}: {:?} {}", e.kind, e.fact())),
                None => Ok(()),
            },
            Ok(()) => Ok(()),
        }
    }

    fn with_a_power_cut(&mut self, step: &Step, number: u64) -> std::result::Result<(), String> {
        let fate = match self.dice.below(8) {
            0 => Fate::Lost,
            1 => Fate::Kept,
            2 => Fate::NamesOnly,
            3 => Fate::BytesOnly,
            _ => Fate::Mixed(self.dice.next()),
        };
        // Sometimes the power goes only after the command.
        let disk = self.lab.faulty(Trouble::Cut {
            at: 1 + self.dice.below(10),
        });
        let image = self.lab.beside("image");
        remake(&image);
        disk.want(fate, image.clone());
        let world = self.lab.world(Arc::new(disk.clone()), 1000 + number);
        let result = self.run(step, world, Some(&disk));
        if let (Err(e), true) = (&result, disk.alive()) {
            return Err(e.fact());
        }
        disk.cut();
        self.lab.put(&image);
        if fate == Fate::Lost && self.dice.coin() {
            for name in ["catalogue.sqlite", "catalogue.sqlite-wal"] {
                let _ = std::fs::remove_file(self.lab.path("vault").join(name));
            }
        }
        Ok(())
    }

    /// The vault is what was told.
    fn check(&self, number: u64) -> std::result::Result<(), String> {
        let dir = self.lab.path("vault");
        let vault = self
            .lab
            .open(&self.lab.calm(2000 + number))
            .map_err(|e| e.fact())?;
        self.compare(&vault)?;
        if number.is_multiple_of(5) {
            nothing_damaged(&vault)?;
            drop(vault);
            let vault = rebuilds_the_same(&dir, self.lab.calm(3000 + number))?;
            self.compare(&vault)?;
        }
        Ok(())
    }

    fn compare(&self, vault: &Vault) -> std::result::Result<(), String> {
        let model = &self.model;
        let all = takes(vault, &self.lab.originals)?;
        all_told(&all, &model.told.iter().cloned().collect::<Vec<_>>())?;
        let tried = |(device, _, _, hash): &&(String, String, u32, Hash)| {
            !model.tried.contains(&(device.clone(), *hash))
        };
        if let Some(invented) = all.iter().find(tried) {
            return Err(format!("{invented:?} was never to be kept"));
        }
        let once: BTreeSet<_> = all.iter().map(|(d, _, _, h)| (d, h)).collect();
        if once.len() != all.len() {
            return Err(format!("something was kept twice: {all:?}"));
        }
        for device in DEVICES {
            let history = ops::takes::history(vault, &device.parse().unwrap())
                .map_err(|e| e.fact())?
                .takes;
            let view =
                |d: &str, t: u32| history.iter().find(|v| d == device && v.take.number() == t);
            for (label, (d, t)) in model.labels.iter().filter(|(_, (d, _))| d == device) {
                if !view(d, *t).is_some_and(|v| v.labels.contains(label)) {
                    return Err(format!("{d}@{t} lost its label {label}"));
                }
            }
            for (d, t, text) in model.vouched.iter().filter(|(d, _, _)| d == device) {
                let words = view(d, *t).map(|v| vault.catalogue().vouches_of_take(v.take.id));
                if !words.is_some_and(|w| w.unwrap().iter().any(|w| w.text == *text)) {
                    return Err(format!("{d}@{t} lost the word {text}"));
                }
            }
            for ((d, t), date) in model.dates.iter().filter(|((d, _), _)| d == device) {
                let seen = view(d, *t).map(|v| vault.catalogue().sightings_of_take(v.take.id));
                if !seen.is_some_and(|s| s.unwrap().iter().any(|s| s.date == *date)) {
                    return Err(format!("{d}@{t} lost its date {date}"));
                }
            }
        }
        Ok(())
    }

    /// When all is well again, the shelf gets everything, and a rescue from it gives everything back.
    fn end(&mut self) -> std::result::Result<(), String> {
        let vault = self.lab.open(&self.lab.calm(4000)).map_err(|e| e.fact())?;
        nothing_damaged(&vault)?;
        let report = ops::mirror::mirror(&vault, &ops::mirror::MirrorOptions::of(&[]), WAIT)
            .map_err(|e| e.fact())?;
        if report.shelves.iter().any(|s| s.state != ShelfState::Good) {
            return Err(format!("{:?}", report.shelves));
        }
        let before = takes(&vault, &self.lab.originals)?;
        let identity = ops::key::identity(&vault, &mut || unreachable!()).map_err(|e| e.fact())?;
        drop(vault);
        let options = ops::rescue::RescueOptions {
            locations: vec![farshelf::shelf::registry::Reach::folder(
                &self.lab.path("barn"),
            )],
            identity: &identity,
            to: self.lab.path("rescued"),
            line: None,
            until: None,
            progress: std::sync::Arc::new(farshelf::ops::mirror::Silent),
        };
        let (rescued, report) =
            ops::rescue::rescue(&options, &self.lab.calm(4001), WAIT).map_err(|e| e.fact())?;
        if !report.damaged.is_empty() {
            return Err(format!("{:?}", report.damaged));
        }
        self.compare(&rescued)?;
        match takes(&rescued, &self.lab.originals)? == before {
            true => Ok(()),
            false => Err("the rescued vault has other takes".into()),
        }
    }
}
