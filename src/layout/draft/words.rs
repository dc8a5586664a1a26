//! The draft in plain sentences: what was found, how sure it is, and what would help.

use super::write::{header_text, kind_name, plural, rule_text};
use super::{Draft, HeaderByte, KindDraft, Sureness};

impl Draft {
    /// What was found and how sure it is, a sentence each; at the end what more would help.
    pub fn words(&self) -> Vec<String> {
        let mut words = vec![format!(
            "Looked at {} in {}, {}.",
            plural(self.n_distinct, "different message", "different messages"),
            plural(self.n_dumps, "dump", "dumps"),
            plural(self.n_bytes, "byte", "bytes"),
        )];
        if self.is_capped {
            words.push(format!(
                "There is more than {} MiB: the rest was not looked at.",
                Draft::MAX_BYTES >> 20
            ));
        }
        if self.n_left_out > 0 {
            words.push(format!(
                "Left out {}: torn, too short, rare, or too many.",
                plural(self.n_left_out, "message", "messages")
            ));
        }
        if let Some(number) = &self.number {
            let values: Vec<String> = number.values.iter().map(|v| format!("{v:02X}")).collect();
            let place = match number.after_id {
                0 => "right after the ID",
                _ => "in the second byte after the ID",
            };
            let why = match number.sureness {
                Sureness::Maybe => ", by custom alone",
                _ => ": it differs between dumps and never inside one",
            };
            words.push(format!(
                "The SysEx number stands {place} ({}): {}{why}.",
                values.join(", "),
                number.sureness
            ));
        }
        for k in 0..self.kinds.len() {
            self.kind_words(k, &mut words);
        }
        self.help(&mut words);
        words
    }

    fn kind_words(&self, k: usize, words: &mut Vec<String>) {
        let kind = &self.kinds[k];
        let name = kind_name(&self.kinds, k);
        let length = match kind.bytes {
            (least, most) if least == most => format!("{least} bytes"),
            (least, most) => format!("{least} to {most} bytes"),
        };
        words.push(format!(
            "{name}: {} of {length}, beginning {}.",
            plural(kind.counts.iter().sum(), "message", "messages"),
            header_text(&kind.header),
        ));
        if let Some(at) = kind.length_at {
            words.push(format!(
                "{name}: bytes {at} and {} give the length of the data: likely.",
                at + 1
            ));
        }
        match &kind.checksum {
            None if kind.n_distinct < 3 => words.push(format!(
                "{name}: no checksum can be told from {}.",
                plural(kind.n_distinct, "message", "messages")
            )),
            None => words.push(format!("{name}: no checksum that is known here fits.")),
            Some(checksum) => {
                let rule = rule_text(&checksum.rule, kind);
                words.push(format!(
                    "{name}: checksum {rule} fits {} of {}: {}; chance would do it {}.",
                    checksum.n_fit,
                    plural(checksum.n_fit + checksum.n_misses, "message", "messages"),
                    checksum.sureness,
                    checksum.odds(),
                ));
                if !checksum.equal.is_empty() {
                    words.push(format!(
                        "{name}: {} to these dumps, for bytes that are always zero or never change make no difference.",
                        match checksum.equal.len() {
                            1 => "one other rule is equal".to_string(),
                            n => format!("{n} other rules are equal"),
                        }
                    ));
                }
            }
        }
        if let Some(packing) = &kind.packing {
            let form = packing
                .form
                .map_or("not packed".to_string(), |f| format!("packed as {f}"));
            words.push(format!("{name}: the data is {form}: {}.", packing.sureness));
        }
        match kind.patches.first() {
            None => words.push(format!("{name}: no patches were recognised.")),
            Some(patches) => {
                let where_ = match patches.is_one_a_message {
                    true => format!("one patch of {} bytes in each message", patches.stride),
                    false => format!(
                        "{} patches, {} bytes from one to the next",
                        patches.count, patches.stride
                    ),
                };
                words.push(format!("{name}: {where_}: {}.", patches.sureness));
                if let Some(n) = &patches.name {
                    words.push(format!(
                        "{name}: names of about {} characters at byte {} of a patch: {}.",
                        n.n_bytes, n.at, n.sureness
                    ));
                }
            }
        }
        if let Some(volatile) = &kind.volatile {
            let ranges: Vec<String> = volatile
                .ranges
                .iter()
                .map(|(a, b)| {
                    if a == b {
                        a.to_string()
                    } else {
                        format!("{a} to {b}")
                    }
                })
                .collect();
            words.push(format!(
                "{name}: byte {} changed in every dump while nothing else did: {}.",
                ranges.join(", "),
                volatile.sureness
            ));
        }
    }

    /// What the person could dump to make the draft better.
    fn help(&self, words: &mut Vec<String>) {
        if self.kinds.is_empty() {
            words.push("A dump with whole messages would help.".to_string());
            return;
        }
        let weak = |kind: &KindDraft| {
            kind.checksum
                .as_ref()
                .is_none_or(|c| c.sureness < Sureness::Sure)
        };
        if self.kinds.iter().any(|k| weak(k) && k.n_distinct < 4) {
            words.push(
                "One more dump after changing one patch would tell more about the checksum."
                    .to_string(),
            );
        }
        let undecided =
            |kind: &KindDraft| kind.checksum.as_ref().is_some_and(|c| !c.equal.is_empty());
        if self.kinds.iter().any(undecided) {
            words.push(
                "A dump of another bank would tell more about what the checksum covers."
                    .to_string(),
            );
        }
        let unnamed = |kind: &KindDraft| {
            kind.patches
                .first()
                .is_some_and(|p| p.sureness < Sureness::Sure)
                || kind.patches.is_empty()
        };
        if self.kinds.iter().take(1).any(unnamed) {
            words.push(
                "One more dump after giving every patch another name would show the patches."
                    .to_string(),
            );
        }
        if self.n_dumps < 2 {
            words.push(
                "A second dump with nothing changed would show bytes that change by themselves."
                    .to_string(),
            );
        }
        if self
            .number
            .as_ref()
            .is_some_and(|n| n.sureness == Sureness::Maybe)
        {
            words.push("A dump with another SysEx number would show where it stands.".to_string());
        }
        let lettered = |kind: &KindDraft| {
            kind.header
                .iter()
                .any(|b| matches!(b, HeaderByte::Bank | HeaderByte::Patch))
        };
        if !self.kinds.iter().any(lettered) {
            words.push("A dump of another bank would show where the bank is told.".to_string());
        }
    }
}
