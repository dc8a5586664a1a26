//! Universal messages: the SysEx messages that mean the same to every instrument, and the dumps that are made of them.
//!
//! [`Universal`] reads one message, [`Assembly`] all of them one after the other. What stays true:
//! - Nothing is taken on trust: a length that a header claims is compared with what came, and no memory is set aside
//!   for it.
//! - A wrong checksum, a missing packet and a packet in the wrong place are errors. What came twice alike, or came again
//!   after a damaged one, is a warning.
//! - Many equal faults are one finding, with the first place and the number of the others.
//!
//! # Source
//! MIDI 1.0 Detailed Specification, document version 4.2.1 (MMA, revised September 1995), pages 35 to 51 and Table VII; sub-IDs
//! after 1995 from the MMA's table of universal system exclusive messages.

mod assembly;
pub mod file;
pub mod handshake;
pub mod identity;
pub mod sample;
mod sequence;
mod tally;
pub mod tuning;

use super::checksum::{Checksum, Scheme};
use super::framing::{END, FIRST_STATUS, START};

pub use assembly::{Assembled, Assembly};
pub use file::RecoveredFile;
pub use handshake::Handshake;
pub use identity::Identity;
pub use sample::Sample;
pub use tuning::Tuning;

/// The ID of universal messages that are not bound to a moment.
pub const NON_REAL_TIME: u8 = 0x7E;
/// The ID of universal messages that take effect at once.
pub const REAL_TIME: u8 = 0x7F;
/// The device number that means every device.
pub const ALL_DEVICES: u8 = 0x7F;

/// What one universal message says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Universal<'a> {
    /// Asks a device who it is.
    IdentityRequest {
        /// The device asked, 7F for all.
        device: u8,
    },
    /// A device says who it is.
    IdentityReply(Identity),
    /// Begins a sample dump.
    SampleHeader(sample::Header),
    /// A part of the words of a sample. Its length may be wrong.
    SamplePacket(sample::Packet<'a>),
    /// Asks for a sample.
    SampleRequest {
        /// The device asked.
        device: u8,
        /// The sample wanted, 0 to 16383.
        sample: u16,
    },
    /// The points of one loop of a sample.
    LoopPoints(sample::LoopPoints),
    /// Asks for the points of a loop.
    LoopPointsRequest {
        /// The device asked.
        device: u8,
        /// The sample.
        sample: u16,
        /// The loop, 16383 for all.
        loop_number: u16,
    },
    /// Begins a file dump.
    FileHeader(file::Header),
    /// A part of the bytes of a file. Its length may be wrong.
    FilePacket(file::Packet<'a>),
    /// Asks for a file.
    FileRequest(file::Request),
    /// Asks for a tuning.
    TuningRequest {
        /// The device asked.
        device: u8,
        /// The bank; `None` in the older request, which knows no banks.
        bank: Option<u8>,
        /// The tuning program.
        program: u8,
    },
    /// A tuning. Its length may be wrong.
    Tuning(tuning::Dump<'a>),
    /// Changes a tuning in part.
    TuningChange(Kind),
    /// Turns General MIDI or downloadable sounds on or off; one of the `Gm…` and `Dls…` kinds.
    Switch {
        /// The device meant, 7F for all.
        device: u8,
        /// What is switched.
        kind: Kind,
    },
    /// An answer to a packet, or the end of a file.
    Handshake(Handshake),
    /// A message of visual control, which carries a checksum of its own.
    VisualControl {
        /// The device meant.
        device: u8,
        /// What its checksum says.
        verdict: Verdict,
    },
    /// A message of a known kind that cannot be read because its length is wrong.
    WrongLength(Kind),
    /// Any other universal message.
    Other {
        /// Whether its ID is 7F.
        real_time: bool,
        /// The byte after the device number, if there is one.
        sub1: Option<u8>,
        /// The byte after that, if there is one.
        sub2: Option<u8>,
    },
}

impl<'a> Universal<'a> {
    /// Reads `message`, from F0 to F7 without real-time bytes. `None` if its ID is neither 7E nor 7F, or if it is not one whole
    /// message.
    pub fn from_bytes(message: &'a [u8]) -> Option<Universal<'a>> {
        let [START, inner @ .., END] = message else {
            return None;
        };
        if inner.iter().any(|&byte| byte >= FIRST_STATUS) {
            return None;
        }
        let (real_time, rest) = match inner {
            [NON_REAL_TIME, rest @ ..] => (false, rest),
            [REAL_TIME, rest @ ..] => (true, rest),
            _ => return None,
        };
        let (sub1, sub2) = (rest.get(1).copied(), rest.get(2).copied());
        let kind = match sub1 {
            Some(sub1) if !real_time => Kind::from_sub_ids(sub1, sub2),
            _ => None,
        };
        let (Some(kind), &[device, _, ref data @ ..]) = (kind, rest) else {
            return Some(Universal::Other {
                real_time,
                sub1,
                sub2,
            });
        };
        let data = &data[usize::from(kind.has_sub2()).min(data.len())..];
        Some(
            Universal::read(kind, device, data, message).unwrap_or(match kind {
                Kind::TimeCodeSetUp | Kind::FileReference | Kind::CapabilityInquiry => {
                    Universal::Other {
                        real_time,
                        sub1,
                        sub2,
                    }
                }
                _ => Universal::WrongLength(kind),
            }),
        )
    }

    /// `data` are the bytes after the sub-IDs and before F7. `None` if they cannot be read.
    fn read(kind: Kind, device: u8, data: &'a [u8], message: &'a [u8]) -> Option<Universal<'a>> {
        Some(match (kind, data) {
            (Kind::IdentityRequest, _) => Universal::IdentityRequest { device },
            (Kind::IdentityReply, _) => {
                Universal::IdentityReply(Identity::from_data(device, data)?)
            }
            (Kind::SampleHeader, _) => {
                Universal::SampleHeader(sample::Header::from_data(device, data)?)
            }
            (Kind::SamplePacket, _) => {
                Universal::SamplePacket(sample::Packet::from_data(device, data, xor(message))?)
            }
            (Kind::SampleRequest, &[low, high]) => Universal::SampleRequest {
                device,
                sample: lsb_first(&[low, high]) as u16,
            },
            (Kind::LoopPoints, _) => {
                Universal::LoopPoints(sample::LoopPoints::from_data(device, data)?)
            }
            (Kind::LoopPointsRequest, &[low, high, loop_low, loop_high]) => {
                Universal::LoopPointsRequest {
                    device,
                    sample: lsb_first(&[low, high]) as u16,
                    loop_number: lsb_first(&[loop_low, loop_high]) as u16,
                }
            }
            (Kind::FileHeader, _) => Universal::FileHeader(file::Header::from_data(device, data)?),
            (Kind::FilePacket, _) => {
                Universal::FilePacket(file::Packet::from_data(device, data, xor(message))?)
            }
            (Kind::FileRequest, _) => {
                Universal::FileRequest(file::Request::from_data(device, data)?)
            }
            (Kind::TuningRequest, &[program]) => Universal::TuningRequest {
                device,
                bank: None,
                program,
            },
            (Kind::TuningBankRequest, &[bank, program]) => Universal::TuningRequest {
                device,
                bank: Some(bank),
                program,
            },
            (Kind::TuningDump(form), _) => {
                Universal::Tuning(tuning::Dump::from_data(form, device, data, xor(message))?)
            }
            (Kind::TuningNote | Kind::TuningOctave1 | Kind::TuningOctave2, _) => {
                Universal::TuningChange(kind)
            }
            (
                Kind::Gm1On
                | Kind::GmOff
                | Kind::Gm2On
                | Kind::DlsOn
                | Kind::DlsOff
                | Kind::DlsAllocationOff
                | Kind::DlsAllocationOn,
                _,
            ) => Universal::Switch { device, kind },
            (Kind::Handshake(answer), &[packet]) => Universal::Handshake(Handshake {
                device,
                answer,
                packet,
            }),
            (Kind::VisualControl, _) => Universal::VisualControl {
                device,
                verdict: visual_control(data),
            },
            _ => return None,
        })
    }

    /// What kind of message it is; `None` if its sub-IDs are not among the published ones or its ID is 7F.
    pub fn kind(&self) -> Option<Kind> {
        Some(match *self {
            Universal::IdentityRequest { .. } => Kind::IdentityRequest,
            Universal::IdentityReply(_) => Kind::IdentityReply,
            Universal::SampleHeader(_) => Kind::SampleHeader,
            Universal::SamplePacket(_) => Kind::SamplePacket,
            Universal::SampleRequest { .. } => Kind::SampleRequest,
            Universal::LoopPoints(_) => Kind::LoopPoints,
            Universal::LoopPointsRequest { .. } => Kind::LoopPointsRequest,
            Universal::FileHeader(_) => Kind::FileHeader,
            Universal::FilePacket(_) => Kind::FilePacket,
            Universal::FileRequest(_) => Kind::FileRequest,
            Universal::TuningRequest { bank: None, .. } => Kind::TuningRequest,
            Universal::TuningRequest { bank: Some(_), .. } => Kind::TuningBankRequest,
            Universal::Tuning(ref dump) => Kind::TuningDump(dump.tuning.form),
            Universal::Handshake(handshake) => Kind::Handshake(handshake.answer),
            Universal::VisualControl { .. } => Kind::VisualControl,
            Universal::TuningChange(kind)
            | Universal::Switch { kind, .. }
            | Universal::WrongLength(kind) => kind,
            Universal::Other {
                real_time,
                sub1,
                sub2,
            } => match sub1 {
                Some(sub1) if !real_time => return Kind::from_sub_ids(sub1, sub2),
                _ => return None,
            },
        })
    }

    /// A few words for people: `identity reply`, `sample dump packet`.
    pub fn title(&self) -> &'static str {
        match (self.kind(), self) {
            (Some(kind), _) => kind.title(),
            (
                None,
                Universal::Other {
                    real_time: true, ..
                },
            ) => "universal real-time message",
            (None, _) => "universal message",
        }
    }

    /// What its checksum says.
    pub fn checksum(&self) -> Verdict {
        match self {
            Universal::SamplePacket(packet) => packet.verdict,
            Universal::FilePacket(packet) => packet.verdict,
            Universal::Tuning(dump) => dump.verdict,
            Universal::VisualControl { verdict, .. } => *verdict,
            _ => Verdict::None,
        }
    }
}

/// What kind of universal non-real-time message it is, by its sub-IDs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Kind {
    /// 01: begins a sample dump.
    SampleHeader,
    /// 02: a part of the words of a sample.
    SamplePacket,
    /// 03: asks for a sample.
    SampleRequest,
    /// 04: sets up time code.
    TimeCodeSetUp,
    /// 05 01: the points of a loop.
    LoopPoints,
    /// 05 02: asks for the points of a loop.
    LoopPointsRequest,
    /// 06 01: asks a device who it is.
    IdentityRequest,
    /// 06 02: a device says who it is.
    IdentityReply,
    /// 07 01: begins a file dump.
    FileHeader,
    /// 07 02: a part of the bytes of a file.
    FilePacket,
    /// 07 03: asks for a file.
    FileRequest,
    /// 08 00: asks for a tuning.
    TuningRequest,
    /// 08 03: asks for a tuning of a bank.
    TuningBankRequest,
    /// 08 01, 08 04, 08 05, 08 06: a tuning.
    TuningDump(tuning::Form),
    /// 08 07: changes the pitch of single keys.
    TuningNote,
    /// 08 08: changes the notes of the octave, 1 byte each.
    TuningOctave1,
    /// 08 09: changes the notes of the octave, 2 bytes each.
    TuningOctave2,
    /// 09 01: General MIDI 1 on.
    Gm1On,
    /// 09 02: General MIDI off.
    GmOff,
    /// 09 03: General MIDI 2 on.
    Gm2On,
    /// 0A 01: downloadable sounds on.
    DlsOn,
    /// 0A 02: downloadable sounds off.
    DlsOff,
    /// 0A 03: voice allocation of downloadable sounds off.
    DlsAllocationOff,
    /// 0A 04: voice allocation of downloadable sounds on.
    DlsAllocationOn,
    /// 0B: where a file of sounds lies.
    FileReference,
    /// 0C: visual control.
    VisualControl,
    /// 0D: what a device is capable of.
    CapabilityInquiry,
    /// 7B to 7F: an answer.
    Handshake(handshake::Answer),
}

impl Kind {
    /// The kind with these two sub-IDs. `None` if they are not published.
    ///
    /// # Source
    /// MIDI 1.0 Detailed Specification 4.2.1, Table VII; tuning from 03 on, 09 03 and 0A to 0D: the MMA's current table.
    pub fn from_sub_ids(sub1: u8, sub2: Option<u8>) -> Option<Kind> {
        use handshake::Answer;
        use tuning::Form;

        Some(match (sub1, sub2) {
            (0x01, _) => Kind::SampleHeader,
            (0x02, _) => Kind::SamplePacket,
            (0x03, _) => Kind::SampleRequest,
            (0x04, _) => Kind::TimeCodeSetUp,
            (0x05, Some(0x01)) => Kind::LoopPoints,
            (0x05, Some(0x02)) => Kind::LoopPointsRequest,
            (0x06, Some(0x01)) => Kind::IdentityRequest,
            (0x06, Some(0x02)) => Kind::IdentityReply,
            (0x07, Some(0x01)) => Kind::FileHeader,
            (0x07, Some(0x02)) => Kind::FilePacket,
            (0x07, Some(0x03)) => Kind::FileRequest,
            (0x08, Some(0x00)) => Kind::TuningRequest,
            (0x08, Some(0x01)) => Kind::TuningDump(Form::Bulk),
            (0x08, Some(0x03)) => Kind::TuningBankRequest,
            (0x08, Some(0x04)) => Kind::TuningDump(Form::KeyBased),
            (0x08, Some(0x05)) => Kind::TuningDump(Form::Octave1),
            (0x08, Some(0x06)) => Kind::TuningDump(Form::Octave2),
            (0x08, Some(0x07)) => Kind::TuningNote,
            (0x08, Some(0x08)) => Kind::TuningOctave1,
            (0x08, Some(0x09)) => Kind::TuningOctave2,
            (0x09, Some(0x01)) => Kind::Gm1On,
            (0x09, Some(0x02)) => Kind::GmOff,
            (0x09, Some(0x03)) => Kind::Gm2On,
            (0x0A, Some(0x01)) => Kind::DlsOn,
            (0x0A, Some(0x02)) => Kind::DlsOff,
            (0x0A, Some(0x03)) => Kind::DlsAllocationOff,
            (0x0A, Some(0x04)) => Kind::DlsAllocationOn,
            (0x0B, _) => Kind::FileReference,
            (0x0C, _) => Kind::VisualControl,
            (0x0D, _) => Kind::CapabilityInquiry,
            (0x7B..=0x7F, _) => Kind::Handshake(Answer::from_sub_id(sub1)?),
            _ => return None,
        })
    }

    /// Whether the byte after the first sub-ID is a second one, and not data.
    fn has_sub2(self) -> bool {
        !matches!(
            self,
            Kind::SampleHeader | Kind::SamplePacket | Kind::SampleRequest | Kind::Handshake(_)
        )
    }

    /// A few words for people.
    pub fn title(self) -> &'static str {
        use handshake::Answer;
        use tuning::Form;

        match self {
            Kind::SampleHeader => "sample dump header",
            Kind::SamplePacket => "sample dump packet",
            Kind::SampleRequest => "sample dump request",
            Kind::TimeCodeSetUp => "time code set-up",
            Kind::LoopPoints => "sample loop points",
            Kind::LoopPointsRequest => "sample loop points request",
            Kind::IdentityRequest => "identity request",
            Kind::IdentityReply => "identity reply",
            Kind::FileHeader => "file dump header",
            Kind::FilePacket => "file dump packet",
            Kind::FileRequest => "file dump request",
            Kind::TuningRequest => "tuning request",
            Kind::TuningBankRequest => "tuning request with bank",
            Kind::TuningDump(Form::Bulk) => "tuning dump",
            Kind::TuningDump(Form::KeyBased) => "tuning dump with bank",
            Kind::TuningDump(Form::Octave1) => "octave tuning dump, 1 byte per note",
            Kind::TuningDump(Form::Octave2) => "octave tuning dump, 2 bytes per note",
            Kind::TuningNote => "note tuning change with bank",
            Kind::TuningOctave1 => "octave tuning change, 1 byte per note",
            Kind::TuningOctave2 => "octave tuning change, 2 bytes per note",
            Kind::Gm1On => "GM system on",
            Kind::GmOff => "GM system off",
            Kind::Gm2On => "GM2 system on",
            Kind::DlsOn => "DLS on",
            Kind::DlsOff => "DLS off",
            Kind::DlsAllocationOff => "DLS voice allocation off",
            Kind::DlsAllocationOn => "DLS voice allocation on",
            Kind::FileReference => "file reference",
            Kind::VisualControl => "visual control",
            Kind::CapabilityInquiry => "capability inquiry",
            Kind::Handshake(Answer::EndOfFile) => "end of file",
            Kind::Handshake(Answer::Wait) => "wait",
            Kind::Handshake(Answer::Cancel) => "cancel",
            Kind::Handshake(Answer::Nak) => "not received (NAK)",
            Kind::Handshake(Answer::Ack) => "received (ACK)",
        }
    }
}

/// What the checksum of a message says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Verdict {
    /// It is right.
    Ok,
    /// It is wrong: the message was altered.
    Bad {
        /// The checksum of the bytes of the message.
        expected: u8,
        /// The checksum that the message carries.
        found: u8,
    },
    /// It is another one than the usual rule gives, in a message (tuning dump 08 01) whose published texts disagree about the rule.
    Disputed {
        /// The checksum by the usual rule.
        expected: u8,
        /// The checksum that the message carries.
        found: u8,
    },
    /// The message has none.
    None,
}

impl Verdict {
    fn of(expected: &Checksum, found: u8) -> Verdict {
        match *expected.as_bytes() {
            [expected] if expected != found => Verdict::Bad { expected, found },
            [_] => Verdict::Ok,
            _ => Verdict::None,
        }
    }

    /// Whether the checksum proves damage.
    pub fn is_bad(self) -> bool {
        matches!(self, Verdict::Bad { .. })
    }
}

/// The verdict by the rule of the dumps: the exclusive or of everything between F0 and the checksum before F7.
///
/// # Source
/// MIDI 1.0 Detailed Specification 4.2.1, Data Packet p. 36, File Dump p. 44; MMA MIDI Tuning, updated specification.
fn xor(message: &[u8]) -> Verdict {
    match message {
        [_, covered @ .., found, _] => Verdict::of(&Scheme::Xor.of(covered), *found),
        _ => Verdict::None,
    }
}

/// The verdict over address and data; `data` are the bytes after the second sub-ID, the last of them the checksum.
///
/// # Source
/// Roland VR-3 MIDI Implementations p. 24.
fn visual_control(data: &[u8]) -> Verdict {
    match data {
        [covered @ .., found] if !covered.is_empty() => {
            Verdict::of(&Scheme::SumToZero.of(covered), *found)
        }
        _ => Verdict::None,
    }
}

/// The number that stands in `bytes` (at most 4), 7 bits in each, the lowest first.
fn lsb_first(bytes: &[u8]) -> u32 {
    bytes
        .iter()
        .rev()
        .fold(0, |value, byte| value << 7 | u32::from(byte & 0x7f))
}

/// The lowest `7 * N` bits of `value`, the lowest first.
fn to_lsb_first<const N: usize>(value: u32) -> [u8; N] {
    std::array::from_fn(|k| (value >> (7 * k)) as u8 & 0x7f)
}

/// F0, the ID, `inner`, and F7.
fn framed(inner: &[&[u8]]) -> Vec<u8> {
    let mut message = vec![START, NON_REAL_TIME];
    for part in inner {
        message.extend(part.iter().map(|byte| byte & 0x7f));
    }
    message.push(END);
    message
}

/// Like [`framed`], with the checksum of the dumps before F7.
fn framed_with_xor(inner: &[&[u8]]) -> Vec<u8> {
    let mut message = framed(inner);
    message.pop();
    let checksum = Scheme::Xor.of(&message[1..]);
    message.extend_from_slice(checksum.as_bytes());
    message.push(END);
    message
}

#[cfg(test)]
mod tests;
