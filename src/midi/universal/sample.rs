//! Sample dumps: a header, then packets of 120 data bytes that hold the words of one sample.
//!
//! # Source
//! MIDI 1.0 Detailed Specification 4.2.1, Sample Dump Standard, pages 35 to 39.

use std::fmt;

use crate::model::take::Severity;

use super::sequence::{Link, Row, Sequence, Step};
use super::tally::{Tally, counted, grouped};
use super::{Universal, Verdict, framed, framed_with_xor, lsb_first, to_lsb_first};

/// How many data bytes a packet has.
pub const PACKET_DATA: usize = 120;

/// What the header of a sample dump says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Header {
    /// The device it comes from or goes to, 0 to 127.
    pub device: u8,
    /// The number of the sample, 0 to 16383.
    pub number: u16,
    /// Bits of each word: 8 to 28 by the standard, up to 127 in a header that is wrong.
    pub bits: u8,
    /// Nanoseconds from word to word, below 2^21.
    pub period_ns: u32,
    /// How many words the sample has, below 2^21. Only a claim.
    pub n_words: u32,
    /// The first word of the loop that sounds while a key is held.
    pub loop_start: u32,
    /// The last word of that loop.
    pub loop_end: u32,
    /// How that loop runs.
    pub loop_type: LoopType,
}

impl Header {
    /// The message, 21 bytes. Values that are too large lose their upper bits.
    pub fn to_bytes(&self) -> Vec<u8> {
        framed(&[
            &[self.device, 0x01],
            &to_lsb_first::<2>(self.number.into()),
            &[self.bits],
            &to_lsb_first::<3>(self.period_ns),
            &to_lsb_first::<3>(self.n_words),
            &to_lsb_first::<3>(self.loop_start),
            &to_lsb_first::<3>(self.loop_end),
            &[self.loop_type.to_byte()],
        ])
    }

    /// How many packets the words need; `None` if the bits are not those of the standard.
    pub fn n_packets(&self) -> Option<u64> {
        let n_per_packet = PACKET_DATA / bytes_per_word(self.bits)?;
        Some(u64::from(self.n_words).div_ceil(n_per_packet as u64))
    }

    /// Words per second, to the nearest whole number or the usual rate that gives this period; `None` if the period is 0.
    pub fn rate_hz(&self) -> Option<u32> {
        // Common practice, no source. A period in whole nanoseconds stands for many rates: 22,676 ns are 44,099 or 44,100 Hz.
        const USUAL: [u32; 11] = [
            8_000, 11_025, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000, 88_200, 96_000, 192_000,
        ];
        let usual = USUAL.into_iter().find(|rate| {
            let down = NS_PER_S / rate;
            self.period_ns == down || self.period_ns == (NS_PER_S + rate / 2) / rate
        });
        usual.or_else(|| (NS_PER_S + self.period_ns / 2).checked_div(self.period_ns))
    }

    /// `data` are the 16 bytes after the sub-ID.
    pub(super) fn from_data(device: u8, data: &[u8]) -> Option<Header> {
        let data: &[u8; 16] = data.try_into().ok()?;
        Some(Header {
            device,
            number: lsb_first(&data[..2]) as u16,
            bits: data[2],
            period_ns: lsb_first(&data[3..6]),
            n_words: lsb_first(&data[6..9]),
            loop_start: lsb_first(&data[9..12]),
            loop_end: lsb_first(&data[12..15]),
            loop_type: LoopType::from_byte(data[15]),
        })
    }
}

const NS_PER_S: u32 = 1_000_000_000;

impl fmt::Display for Header {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "sample {}: {} of {} bits",
            self.number,
            counted(self.n_words.into(), "word"),
            self.bits
        )?;
        match self.rate_hz() {
            Some(rate) => write!(
                f,
                " at {} Hz ({} ns)",
                grouped(rate.into()),
                grouped(self.period_ns.into())
            )?,
            None => f.write_str(" at an unknown rate")?,
        }
        let way = match self.loop_type {
            LoopType::Off => return f.write_str(", no loop"),
            LoopType::Forward => "loop forward",
            LoopType::BothWays => "loop both ways",
            LoopType::Other(_) => "loop of unknown type",
        };
        write!(
            f,
            ", {way} from word {} to word {}",
            grouped(self.loop_start.into()),
            grouped(self.loop_end.into())
        )
    }
}

/// How a loop runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum LoopType {
    /// 00: from its start to its end, and from its start again.
    Forward,
    /// 01: forward and backward in turn.
    BothWays,
    /// 7F: there is no loop; in a message of loop points, the loop is deleted.
    Off,
    /// A byte that the standard does not know.
    Other(u8),
}

impl LoopType {
    fn from_byte(byte: u8) -> LoopType {
        match byte {
            0x00 => LoopType::Forward,
            0x01 => LoopType::BothWays,
            0x7F => LoopType::Off,
            _ => LoopType::Other(byte),
        }
    }

    fn to_byte(self) -> u8 {
        match self {
            LoopType::Forward => 0x00,
            LoopType::BothWays => 0x01,
            LoopType::Off => 0x7F,
            LoopType::Other(byte) => byte,
        }
    }
}

/// The points of one loop, sent apart from the dump.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct LoopPoints {
    /// The device it comes from or goes to.
    pub device: u8,
    /// The sample, 0 to 16383.
    pub sample: u16,
    /// The loop, 0 to 16383.
    pub loop_number: u16,
    /// How it runs.
    pub loop_type: LoopType,
    /// Its first word.
    pub start: u32,
    /// Its last word.
    pub end: u32,
}

impl LoopPoints {
    /// The message, 17 bytes. Values that are too large lose their upper bits.
    pub fn to_bytes(&self) -> Vec<u8> {
        framed(&[
            &[self.device, 0x05, 0x01],
            &to_lsb_first::<2>(self.sample.into()),
            &to_lsb_first::<2>(self.loop_number.into()),
            &[self.loop_type.to_byte()],
            &to_lsb_first::<3>(self.start),
            &to_lsb_first::<3>(self.end),
        ])
    }

    /// `data` are the 11 bytes after the sub-IDs.
    pub(super) fn from_data(device: u8, data: &[u8]) -> Option<LoopPoints> {
        let data: &[u8; 11] = data.try_into().ok()?;
        Some(LoopPoints {
            device,
            sample: lsb_first(&data[..2]) as u16,
            loop_number: lsb_first(&data[2..4]) as u16,
            loop_type: LoopType::from_byte(data[4]),
            start: lsb_first(&data[5..8]),
            end: lsb_first(&data[8..11]),
        })
    }
}

/// A packet of a sample dump.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Packet<'a> {
    /// The device it comes from or goes to.
    pub device: u8,
    /// Its number, 0 to 127.
    pub number: u8,
    /// Its data bytes: [`PACKET_DATA`] of them by the standard.
    pub data: &'a [u8],
    /// What its checksum says.
    pub verdict: Verdict,
}

impl<'a> Packet<'a> {
    /// The words in its data, each of `bits` bits, the filling of a last packet included. None if `bits` is not 8 to 28.
    pub fn words(&self, bits: u8) -> impl Iterator<Item = u32> + use<'a> {
        words(self.data, bits)
    }

    /// `data` are the bytes after the sub-ID: number, data, checksum.
    pub(super) fn from_data(device: u8, data: &'a [u8], verdict: Verdict) -> Option<Packet<'a>> {
        let [number, data @ .., _checksum] = data else {
            return None;
        };
        Some(Packet {
            device,
            number: *number,
            data,
            verdict,
        })
    }
}

/// How many data bytes a word of `bits` bits takes; `None` if `bits` is not 8 to 28.
///
/// # Source
/// MIDI 1.0 Detailed Specification 4.2.1, Data Packet p. 36.
pub fn bytes_per_word(bits: u8) -> Option<usize> {
    match bits {
        8..=14 => Some(2),
        15..=21 => Some(3),
        22..=28 => Some(4),
        _ => None,
    }
}

/// The words in `data`, each of `bits` bits: highest bits first, 7 in a byte, the lowest bits of the last byte unused. 0 is full
/// negative. Half a word at the end is left out; there are none if `bits` is not 8 to 28.
///
/// # Source
/// MIDI 1.0 Detailed Specification 4.2.1, Data Packet p. 36.
pub fn words(data: &[u8], bits: u8) -> impl Iterator<Item = u32> + use<'_> {
    let n_bytes = bytes_per_word(bits);
    let n_unused = n_bytes.map_or(0, |n| 7 * n as u32 - u32::from(bits));
    let data = if n_bytes.is_some() { data } else { &[] };
    data.chunks_exact(n_bytes.unwrap_or(1)).map(move |word| {
        word.iter()
            .fold(0, |value, byte| value << 7 | u32::from(byte & 0x7f))
            >> n_unused
    })
}

/// The data bytes of `words`, as [`words()`] reads them. Values that are too large lose their upper bits; empty if `bits` is not
/// 8 to 28.
pub fn pack_words(words: &[u32], bits: u8) -> Vec<u8> {
    let Some(n_bytes) = bytes_per_word(bits) else {
        return Vec::new();
    };
    let n_unused = 7 * n_bytes as u32 - u32::from(bits);
    let mut data = Vec::with_capacity(words.len() * n_bytes);
    for word in words {
        let value = word << n_unused;
        data.extend((0..n_bytes).rev().map(|k| (value >> (7 * k)) as u8 & 0x7f));
    }
    data
}

/// The packets that carry `words`, each of `bits` bits; the last one is filled up with 00. None if `bits` is not 8 to 28.
pub fn packets(device: u8, bits: u8, words: &[u32]) -> impl Iterator<Item = Vec<u8>> {
    let n_per_packet = bytes_per_word(bits).map_or(1, |n| PACKET_DATA / n);
    let words = if bytes_per_word(bits).is_some() {
        words
    } else {
        &[]
    };
    words
        .chunks(n_per_packet)
        .enumerate()
        .map(move |(idx, words)| {
            let mut data = pack_words(words, bits);
            data.resize(PACKET_DATA, 0);
            framed_with_xor(&[&[device, 0x02, idx as u8 & 0x7f], &data])
        })
}

/// The message that asks `device` for the sample `number`.
pub fn request(device: u8, number: u16) -> Vec<u8> {
    framed(&[&[device, 0x03], &to_lsb_first::<2>(number.into())])
}

/// The words of the first sample in `messages`. `None` if there is no sample, or if it is not all there: each packet whole and in
/// its place, as many as the header asks for. Packets that came again whole after a damaged one count.
pub fn assemble<'a>(messages: impl IntoIterator<Item = &'a [u8]>) -> Option<Vec<u32>> {
    let mut header: Option<Header> = None;
    let mut sequence = Sequence::default();
    let mut is_damaged = false;
    // It grows by what came, never by what the header claims.
    let mut samples = Vec::new();
    for message in messages {
        match (Universal::from_bytes(message), header) {
            (Some(Universal::SampleHeader(first)), None) => header = Some(first),
            (Some(Universal::SampleHeader(next)), Some(first))
                if next != first || sequence.n_found() > 0 =>
            {
                break;
            }
            (Some(Universal::SamplePacket(packet)), Some(header)) => {
                let is_good = packet.verdict == Verdict::Ok && packet.data.len() == PACKET_DATA;
                match sequence.take(packet.number, is_good, packet.data) {
                    Step::Due if !is_damaged => samples.extend(packet.words(header.bits)),
                    Step::Damaged if !is_damaged => is_damaged = true,
                    Step::Mended => {
                        is_damaged = false;
                        samples.extend(packet.words(header.bits));
                    }
                    Step::Again | Step::DamagedAgain => {}
                    _ => return None,
                }
            }
            _ => {}
        }
    }
    let header = header?;
    let is_whole = !is_damaged && header.n_packets() == Some(sequence.n_found());
    samples.truncate(header.n_words as usize);
    is_whole.then_some(samples)
}

/// A sample that was found in a dump. `Display` describes it in a line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sample {
    /// What its header says.
    pub header: Header,
    /// The number of the message with the header, from 1.
    pub message: u64,
    /// Loops of this sample that were sent apart.
    pub loops: Vec<LoopPoints>,
    /// How many packets came, each counted once, damaged ones included.
    pub n_packets: u64,
    /// Whether as many packets came as the header asks for, each whole and in its place.
    pub is_whole: bool,
}

impl fmt::Display for Sample {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.header.fmt(f)?;
        match self.loops.len() {
            0 => Ok(()),
            n => write!(f, ", {} apart", counted(n as u64, "loop")),
        }
    }
}

/// A sample that is still coming.
#[derive(Debug, Clone)]
pub(super) struct Incoming {
    header: Header,
    message: u64,
    loops: Vec<LoopPoints>,
    row: Row,
}

impl Incoming {
    pub(super) fn new(header: Header, message: u64, tally: &mut Tally) -> Incoming {
        tell_oddities(&header, message, tally);
        Incoming {
            header,
            message,
            loops: Vec::new(),
            row: Row::new(format!("sample {}", header.number)),
        }
    }

    /// Whether `header` is the same once more, before any packet.
    pub(super) fn is_begun_again_by(&self, header: &Header) -> bool {
        self.header == *header && self.row.n_found() == 0
    }

    /// What its header says.
    pub(super) fn header(&self) -> &Header {
        &self.header
    }

    /// Loops of this sample that were sent apart.
    pub(super) fn loops(&mut self) -> &mut Vec<LoopPoints> {
        &mut self.loops
    }

    pub(super) fn packet(&mut self, message: u64, packet: &Packet<'_>, tally: &mut Tally) {
        self.row.take(message, Link::of_sample(packet), tally);
    }

    pub(super) fn finish(mut self, tally: &mut Tally) -> Sample {
        let n_due = self.header.n_packets();
        self.row.finish(n_due, "sample", tally);
        Sample {
            header: self.header,
            message: self.message,
            loops: self.loops,
            n_packets: self.row.n_found(),
            is_whole: self.row.is_sound() && n_due == Some(self.row.n_found()),
        }
    }
}

/// Whether a loop runs and lies outside the words of its sample.
fn is_outside(header: &Header, loop_type: LoopType, start: u32, end: u32) -> bool {
    loop_type != LoopType::Off && (start > end || end >= header.n_words)
}

/// Adds what is odd about a loop that was sent apart from the sample with this header.
pub(super) fn tell_odd_loop(header: &Header, points: &LoopPoints, message: u64, tally: &mut Tally) {
    if is_outside(header, points.loop_type, points.start, points.end) {
        tally.add(Severity::Warning, "odd-header", "loop apart", || {
            format!(
                "message {}: loop {} of sample {} runs from word {} to word {} of {}",
                grouped(message),
                points.loop_number,
                points.sample,
                grouped(points.start.into()),
                grouped(points.end.into()),
                grouped(header.n_words.into())
            )
        });
    }
}

fn tell_oddities(header: &Header, message: u64, tally: &mut Tally) {
    let mut odd = |noun: &'static str, what: &dyn Fn() -> String| {
        tally.add(Severity::Warning, "odd-header", noun, || {
            format!(
                "message {}: the header of sample {} {}",
                grouped(message),
                header.number,
                what()
            )
        });
    };
    if bytes_per_word(header.bits).is_none() {
        odd("sample", &|| {
            format!(
                "says {} bits per word where 8 to 28 are possible, so nobody can tell how many packets it needs",
                header.bits
            )
        });
    }
    if header.n_words == 0 {
        odd("empty sample", &|| "says that it has no words".to_string());
    }
    if header.period_ns == 0 {
        odd("sample without a rate", &|| {
            "says 0 ns from word to word".to_string()
        });
    }
    if let LoopType::Other(byte) = header.loop_type {
        odd("sample with an unknown loop", &|| {
            format!("has the unknown loop type {byte:02X}")
        });
    } else if is_outside(header, header.loop_type, header.loop_start, header.loop_end) {
        odd("loop", &|| {
            format!(
                "puts the loop at words {} to {} of {}",
                grouped(header.loop_start.into()),
                grouped(header.loop_end.into()),
                grouped(header.n_words.into())
            )
        });
    }
}

#[cfg(test)]
mod tests;
