//! Which section an arrival belongs to: by hand, else by its layout, else by its header key or extension.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use super::{Desk, Incoming, Into};
use crate::error::Result;
use crate::model::ids::{DeviceId, SectionName};
use crate::model::take::{Condition, Finding, Severity};
use crate::vault::catalogue::{LOOSE, SectionRow};
use crate::vault::ledger::{self, Event};

impl Desk<'_, '_> {
    fn sections(&self) -> Result<Vec<SectionRow>> {
        self.writer.vault().catalogue().sections(self.device_row)
    }

    /// Decides the section of every arrival and records the sections that are new.
    pub(super) fn choose_sections(&mut self) -> Result<()> {
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
            self.record_section(&name, keys, None)?;
            sections = self.sections()?;
        }
        let unknown: BTreeSet<String> = self
            .incoming
            .iter()
            .filter(|i| names_a_section(i))
            .filter(|i| section_of_key(&sections, &i.key).is_none())
            .map(|i| i.key.clone())
            .collect();
        let mut told: HashSet<String> = sections.iter().map(|s| s.name.clone()).collect();
        told.insert(LOOSE.to_string());
        let unknown = self.name_open_section(&mut sections, unknown)?;
        let unknown = self.name_by_layout(&mut sections, unknown)?;
        self.number_new_keys(&mut sections, unknown)?;
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

    /// A section that a doubtful dump opened has no key; the first whole dump gives it one. Returns the keys that are left.
    fn name_open_section(
        &mut self,
        sections: &mut Vec<SectionRow>,
        mut unknown: BTreeSet<String>,
    ) -> Result<BTreeSet<String>> {
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
        Ok(unknown)
    }

    /// Sections that a layout names. Where a key led before its layout was known it goes on leading. Returns the keys that
    /// are left.
    fn name_by_layout(
        &mut self,
        sections: &mut Vec<SectionRow>,
        mut unknown: BTreeSet<String>,
    ) -> Result<BTreeSet<String>> {
        let named: BTreeSet<(String, String)> = self
            .incoming
            .iter()
            .filter(|i| names_a_section(i))
            .filter_map(|i| Some((by_layout(i)?, i.key.clone())))
            .collect();
        for (name, key) in named {
            let leads_to = sections
                .iter()
                .find(|s| s.record.keys.contains(&key))
                .map(|s| s.record.by_layout.is_some());
            match (find_by_layout(sections, &name), leads_to) {
                (Some(_), Some(_)) => continue,
                // The name stays; from now on it is known which of the layout's sections it is.
                (None, Some(false)) => {
                    let led_to = sections.iter().find(|s| s.record.keys.contains(&key));
                    let Some(led_to) = led_to else { continue };
                    let mut record = led_to.record.clone();
                    record.device = self.device.to_string();
                    record.by_layout = Some(name.clone());
                    self.writer.record(&Event::Section(record))?;
                }
                (Some(known), None) => {
                    let mut record = known.record.clone();
                    record.device = self.device.to_string();
                    record.keys.push(key.clone());
                    self.writer.record(&Event::Section(record))?;
                }
                // Several sections whose dumps begin alike: the key can lead to one of them only.
                (None, Some(true)) => self.record_section(&name, Vec::new(), Some(&name))?,
                (None, None) => self.record_section(&name, vec![key.clone()], Some(&name))?,
            }
            unknown.remove(&key);
            *sections = self.sections()?;
        }
        Ok(unknown)
    }

    /// The first key alone is `all`; others are numbered.
    fn number_new_keys(
        &mut self,
        sections: &mut Vec<SectionRow>,
        unknown: BTreeSet<String>,
    ) -> Result<()> {
        let only = sections.is_empty() && unknown.len() == 1;
        for key in unknown {
            let name = if only {
                "all".to_string()
            } else {
                next_name(sections)
            };
            self.record_section(&name, vec![key], None)?;
            *sections = self.sections()?;
        }
        Ok(())
    }

    /// True if dumps of that length are what the section holds: a person led them there before a layout called them loose.
    fn holds_such(&self, section: &SectionRow, item: &Incoming) -> Result<bool> {
        let catalogue = self.writer.vault().catalogue();
        let newest = catalogue.newest_take(section.id)?;
        Ok(section.record.by_layout.is_none() && newest.is_some_and(|t| t.bytes == item.bytes))
    }

    fn holds_only_doubtful(&self, section: &SectionRow) -> Result<bool> {
        let takes = self
            .writer
            .vault()
            .catalogue()
            .takes_of_section(section.id)?;
        Ok(!takes.is_empty() && takes.iter().all(|t| t.doubtful))
    }

    fn record_section(
        &mut self,
        name: &str,
        keys: Vec<String>,
        by_layout: Option<&str>,
    ) -> Result<()> {
        self.writer.record(&Event::Section(ledger::Section {
            device: self.device.to_string(),
            section: name.to_string(),
            expected: true,
            keys,
            by_layout: by_layout.map(str::to_string),
            ..ledger::Section::default()
        }))
    }

    /// Where an arrival's layout or key leads; a doubtful one that neither leads anywhere goes to the only section or is
    /// kept loose.
    fn lead(&mut self, sections: &mut Vec<SectionRow>, index: usize) -> Result<String> {
        let named = by_layout(&self.incoming[index]);
        if let Some(section) = named.as_ref().and_then(|n| find_by_layout(sections, n)) {
            return Ok(section.name.clone());
        }
        let led_to = sections
            .iter()
            .find(|s| s.record.keys.contains(&self.incoming[index].key));
        let item = &self.incoming[index];
        if let Some(led_to) = led_to {
            let is_other = item.contents.loose && !self.holds_such(led_to, item)?
                || named.is_some() && led_to.record.by_layout.is_some();
            if !is_other {
                return Ok(led_to.name.clone());
            }
        }
        if self.incoming[index].contents.loose {
            self.notes[index].push(Finding::note(
                "kept-loose",
                "by its layout it is no state of the memory, so it is kept loose",
            ));
            return Ok(LOOSE.to_string());
        }
        match sections.as_slice() {
            [] => {
                let name = named.as_deref().unwrap_or("all");
                self.record_section(name, Vec::new(), named.as_deref())?;
                *sections = self.sections()?;
                Ok(name.to_string())
            }
            [only] if named.is_none() || only.record.by_layout.is_none() => Ok(only.name.clone()),
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
    pub(super) fn check_kind(&mut self) -> Result<()> {
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
}

/// True for arrivals that may open a section: whole ones that are a state of the memory.
fn names_a_section(item: &Incoming) -> bool {
    item.into == Into::Auto && item.condition() == Condition::Whole && !item.contents.loose
}

/// The section that its layout gives an arrival, as a name.
fn by_layout(item: &Incoming) -> Option<String> {
    let name = item.contents.section.as_deref()?;
    SectionName::fold(name)
        .map(|n| n.to_string())
        .filter(|n| n != LOOSE && !item.contents.loose)
}

/// The section that is `name` by its layout, else the one of that name.
fn find_by_layout<'s>(sections: &'s [SectionRow], name: &str) -> Option<&'s SectionRow> {
    let known = sections
        .iter()
        .find(|s| s.record.by_layout.as_deref() == Some(name));
    known.or_else(|| sections.iter().find(|s| s.name == name))
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
