//! From arrivals to takes: which section, which take, what is new (DESIGN: sections at intake, unchanged, dates).
//!
//! Everything is decided under the writer's lock against the catalogue as it is then, for one device at a time, and
//! recorded as events. The order of arrivals decides take numbers only.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use crate::error::{Error, Kind, Next, Result};
use crate::model::date::{DatedBy, Moment};
use crate::model::hash::Hash;
use crate::model::ids::{DeviceId, SectionName};
use crate::model::take::{Condition, Evidence, Finding, Severity, Via};
use crate::model::timeline::{self, Dated, Sighting};
use crate::vault::catalogue::{FindingRow, LOOSE, OriginRow, SectionRow, SectionTimeline, TakeRow};
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
    desk.choose_sections()?;
    desk.check_kind()?;
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
            take: vec![0; n],
            new: vec![false; n],
        })
    }

    fn sections(&self) -> Result<Vec<SectionRow>> {
        self.writer.vault().catalogue().sections(self.device_row)
    }

    /// Decides the section of every arrival and records the sections that are new.
    fn choose_sections(&mut self) -> Result<()> {
        let mut sections = self.sections()?;
        // Keys that are new and that a whole dump brings; only those name sections.
        let mut by_hand: BTreeMap<String, Option<String>> = BTreeMap::new();
        for item in self.incoming.iter() {
            if let Into::Section(name) | Into::Known(name) = &item.into {
                let key = (item.condition() == Condition::Whole).then(|| item.key.clone());
                let entry = by_hand.entry(name.to_string()).or_default();
                if entry.is_none() {
                    *entry = key;
                }
            }
        }
        for (name, key) in by_hand {
            if sections.iter().any(|s| s.name == name) {
                continue;
            }
            let keys: Vec<String> = key
                .into_iter()
                .filter(|k| section_of_key(&sections, k).is_none())
                .collect();
            self.record_section(&name, keys)?;
            sections = self.sections()?;
        }
        let unknown: BTreeSet<String> = self
            .incoming
            .iter()
            .filter(|i| i.into == Into::Auto && i.condition() == Condition::Whole)
            .filter(|i| section_of_key(&sections, &i.key).is_none())
            .map(|i| i.key.clone())
            .collect();
        let mut told: HashSet<String> = sections.iter().map(|s| s.name.clone()).collect();
        told.insert(LOOSE.to_string());
        self.name_new_keys(&mut sections, unknown)?;
        for index in 0..self.incoming.len() {
            let name = match &self.incoming[index].into {
                Into::Loose => LOOSE.to_string(),
                Into::Section(name) | Into::Known(name) => name.to_string(),
                Into::Auto => self.lead(&mut sections, index)?,
            };
            if self.incoming[index].into == Into::Auto && told.insert(name.clone()) {
                self.notes[index].push(new_section_note(&self.device, &name));
            }
            self.section[index] = name;
        }
        Ok(())
    }

    /// A section that a doubtful dump opened has no key; the first whole dump gives it one.
    fn name_new_keys(
        &mut self,
        sections: &mut Vec<SectionRow>,
        mut unknown: BTreeSet<String>,
    ) -> Result<()> {
        if let Some(open) = sections
            .iter()
            .find(|s| s.record.keys.is_empty() && !s.loose)
            && !unknown.is_empty()
            && self.holds_only_doubtful(open)?
        {
            let brought: HashSet<String> = self
                .writer
                .vault()
                .catalogue()
                .takes_of_section(open.id)?
                .into_iter()
                .map(|t| t.key)
                .collect();
            let key = unknown
                .iter()
                .find(|k| brought.contains(*k))
                .or(unknown.first())
                .cloned();
            if let Some(key) = key {
                unknown.remove(&key);
                let mut record = open.record.clone();
                record.device = self.device.to_string();
                record.keys = vec![key];
                self.writer.record(&Event::Section(record))?;
                *sections = self.sections()?;
            }
        }
        let only = sections.is_empty() && unknown.len() == 1;
        for key in unknown {
            let name = if only {
                "all".to_string()
            } else {
                next_name(sections)
            };
            self.record_section(&name, vec![key])?;
            *sections = self.sections()?;
        }
        Ok(())
    }

    fn holds_only_doubtful(&self, section: &SectionRow) -> Result<bool> {
        let takes = self
            .writer
            .vault()
            .catalogue()
            .takes_of_section(section.id)?;
        Ok(!takes.is_empty() && takes.iter().all(|t| t.doubtful))
    }

    fn record_section(&mut self, name: &str, keys: Vec<String>) -> Result<()> {
        self.writer.record(&Event::Section(ledger::Section {
            device: self.device.to_string(),
            section: name.to_string(),
            expected: true,
            keys,
            ..ledger::Section::default()
        }))
    }

    /// Where an arrival's key leads; a doubtful one without a known key goes to the only section or is kept loose.
    fn lead(&mut self, sections: &mut Vec<SectionRow>, index: usize) -> Result<String> {
        if let Some(name) = section_of_key(sections, &self.incoming[index].key) {
            return Ok(name);
        }
        match sections.as_slice() {
            [] => {
                self.record_section("all", Vec::new())?;
                *sections = self.sections()?;
                Ok("all".to_string())
            }
            [only] => Ok(only.name.clone()),
            _ => {
                self.notes[index].push(Finding::note(
                    "kept-loose",
                    "it is doubtful and fits none of the device's sections, so it is kept loose",
                ));
                Ok(LOOSE.to_string())
            }
        }
    }

    /// A section of SysEx dumps does not take another kind of file for a state.
    fn check_kind(&mut self) -> Result<()> {
        let catalogue = self.writer.vault().catalogue();
        let mut holds_sysex: HashMap<String, bool> = HashMap::new();
        for index in 0..self.incoming.len() {
            let item = &self.incoming[index];
            let name = self.section[index].clone();
            if item.sysex
                || name == LOOSE
                || item.findings.iter().any(|f| f.severity == Severity::Error)
            {
                continue;
            }
            if !holds_sysex.contains_key(&name) {
                let held = match catalogue.section(self.device_row, &name)? {
                    Some(section) => catalogue
                        .takes_of_section(section.id)?
                        .iter()
                        .any(|t| t.messages > 0),
                    None => false,
                };
                holds_sysex.insert(name.clone(), held);
            }
            if holds_sysex.get(&name) == Some(&true) {
                self.incoming[index].findings.push(Finding::error(
                    "not-sysex",
                    format!("it is no SysEx, and what was kept as {name} before is"),
                ));
            }
        }
        Ok(())
    }

    /// Adds every arrival's sightings to its section's timeline.
    fn arrange(&mut self) -> Result<()> {
        for index in 0..self.incoming.len() {
            let name = self.section[index].clone();
            if !self.timelines.contains_key(&name) {
                let line = self.line(&name)?;
                self.timelines.insert(name.clone(), line);
            }
            let Some(line) = self.timelines.get_mut(&name) else {
                continue;
            };
            let item = &self.incoming[index];
            let counts = name != LOOSE && item.condition() == Condition::Whole;
            let content = line.timeline.content(item.content);
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
        let contents: HashMap<i64, Hash> =
            timeline.takes.iter().map(|t| (t.id, t.content)).collect();
        for sighting in &timeline.sightings {
            known.insert((sighting.content, sighting.moment, sighting.by));
        }
        for row in std::mem::take(&mut timeline.corrected) {
            let Some(hash) = contents.get(&row.take) else {
                continue;
            };
            let moment = row.date.parse().unwrap_or(Moment::UNKNOWN);
            known.insert((timeline.content(*hash), moment, row.by));
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
            let content = line.timeline.content_number(&self.incoming[index].content);
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
            let Some(content) = line.timeline.content_number(&item.content) else {
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

fn section_of_key(sections: &[SectionRow], key: &str) -> Option<String> {
    sections
        .iter()
        .find(|s| s.record.keys.iter().any(|k| k == key))
        .map(|s| s.name.clone())
}

/// `section-1`, `section-2`, …: one past the highest number in use.
fn next_name(sections: &[SectionRow]) -> String {
    let highest = sections
        .iter()
        .filter_map(|s| s.name.strip_prefix("section-")?.parse::<u64>().ok())
        .max()
        .unwrap_or(0);
    format!("section-{}", highest.saturating_add(1))
}

fn new_section_note(device: &DeviceId, name: &str) -> Finding {
    Finding::note(
        "new-section",
        format!(
            "{name} is a new section, and dumps of it are expected from now on; farshelf device section {device} {name} --rename NAME calls it as you do, --expected no or --loose says otherwise"
        ),
    )
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

fn finding(f: &Finding) -> ledger::Finding {
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
