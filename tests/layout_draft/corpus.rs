//! Invented devices and their dumps, with the truth about them: sizes, counts, styles, packings, names and changes are
//! drawn like those of the corpora that the benchmarks of this project use.

use farshelf::midi::checksum::Scheme;
use farshelf::midi::packing::Packing;

/// Random numbers from a seed (splitmix64).
pub struct Lot(u64);

impl Lot {
    pub fn new(seed: u64) -> Lot {
        Lot(seed)
    }

    pub fn draw(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    pub fn below(&mut self, n: usize) -> usize {
        (self.draw() % n as u64) as usize
    }

    pub fn one<T: Clone>(&mut self, of: &[T]) -> T {
        of[self.below(of.len())].clone()
    }

    pub fn chance(&mut self, percent: usize) -> bool {
        self.below(100) < percent
    }

    pub fn byte(&mut self) -> u8 {
        self.draw() as u8
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Profile {
    Small,
    Studio,
    Museum,
}

/// What differs from the usual device; `Default` is the usual one.
#[derive(Debug, Clone)]
pub struct Special {
    pub scheme: Option<Scheme>,
    /// Covered from here, counted from the first data byte: negative ones are in the header.
    pub from: isize,
    /// Over the bytes before packing.
    pub over_unpacked: bool,
    /// A checksum that is drawn by lot.
    pub by_lot: bool,
    pub name_at: usize,
    pub name_len: usize,
    pub packing: Option<Option<Packing>>,
    pub is_bulk: Option<bool>,
}

impl Default for Special {
    fn default() -> Special {
        Special {
            scheme: Some(Scheme::SumToZero),
            from: 0,
            over_unpacked: false,
            by_lot: false,
            name_at: 0,
            name_len: 10,
            packing: None,
            is_bulk: None,
        }
    }
}

pub struct Device {
    lot: Lot,
    special: Special,
    pub maker: Vec<u8>,
    pub number: u8,
    model: u8,
    pub size: usize,
    pub count: usize,
    pub n_banks: usize,
    pub is_bulk: bool,
    pub packing: Option<Packing>,
    masks: Vec<u8>,
    archetypes: Vec<Vec<u8>>,
    patches: Vec<Vec<Vec<u8>>>,
}

const SYLLABLES: &str = "BAS LED PAD KEY ORG STR BRS BEL PLK DRM SWP CHO VOX HIT ARP FX WAH DUB ICE \
    SUN FOG TAR LOW HI SOFT HARD WARM COLD DEEP THIN FAT GLAS WOOD TIN RAIN";

impl Device {
    pub fn new(seed: u64, profile: Profile, special: Special) -> Device {
        let mut lot = Lot::new(seed);
        let maker = if lot.chance(40) {
            vec![0x7D]
        } else {
            vec![0, 0x70 | lot.below(16) as u8, lot.below(128) as u8]
        };
        let (model, number) = (lot.below(128) as u8, lot.below(16) as u8);
        let (size, count, n_banks, is_bulk) = match profile {
            Profile::Small => (
                lot.one(&[64, 96, 128, 160, 192, 256, 384, 512, 1024]),
                1,
                4,
                false,
            ),
            Profile::Studio => (
                lot.one(&[64, 64, 96, 128, 128, 160, 192, 256, 384]),
                lot.one(&[16, 16, 32, 32, 64, 64, 100, 128]),
                lot.one(&[1, 2, 4, 4, 4, 8]),
                lot.chance(50),
            ),
            Profile::Museum => (
                lot.one(&[64, 96, 128, 160, 192, 256, 384, 512, 768, 1024]),
                lot.one(&[16, 32, 64, 100, 128, 128, 256, 512]),
                lot.one(&[1, 1, 2, 4]),
                lot.chance(50),
            ),
        };
        let packing = lot.one(&[
            None,
            None,
            Some(Packing::SevenInEightLow),
            Some(Packing::NibblesHighFirst),
        ]);
        let packing = special.packing.unwrap_or(packing);
        let is_bulk = special.is_bulk.unwrap_or(is_bulk);
        let wide = if packing.is_none() { 0x7F } else { 0xFF };
        let masks: Vec<u8> = (0..size)
            .map(|_| match lot.below(100) {
                0..34 => 0,
                34..46 => 0x01,
                46..58 => 0x03,
                58..74 => 0x0F,
                74..88 => 0x3F,
                _ => wide,
            })
            .collect();
        let base: Vec<u8> = (0..size).map(|_| lot.byte() & wide).collect();
        let mut archetypes = vec![base.clone()];
        for _ in 0..7 {
            archetypes.push(
                (0..size)
                    .map(|i| base[i] ^ (lot.byte() & masks[i]))
                    .collect(),
            );
        }
        let mut device = Device {
            lot,
            special,
            maker,
            number,
            model,
            size,
            count,
            n_banks,
            is_bulk,
            packing,
            masks,
            archetypes,
            patches: Vec::new(),
        };
        let mut init = device.archetypes[0].clone();
        device.put_name(&mut init, "INIT PATCH");
        for _ in 0..n_banks {
            let used = if device.lot.chance(70) {
                count
            } else {
                (device.lot.below(count * 100) / 100).max(1)
            };
            let mut bank: Vec<Vec<u8>> = (0..used).map(|_| device.patch()).collect();
            bank.resize(count, init.clone());
            device.patches.push(bank);
        }
        device
    }

    fn put_name(&self, patch: &mut [u8], name: &str) {
        let (at, len) = (self.special.name_at, self.special.name_len);
        let padded = format!("{name:<len$}");
        patch[at..at + len].copy_from_slice(&padded.as_bytes()[..len]);
    }

    fn patch(&mut self) -> Vec<u8> {
        let syllables: Vec<&str> = SYLLABLES.split_whitespace().collect();
        let lot = &mut self.lot;
        let name = format!(
            "{}{}{}{}",
            lot.one(&syllables),
            lot.one(&[' ', '-', '.']),
            lot.one(&syllables),
            lot.one(&[" ", "", " 2", "+", "*"])
        );
        let is_close = lot.chance(60);
        let from = lot.below(8);
        let mut patch: Vec<u8> = (0..self.size)
            .map(|i| {
                let edit = if is_close {
                    lot.byte() & lot.byte()
                } else {
                    lot.byte()
                };
                self.archetypes[from][i] ^ (edit & self.masks[i])
            })
            .collect();
        self.put_name(&mut patch, &name);
        patch
    }

    /// Some patches are played with; sometimes none.
    pub fn step(&mut self) {
        if self.lot.chance(30) {
            return;
        }
        let total = self.n_banks * self.count;
        let n = (total * self.lot.below(50) / 1000).max(1);
        let one_bank = self.lot.chance(60).then(|| self.lot.below(self.n_banks));
        for _ in 0..n {
            let bank = one_bank.unwrap_or_else(|| self.lot.below(self.n_banks));
            let slot = self.lot.below(self.count);
            self.patches[bank][slot] = self.patch();
        }
    }

    /// The bytes of a patch as they are sent.
    fn sent(&self, patch: &[u8]) -> Vec<u8> {
        match self.packing {
            None => patch.to_vec(),
            Some(packing) => packing.pack(&self.padded(patch)),
        }
    }

    fn padded(&self, patch: &[u8]) -> Vec<u8> {
        let mut patch = patch.to_vec();
        patch.resize(self.stride(), 0);
        patch
    }

    /// From one patch to the next, in unpacked bytes.
    pub fn stride(&self) -> usize {
        match self.packing {
            Some(Packing::SevenInEightLow | Packing::SevenInEightHigh) => self.size.div_ceil(7) * 7,
            _ => self.size,
        }
    }

    /// Where the data begins.
    pub fn data_at(&self) -> usize {
        self.maker.len() + 7
    }

    fn message(&mut self, kind: u8, bank: usize, number: usize, patches: &[Vec<u8>]) -> Vec<u8> {
        let mut m = vec![0xF0];
        m.extend(&self.maker);
        m.extend([self.number, self.model, kind, bank as u8]);
        m.extend([(number >> 7) as u8, (number & 0x7f) as u8]);
        let at = m.len();
        for patch in patches {
            m.extend(self.sent(patch));
        }
        if let Some(scheme) = self.special.scheme {
            let covered: Vec<u8> = if self.special.over_unpacked {
                patches.iter().flat_map(|p| self.padded(p)).collect()
            } else {
                m[at.checked_add_signed(self.special.from).unwrap()..].to_vec()
            };
            let checksum = scheme.of(&covered);
            m.extend(checksum.as_bytes());
        }
        if self.special.by_lot {
            m.push(self.lot.byte() & 0x7f);
        }
        m.push(0xF7);
        m
    }

    /// Everything it would send now, a list of messages for each bank.
    pub fn banks(&mut self) -> Vec<Vec<Vec<u8>>> {
        let patches = self.patches.clone();
        patches
            .iter()
            .enumerate()
            .map(|(bank, of_bank)| {
                if self.is_bulk {
                    vec![self.message(2, bank, of_bank.len(), of_bank)]
                } else {
                    of_bank
                        .iter()
                        .enumerate()
                        .map(|(slot, p)| self.message(1, bank, slot, std::slice::from_ref(p)))
                        .collect()
                }
            })
            .collect()
    }
}
