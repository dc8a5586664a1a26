//! All universal messages of one dump: which samples, files and tunings they make, and what is missing.

use std::collections::BTreeMap;

use crate::model::take::{Finding, Severity};

use super::handshake::Answer;
use super::identity::Identity;
use super::sequence::Link;
use super::tally::{Tally, counted, grouped};
use super::{Kind, RecoveredFile, Sample, Tuning, Universal, Verdict, file, sample};

/// Takes the universal messages of a dump one after the other. A sample ends where the next one begins, a file where its end or the
/// next one stands; answers and requests of the other side may stand anywhere.
///
/// Memory: a few words for each sample and tuning that came, and the bytes of files that came so far without a gap. Nothing is set
/// aside for what a header claims.
///
/// ```
/// use farshelf::midi::universal::{Assembly, identity};
///
/// let mut assembly = Assembly::new();
/// assembly.push(1, &identity::request(0x7F));
/// assembly.push(2, &[0xF0, 0x7E, 0x10, 0x06, 0x02, 0x41, 0x42, 0, 0, 0x20, 0, 1, 0, 0, 0xF7]);
/// let assembled = assembly.finish();
/// assert_eq!(assembled.identity.unwrap().member, 0x1000);
/// assert_eq!(assembled.findings, []);
/// ```
#[derive(Debug, Clone, Default)]
pub struct Assembly {
    sample: Option<sample::Incoming>,
    file: Option<file::Incoming>,
    samples: Vec<Sample>,
    /// Where in `samples` the last one of each number stands, for loops that come later.
    last_of_number: BTreeMap<u16, usize>,
    files: Vec<RecoveredFile>,
    tunings: Vec<Tuning>,
    identity: Option<Identity>,
    tally: Tally,
    n_checked: u64,
    n_bad: u64,
}

/// What the universal messages of a dump make.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Assembled {
    /// Its samples, in the order of their headers.
    pub samples: Vec<Sample>,
    /// Its files, in the order of their headers.
    pub files: Vec<RecoveredFile>,
    /// Its tunings, in their order.
    pub tunings: Vec<Tuning>,
    /// Who the device says it is, by the first reply.
    pub identity: Option<Identity>,
    /// What is wrong or odd, one finding for each kind of fault.
    pub findings: Vec<Finding>,
    /// How many messages had a checksum that was right.
    pub n_checked: u64,
    /// How many messages had a checksum that was wrong, also those that came again whole. A disputed one counts neither here nor
    /// there.
    pub n_bad: u64,
}

impl Assembly {
    /// Nothing taken yet.
    pub fn new() -> Assembly {
        Assembly::default()
    }

    /// Takes the next universal message, from F0 to F7 without real-time bytes. `number` is its number among all messages of the
    /// dump, from 1, for the sentences of findings. Anything but a whole universal message is passed over.
    pub fn push(&mut self, number: u64, message: &[u8]) {
        let Some(universal) = Universal::from_bytes(message) else {
            return;
        };
        match universal.checksum() {
            Verdict::Ok => self.n_checked += 1,
            Verdict::Bad { .. } => self.n_bad += 1,
            Verdict::Disputed { .. } | Verdict::None => {}
        }
        match universal {
            Universal::IdentityReply(identity) => {
                self.identity.get_or_insert(identity);
            }
            Universal::SampleHeader(header) => self.sample_header(number, header),
            Universal::SamplePacket(packet) => match &mut self.sample {
                Some(sample) => sample.packet(number, &packet, &mut self.tally),
                None => self.no_header(number, "sample", Link::of_sample(&packet)),
            },
            Universal::LoopPoints(points) => self.loop_points(number, points),
            Universal::FileHeader(header) => self.file_header(number, header),
            Universal::FilePacket(packet) => match &mut self.file {
                Some(file) => file.packet(number, &packet, &mut self.tally),
                None => self.no_header(number, "file", Link::of_file(&packet)),
            },
            Universal::Tuning(dump) => {
                dump.tell(number, &mut self.tally);
                self.tunings.push(dump.tuning);
            }
            Universal::Handshake(handshake) if handshake.answer == Answer::EndOfFile => {
                self.end_file(true);
            }
            Universal::VisualControl {
                verdict: Verdict::Bad { expected, found },
                ..
            } => {
                self.tally.add(Severity::Error, "bad-checksum", "visual control message", || {
                    format!(
                        "message {}: the checksum of a visual control message is {found:02X} and its bytes give {expected:02X}",
                        grouped(number)
                    )
                });
            }
            Universal::WrongLength(kind) => self.wrong_length(number, kind, message.len()),
            _ => {}
        }
    }

    /// No more messages will come.
    pub fn finish(mut self) -> Assembled {
        self.end_sample();
        self.end_file(false);
        Assembled {
            samples: self.samples,
            files: self.files,
            tunings: self.tunings,
            identity: self.identity,
            findings: self.tally.into_findings(),
            n_checked: self.n_checked,
            n_bad: self.n_bad,
        }
    }

    fn sample_header(&mut self, number: u64, header: sample::Header) {
        if let Some(sample) = &self.sample
            && sample.is_begun_again_by(&header)
        {
            self.header_again(number, &format!("sample {}", header.number));
            return;
        }
        self.end_sample();
        self.sample = Some(sample::Incoming::new(header, number, &mut self.tally));
    }

    fn end_sample(&mut self) {
        if let Some(sample) = self.sample.take() {
            let sample = sample.finish(&mut self.tally);
            self.last_of_number
                .insert(sample.header.number, self.samples.len());
            self.samples.push(sample);
        }
    }

    fn loop_points(&mut self, number: u64, points: sample::LoopPoints) {
        // A sample that nobody sent has no place to keep its loops.
        let (header, loops) = match &mut self.sample {
            Some(sample) if sample.header().number == points.sample => {
                (*sample.header(), sample.loops())
            }
            _ => {
                let idx = self.last_of_number.get(&points.sample);
                match idx.and_then(|&idx| self.samples.get_mut(idx)) {
                    Some(sample) => (sample.header, &mut sample.loops),
                    None => return,
                }
            }
        };
        loops.push(points);
        sample::tell_odd_loop(&header, &points, number, &mut self.tally);
    }

    fn file_header(&mut self, number: u64, header: file::Header) {
        if let Some(file) = &self.file
            && file.is_begun_again_by(&header)
        {
            self.header_again(number, "a file");
            return;
        }
        self.end_file(false);
        self.file = Some(file::Incoming::new(header, number, &mut self.tally));
    }

    fn end_file(&mut self, has_end: bool) {
        if let Some(file) = self.file.take() {
            self.files.push(file.finish(has_end, &mut self.tally));
        }
    }

    fn header_again(&mut self, number: u64, what: &str) {
        self.tally
            .add(Severity::Warning, "repeated-packet", "header", || {
                format!(
                    "message {}: the header of {what} came again, the same",
                    grouped(number)
                )
            });
    }

    fn no_header(&mut self, number: u64, of: &'static str, link: Link<'_>) {
        self.tally.add(Severity::Error, "no-header", "packet", || {
            format!(
                "message {}: packet {} belongs to a {of} whose header is missing",
                grouped(number),
                link.number
            )
        });
        link.tell(number, "", &mut self.tally);
    }

    fn wrong_length(&mut self, number: u64, kind: Kind, n_bytes: usize) {
        let severity = match kind {
            // Which header it was nobody can tell; the packets after it are not those of the one before.
            Kind::SampleHeader => {
                self.end_sample();
                Severity::Error
            }
            Kind::FileHeader => {
                self.end_file(false);
                Severity::Error
            }
            Kind::Handshake(Answer::EndOfFile) => {
                self.end_file(true);
                Severity::Warning
            }
            Kind::SamplePacket
            | Kind::FilePacket
            | Kind::LoopPoints
            | Kind::TuningDump(_)
            | Kind::IdentityReply => Severity::Error,
            _ => Severity::Warning,
        };
        self.tally.add(severity, "wrong-length", "message", || {
            format!(
                "message {}: {} of {} has the wrong length",
                grouped(number),
                kind.title(),
                counted(n_bytes as u64, "byte")
            )
        });
    }
}

#[cfg(test)]
mod tests;
