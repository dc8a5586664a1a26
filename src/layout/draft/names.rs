//! Where names stand in rows of bytes: columns that are told in fewer bits as text than as numbers.

use super::periods::{Logs, column_bits};

/// Names of so many characters are looked for.
const LEAST: usize = 3;
const MOST: usize = 32;
/// So many rows are read.
pub(super) const MAX_ROWS: usize = 32;
/// Bits of a byte that no name has.
const NO_TEXT: f32 = 14.0;

/// A name found in rows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Found {
    pub at: usize,
    pub n_bytes: usize,
    /// How many of its columns change.
    pub n_varying: usize,
    /// How many bits its characters take on average, read as text: words take few, letters by lot many.
    pub bits_each: f32,
    /// How many bits it spares.
    pub bits: f32,
    /// How many bits the next best place for its first character is behind.
    pub lead: f32,
}

/// The best place for a name in `rows`, all of one length, distinct; `None` if nothing reads like names.
pub(super) fn find(rows: &[&[u8]], guess: &[f32], logs: &Logs) -> Option<Found> {
    let stride = rows.first()?.len();
    // From all over the dump, so that the empty patches at its end do not count too much.
    let step = rows.len().div_ceil(MAX_ROWS).max(1);
    let rows: Vec<&[u8]> = rows.iter().step_by(step).copied().collect();
    let mut counts = [0u16; 256];
    // What a column spares as the first character of a name, and as a later one.
    let mut first = Vec::with_capacity(stride);
    let mut later = Vec::with_capacity(stride);
    let mut is_same = Vec::with_capacity(stride);
    for column in 0..stride {
        let values = rows.iter().map(|r| r[column]);
        let measured = Column::measure(values.clone(), guess, logs, &mut counts);
        let weigh = |as_text: f32| measured.weigh(as_text);
        first.push(weigh(rows.iter().map(|r| bits(None, r[column])).sum()));
        later.push(match column.checked_sub(1) {
            None => 0.0,
            Some(before) => weigh(rows.iter().map(|r| bits(Some(r[before]), r[column])).sum()),
        });
        is_same.push(measured.is_same);
    }
    let mut best_of_start = vec![f32::MIN; stride];
    let mut best: Option<Found> = None;
    for start in 0..stride {
        // A name may stand anywhere, most often at the front.
        let mut sum = first[start]
            - if start == 0 {
                0.0
            } else {
                logs.of(stride) * 0.5
            };
        let mut n_varying = usize::from(!is_same[start]);
        if is_same[start] {
            sum -= 4.0;
        }
        let row_starts_blank = rows.iter().filter(|r| r[start] == b' ').count() * 2 > rows.len();
        for end in start + 1..=stride.min(start + MOST) {
            if end > start + 1 {
                let column = end - 1;
                sum += later[column];
                if is_same[column] {
                    // Characters that never change are seldom, but seldom alone.
                    if !is_same[column - 1] {
                        sum -= 4.0;
                    }
                } else {
                    n_varying += 1;
                }
            }
            if end - start < LEAST || n_varying == 0 || is_same[end - 1] || row_starts_blank {
                continue;
            }
            best_of_start[start] = best_of_start[start].max(sum);
            if sum > best.map_or(0.0, |b| b.bits) {
                best = Some(Found {
                    at: start,
                    n_bytes: end - start,
                    n_varying,
                    bits_each: 0.0,
                    bits: sum,
                    lead: 0.0,
                });
            }
        }
    }
    let mut best = best?;
    best.lead = best.bits
        - best_of_start
            .iter()
            .enumerate()
            .filter(|(start, _)| *start != best.at)
            .map(|(_, bits)| bits.max(0.0))
            .fold(0.0, f32::max);
    let end = best.at + best.n_bytes;
    let all: f32 = rows
        .iter()
        .map(|r| {
            let befores = std::iter::once(None).chain(r[best.at..end].iter().copied().map(Some));
            befores
                .zip(&r[best.at..end])
                .map(|(before, b)| bits(before, *b))
                .sum::<f32>()
        })
        .sum();
    best.bits_each = all / (rows.len() * best.n_bytes) as f32;
    // Blanks that end every name belong to it.
    while best.at + best.n_bytes < stride
        && best.n_bytes < MOST
        && rows.iter().all(|r| r[best.at + best.n_bytes] == b' ')
    {
        best.n_bytes += 1;
    }
    Some(best)
}

/// What a column is as numbers.
struct Column {
    /// The bits it takes as numbers: each told by those before it, or as the bits that ever change.
    as_number: f32,
    /// What its characters are likelier in text than among all bytes, each counted once.
    as_letters: f32,
    is_text: bool,
    is_same: bool,
    /// Three digits or more, and nothing else.
    is_digits: bool,
    /// Half of the rows or more have a blank there.
    is_blank: bool,
}

impl Column {
    fn measure(
        values: impl Iterator<Item = u8> + Clone,
        guess: &[f32],
        logs: &Logs,
        counts: &mut [u16; 256],
    ) -> Column {
        let told = column_bits(values.clone(), guess, logs, counts);
        let first = values.clone().next().unwrap_or(0);
        let changed = values.clone().fold(0, |changed, b| changed | (b ^ first));
        let n = values.clone().count();
        let masked = 12.0 + changed.count_ones() as f32 * n as f32;
        let (mut as_letters, mut n_values) = (0.0, 0);
        for byte in values.clone() {
            if counts[usize::from(byte)] == 0 {
                counts[usize::from(byte)] = 1;
                n_values += 1;
                as_letters += guess[usize::from(byte)] - alone(byte);
            }
        }
        for byte in values.clone() {
            counts[usize::from(byte)] = 0;
        }
        Column {
            as_number: told.min(masked),
            as_letters,
            is_text: values.clone().all(is_text),
            is_same: n > 1 && changed == 0,
            is_digits: n_values >= 3 && values.clone().all(|b| b.is_ascii_digit()),
            is_blank: values.filter(|b| *b == b' ').count() * 2 >= n,
        }
    }

    /// How many bits speak for text that would take `as_text`.
    fn weigh(&self, as_text: f32) -> f32 {
        match (self.is_text, self.is_same) {
            (true, true) => self.as_letters.clamp(-4.0, 1.6),
            // The end of long names.
            (true, false) if self.is_blank => 0.5,
            // Few numbers keep to the ten values of digits.
            (true, false) if self.is_digits => {
                self.as_letters + (self.as_number - as_text).clamp(-4.0, 15.0)
            }
            (true, false) => {
                (self.as_letters + (self.as_number - as_text).clamp(-15.0, 15.0)).max(-6.0)
            }
            (false, _) => (self.as_number - as_text).min(0.0) - 6.0,
        }
    }
}

/// Bits of a character of a name wherever it stands; as rough as [`bits`].
fn alone(byte: u8) -> f32 {
    match byte {
        b'J' | b'Q' | b'X' | b'Z' => 7.0,
        b'A'..=b'Z' => 5.2,
        b'a'..=b'z' => 5.7,
        b'0'..=b'9' => 6.2,
        b' ' => 4.0,
        b'-' | b'.' | b'+' | b'*' | b'/' | b'\'' | b'&' | b'!' | b'#' | b'_' | b':' => 7.0,
        0x21..0x7f => 9.5,
        _ => NO_TEXT,
    }
}

fn is_text(byte: u8) -> bool {
    (0x20..0x7f).contains(&byte)
}

/// Bits of a character after another: letters follow letters of their size, blanks blanks. From memory of what names of
/// patches look like, rounded; no source.
fn bits(before: Option<u8>, byte: u8) -> f32 {
    let class = |b: u8| match b {
        b'A'..=b'Z' => 0,
        b'a'..=b'z' => 1,
        b'0'..=b'9' => 2,
        b' ' => 3,
        b'-' | b'.' | b'+' | b'*' | b'/' | b'\'' | b'&' | b'!' | b'#' | b'_' | b':' => 4,
        0x21..0x7f => 5,
        0 => 6,
        _ => 7,
    };
    const AFTER: [[f32; 8]; 8] = [
        // upper, lower, digit, blank, sign, other, zero, no text
        [0.7, 2.5, 4.0, 2.5, 4.5, 8.0, 6.0, NO_TEXT],
        [5.0, 0.5, 4.0, 2.5, 5.0, 8.0, 6.0, NO_TEXT],
        [2.5, 3.5, 1.5, 1.5, 4.5, 8.0, 5.0, NO_TEXT],
        [2.0, 3.0, 3.0, 0.8, 5.0, 8.0, 8.0, NO_TEXT],
        [1.5, 2.5, 3.0, 2.5, 5.0, 8.0, 8.0, NO_TEXT],
        [2.5, 2.5, 3.0, 2.5, 5.0, 6.0, 8.0, NO_TEXT],
        [
            NO_TEXT, NO_TEXT, NO_TEXT, NO_TEXT, NO_TEXT, NO_TEXT, 0.5, NO_TEXT,
        ],
        [
            NO_TEXT, NO_TEXT, NO_TEXT, NO_TEXT, NO_TEXT, NO_TEXT, NO_TEXT, NO_TEXT,
        ],
    ];
    const FIRST: [f32; 8] = [0.7, 2.5, 3.5, 6.0, 6.0, 8.0, NO_TEXT, NO_TEXT];
    let now = class(byte);
    let of_class = match before {
        None => FIRST[now],
        Some(before) => AFTER[class(before)][now],
    };
    // After a consonant a vowel, after a vowel a consonant.
    let in_class = match byte {
        b'A'..=b'Z' | b'a'..=b'z' => {
            let column = match byte.to_ascii_uppercase() {
                b'A' | b'E' | b'I' | b'O' | b'U' => 0,
                b'S' | b'R' | b'T' | b'N' | b'L' | b'D' | b'C' | b'M' => 1,
                b'J' | b'Q' | b'X' | b'Z' => 3,
                _ => 2,
            };
            let row = match before.map(|b| b.to_ascii_uppercase()) {
                Some(b'A' | b'E' | b'I' | b'O' | b'U') => 1,
                Some(b'A'..=b'Z') => 2,
                _ => 0,
            };
            const LETTERS: [[f32; 4]; 3] = [
                [4.6, 4.4, 4.6, 7.0],
                [5.1, 3.7, 5.3, 7.6],
                [3.2, 4.6, 5.8, 8.5],
            ];
            LETTERS[row][column]
        }
        b'0'..=b'9' => 3.3,
        0x21..0x7f => 3.5,
        _ => 0.0,
    };
    of_class + in_class
}
