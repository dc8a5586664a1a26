//! Packets in a row: their numbers run from 0 to 127 and begin again, and tell what is missing, came twice or came late.

use crate::model::take::Severity;

use super::tally::{Tally, counted, grouped, is_or_are};
use super::{Verdict, file, sample};

/// What a packet is to the packets before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Step {
    /// The one that was due.
    Due,
    /// One further on; so many numbers were left out.
    Skipped(u8),
    /// The same as the one before, byte for byte.
    Again,
    /// The number of the one before, with other bytes.
    AgainOther,
    /// The one before was damaged, and this is the same one whole.
    Mended,
    /// Damaged, so that its number proves nothing: taken for the one that was due.
    Damaged,
    /// Damaged, after a damaged one of the same number.
    DamagedAgain,
    /// One from further back.
    Late,
}

/// Numbers of packets as they come. Knows the last packet and a few counts, whatever the length of the row.
///
/// # Source
/// MIDI 1.0 Detailed Specification 4.2.1, pages 36 and 44: numbers are 7 bits, begin at 0 and run over from 7F to 00.
#[derive(Debug, Clone, Default)]
pub(super) struct Sequence {
    due: u8,
    last: Option<Last>,
    late: Option<LatePacket>,
    n_found: u64,
    n_skipped: u64,
}

#[derive(Debug, Clone)]
struct Last {
    number: u8,
    is_good: bool,
    data: Vec<u8>,
}

#[derive(Debug, Clone, Copy)]
struct LatePacket {
    next: u8,
    is_counted: bool,
}

impl Sequence {
    /// The number of the packet that is due.
    pub(super) fn due(&self) -> u8 {
        self.due
    }

    /// How many packets came, each counted once, damaged ones included.
    pub(super) fn n_found(&self) -> u64 {
        self.n_found
    }

    /// How many numbers were left out and not filled by late packets.
    pub(super) fn n_skipped(&self) -> u64 {
        self.n_skipped
    }

    /// Takes the next packet. `is_good` says whether its checksum and length are right; a good one has at most 128 bytes of
    /// `data`.
    pub(super) fn take(&mut self, number: u8, is_good: bool, data: &[u8]) -> Step {
        let last = self.last.as_mut().filter(|last| last.number == number);
        if !is_good {
            if last.is_some_and(|last| !last.is_good) {
                return Step::DamagedAgain;
            }
            self.place(self.due, false, &[]);
            return Step::Damaged;
        }
        if number == self.due {
            self.place(number, true, data);
            return Step::Due;
        }
        if let Some(last) = last {
            if !last.is_good {
                last.is_good = true;
                last.data.extend_from_slice(data);
                return Step::Mended;
            }
            if last.data == data {
                return Step::Again;
            }
            self.n_found += 1;
            return Step::AgainOther;
        }
        // Two in a row from further back, with no gap that they could fill: the row goes on from there, for the
        // standard tells receivers to carry on with a number they did not wait for (p. 36 f.).
        if let Some(late) = self.late.filter(|late| late.next == number)
            && self.n_skipped == 0
        {
            self.n_found += u64::from(!late.is_counted);
            self.place(number, true, data);
            return Step::Due;
        }
        let n_ahead = number.wrapping_sub(self.due) & 0x7f;
        if n_ahead < 0x40 {
            self.n_skipped += u64::from(n_ahead);
            self.place(number, true, data);
            return Step::Skipped(n_ahead);
        }
        let is_counted = self.n_skipped > 0;
        self.n_skipped -= u64::from(is_counted);
        self.n_found += u64::from(is_counted);
        self.late = Some(LatePacket {
            next: after(number),
            is_counted,
        });
        self.remember(number, true, data);
        Step::Late
    }

    fn place(&mut self, number: u8, is_good: bool, data: &[u8]) {
        self.n_found += 1;
        self.due = after(number);
        self.late = None;
        self.remember(number, is_good, data);
    }

    fn remember(&mut self, number: u8, is_good: bool, data: &[u8]) {
        let last = self.last.get_or_insert_with(|| Last {
            number,
            is_good,
            data: Vec::new(),
        });
        (last.number, last.is_good) = (number, is_good);
        last.data.clear();
        last.data.extend_from_slice(data);
    }
}

fn after(number: u8) -> u8 {
    number.wrapping_add(1) & 0x7f
}

/// One packet, as far as the row is concerned.
#[derive(Debug, Clone, Copy)]
pub(super) struct Link<'a> {
    /// Its number, 0 to 127.
    pub number: u8,
    /// Its bytes, without number and checksum.
    pub data: &'a [u8],
    /// What its checksum says.
    pub verdict: Verdict,
    /// If its length is wrong: how many data bytes it has, and how many it should have. Equal if no bytes can have been
    /// packed into so many.
    pub wrong_length: Option<(usize, usize)>,
}

impl<'a> Link<'a> {
    /// A packet of a sample.
    pub(super) fn of_sample(packet: &sample::Packet<'a>) -> Link<'a> {
        let wrong = packet.data.len() != sample::PACKET_DATA;
        Link {
            number: packet.number,
            data: packet.data,
            verdict: packet.verdict,
            wrong_length: wrong.then_some((packet.data.len(), sample::PACKET_DATA)),
        }
    }

    /// A packet of a file.
    pub(super) fn of_file(packet: &file::Packet<'a>) -> Link<'a> {
        let wrong = packet.data.len() != packet.n_claimed || packet.bytes().is_none();
        Link {
            number: packet.number,
            data: packet.data,
            verdict: packet.verdict,
            wrong_length: wrong.then_some((packet.data.len(), packet.n_claimed)),
        }
    }

    /// What [`Link::tell`] needs of it.
    fn without_data(self) -> Link<'static> {
        Link {
            number: self.number,
            data: &[],
            verdict: self.verdict,
            wrong_length: self.wrong_length,
        }
    }

    fn is_good(&self) -> bool {
        self.verdict == Verdict::Ok && self.wrong_length.is_none()
    }

    /// Adds what is wrong with the packet itself.
    pub(super) fn tell(&self, message: u64, of: &str, tally: &mut Tally) {
        let number = self.number;
        if let Some((is, should)) = self.wrong_length {
            tally.add(Severity::Error, "wrong-length", "packet", || {
                let but = match is == should {
                    true => "and the last one stands for nothing".to_string(),
                    false => format!("where {should} belong"),
                };
                format!(
                    "message {}: packet {number}{of} carries {} {but}",
                    grouped(message),
                    counted(is as u64, "byte"),
                )
            });
        } else if let Verdict::Bad { expected, found } = self.verdict {
            tally.add(Severity::Error, "bad-checksum", "packet", || {
                format!(
                    "message {}: the checksum of packet {number}{of} is {found:02X} and its bytes give {expected:02X}",
                    grouped(message),
                )
            });
        }
    }
}

/// A row of packets together with what is wrong in it.
#[derive(Debug, Clone)]
pub(super) struct Row {
    /// What the packets belong to: `sample 1`.
    what: String,
    sequence: Sequence,
    /// The last packet and its message number, if it was damaged and did not come again whole.
    damaged: Option<(u64, Link<'static>)>,
    first_skip: Option<(u8, u64)>,
    is_sound: bool,
}

impl Row {
    pub(super) fn new(what: String) -> Row {
        Row {
            what,
            sequence: Sequence::default(),
            damaged: None,
            first_skip: None,
            is_sound: true,
        }
    }

    pub(super) fn what(&self) -> &str {
        &self.what
    }

    pub(super) fn n_found(&self) -> u64 {
        self.sequence.n_found()
    }

    /// Whether every packet so far was whole and in its place; a damaged one counts against it once the next one came.
    pub(super) fn is_sound(&self) -> bool {
        self.is_sound
    }

    /// Takes the packet in the message with the number `message` and adds what is wrong with it.
    pub(super) fn take(&mut self, message: u64, link: Link<'_>, tally: &mut Tally) -> Step {
        let due = self.sequence.due();
        let step = self.sequence.take(link.number, link.is_good(), link.data);
        let (number, what) = (link.number, &self.what);
        match step {
            Step::Mended => {
                if let Some((damaged, _)) = self.damaged.take() {
                    tally.add(Severity::Warning, "repeated-packet", "packet", || {
                        format!(
                            "message {}: packet {number} of {what} came again and replaces the damaged one in message {}",
                            grouped(message),
                            grouped(damaged),
                        )
                    });
                }
                return step;
            }
            Step::DamagedAgain => return step,
            _ => self.give_up_damaged(tally),
        }
        let what = &self.what;
        match step {
            Step::Due | Step::Mended | Step::DamagedAgain => {}
            Step::Damaged => self.damaged = Some((message, link.without_data())),
            Step::Skipped(_) => {
                self.is_sound = false;
                self.first_skip.get_or_insert((number, message));
            }
            Step::Again => {
                tally.add(Severity::Warning, "repeated-packet", "packet", || {
                    format!(
                        "message {}: packet {number} of {what} came again, the same",
                        grouped(message)
                    )
                });
            }
            Step::AgainOther => {
                self.is_sound = false;
                tally.add(Severity::Error, "repeated-packet", "packet", || {
                    format!(
                        "message {}: packet {number} of {what} came again with other bytes",
                        grouped(message)
                    )
                });
            }
            Step::Late => {
                self.is_sound = false;
                self.first_skip.get_or_insert((number, message));
                tally.add(Severity::Error, "out-of-order", "packet", || {
                    format!(
                        "message {}: packet {number} of {what} came when packet {due} was due",
                        grouped(message)
                    )
                });
            }
        }
        step
    }

    /// The last packet will not come again: if it is damaged, that stands.
    pub(super) fn give_up_damaged(&mut self, tally: &mut Tally) {
        if let Some((message, damage)) = self.damaged.take() {
            self.is_sound = false;
            damage.tell(message, &format!(" of {}", self.what), tally);
        }
    }

    /// The row is over. Adds which packets are missing or too many, by `n_due` (how many there must be) if that is known, else by
    /// the numbers left out.
    pub(super) fn finish(&mut self, n_due: Option<u64>, of: &'static str, tally: &mut Tally) {
        self.give_up_damaged(tally);
        let (n_found, n_skipped, what) = (self.n_found(), self.sequence.n_skipped(), &self.what);
        let place = match self.first_skip {
            Some((packet, message)) => {
                format!(
                    "first before packet {packet} (message {})",
                    grouped(message)
                )
            }
            None => "at the end".to_string(),
        };
        match n_due {
            Some(n_due) if n_found < n_due => {
                tally.add(Severity::Error, "missing-packets", of, || {
                    let n = n_due - n_found;
                    format!(
                        "{} of {} of {what} {} missing, {place}",
                        grouped(n),
                        counted(n_due, "packet"),
                        is_or_are(n),
                    )
                });
            }
            Some(n_due) if n_found > n_due => {
                tally.add(Severity::Error, "wrong-length", of, || {
                    format!(
                        "{what} has {} where its header asks for {}",
                        counted(n_found, "packet"),
                        grouped(n_due),
                    )
                });
            }
            Some(_) if n_skipped > 0 => {
                tally.add(Severity::Error, "out-of-order", of, || {
                    format!(
                        "the packets of {what} leave out {}, {place}",
                        counted(n_skipped, "number")
                    )
                });
            }
            None if n_skipped > 0 => {
                tally.add(Severity::Error, "missing-packets", of, || {
                    format!(
                        "{} of {what} {} missing, {place}",
                        counted(n_skipped, "packet"),
                        is_or_are(n_skipped),
                    )
                });
            }
            None if n_found == 0 => {
                tally.add(Severity::Error, "missing-packets", of, || {
                    format!("no packet of {what} came")
                });
            }
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Numbers, `!` after one that is damaged, `'` after one with other bytes.
    fn check(packets: &str, expected: &str, n_found: u64, n_skipped: u64) {
        let mut sequence = Sequence::default();
        let steps: Vec<String> = packets
            .split_whitespace()
            .map(|packet| {
                let number = packet.trim_end_matches(['!', '\'']).parse().unwrap();
                let data: &[u8] = if packet.ends_with('\'') { &[1] } else { &[] };
                format!("{:?}", sequence.take(number, !packet.ends_with('!'), data))
            })
            .collect();
        assert_eq!(steps.join(" "), expected, "{packets}");
        assert_eq!(
            (sequence.n_found(), sequence.n_skipped()),
            (n_found, n_skipped),
            "{packets}"
        );
    }

    #[test]
    fn numbers_tell_what_is_missing_repeated_and_late() {
        check("0 1 2", "Due Due Due", 3, 0);
        check("0 2 3", "Due Skipped(1) Due", 3, 1);
        check("5 6", "Skipped(5) Due", 2, 5);
        check("0 1 1 2", "Due Due Again Due", 3, 0);
        check("0 1 1' 2", "Due Due AgainOther Due", 4, 0);
        check("0 2 1 3", "Due Skipped(1) Late Due", 4, 0);
        check("1 0 2", "Skipped(1) Late Due", 3, 0);
        check("0 3 4 1 2 5", "Due Skipped(2) Due Late Late Due", 6, 0);
    }

    #[test]
    fn a_damaged_packet_is_taken_for_the_one_that_was_due() {
        check("0 1! 2", "Due Damaged Due", 3, 0);
        // Its number may be what was hit.
        check("0 99! 2", "Due Damaged Due", 3, 0);
        check("0 1! 1 2", "Due Damaged Mended Due", 3, 0);
        check("0 1! 1! 1 2", "Due Damaged DamagedAgain Mended Due", 3, 0);
        check("0 1! 3", "Due Damaged Skipped(1)", 3, 1);
        // A damaged repetition stands for the next one until that comes.
        check("0 1 1! 2 3", "Due Due Damaged Mended Due", 4, 0);
    }

    #[test]
    fn numbers_begin_again_after_127() {
        let numbers: Vec<String> = (0..300).map(|n| (n % 128).to_string()).collect();
        let due = ["Due"; 300].join(" ");
        check(&numbers.join(" "), &due, 300, 0);
    }

    #[test]
    fn a_row_that_jumps_goes_on_from_there() {
        // 100 packets lost: the number alone cannot be told from a late one, the next one shows it.
        check("0 1 102 103 104", "Due Due Late Due Due", 5, 0);
        // A transfer that began again: the first packet from further back is not counted until the second.
        check("0 1 2 0 1 2", "Due Due Due Late Due Due", 6, 0);
    }
}
