//! Writes SysEx messages as a MIDI file that plays at a pace an instrument can take.

use std::fmt;

use super::vlq;
use crate::midi::framing::{END, FIRST_STATUS, START};

/// How fast an instrument takes messages.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pace {
    /// How many bytes a second it takes.
    pub bytes_per_second: u32,
    /// How long it is left in peace after each message.
    pub pause_after_message_ms: u32,
}

impl Default for Pace {
    /// The rate of a MIDI cable, and 60 ms between messages.
    ///
    /// # Source
    /// Rate: MIDI 1.0 Detailed Specification 4.2.1, 31,250 baud and 10 bits to a byte. Makers ask for pauses of 10 to
    /// 120 ms (Matrix-1000 manual p. 44; Roland's 20 ms, Yamaha's 120 ms after 512 bytes); 60 ms is common practice, no
    /// source.
    fn default() -> Pace {
        Pace {
            bytes_per_second: 3125,
            pause_after_message_ms: 60,
        }
    }
}

/// Why there is no file. Messages are numbered from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotWritten {
    /// It is not F0, data bytes, F7.
    NotAMessage {
        /// Which one.
        message_number: u64,
    },
    /// A MIDI file has no room for a message of more than 268,435,456 bytes.
    TooLong {
        /// Which one.
        message_number: u64,
    },
    /// At this pace more than 268,435,455 ms (about three days) would pass before the next one.
    TooSlow {
        /// Which one.
        message_number: u64,
    },
    /// All messages together are longer than a track can be (4 GiB).
    FileTooLong,
}

impl fmt::Display for NotWritten {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            NotWritten::NotAMessage { message_number } => {
                write!(f, "message {message_number} is no whole SysEx message")
            }
            NotWritten::TooLong { message_number } => {
                write!(
                    f,
                    "message {message_number} is too long for a MIDI file (256 MiB at most)"
                )
            }
            NotWritten::TooSlow { message_number } => {
                write!(
                    f,
                    "at this pace message {message_number} takes longer than a MIDI file can say (three days)"
                )
            }
            NotWritten::FileTooLong => f.write_str("the messages are too long for one MIDI file"),
        }
    }
}

impl std::error::Error for NotWritten {}

/// The longest track name, in bytes.
const MAX_NAME: usize = 127;

/// 500 ticks to a quarter note that lasts 500,000 microseconds (120 bpm, also what a player takes for granted): a tick is
/// exactly a millisecond.
const TICKS_PER_QUARTER: u16 = 500;
const MICROSECONDS_PER_QUARTER: [u8; 3] = [0x07, 0xA1, 0x20];

/// A file of format 0 that sends `messages` one after the other. Each begins when the one before has been sent at this
/// pace (rounded up to a millisecond) and its pause is over; so the file ends with the last pause. Every message is one
/// event, however long: common practice, no source; not all players join packets.
///
/// `track_name` may be empty; of others, characters that are not printable ASCII become `?`, and those past 127 are left
/// out.
///
/// # Errors
/// See [`NotWritten`]. Without any message there is a file without any.
pub fn write<'a>(
    messages: impl IntoIterator<Item = &'a [u8]>,
    pace: Pace,
    track_name: &str,
) -> Result<Vec<u8>, NotWritten> {
    let mut out = Vec::from(*b"MThd");
    out.extend(6u32.to_be_bytes());
    for word in [0, 1, TICKS_PER_QUARTER] {
        out.extend(word.to_be_bytes());
    }
    out.extend(b"MTrk");
    let length_at = out.len();
    out.extend([0; 4]);
    let track_at = out.len();

    if !track_name.is_empty() {
        let name: Vec<u8> = (track_name.chars().take(MAX_NAME))
            .map(|c| match c {
                ' '..='~' => c as u8,
                _ => b'?',
            })
            .collect();
        out.extend([0x00, 0xFF, 0x03, name.len() as u8]);
        out.extend(name);
    }
    out.extend([0x00, 0xFF, 0x51, 0x03]);
    out.extend(MICROSECONDS_PER_QUARTER);

    let mut delay = 0;
    for (message_idx, message) in messages.into_iter().enumerate() {
        let message_number = message_idx as u64 + 1;
        let n_counted = u32::try_from(message.len().saturating_sub(1))
            .ok()
            .filter(|&n| n <= vlq::MAX)
            .ok_or(NotWritten::TooLong { message_number })?;
        let data = match message {
            [START, data @ .., END] if data.iter().all(|&byte| byte < FIRST_STATUS) => data,
            _ => return Err(NotWritten::NotAMessage { message_number }),
        };
        let next_delay = delay_after(message.len() as u64, pace)
            .ok_or(NotWritten::TooSlow { message_number })?;
        let fits = vlq::write(delay, &mut out);
        out.push(START);
        let fits = fits & vlq::write(n_counted, &mut out);
        debug_assert!(fits, "both were compared with the maximum");
        out.extend_from_slice(data);
        out.push(END);
        delay = next_delay;
    }
    let fits = vlq::write(delay, &mut out);
    debug_assert!(fits, "it was compared with the maximum");
    out.extend([0xFF, 0x2F, 0x00]);

    let n_track = u32::try_from(out.len() - track_at).map_err(|_| NotWritten::FileTooLong)?;
    out[length_at..track_at].copy_from_slice(&n_track.to_be_bytes());
    Ok(out)
}

/// Milliseconds from the start of a message of `n_bytes` to the start of the next; `None` if a delta time cannot say it.
fn delay_after(n_bytes: u64, pace: Pace) -> Option<u32> {
    let rate = std::num::NonZeroU64::new(u64::from(pace.bytes_per_second))?;
    // A message has at most 2^28 bytes here, so nothing overflows.
    let sending = (n_bytes * 1000).div_ceil(rate.get());
    u32::try_from(sending + u64::from(pace.pause_after_message_ms))
        .ok()
        .filter(|&delay| delay <= vlq::MAX)
}
