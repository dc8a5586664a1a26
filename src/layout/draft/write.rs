//! The draft as a layout: what is sure or likely as keys, what else could be as comments beside them.

use std::fmt::Write;

use super::{
    ChecksumDraft, Covered, Draft, HeaderByte, KindDraft, PackingDraft, PatchesDraft, Sureness,
};
use crate::midi::packing::Packing;

impl Draft {
    /// A layout (version 1) with the id that is nearest to `name`, to be read by a person first: comments say how sure each
    /// part is and what else it could be.
    pub fn to_toml(&self, name: &str) -> String {
        let mut text = String::new();
        let out = &mut text;
        line(
            out,
            "# A draft from dumps alone. Check it with the page \"MIDI data format\" of the manual.",
        );
        for word in self.words() {
            line(out, &format!("# {word}"));
        }
        line(out, "");
        line(out, "layout = 1");
        line(out, &format!("name = \"{}\"", id_from(name)));
        line(out, &format!("title = \"{}\"", id_from(name)));
        let of_dumps = plural(self.n_dumps, "dump", "dumps");
        line(out, &format!("source = \"drafted from {of_dumps}\""));
        for (k, kind) in self.kinds.iter().enumerate() {
            line(out, "");
            let shadowed = (0..k).find(|o| shadows(&self.kinds[*o], kind));
            let text = kind_text(kind, &kind_name(&self.kinds, k));
            match shadowed {
                None => out.push_str(&text),
                Some(o) => {
                    // The first kind whose header fits is taken: a second one with this header would never be reached.
                    let first = kind_name(&self.kinds, o);
                    line(
                        out,
                        &format!(
                            "# Messages of this kind begin like \"{first}\" and differ in length or content:"
                        ),
                    );
                    for of_kind in text.lines() {
                        line(out, format!("# {of_kind}").trim_end());
                    }
                }
            }
        }
        text
    }
}

fn line(out: &mut String, text: &str) {
    out.push_str(text);
    out.push('\n');
}

pub(super) fn plural(n: usize, one: &str, many: &str) -> String {
    match n {
        1 => format!("1 {one}"),
        n => format!("{n} {many}"),
    }
}

/// The nearest id: 1 to 64 of a-z 0-9 - _ .
fn id_from(name: &str) -> String {
    let id: String = name
        .chars()
        .map(|c| match c.to_ascii_lowercase() {
            c @ ('a'..='z' | '0'..='9' | '-' | '_' | '.') => c,
            _ => '-',
        })
        .take(64)
        .collect();
    if id.is_empty() {
        "draft".to_string()
    } else {
        id
    }
}

/// What a kind is called in the draft: by what it holds, with a number if there are several.
pub(super) fn kind_name(kinds: &[KindDraft], k: usize) -> String {
    let base = |kind: &KindDraft| match kind.patches.first() {
        Some(patches) if patches.is_one_a_message => "patch",
        Some(_) => "bank",
        None => "message",
    };
    let own = base(&kinds[k]);
    let n_before = kinds[..k].iter().filter(|o| base(o) == own).count();
    match n_before {
        0 => own.to_string(),
        n => format!("{own}-{}", n + 1),
    }
}

/// Whether the header of `first` fits every message whose header is `second`.
fn shadows(first: &KindDraft, second: &KindDraft) -> bool {
    first.header.len() <= second.header.len()
        && first
            .header
            .iter()
            .zip(&second.header)
            .all(|(a, b)| match (a, b) {
                (HeaderByte::Fixed(a), HeaderByte::Fixed(b)) => a == b,
                (HeaderByte::Fixed(_), _) => false,
                (HeaderByte::Number { high: Some(a) }, HeaderByte::Number { high: Some(b) }) => {
                    a == b
                }
                (HeaderByte::Number { high: Some(_) }, _) => false,
                _ => true,
            })
}

pub(super) fn header_text(header: &[HeaderByte]) -> String {
    let bytes: Vec<String> = header
        .iter()
        .map(|byte| match byte {
            HeaderByte::Fixed(value) => format!("{value:02X}"),
            HeaderByte::Number { high: Some(high) } => format!("{high:X}n"),
            HeaderByte::Number { high: None } => "nn".to_string(),
            HeaderByte::Bank => "bb".to_string(),
            HeaderByte::Patch => "pp".to_string(),
            HeaderByte::Free => "xx".to_string(),
        })
        .collect();
    bytes.join(" ")
}

fn kind_text(kind: &KindDraft, name: &str) -> String {
    let mut text = String::new();
    let out = &mut text;
    line(out, "[[message]]");
    line(out, &format!("name = \"{name}\""));
    let letters = kind
        .header
        .iter()
        .any(|b| matches!(b, HeaderByte::Bank | HeaderByte::Patch));
    let sure = if letters {
        format!("  # letters: {}", kind.header_sureness)
    } else {
        String::new()
    };
    line(
        out,
        &format!("header = \"{}\"{sure}", header_text(&kind.header)),
    );
    match kind.bytes {
        (least, most) if least == most => line(out, &format!("bytes = {least}")),
        (least, most) => line(out, &format!("bytes = [{least}, {most}]  # seen so far")),
    }
    // A dump may hold one bank or all of them: only what all dumps agree on is written.
    let counts: Vec<usize> = kind.counts.iter().copied().filter(|n| *n > 0).collect();
    let least = counts.iter().min().copied().unwrap_or(0);
    let most = counts.iter().max().copied().unwrap_or(0);
    let has_bank = kind.header.contains(&HeaderByte::Bank);
    if least == most && !has_bank {
        line(out, &format!("count = {most}"));
    } else {
        let seen = if least == most {
            most.to_string()
        } else {
            format!("{least} to {most}")
        };
        line(out, &format!("# count: {seen} in a dump so far"));
    }
    if has_bank {
        line(out, "section = \"bank-{b:A}\"");
    }
    if let Some(volatile) = &kind.volatile {
        let ranges: Vec<String> = volatile
            .ranges
            .iter()
            .map(|(first, last)| format!("[{first}, {last}]"))
            .collect();
        let mark = if volatile.sureness == Sureness::Maybe {
            "# "
        } else {
            ""
        };
        line(
            out,
            &format!(
                "{mark}ignore = [{}]  # {}",
                ranges.join(", "),
                volatile.sureness
            ),
        );
    }
    if let Some(checksum) = &kind.checksum {
        checksum_text(out, checksum, kind);
    }
    if let Some(packing) = &kind.packing {
        packing_text(out, packing);
    }
    for (rank, patches) in kind.patches.iter().enumerate() {
        patches_text(out, patches, rank, kind);
    }
    text
}

fn checksum_text(out: &mut String, checksum: &ChecksumDraft, kind: &KindDraft) {
    line(
        out,
        &format!(
            "checksum = {}  # {}, by chance {}",
            rule_text(&checksum.rule, kind),
            checksum.sureness,
            checksum.odds()
        ),
    );
    for equal in &checksum.equal {
        line(
            out,
            &format!(
                "# as good on these dumps: checksum = {}",
                rule_text(equal, kind)
            ),
        );
    }
}

/// A rule as a layout has it; over unpacked bytes it covers all of them.
pub(super) fn rule_text(rule: &Covered, kind: &KindDraft) -> String {
    let mut text = format!("{{ scheme = \"{}\", ", rule.scheme);
    let form = kind.packing.as_ref().and_then(|p| p.form);
    if rule.is_unpacked {
        let sent =
            (kind.bytes.1 as isize + rule.to + 1).max(rule.from as isize) as usize - rule.from;
        let last = match form {
            _ if kind.bytes.0 != kind.bytes.1 => -1,
            Some(Packing::SevenInEightHigh | Packing::SevenInEightLow) => {
                (sent - sent.div_ceil(8)) as isize - 1
            }
            _ => (sent / 2) as isize - 1,
        };
        let _ = write!(
            text,
            "from = 0, to = {last}, at = {}, unpacked = true }}",
            rule.at
        );
    } else {
        let _ = write!(
            text,
            "from = {}, to = {}, at = {} }}",
            rule.from, rule.to, rule.at
        );
    }
    text
}

fn packing_text(out: &mut String, packing: &PackingDraft) {
    let key = |form: Packing| {
        format!(
            "packed = {{ form = \"{form}\", from = {}, to = {} }}",
            packing.from, packing.to
        )
    };
    match packing.form {
        Some(form) => line(out, &format!("{}  # {}", key(form), packing.sureness)),
        None if packing.sureness == Sureness::Maybe => line(out, "# not packed, maybe"),
        None => {}
    }
    for other in &packing.others {
        match other {
            Some(form) => line(out, &format!("# or: {}", key(*form))),
            None => line(out, "# or not packed at all"),
        }
    }
}

fn patches_text(out: &mut String, patches: &PatchesDraft, rank: usize, kind: &KindDraft) {
    let mut text = format!(
        "patches = {{ from = {}, stride = {}",
        patches.from, patches.stride
    );
    let _ = write!(text, ", count = {}", patches.count);
    let mut note = patches.sureness.to_string();
    if let Some(name) = &patches.name {
        let _ = write!(
            text,
            ", name = {{ at = {}, bytes = {} }}",
            name.at, name.n_bytes
        );
        let _ = write!(note, ", name {}", name.sureness);
    }
    if kind.header.contains(&HeaderByte::Bank) {
        text.push_str(", slot = \"{b:A}{p+1}\"");
    }
    text.push_str(" }");
    match rank {
        0 => line(out, &format!("{text}  # {note}")),
        _ => line(out, &format!("# or: {text}")),
    }
}
