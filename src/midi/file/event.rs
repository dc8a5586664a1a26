//! The events of a track, as they stand in the file.

use super::vlq::{self, NoNumber};

/// Reads the events of a track one after the other.
#[derive(Debug, Clone)]
pub(super) struct Events<'a> {
    track: &'a [u8],
    /// Where the next event begins in `track`.
    at: usize,
    /// Where `track` begins in the file.
    track_offset: usize,
    /// The status of the channel event before, if the next one may leave its own out.
    running_status: Option<u8>,
}

/// An event of a track.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Event<'a> {
    /// Ticks since the event before.
    pub delta: u32,
    /// Where its status byte (under running status: its data) stands in the file.
    pub offset: usize,
    pub kind: EventKind<'a>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum EventKind<'a> {
    /// A channel message, with the status byte it left out, if it did.
    Channel { status: u8, data: &'a [u8] },
    /// F0: a SysEx message begins; F0 itself is sent and not in `data`, which stands at `data_offset` in the file.
    Start { data: &'a [u8], data_offset: usize },
    /// F7: more of a message, or bytes that are sent as they are.
    Packet { data: &'a [u8], data_offset: usize },
    /// FF: something about the file; never sent.
    Meta { kind: u8, data: &'a [u8] },
}

/// Where a track cannot be read on, and why.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Damage {
    /// In bytes since the start of the file.
    pub offset: usize,
    pub reason: Reason,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Reason {
    /// A time or a length of more than four bytes.
    LongNumber,
    /// The track ends within an event.
    CutEvent,
    /// No event begins with this byte.
    BadStatus(u8),
    /// A channel message or a meta event has this byte where a data byte belongs.
    BadData(u8),
}

impl<'a> Events<'a> {
    /// `track` stands at `track_offset` in the file.
    pub fn new(track: &'a [u8], track_offset: usize) -> Events<'a> {
        Events {
            track,
            at: 0,
            track_offset,
            running_status: None,
        }
    }

    /// Where the next event begins in the file.
    pub fn offset(&self) -> usize {
        self.track_offset + self.at
    }

    /// The bytes after the events so far.
    pub fn rest(&self) -> &'a [u8] {
        &self.track[self.at..]
    }

    /// The next event; `None` at the end of the track's bytes. After damage there is nothing more to ask.
    ///
    /// # Source
    /// RP-001: track events, running status (cancelled by SysEx and meta events), `F0 <length> <bytes>`,
    /// `F7 <length> <bytes>`, `FF <type> <length> <bytes>` with a type below 80.
    pub fn next(&mut self) -> Result<Option<Event<'a>>, Damage> {
        if self.rest().is_empty() {
            return Ok(None);
        }
        let delta = self.number()?;
        let offset = self.offset();
        let kind = match (self.peek()?, self.running_status) {
            (status @ 0x80..=0xEF, _) => {
                self.at += 1;
                self.channel(status)?
            }
            (..0x80, Some(status)) => self.channel(status)?,
            (0xF0, _) => {
                self.at += 1;
                let (data, data_offset) = self.counted()?;
                EventKind::Start { data, data_offset }
            }
            (0xF7, _) => {
                self.at += 1;
                let (data, data_offset) = self.counted()?;
                EventKind::Packet { data, data_offset }
            }
            (0xFF, _) => {
                self.at += 1;
                let kind = self.peek()?;
                if kind >= 0x80 {
                    return Err(self.damage(Reason::BadData(kind)));
                }
                self.at += 1;
                let (data, _) = self.counted()?;
                EventKind::Meta { kind, data }
            }
            (status, _) => return Err(self.damage(Reason::BadStatus(status))),
        };
        if !matches!(kind, EventKind::Channel { .. }) {
            self.running_status = None;
        }
        Ok(Some(Event {
            delta,
            offset,
            kind,
        }))
    }

    fn damage(&self, reason: Reason) -> Damage {
        Damage {
            offset: self.offset(),
            reason,
        }
    }

    fn peek(&self) -> Result<u8, Damage> {
        let first = self.rest().first();
        first.copied().ok_or(self.damage(Reason::CutEvent))
    }

    fn number(&mut self) -> Result<u32, Damage> {
        let (number, n_bytes) = vlq::read(self.rest()).map_err(|no_number| {
            self.damage(match no_number {
                NoNumber::Cut => Reason::CutEvent,
                NoNumber::TooLong => Reason::LongNumber,
            })
        })?;
        self.at += n_bytes;
        Ok(number)
    }

    /// A length and as many bytes, with their place in the file.
    fn counted(&mut self) -> Result<(&'a [u8], usize), Damage> {
        let n_bytes = self.number()? as usize;
        let offset = self.offset();
        let data = self.take(n_bytes)?;
        Ok((data, offset))
    }

    fn take(&mut self, n_bytes: usize) -> Result<&'a [u8], Damage> {
        let bytes = self.rest().get(..n_bytes);
        let bytes = bytes.ok_or(self.damage(Reason::CutEvent))?;
        self.at += n_bytes;
        Ok(bytes)
    }

    fn channel(&mut self, status: u8) -> Result<EventKind<'a>, Damage> {
        self.running_status = Some(status);
        let n_data = if matches!(status, 0xC0..=0xDF) { 1 } else { 2 };
        let n_good = (self.rest().iter().take(n_data))
            .take_while(|&&byte| byte < 0x80)
            .count();
        match self.rest().get(n_good) {
            Some(&byte) if n_good < n_data => Err(Damage {
                offset: self.offset() + n_good,
                reason: Reason::BadData(byte),
            }),
            _ => Ok(EventKind::Channel {
                status,
                data: self.take(n_data)?,
            }),
        }
    }
}
