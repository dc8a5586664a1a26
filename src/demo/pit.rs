//! An invented theatre's orchestra pit: nine devices of invented makers, and two years of their dumps.

use crate::ops::devices::DeviceChange;

/// Seconds of a day.
pub const DAY: i64 = 86_400;
/// How far the dumps go back.
const YEARS_DAYS: i64 = 730;

/// One device of the pit.
#[derive(Debug)]
pub struct Unit {
    /// Its id.
    pub id: &'static str,
    name: &'static str,
    maker: &'static str,
    model: &'static str,
    serial: &'static str,
    power: &'static str,
    /// Months since its battery was fitted; 0 for none.
    fitted_months: i64,
    /// For each section, how many messages its dump has.
    sections: &'static [u8],
    /// Days since its last dump.
    last_dump_days: i64,
}

/// The pit.
pub const UNITS: &[Unit] = &[
    unit(
        "pit-organ",
        "Organ, left of the conductor",
        "Oxwood",
        "Nave Four",
        "OX-2207",
        "coin-holder",
        20,
        &[32, 8, 1],
        12,
    ),
    unit(
        "strings",
        "Strings",
        "Quarmby",
        "Ensemble S",
        "Q-0113",
        "coin-soldered",
        57,
        &[16, 2],
        12,
    ),
    unit(
        "bass",
        "Bass",
        "Tamsel",
        "Low Nine",
        "4471",
        "coin-holder",
        9,
        &[8, 1],
        11,
    ),
    unit(
        "lead",
        "Lead",
        "Lindrake",
        "Solo Two",
        "LD-88-31",
        "coin-soldered",
        30,
        &[24],
        13,
    ),
    unit(
        "pads",
        "Pads",
        "Quarmby",
        "Cloud",
        "Q-2090",
        "none",
        0,
        &[32, 4],
        10,
    ),
    unit(
        "bells",
        "Bells",
        "Oxwood",
        "Carillon Mini",
        "OX-0901",
        "coin-holder",
        14,
        &[16],
        208,
    ),
    unit(
        "drum-box",
        "Drums",
        "Tamsel",
        "Pulse Sixteen",
        "0077",
        "rechargeable",
        0,
        &[12, 6, 1],
        9,
    ),
    unit(
        "hall",
        "Reverberation",
        "Lindrake",
        "Room Engine",
        "LD-12-07",
        "none",
        0,
        &[10],
        14,
    ),
    unit(
        "curtain-keys",
        "Keys behind the curtain",
        "Oxwood",
        "Stage Piano K",
        "OX-3350",
        "none",
        0,
        &[6, 1],
        15,
    ),
];

#[expect(clippy::too_many_arguments, reason = "one row of a table")]
const fn unit(
    id: &'static str,
    name: &'static str,
    maker: &'static str,
    model: &'static str,
    serial: &'static str,
    power: &'static str,
    fitted_months: i64,
    sections: &'static [u8],
    last_dump_days: i64,
) -> Unit {
    Unit {
        id,
        name,
        maker,
        model,
        serial,
        power,
        fitted_months,
        sections,
        last_dump_days,
    }
}

impl Unit {
    /// Its record; `day` turns days ago into a date.
    pub fn record(&self, day: impl Fn(i64) -> String) -> DeviceChange {
        let text = |t: &str| Some(t.to_string());
        DeviceChange {
            name: text(self.name),
            maker: text(self.maker),
            model: text(self.model),
            serial: text(self.serial),
            place: text("orchestra pit"),
            owner: text("the theatre"),
            power: text(self.power),
            fitted_on: (self.fitted_months > 0).then(|| day(self.fitted_months * 30)),
            last_powered: (self.power == "rechargeable").then(|| day(3)),
            ..DeviceChange::default()
        }
    }

    /// All its dumps, oldest first.
    pub fn dumps(&self) -> Vec<Dump> {
        let mut dice = Dice::new(self.id);
        let mut dumps = Vec::new();
        for (section, messages) in self.sections.iter().enumerate() {
            let mut bank = Bank::new(&mut dice, section as u8 + 1, *messages);
            let mut ago = YEARS_DAYS;
            loop {
                let last = ago <= self.last_dump_days + 30;
                let days_ago = if last { self.last_dump_days } else { ago };
                dumps.push(Dump {
                    section: section as u8 + 1,
                    days_ago,
                    bytes: bank.bytes(),
                });
                if last {
                    break;
                }
                bank.change(&mut dice);
                ago -= 31;
            }
        }
        dumps
    }
}

/// One dump.
#[derive(Debug, Clone)]
pub struct Dump {
    /// Which section of the memory, from 1.
    pub section: u8,
    /// When it was made.
    pub days_ago: i64,
    /// SysEx under the non-commercial ID 7D.
    pub bytes: Vec<u8>,
}

/// The patches of one section.
struct Bank {
    section: u8,
    patches: Vec<[u8; 120]>,
}

const WORDS: &[&str] = &[
    "Overture", "Moonrise", "Duel", "Rain", "Market", "Ghost", "Waltz", "Storm", "Lantern",
    "Chorus", "Snow", "Feast",
];

impl Bank {
    fn new(dice: &mut Dice, section: u8, messages: u8) -> Bank {
        let patches = (0..messages)
            .map(|n| {
                let mut patch = [0u8; 120];
                for b in patch.iter_mut() {
                    // Parameters cluster around the middle, as they do on real instruments.
                    *b = (32 + dice.below(32) + dice.below(32)) as u8;
                }
                let name = format!(
                    "{:<10}",
                    format!(
                        "{} {}",
                        WORDS[dice.below(WORDS.len() as u64) as usize],
                        n + 1
                    )
                );
                patch[..10].copy_from_slice(&name.as_bytes()[..10]);
                patch
            })
            .collect();
        Bank { section, patches }
    }

    /// Somebody turned a few knobs, or nobody did.
    fn change(&mut self, dice: &mut Dice) {
        for _ in 0..dice.below(4) {
            let patch = dice.below(self.patches.len() as u64) as usize;
            let knob = 10 + dice.below(110) as usize;
            self.patches[patch][knob] = dice.below(128) as u8;
        }
    }

    fn bytes(&self) -> Vec<u8> {
        let mut out = Vec::new();
        for (n, patch) in self.patches.iter().enumerate() {
            out.extend([0xf0, 0x7d, 0x00, self.section, 0x01, 0x00, n as u8]);
            out.extend(patch);
            let sum: u32 = patch.iter().map(|b| u32::from(*b)).sum();
            out.push((128 - sum % 128) as u8 & 0x7f);
            out.push(0xf7);
        }
        out
    }
}

/// The same numbers at every run.
struct Dice(u64);

impl Dice {
    fn new(seed: &str) -> Dice {
        let hash = blake3::hash(seed.as_bytes());
        let mut first = [0u8; 8];
        first.copy_from_slice(&hash.as_bytes()[..8]);
        Dice(u64::from_le_bytes(first) | 1)
    }

    fn below(&mut self, n: u64) -> u64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % n.max(1)
    }
}
