//! From arrivals to takes: which section, which take, what is new (DESIGN: sections at intake, unchanged, dates).
//!
//! Everything is decided under the writer's lock against the catalogue as it is then, for one device at a time, and
//! recorded as events. The order of arrivals decides take numbers only.

mod history;
mod sections;

pub use history::HISTORY_CODES;

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use crate::error::{Error, Kind, Next, Result};
use crate::model::contents::Contents;
use crate::model::date::{DatedBy, Moment};
use crate::model::hash::Hash;
use crate::model::ids::{DeviceId, SectionName};
use crate::model::take::{Condition, Evidence, Finding, Via};
use crate::model::timeline::{self, Dated, Sighting};
use crate::vault::catalogue::{FindingRow, LOOSE, OriginRow, SectionTimeline, TakeRow};
use crate::vault::ledger::{self, Event};
use crate::vault::writer::Writer;

/// Where a dump is to go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Into {
    /// Where its header key or extension leads.
    Auto,
    /// To this section, by hand: keys do not move it later.
    Section(SectionName),
    /// To this section, where it lay in another vault.
    Known(SectionName),
    /// To no section: it is no state of the memory.
    Loose,
}

/// A dump whose pieces are stored, to be placed.
#[derive(Debug, Clone)]
pub struct Incoming {
    /// Where it is to go.
    pub into: Into,
    /// BLAKE3 of its bytes or list.
    pub hash: Hash,
    /// BLAKE3 of its content.
    pub content: Hash,
    /// Bytes.
    pub bytes: u64,
    /// Whole SysEx messages.
    pub messages: u64,
    /// Header key or extension.
    pub key: String,
    /// True if it is to be read as SysEx.
    pub sysex: bool,
    /// Why one may believe it.
    pub evidence: Evidence,
    /// What was noticed.
    pub findings: Vec<Finding>,
    /// What was read in it.
    pub contents: Contents,
    /// When it was so, and how that is known; at least one.
    pub seen: Vec<Dated>,
    /// Where it came from.
    pub origin: OriginRow,
    /// Ties among equal dates are broken by this, such as the path.
    pub tie: String,
}

impl Incoming {
    fn condition(&self) -> Condition {
        Condition::of(&self.findings)
    }
}

/// What became of an arrival.
#[derive(Debug, Clone, PartialEq)]
pub struct Placed {
    /// Its section; `None` if it is kept loose.
    pub section: Option<String>,
    /// The take that holds it.
    pub take: u32,
    /// True if a new take was made for it.
    pub new: bool,
    /// What is to be told: findings of the dump, and notes about where it went.
    pub findings: Vec<Finding>,
}

/// Places arrivals of one device and records what is new. Results stand in the order of `incoming`, whose findings
/// go over to them.
///
/// # Errors
/// As the writer's; nothing counts before the writer commits.
pub fn place(
    writer: &mut Writer<'_>,
    device: &DeviceId,
    incoming: &mut [Incoming],
) -> Result<Vec<Placed>> {
    let mut desk = Desk::new(writer, device, incoming)?;
    desk.check_against_device()?;
    desk.choose_sections()?;
    desk.check_kind()?;
    desk.open_timelines()?;
    desk.check_against_history()?;
    desk.arrange()?;
    desk.record()
}

/// One device's arrivals on their way.
struct Desk<'w, 'v> {
    writer: &'w mut Writer<'v>,
    device: DeviceId,
    device_row: i64,
    incoming: &'w mut [Incoming],
    /// For each arrival, the name of its section; `loose` for none.
    section: Vec<String>,
    notes: Vec<Vec<Finding>>,
    timelines: BTreeMap<String, Line>,
    /// For each arrival, whether it may stand for the memory.
    counts: Vec<bool>,
    take: Vec<u32>,
    new: Vec<bool>,
}

/// The timeline of one section with the arrivals added.
struct Line {
    timeline: SectionTimeline,
    /// For each sighting beyond those of the catalogue: which arrival, and which of its dates.
    added: Vec<(usize, Dated)>,
    /// (content, date, how known) that is recorded already, corrected ones included.
    known: HashSet<(u32, Moment, DatedBy)>,
}

impl Line {
    /// A person's word for a doubtful take is about what it holds.
    fn is_vouched(&self, content: &Hash) -> bool {
        let mut takes = self.timeline.takes.iter();
        takes.any(|t| t.doubtful && t.counts() && t.content == *content)
    }

    /// True if the arrival is only what was there before: dated by its file alone, or said already.
    fn only_repeats(&self, item: &Incoming) -> bool {
        let Some(content) = self.timeline.content_number(&item.content, true) else {
            return false;
        };
        let known = |d: &Dated| self.known.contains(&(content, d.moment, d.by));
        item.seen.iter().all(|d| d.by == DatedBy::File || known(d))
    }
}

impl<'w, 'v> Desk<'w, 'v> {
    fn new(
        writer: &'w mut Writer<'v>,
        device: &DeviceId,
        incoming: &'w mut [Incoming],
    ) -> Result<Desk<'w, 'v>> {
        let n = incoming.len();
        let device_row = writer
            .vault()
            .catalogue()
            .device_id(device.as_str())?
            .ok_or_else(|| Error::new(Kind::NotFound, format!("there is no device {device}")))?;
        Ok(Desk {
            writer,
            device: device.clone(),
            device_row,
            incoming,
            section: vec![String::new(); n],
            notes: vec![Vec::new(); n],
            timelines: BTreeMap::new(),
            counts: vec![false; n],
            take: vec![0; n],
            new: vec![false; n],
        })
    }

    /// The timelines of the sections that arrivals go to, as they are.
    fn open_timelines(&mut self) -> Result<()> {
        for name in BTreeSet::from_iter(self.section.iter().cloned()) {
            let line = self.line(&name)?;
            self.timelines.insert(name, line);
        }
        Ok(())
    }

    /// Adds every arrival's sightings to its section's timeline.
    fn arrange(&mut self) -> Result<()> {
        for index in 0..self.incoming.len() {
            let name = self.section[index].as_str();
            let Some(line) = self.timelines.get_mut(name) else {
                continue;
            };
            let item = &self.incoming[index];
            let counts = name != LOOSE
                && (item.condition() == Condition::Whole || line.is_vouched(&item.content));
            self.counts[index] = counts;
            let content = line.timeline.content(item.content, counts);
            for dated in &item.seen {
                if line.known.insert((content, dated.moment, dated.by)) {
                    line.timeline.sightings.push(Sighting {
                        content,
                        moment: dated.moment,
                        by: dated.by,
                        counts,
                    });
                    line.added.push((index, *dated));
                }
            }
        }
        Ok(())
    }

    fn line(&self, name: &str) -> Result<Line> {
        let catalogue = self.writer.vault().catalogue();
        let Some(section) = catalogue.section_id(self.device_row, name)? else {
            return Ok(Line {
                timeline: SectionTimeline::default(),
                added: Vec::new(),
                known: HashSet::new(),
            });
        };
        let mut timeline = catalogue.timeline(section)?;
        let mut known = HashSet::new();
        let contents: HashMap<i64, (Hash, bool)> = timeline
            .takes
            .iter()
            .map(|t| (t.id, (t.content, t.counts())))
            .collect();
        for sighting in &timeline.sightings {
            known.insert((sighting.content, sighting.moment, sighting.by));
        }
        for row in std::mem::take(&mut timeline.corrected) {
            let Some((hash, counts)) = contents.get(&row.take) else {
                continue;
            };
            let moment = row.date.parse().unwrap_or(Moment::UNKNOWN);
            known.insert((timeline.content(*hash, *counts), moment, row.by));
        }
        Ok(Line {
            timeline,
            added: Vec::new(),
            known,
        })
    }

    /// Numbers what is new by date, then path, and records it.
    fn record(mut self) -> Result<Vec<Placed>> {
        let mut last = self
            .writer
            .vault()
            .catalogue()
            .last_take_number(self.device_row)?;
        let timelines = std::mem::take(&mut self.timelines);
        let mut arranged = Vec::new();
        // (start, tie, section, place of the run): the order in which numbers are given.
        let mut order: Vec<(Option<i64>, String, usize, usize)> = Vec::new();
        for (at, (name, line)) in timelines.into_iter().enumerate() {
            let arrangement = line.timeline.arrange();
            for (place, run) in arrangement.runs.iter().enumerate() {
                if run.number.is_none() {
                    let tie = run
                        .sightings
                        .iter()
                        .filter_map(|seen| self.added_at(&line, seen.index))
                        .map(|(index, _)| self.incoming[index].tie.as_str())
                        .min()
                        .unwrap_or_default()
                        .to_string();
                    order.push((run.date.moment.start_utc(), tie, at, place));
                }
            }
            arranged.push((name, line, arrangement));
        }
        order.sort();
        let mut numbers: HashMap<(usize, usize), u32> = HashMap::new();
        for (_, _, at, place) in order {
            let (name, line, arrangement) = &arranged[at];
            let run = &arrangement.runs[place];
            last = last.checked_add(1).ok_or_else(|| {
                Error::new(
                    Kind::Refused,
                    format!("{} has no take number left; nothing was kept", self.device),
                )
                .next(Next::say("keep its dumps under a new device"))
            })?;
            self.record_take(name, line, run, last)?;
            numbers.insert((at, place), last);
        }
        for (at, (name, line, arrangement)) in arranged.iter().enumerate() {
            self.record_sightings(at, name, line, arrangement, &numbers)?;
        }
        Ok(self.results())
    }

    fn added_at(&self, line: &Line, sighting: usize) -> Option<(usize, Dated)> {
        sighting
            .checked_sub(line.timeline.rows.len())
            .and_then(|i| line.added.get(i))
            .copied()
    }

    fn record_take(
        &mut self,
        section: &str,
        line: &Line,
        run: &crate::model::timeline::Run,
        number: u32,
    ) -> Result<()> {
        let anchor = run
            .sightings
            .iter()
            .filter(|seen| {
                let s = &line.timeline.sightings[seen.index];
                s.moment == run.date.moment && s.by == run.date.by
            })
            .map(|seen| seen.index)
            .min_by_key(|i| {
                self.added_at(line, *i)
                    .map(|(index, _)| self.incoming[index].tie.as_str())
            })
            .unwrap_or(0);
        let base = match self.added_at(line, anchor) {
            Some((index, dated)) => {
                self.new[index] = true;
                self.take[index] = number;
                let item = &self.incoming[index];
                ledger::Take {
                    device: self.device.to_string(),
                    take: number,
                    section: (section != LOOSE).then(|| section.to_string()),
                    by_hand: matches!(item.into, Into::Section(_)),
                    key: item.key.clone(),
                    blake3: item.hash.to_string(),
                    content: (item.content != item.hash).then(|| item.content.to_string()),
                    bytes: item.bytes,
                    messages: item.messages,
                    doubtful: item.condition() == Condition::Doubtful,
                    evidence: item.evidence.to_string(),
                    findings: item.findings.iter().map(finding).collect(),
                    reading: item.contents.reading,
                    sysex_number: item.contents.sysex_number,
                    patches: item.contents.patches.n_patches(),
                    date: dated.moment.to_string(),
                    by: dated.by.to_string(),
                    origin: origin(&item.origin),
                }
            }
            // Something in between made a new take of what was seen before.
            None => self.split(line, anchor, section, number)?,
        };
        self.writer.record(&Event::Take(base))
    }

    /// A take for an older sighting of a content that has a take already.
    fn split(
        &self,
        line: &Line,
        sighting: usize,
        section: &str,
        number: u32,
    ) -> Result<ledger::Take> {
        let bug = || Error::new(Kind::Bug, "a sighting without a take");
        let row = line.timeline.rows.get(sighting).ok_or_else(bug)?;
        let take: &TakeRow = line
            .timeline
            .takes
            .iter()
            .find(|t| t.id == row.take)
            .ok_or_else(bug)?;
        let findings = self.writer.vault().catalogue().findings_of_take(take.id)?;
        Ok(ledger::Take {
            take: number,
            section: (section != LOOSE).then(|| section.to_string()),
            date: row.date.clone(),
            by: row.by.to_string(),
            origin: origin(&row.origin),
            ..take_event(self.device.as_str(), take, &findings)
        })
    }

    fn record_sightings(
        &mut self,
        at: usize,
        section: &str,
        line: &Line,
        arrangement: &crate::model::timeline::Arrangement,
        numbers: &HashMap<(usize, usize), u32>,
    ) -> Result<()> {
        let mut seen_again = vec![false; line.timeline.sightings.len()];
        let mut place_of: HashMap<(u32, Moment, DatedBy), usize> = HashMap::new();
        let mut place_of_content: HashMap<u32, usize> = HashMap::new();
        for (place, run) in arrangement.runs.iter().enumerate() {
            place_of_content.entry(run.content).or_insert(place);
            for seen in &run.sightings {
                let s = &line.timeline.sightings[seen.index];
                seen_again[seen.index] = seen.seen_again;
                place_of.insert((s.content, s.moment, s.by), place);
            }
        }
        let number_at = |place: usize| {
            arrangement.runs[place]
                .number
                .or(numbers.get(&(at, place)).copied())
        };
        for (offset, (index, dated)) in line.added.iter().enumerate() {
            let sighting = line.timeline.rows.len() + offset;
            let place = arrangement.run_of[sighting];
            let run = &arrangement.runs[place];
            let Some(number) = number_at(place) else {
                continue;
            };
            let is_anchor = self.new[*index]
                && self.take[*index] == number
                && dated.moment == run.date.moment
                && dated.by == run.date.by;
            if self.take[*index] == 0 {
                self.take[*index] = number;
            }
            if seen_again[sighting] {
                self.notes[*index].push(seen_again_note(&self.device, number));
            }
            if !is_anchor {
                self.writer.record(&Event::Sighting(ledger::Sighting {
                    device: self.device.to_string(),
                    take: number,
                    date: dated.moment.to_string(),
                    by: dated.by.to_string(),
                    corrects: None,
                    origin: origin(&self.incoming[*index].origin),
                }))?;
            }
        }
        let copied = timeline::date_copied(&arrangement.runs);
        for index in 0..self.incoming.len() {
            let item = &self.incoming[index];
            let content = line
                .timeline
                .content_number(&item.content, self.counts[index]);
            let here = self.new[index] && self.section[index] == section && section != LOOSE;
            if here && content.is_some_and(|c| copied.contains(&c)) {
                self.notes[index].push(date_copied_note());
            }
        }
        // What was there already, with the same date.
        for index in 0..self.incoming.len() {
            if self.take[index] != 0 || self.section[index] != section {
                continue;
            }
            let item = &self.incoming[index];
            let counts = self.counts[index];
            let Some(content) = line.timeline.content_number(&item.content, counts) else {
                continue;
            };
            let same = item
                .seen
                .iter()
                .find_map(|d| place_of.get(&(content, d.moment, d.by)));
            // Without one the date was corrected since: any take of the content.
            if let Some(place) = same.or(place_of_content.get(&content)) {
                self.take[index] = number_at(*place).unwrap_or(0);
            }
        }
        Ok(())
    }

    fn results(self) -> Vec<Placed> {
        let mut out = Vec::with_capacity(self.incoming.len());
        for (index, item) in self.incoming.iter_mut().enumerate() {
            let mut findings = std::mem::take(&mut item.findings);
            findings.extend(self.notes[index].iter().cloned());
            let section = &self.section[index];
            out.push(Placed {
                section: (section != LOOSE).then(|| section.clone()),
                take: self.take[index],
                new: self.new[index],
                findings,
            });
        }
        out
    }
}

/// The note for takes whose files all bear nearly the same time.
pub fn date_copied_note() -> Finding {
    Finding::note(
        "date-copied",
        "three or more dumps of this section have file times within one minute: the times may be those of a copy; correct them with label REF --date",
    )
}

fn seen_again_note(device: &DeviceId, take: u32) -> Finding {
    Finding::note(
        "seen-again",
        format!(
            "the same as {device}@{take} under a later file time, which is no dump; if it was sent from the instrument, keep it with --today or --date"
        ),
    )
}

/// A finding as the ledger writes it.
pub fn finding(f: &Finding) -> ledger::Finding {
    ledger::Finding {
        code: f.code.to_string(),
        severity: f.severity.to_string(),
        message: f.message.clone(),
    }
}

/// A take that is kept already, as the ledger tells of it.
pub(super) fn take_event(device: &str, take: &TakeRow, findings: &[FindingRow]) -> ledger::Take {
    ledger::Take {
        device: device.to_string(),
        take: take.number(),
        section: (take.section_name != LOOSE).then(|| take.section_name.clone()),
        by_hand: take.by_hand,
        key: take.key.clone(),
        blake3: take.hash.to_string(),
        content: (take.content != take.hash).then(|| take.content.to_string()),
        bytes: take.bytes,
        messages: take.messages,
        doubtful: take.doubtful,
        evidence: take.evidence.to_string(),
        findings: findings
            .iter()
            .map(|f| ledger::Finding {
                code: f.code.clone(),
                severity: f.severity.to_string(),
                message: f.message.clone(),
            })
            .collect(),
        // What this program reads in it is looked at again where the line is needed.
        reading: 0,
        sysex_number: take.sysex_number,
        patches: 0,
        date: take.date.clone(),
        by: take.dated_by.to_string(),
        origin: no_origin(Via::File),
    }
}

/// An origin as the ledger writes it.
pub fn origin(o: &OriginRow) -> ledger::Origin {
    ledger::Origin {
        via: o.via.to_string(),
        folder: o.folder.clone(),
        name: o.name.clone(),
        mtime: o.mtime,
    }
}

/// An origin without a file, for what a person says.
pub fn no_origin(via: Via) -> ledger::Origin {
    ledger::Origin {
        via: via.to_string(),
        ..ledger::Origin::default()
    }
}
