//! Another SysEx number in the messages of a dump, so that another unit listens to them.

use std::fmt;

use super::header::{DoesNotFit, Letter};
use super::{Layout, MessageKind, Position, number};
use crate::midi::checksum::Scheme;
use crate::midi::framing::{END, START};

/// Where the device stands in a universal message.
const UNIVERSAL_DEVICE: usize = 2;
/// The device that means all of them.
const ALL_CALL: u8 = 0x7F;

/// Why a message cannot get another SysEx number.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CannotReaddress {
    /// No layout tells where the number stands.
    PlaceUnknown {
        /// The kind of message, if the layout knows it.
        kind: Option<String>,
    },
    /// The number has no room there.
    DoesNotFit(DoesNotFit),
    /// Its checksum covers the number, and is not where it should be.
    NoChecksum,
    /// One message of several.
    Message {
        /// Which, from 0.
        message: usize,
        /// Why.
        why: Box<CannotReaddress>,
    },
}

impl fmt::Display for CannotReaddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            CannotReaddress::PlaceUnknown { kind: None } => {
                f.write_str("no layout tells where its SysEx number stands")
            }
            CannotReaddress::PlaceUnknown { kind: Some(kind) } => write!(
                f,
                "the layout does not tell where the SysEx number stands in a message \"{kind}\""
            ),
            CannotReaddress::DoesNotFit(why) => why.fmt(f),
            CannotReaddress::NoChecksum => {
                f.write_str("it is too short to hold the checksum that covers its SysEx number")
            }
            CannotReaddress::Message { message, why } => {
                let nth = number(*message as u64 + 1);
                write!(f, "message {nth}: {why}")
            }
        }
    }
}

impl std::error::Error for CannotReaddress {}

/// `message` (F0 to F7) with another SysEx number: as its bytes hold it, not as the panel shows it. Of the rest only a
/// checksum that covers the number changes, and by as much as the number does: one that was right stays right, one that
/// was wrong stays wrong. Universal messages need no layout; one to all devices stays one.
///
/// # Errors
/// Why it cannot be done.
///
/// # Source
/// Checksums of universal messages: MIDI 1.0 Detailed Specification 4.2.1, pp. 35-51; CA-020 and CA-021 for tuning.
pub fn readdress(
    layout: Option<&Layout>,
    message: &[u8],
    number: u8,
) -> Result<Vec<u8>, CannotReaddress> {
    if let [START, 0x7E | 0x7F, device, ..] = message
        && *device < 0x80
    {
        return universal(message, number);
    }
    let Some(layout) = layout else {
        return Err(CannotReaddress::PlaceUnknown { kind: None });
    };
    let Some((idx, _)) = layout.kind_of(message) else {
        return Err(CannotReaddress::PlaceUnknown { kind: None });
    };
    let kind = &layout.messages[idx];
    if !kind.header.has(Letter::N) {
        return Err(CannotReaddress::PlaceUnknown {
            kind: Some(kind.name.clone()),
        });
    }
    let mut changed = message.to_vec();
    kind.header
        .write(&mut changed, Letter::N, number.into())
        .map_err(CannotReaddress::DoesNotFit)?;
    adjust(kind, message, &mut changed)?;
    Ok(changed)
}

/// All messages of a dump, in order.
///
/// # Errors
/// The first message that cannot be done, and why.
pub fn readdress_all(
    layout: Option<&Layout>,
    messages: &[&[u8]],
    number: u8,
) -> Result<Vec<Vec<u8>>, CannotReaddress> {
    messages
        .iter()
        .enumerate()
        .map(|(idx, message)| {
            readdress(layout, message, number).map_err(|why| CannotReaddress::Message {
                message: idx,
                why: Box::new(why),
            })
        })
        .collect()
}

/// Brings the checksum of a message of a layout in line.
fn adjust(kind: &MessageKind, before: &[u8], after: &mut [u8]) -> Result<(), CannotReaddress> {
    let Some(rule) = kind.checksum.filter(|rule| !rule.unpacked) else {
        // Letters never stand in what is unpacked.
        return Ok(());
    };
    let n_left_out = kind.n_left_out(before.len());
    let n_bytes = before.len() + n_left_out;
    let from = place(rule.covers.from, n_bytes)?;
    let covers_number = kind
        .header
        .places_of(Letter::N)
        .any(|at| at >= from && rule.covers.to.of(n_bytes).is_some_and(|to| at <= to));
    if !covers_number || n_left_out > 0 {
        return Ok(());
    }
    let to = place(rule.covers.to, n_bytes)? + 1;
    let at = place(rule.at, n_bytes)?;
    follow(rule.scheme, from..to, at, before, after)
}

fn place(position: Position, n_bytes: usize) -> Result<usize, CannotReaddress> {
    position.of(n_bytes).ok_or(CannotReaddress::NoChecksum)
}

/// Changes the checksum at `at` by as much as the bytes of `covers` changed.
fn follow(
    scheme: Scheme,
    covers: std::ops::Range<usize>,
    at: usize,
    before: &[u8],
    after: &mut [u8],
) -> Result<(), CannotReaddress> {
    let n_end = usize::from(before.last() == Some(&END));
    let stands = at..at + scheme.n_bytes();
    let old = before
        .get(covers.clone())
        .ok_or(CannotReaddress::NoChecksum)?;
    let new = after.get(covers).ok_or(CannotReaddress::NoChecksum)?;
    let (old, new) = (scheme.of(old), scheme.of(new));
    if stands.end + n_end > before.len() {
        return Err(CannotReaddress::NoChecksum);
    }
    let stored = after.get_mut(stands).ok_or(CannotReaddress::NoChecksum)?;
    match (scheme, stored, old.as_bytes(), new.as_bytes()) {
        (Scheme::SumToZero | Scheme::Sum, [stored], [old], [new]) => {
            *stored = stored.wrapping_add(*new).wrapping_sub(*old) & 0x7f;
        }
        (Scheme::Xor, [stored], [old], [new]) => *stored ^= old ^ new,
        (Scheme::SumInNibbles, [high, low], [old_high, old_low], [new_high, new_low]) => {
            let join = |high: u8, low: u8| high << 4 | low & 0x0f;
            let sum = join(*high, *low)
                .wrapping_add(join(*new_high, *new_low))
                .wrapping_sub(join(*old_high, *old_low));
            // What stands in the upper halves is not part of the sum.
            *high = *high & 0xf0 | sum >> 4;
            *low = *low & 0xf0 | sum & 0x0f;
        }
        _ => return Err(CannotReaddress::NoChecksum),
    }
    Ok(())
}

fn universal(message: &[u8], number: u8) -> Result<Vec<u8>, CannotReaddress> {
    let mut changed = message.to_vec();
    let device = &mut changed[UNIVERSAL_DEVICE];
    if *device == ALL_CALL {
        return Ok(changed);
    }
    if number >= ALL_CALL {
        return Err(CannotReaddress::DoesNotFit(DoesNotFit {
            letter: Letter::N,
            value: number.into(),
            most: u32::from(ALL_CALL) - 1,
        }));
    }
    *device = number;
    // Packets of samples and files, and dumps of tunings, end with the exclusive or of all before it but F0.
    let has_checksum = matches!(
        message[1..],
        [0x7E, _, 0x02, ..]
            | [0x7E, _, 0x07, 0x02, ..]
            | [0x7E, _, 0x08, 0x01 | 0x04 | 0x05 | 0x06, ..]
    );
    if has_checksum {
        let at = message.len().saturating_sub(2);
        if at <= UNIVERSAL_DEVICE + 1 {
            return Err(CannotReaddress::NoChecksum);
        }
        follow(Scheme::Xor, 1..at, at, message, &mut changed)?;
    }
    Ok(changed)
}
