//! How far apart the patches of a dump stand: the stride at which its bytes are told in the fewest bits.
//!
//! The bytes are laid in rows of the stride. Each column is coded by what stood in it before, with the histogram of all
//! bytes as the first guess; rows that came before cost next to nothing. A stride that is too long learns too many
//! columns, one that is too short mixes columns that differ; the right one takes the fewest bits.

use std::collections::HashSet;
use std::hash::{DefaultHasher, Hash, Hasher};

/// The data of some messages of a kind, all unpacked in the same way.
#[derive(Debug)]
pub(super) struct View {
    pub regions: Vec<Vec<u8>>,
    /// Bits of each byte value, by the histogram of all bytes.
    pub guess: Vec<f32>,
    /// What all bytes take with nothing but the histogram.
    pub plain_bits: f32,
    /// The length of every region, if they are all of one length; the ones here may be cut.
    pub full_len: Option<usize>,
}

/// Shorter strides are no patches.
pub(super) const LEAST_STRIDE: usize = 6;
/// So many strides are measured in bits.
const MAX_MEASURED: usize = 10;
const N_SAMPLES: usize = 1024;
/// Strides that do not divide the data are looked for up to here.
const MOST_LAG: usize = 2048;
const LAG_SAMPLES: usize = 128;

impl View {
    pub fn new(regions: Vec<Vec<u8>>, full_len: Option<usize>) -> View {
        let mut counts = [0f32; 256];
        for byte in regions.iter().flatten() {
            counts[usize::from(*byte)] += 1.0;
        }
        let n: f32 = counts.iter().sum();
        let guess: Vec<f32> = counts
            .iter()
            .map(|c| -((0.5 * c / n.max(1.0)) + 0.5 / 256.0).log2())
            .collect();
        let plain_bits = (0..256).map(|v| counts[v] * guess[v]).sum();
        View {
            regions,
            guess,
            plain_bits,
            full_len,
        }
    }

    /// The whole rows of a stride, each distinct one once.
    pub fn rows(&self, stride: usize) -> Vec<&[u8]> {
        let mut seen = HashSet::new();
        self.regions
            .iter()
            .flat_map(|r| r.chunks_exact(stride))
            .filter(|row| seen.insert(hash(row)))
            .collect()
    }

    /// How many bits a stride spares.
    fn spared(&self, stride: usize, logs: &Logs) -> f32 {
        let rows = self.rows(stride);
        let n_rows: usize = self.regions.iter().map(|r| r.len() / stride).sum();
        let mut bits: f32 = self
            .regions
            .iter()
            .flat_map(|r| r.chunks_exact(stride).remainder())
            .map(|b| self.guess[usize::from(*b)])
            .sum();
        bits += (n_rows - rows.len()) as f32 * logs.of(rows.len().max(1));
        let mut counts = [0u16; 256];
        for column in 0..stride {
            bits += column_bits(
                rows.iter().map(|r| r[column]),
                &self.guess,
                logs,
                &mut counts,
            );
        }
        self.plain_bits - bits
    }

    /// How often bytes `lag` apart are the same, of `n_samples` places.
    fn likeness(&self, lag: usize, n_samples: usize) -> f32 {
        let n: usize = self
            .regions
            .iter()
            .map(|r| r.len().saturating_sub(lag))
            .sum();
        if n == 0 {
            return 0.0;
        }
        let (mut same, mut seen) = (0usize, 0usize);
        let per_region = (n_samples / self.regions.len().max(1)).max(16);
        for region in &self.regions {
            let n = region.len().saturating_sub(lag);
            if n == 0 {
                continue;
            }
            // An odd step goes through all columns.
            let step = (n / per_region).max(1) | 1;
            let mut at = 0;
            while at < n {
                seen += 1;
                same += usize::from(region[at] == region[at + lag]);
                at += step;
            }
        }
        same as f32 / seen.max(1) as f32
    }

    /// Strides with the bits they spare, the best first. `hints` are measured in any case.
    pub fn strides(&self, hints: &[usize], logs: &Logs) -> Vec<(usize, f32)> {
        let longest = self.regions.iter().map(Vec::len).max().unwrap_or(0);
        let full = self.full_len.unwrap_or(longest);
        let mut divisors: Vec<usize> = Vec::new();
        if self.full_len.is_some() {
            divisors.extend(
                (2..=full / LEAST_STRIDE)
                    .filter(|n| full.is_multiple_of(*n))
                    .map(|n| full / n),
            );
        }
        divisors.retain(|s| *s >= LEAST_STRIDE && s * 2 <= longest);
        divisors.extend(
            hints
                .iter()
                .copied()
                .filter(|s| *s >= LEAST_STRIDE && s * 2 <= longest),
        );
        let mut rated: Vec<(usize, f32)> = divisors
            .iter()
            .map(|s| (*s, self.likeness(*s, N_SAMPLES)))
            .collect();
        let mut lags: Vec<(usize, f32)> = (LEAST_STRIDE..=MOST_LAG.min(longest / 2))
            .map(|s| (s, self.likeness(s, LAG_SAMPLES)))
            .collect();
        lags.sort_by(|a, b| b.1.total_cmp(&a.1));
        lags.truncate(24);
        rated.extend(lags.iter().map(|(s, _)| (*s, self.likeness(*s, N_SAMPLES))));
        rated.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        rated.dedup_by_key(|r| r.0);
        // Multiples of a stride are as like as the stride: of what is about equally like, the short ones first.
        if let Some((_, best)) = rated.first().copied() {
            rated.sort_by_key(|(s, likeness)| (((best - likeness) * 12.0) as u32, *s));
        }
        rated.truncate(MAX_MEASURED);
        let mut measured: Vec<usize> = rated.into_iter().map(|r| r.0).collect();
        measured.extend(
            hints
                .iter()
                .copied()
                .filter(|s| *s >= LEAST_STRIDE && s * 2 <= longest),
        );
        if self.full_len == Some(longest) && longest >= 1 {
            measured.push(longest);
        }
        measured.sort_unstable();
        measured.dedup();
        let mut strides: Vec<(usize, f32)> = measured
            .into_iter()
            .map(|s| {
                // A stride that leaves bytes over has to be told with its own bits.
                let told = if self.full_len.is_some() && full.is_multiple_of(s) {
                    0.0
                } else {
                    16.0
                };
                (s, self.spared(s, logs) - told)
            })
            .collect();
        strides.sort_by(|a, b| b.1.total_cmp(&a.1));
        strides
    }
}

/// The bits of a column when each byte is told by those before it, with `guess` for a byte that is new.
pub(super) fn column_bits(
    column: impl Iterator<Item = u8> + Clone,
    guess: &[f32],
    logs: &Logs,
    counts: &mut [u16; 256],
) -> f32 {
    let mut bits = 0.0;
    for (n, byte) in column.clone().enumerate() {
        let count = &mut counts[usize::from(byte)];
        bits += logs.of(n + 1);
        bits += match *count {
            0 => guess[usize::from(byte)],
            seen => -logs.of(usize::from(seen)),
        };
        *count += 1;
    }
    for byte in column {
        counts[usize::from(byte)] = 0;
    }
    bits
}

/// Logarithms of whole numbers to base 2, counted once.
#[derive(Debug)]
pub(super) struct Logs(Vec<f32>);

impl Logs {
    pub fn new() -> Logs {
        Logs((0..4096).map(|n| (n.max(1) as f32).log2()).collect())
    }

    pub fn of(&self, n: usize) -> f32 {
        match self.0.get(n) {
            Some(log) => *log,
            None => (n as f32).log2(),
        }
    }
}

fn hash(bytes: &[u8]) -> u64 {
    let mut hasher = DefaultHasher::new();
    bytes.hash(&mut hasher);
    hasher.finish()
}
