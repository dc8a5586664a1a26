//! Tunings: the pitch of each key, or of each note of the octave, under a name.
//!
//! # Source
//! MMA, MIDI Tuning, updated specification (CA-020, CA-021, RP-020; 1999 to 2004); MIDI 1.0 Detailed Specification 4.2.1, pages 47
//! to 51.

use std::fmt;

use crate::model::take::Severity;

use super::tally::{Tally, counted, grouped};
use super::{Verdict, framed};

const N_NAME: usize = 16;

/// How a tuning is dumped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Form {
    /// 08 01: the pitch of all 128 keys, 408 bytes.
    Bulk,
    /// 08 04: the same with a bank, 409 bytes.
    KeyBased,
    /// 08 05: the 12 notes of the octave in one byte each, 37 bytes.
    Octave1,
    /// 08 06: the 12 notes of the octave in two bytes each, 49 bytes.
    Octave2,
}

impl Form {
    /// Length of the message from F0 to F7.
    pub fn n_bytes(self) -> usize {
        match self {
            Form::Bulk => 408,
            Form::KeyBased => 409,
            Form::Octave1 => 37,
            Form::Octave2 => 49,
        }
    }

    fn has_bank(self) -> bool {
        self != Form::Bulk
    }
}

/// A tuning that was found in a dump. `Display` describes it in a few words.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Tuning {
    /// The device it comes from, 0 to 127.
    pub device: u8,
    /// How it was dumped.
    pub form: Form,
    /// Its bank, 0 to 127; `None` where the form has none.
    pub bank: Option<u8>,
    /// Its program, 0 to 127.
    pub program: u8,
    /// Its name without spaces at the end, as it was sent: untrusted.
    pub name: String,
}

impl fmt::Display for Tuning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "tuning {}", self.program)?;
        if let Some(bank) = self.bank {
            write!(f, " of bank {bank}")?;
        }
        write!(f, " \"{}\"", self.name)
    }
}

/// A tuning dump as a message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dump<'a> {
    /// Which tuning it is.
    pub tuning: Tuning,
    /// The bytes of the pitches: 3 for each key, or 1 or 2 for each note of the octave. Too few or too many if the length of the
    /// message is wrong.
    pub pitches: &'a [u8],
    /// Length of the message from F0 to F7.
    pub n_bytes: usize,
    /// What its checksum says.
    ///
    /// # Source
    /// The updated specification: exclusive or of all bytes but F0, F7 and itself; of 08 01 receivers may ignore it, because the
    /// text of 1995 could be read in several ways.
    pub verdict: Verdict,
}

impl<'a> Dump<'a> {
    /// Whether its length is that of its form.
    pub fn has_right_length(&self) -> bool {
        self.n_bytes == self.tuning.form.n_bytes()
    }

    /// `data` are the bytes after the sub-IDs, `xor` the verdict by the usual rule.
    pub(super) fn from_data(
        form: Form,
        device: u8,
        data: &'a [u8],
        xor: Verdict,
    ) -> Option<Dump<'a>> {
        const AROUND: usize = 6; // F0 7E, device, two sub-IDs; F7
        let (bank, rest) = match form.has_bank() {
            true => (Some(*data.first()?), &data[1..]),
            false => (None, data),
        };
        let (&program, rest) = rest.split_first()?;
        let (name, rest) = rest.split_at_checked(N_NAME)?;
        let (_checksum, pitches) = rest.split_last()?;
        let name: String = name.iter().map(|&byte| char::from(byte)).collect();
        Some(Dump {
            tuning: Tuning {
                device,
                form,
                bank,
                program,
                name: name.trim_end().to_string(),
            },
            pitches,
            n_bytes: data.len() + AROUND,
            verdict: match (form, xor) {
                (Form::Bulk, Verdict::Bad { expected, found }) => {
                    Verdict::Disputed { expected, found }
                }
                (_, verdict) => verdict,
            },
        })
    }

    /// Adds what is wrong with it.
    pub(super) fn tell(&self, message: u64, tally: &mut Tally) {
        let tuning = &self.tuning;
        if !self.has_right_length() {
            tally.add(Severity::Error, "wrong-length", "tuning dump", || {
                format!(
                    "message {}: {tuning} is {} long where {} belong",
                    grouped(message),
                    counted(self.n_bytes as u64, "byte"),
                    tuning.form.n_bytes()
                )
            });
            return;
        }
        match self.verdict {
            Verdict::Bad { expected, found } => {
                tally.add(Severity::Error, "bad-checksum", "tuning dump", || {
                    format!(
                        "message {}: the checksum of {tuning} is {found:02X} and its bytes give {expected:02X}",
                        grouped(message)
                    )
                });
            }
            Verdict::Disputed { expected, found } => {
                tally.add(Severity::Note, "checksum-differs", "tuning dump", || {
                    format!(
                        "message {}: the checksum of {tuning} is {found:02X} and the usual rule gives {expected:02X}; the published texts disagree about the rule for this message, so it proves no damage",
                        grouped(message)
                    )
                });
            }
            Verdict::Ok | Verdict::None => {}
        }
    }
}

/// The frequency that a pitch of three bytes stands for: a key, and a 14-bit part of a semitone, its high half first. `None` for
/// 7F 7F 7F, which leaves a key as it is, and for bytes that are no data bytes. Key 69 is 440 Hz.
///
/// # Source
/// The updated specification, Frequency Data Format. Printed tables have errors: 00 00 01 is given as 8.2104 Hz (it is 8.1758),
/// A 440 as 43 00 00 in the text of 1995 (it is 45 00 00), and from key 120 on the values are off in the third decimal place or more.
pub fn frequency_hz(pitch: [u8; 3]) -> Option<f64> {
    if pitch == [0x7F; 3] || pitch.iter().any(|&byte| byte > 0x7F) {
        return None;
    }
    let [key, high, low] = pitch.map(u16::from);
    let fraction = f64::from(high << 7 | low) / f64::from(1u16 << 14);
    Some(440.0 * ((f64::from(key) + fraction - 69.0) / 12.0).exp2())
}

/// The message that asks `device` for a tuning; without `bank` in the older form.
pub fn request(device: u8, bank: Option<u8>, program: u8) -> Vec<u8> {
    match bank {
        None => framed(&[&[device, 0x08, 0x00, program]]),
        Some(bank) => framed(&[&[device, 0x08, 0x03, bank, program]]),
    }
}

#[cfg(test)]
mod tests;
