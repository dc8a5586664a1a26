//! What the history of a section and the record of a device say against a dump.
//!
//! A dump is measured against what was kept before it with an earlier date; what was said of it then stays with it. So
//! these findings, unlike those of the bytes alone, can depend on the order of keeping.

use std::collections::BTreeMap;

use super::{Desk, Incoming, Into};
use crate::error::Result;
use crate::model::contents::ALL_EQUAL;
use crate::model::hash::Hash;
use crate::model::take::{Condition, Finding};
use crate::sys::text::{counted, grouped};
use crate::vault::catalogue::{LOOSE, TakeRow};

/// The codes of findings that bytes alone do not give: reading a take anew leaves them as they are.
pub const HISTORY_CODES: &[&str] = &[
    "suddenly-empty",
    "back-to-factory",
    "fewer-messages",
    "unlike-length",
    "other-maker",
    "other-layout",
    "other-number",
    "same-as-other",
];

/// The label of the take that holds what the instrument came with.
const FACTORY: &str = "factory";

/// So many earlier dumps that agree make a rule.
const RULE: u64 = 3;

impl Desk<'_, '_> {
    /// Adds what speaks against the arrivals when they are compared with the dumps of their sections before them.
    pub(super) fn check_against_history(&mut self) -> Result<()> {
        let names: Vec<String> = self.timelines.keys().cloned().collect();
        for name in names.iter().filter(|n| *n != LOOSE) {
            self.check_section(name)?;
        }
        Ok(())
    }

    /// Layout, SysEx number and maker must be those of the device. Before sections are chosen: what another device sent
    /// opens none.
    pub(super) fn check_against_device(&mut self) -> Result<()> {
        let catalogue = self.writer.vault().catalogue();
        let Some(device) = catalogue.device(self.device.as_str())? else {
            return Ok(());
        };
        let mut makers: Vec<String> = catalogue
            .keys_of_device(self.device_row)?
            .iter()
            .filter_map(|key| maker_of_key(key))
            .map(str::to_string)
            .collect();
        makers.dedup();
        let mut others: BTreeMap<String, bool> = BTreeMap::new();
        for index in 0..self.incoming.len() {
            let item = &self.incoming[index];
            if item.into == Into::Loose || !item.sysex || !is_new_here(item) {
                continue;
            }
            let mut found = Vec::new();
            let item = &self.incoming[index];
            let contents = &item.contents;
            if let (Some(wanted), Some(layout)) = (&device.record.layout, &contents.layout)
                && wanted != layout
            {
                found.push(Finding::error(
                    "other-layout",
                    format!(
                        "its layout is {layout}, and {}'s is {wanted}: a dump of another device?",
                        self.device
                    ),
                ));
            }
            if let (Some(wanted), Some(number)) =
                (device.record.sysex_number, contents.sysex_number)
                && wanted != number
            {
                found.push(other_number(
                    number,
                    &format!("{} is set to {wanted}", self.device),
                ));
            }
            if let Some(maker) = maker_of_key(&item.key)
                && let [known] = makers.as_slice()
                && known != maker
                && by_itself(item)
            {
                found.push(Finding::error(
                    "other-maker",
                    format!(
                        "its maker ID is {maker}, and that of all other dumps of {} is {known}: a dump of another device?",
                        self.device
                    ),
                ));
            }
            // Only where another device sends such dumps too is it worth to look for the same content.
            if !others.contains_key(&item.key) {
                let devices = catalogue.devices_with_key(&item.key)?;
                let shared = devices.iter().any(|d| d != self.device.as_str());
                others.insert(item.key.clone(), shared);
            }
            if others.get(&item.key) == Some(&true)
                && let Some((other, take)) =
                    catalogue.take_of_other_device(self.device_row, &item.content)?
            {
                found.push(Finding::note(
                    "same-as-other",
                    format!("{other}@{take} holds the same"),
                ));
            }
            self.incoming[index].findings.extend(found);
        }
        Ok(())
    }

    fn check_section(&mut self, name: &str) -> Result<()> {
        let Some(line) = self.timelines.get(name) else {
            return Ok(());
        };
        let takes: Vec<&TakeRow> = line
            .timeline
            .takes
            .iter()
            .filter(|t| t.counts() && t.alias_of.is_none() && t.start.is_some())
            .collect();
        let catalogue = self.writer.vault().catalogue();
        let factory = self.factory_contents()?;
        // By date; of one moment, what is kept already comes first.
        let mut order: Vec<(i64, Option<&TakeRow>, usize)> = takes
            .iter()
            .filter_map(|t| Some((t.start?, Some(*t), 0)))
            .collect();
        order.extend((0..self.incoming.len()).filter_map(|index| {
            let item = &self.incoming[index];
            (self.section[index] == name
                && item.condition() == Condition::Whole
                && is_new_here(item)
                && !line.only_repeats(item))
            .then_some(item)
            .and_then(|item| item.seen.iter().filter_map(|d| d.moment.start_utc()).min())
            .map(|start| (start, None, index))
        }));
        order.sort_by_key(|(start, take, index)| (*start, take.is_none(), *index));
        let mut past = Past::default();
        let mut found: Vec<(usize, Vec<Finding>)> = Vec::new();
        for (_, take, index) in order {
            match take {
                Some(take) => past.add(Sign {
                    content: take.content,
                    bytes: take.bytes,
                    messages: take.messages,
                    sysex_number: take.sysex_number,
                    equal: Equal::AskOf(take.id),
                }),
                None => {
                    let item = &self.incoming[index];
                    let sign = Sign::of(item);
                    let findings = if past.knows(&sign) {
                        Vec::new()
                    } else {
                        let was_equal = |id: i64| -> Result<bool> {
                            Ok(catalogue
                                .findings_of_take(id)?
                                .iter()
                                .any(|f| f.code == ALL_EQUAL))
                        };
                        past.against(item, &sign, &factory, was_equal)?
                    };
                    let is_whole = Condition::of(&findings) == Condition::Whole;
                    found.push((index, findings));
                    if is_whole {
                        past.add(sign);
                    }
                }
            }
        }
        for (index, findings) in found {
            self.incoming[index].findings.extend(findings);
        }
        Ok(())
    }

    fn factory_contents(&self) -> Result<Vec<Hash>> {
        let catalogue = self.writer.vault().catalogue();
        let mut contents = Vec::new();
        for (label, take) in catalogue.labels_like(FACTORY)? {
            if label.eq_ignore_ascii_case(FACTORY)
                && take >> 32 == self.device_row
                && let Some(take) = catalogue.take(take)?
            {
                contents.push(take.content);
            }
        }
        Ok(contents)
    }
}

/// What one dump is to the history.
#[derive(Debug, Clone, Copy)]
struct Sign {
    content: Hash,
    bytes: u64,
    messages: u64,
    sysex_number: Option<u8>,
    equal: Equal,
}

/// Whether all its patches are the same.
#[derive(Debug, Clone, Copy)]
enum Equal {
    Is(bool),
    /// It stands in the findings of the take with this row id.
    AskOf(i64),
}

impl Sign {
    fn of(item: &Incoming) -> Sign {
        Sign {
            content: item.content,
            bytes: item.bytes,
            messages: item.messages,
            sysex_number: item.contents.sysex_number,
            equal: Equal::Is(item.findings.iter().any(|f| f.code == ALL_EQUAL)),
        }
    }
}

/// What the dumps before have in common.
#[derive(Debug, Default)]
struct Past {
    last: Option<Sign>,
    bytes: Same<u64>,
    messages: Same<u64>,
    sysex_number: Same<u8>,
}

/// A value that so many agreed on, one after the other up to the last.
#[derive(Debug, Default)]
struct Same<T> {
    value: Option<T>,
    times: u64,
}

impl<T: Copy + PartialEq> Same<T> {
    fn add(&mut self, value: T) {
        if self.value == Some(value) {
            self.times += 1;
        } else {
            self.value = Some(value);
            self.times = 1;
        }
    }

    fn rule(&self, least: u64) -> Option<T> {
        self.value.filter(|_| self.times >= least)
    }
}

impl Past {
    fn add(&mut self, sign: Sign) {
        self.last = Some(sign);
        self.bytes.add(sign.bytes);
        self.messages.add(sign.messages);
        if let Some(number) = sign.sysex_number {
            self.sysex_number.add(number);
        }
    }

    /// True if it is only what was there last.
    fn knows(&self, sign: &Sign) -> bool {
        self.last.is_some_and(|last| last.content == sign.content)
    }

    fn against(
        &self,
        item: &Incoming,
        sign: &Sign,
        factory: &[Hash],
        was_equal: impl Fn(i64) -> Result<bool>,
    ) -> Result<Vec<Finding>> {
        let mut findings = Vec::new();
        let Some(last) = &self.last else {
            return Ok(findings);
        };
        if factory.contains(&sign.content) {
            findings.push(Finding::error(
                "back-to-factory",
                "it is the same as the take labelled factory: the memory may have been lost; if it was meant to be, say so with vouch",
            ));
        } else if matches!(sign.equal, Equal::Is(true)) {
            let before = match last.equal {
                Equal::Is(equal) => equal,
                Equal::AskOf(take) => was_equal(take)?,
            };
            if !before {
                findings.push(Finding::error(
                    "suddenly-empty",
                    "all of it is the same, and the dump before was not: the memory may have been lost; if it was emptied, say so with vouch",
                ));
            }
        }
        if item.sysex
            && let Some(messages) = self.messages.rule(RULE)
            && sign.messages < messages
        {
            findings.push(Finding::error(
                "fewer-messages",
                format!(
                    "it has {}, the dumps before have {}: it may have been cut off",
                    counted(sign.messages, "message"),
                    grouped(messages)
                ),
            ));
        } else if let Some(bytes) = self.bytes.rule(RULE)
            && sign.bytes != bytes
        {
            findings.push(Finding::warning(
                "unlike-length",
                format!(
                    "it has {}, the dumps before have {}",
                    counted(sign.bytes, "byte"),
                    grouped(bytes)
                ),
            ));
        }
        if let (Some(known), Some(number)) = (self.sysex_number.rule(1), sign.sysex_number)
            && known != number
            && !item.findings.iter().any(|f| f.code == "other-number")
        {
            findings.push(other_number(
                number,
                &format!("the dump before has {known}"),
            ));
        }
        Ok(findings)
    }
}

fn other_number(number: u8, instead: &str) -> Finding {
    Finding::error(
        "other-number",
        format!("its SysEx number is {number}, and {instead}: a dump of another unit?"),
    )
}

/// The maker ID at the head of a header key; `None` for universal and private ones, and for extensions.
fn maker_of_key(key: &str) -> Option<&str> {
    let length = if key.starts_with("00 ") { 8 } else { 2 };
    let id = key.get(..length)?;
    let hex = id.bytes().all(|b| b.is_ascii_hexdigit() || b == b' ');
    let ends = matches!(key.as_bytes().get(length), None | Some(b' '));
    (hex && ends && !matches!(id, "7D" | "7E" | "7F")).then_some(id)
}

/// What was kept before, here or in another vault, was judged then.
fn is_new_here(item: &Incoming) -> bool {
    item.contents.reading > 0
}

/// A section named by hand is the person's word for whose dump it is.
fn by_itself(item: &Incoming) -> bool {
    item.into == Into::Auto
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_maker_is_read_from_the_key() {
        for (key, maker) in [
            ("43 xx 09 20 00", Some("43")),
            ("00 20 29 xx 01", Some("00 20 29")),
            ("43", Some("43")),
            ("7D xx 01", None),
            ("7E xx 06", None),
            ("no-id", None),
            ("00 20", None),
            ("*.bin", None),
            ("folder", None),
            ("", None),
        ] {
            assert_eq!(maker_of_key(key), maker, "{key}");
        }
    }

    #[test]
    fn a_rule_is_what_the_last_ones_agree_on() {
        let mut same = Same::default();
        for value in [1, 2, 2, 2] {
            same.add(value);
        }
        assert_eq!((same.rule(3), same.rule(4)), (Some(2), None));
    }
}
