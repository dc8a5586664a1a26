//! A [`Layout`] becomes text again.

use std::fmt::Write;

use super::{
    End, Layout, Limits, MessageKind, Pace, Patches, Request, Severity, Span, Step, VERSION,
};

impl Layout {
    /// The layout as a text of its language, keys in the order of the documentation, without comments. Read again it is
    /// the same layout.
    pub fn to_text(&self) -> String {
        let mut text = String::new();
        // Writing to a String cannot fail.
        let _ = self.write(&mut text);
        text
    }

    fn write(&self, out: &mut String) -> std::fmt::Result {
        writeln!(out, "layout = {VERSION}")?;
        writeln!(out, "name = {}", quoted(&self.name))?;
        writeln!(out, "title = {}", quoted(&self.title))?;
        if let Some(source) = &self.source {
            writeln!(out, "source = {}", quoted(source))?;
        }
        for (key, words) in [
            ("holds-for", &self.holds_for),
            ("not-stored", &self.not_stored),
        ] {
            if !words.is_empty() {
                writeln!(out, "{key} = {}", list(words))?;
            }
        }
        if self.panel > 0 {
            writeln!(out, "panel = {}", self.panel)?;
        }
        for kind in &self.messages {
            message(out, kind)?;
        }
        for asked in &self.requests {
            request(out, asked)?;
        }
        if self.pace != Pace::default() {
            writeln!(out, "\n[pace]")?;
            if let Some(bytes) = self.pace.bytes_per_second {
                writeln!(out, "bytes-per-second = {bytes}")?;
            }
            if let Some(ms) = self.pace.pause_ms {
                writeln!(out, "pause-ms = {ms}")?;
            }
        }
        Ok(())
    }
}

fn message(out: &mut String, kind: &MessageKind) -> std::fmt::Result {
    writeln!(out, "\n[[message]]\nname = {}", quoted(&kind.name))?;
    if kind.title != kind.name {
        writeln!(out, "title = {}", quoted(&kind.title))?;
    }
    writeln!(out, "header = {}", quoted(kind.header.as_str()))?;
    if let Some(bytes) = kind.bytes {
        writeln!(out, "bytes = {}", limits(bytes))?;
    }
    if let Some(count) = kind.count {
        writeln!(out, "count = {}", limits(count))?;
    }
    if let Some(section) = &kind.section {
        writeln!(out, "section = {}", quoted(section.as_str()))?;
    }
    if kind.loose {
        writeln!(out, "loose = true")?;
    }
    if !kind.ignore.is_empty() {
        let spans: Vec<String> = kind
            .ignore
            .iter()
            .map(|Span { from, to }| format!("[{}, {}]", from.0, to.0))
            .collect();
        writeln!(out, "ignore = [{}]", spans.join(", "))?;
    }
    if let Some(rule) = &kind.checksum {
        let Span { from, to } = rule.covers;
        write!(
            out,
            "checksum = {{ scheme = \"{}\", from = {}, to = {}, at = {}",
            rule.scheme, from.0, to.0, rule.at.0
        )?;
        for (key, is_set) in [("unpacked", rule.unpacked), ("optional", rule.optional)] {
            if is_set {
                write!(out, ", {key} = true")?;
            }
        }
        if rule.mismatch != Severity::Error {
            write!(out, ", mismatch = \"{}\"", rule.mismatch.as_str())?;
        }
        writeln!(out, " }}")?;
    }
    if let Some(rule) = &kind.packed {
        let Span { from, to } = rule.span;
        write!(
            out,
            "packed = {{ form = \"{}\", from = {}, to = {}",
            rule.form, from.0, to.0
        )?;
        if let Some(block) = rule.block {
            write!(out, ", block = {block}")?;
        }
        writeln!(out, " }}")?;
    }
    match &kind.patches {
        None => Ok(()),
        Some(rule) => patches(out, rule),
    }
}

fn patches(out: &mut String, rule: &Patches) -> std::fmt::Result {
    writeln!(out, "\n[message.patches]")?;
    writeln!(out, "from = {}\nstride = {}", rule.from, rule.stride)?;
    if rule.bytes != rule.stride {
        writeln!(out, "bytes = {}", rule.bytes)?;
    }
    writeln!(out, "count = {}", rule.count)?;
    if let Some(name) = &rule.name {
        write!(out, "name = {{ at = {}, bytes = {}", name.at, name.bytes)?;
        if let Some(alphabet) = &name.alphabet {
            let alphabet: String = alphabet.iter().collect();
            write!(out, ", alphabet = {}", quoted(&alphabet))?;
        }
        writeln!(out, " }}")?;
    }
    writeln!(out, "slot = {}", quoted(rule.slot.as_str()))?;
    if !rule.ignore.is_empty() {
        let spans: Vec<String> = rule
            .ignore
            .iter()
            .map(|range| format!("[{}, {}]", range.start, range.end - 1))
            .collect();
        writeln!(out, "ignore = [{}]", spans.join(", "))?;
    }
    if let Some(single) = &rule.single {
        writeln!(out, "single = {}", quoted(single))?;
    }
    if let Some(map) = &rule.single_map {
        writeln!(out, "single-map = {}", list(map.lists()))?;
    }
    Ok(())
}

fn request(out: &mut String, request: &Request) -> std::fmt::Result {
    writeln!(out, "\n[[request]]")?;
    if let Some(section) = &request.section {
        writeln!(out, "section = {}", quoted(section.as_str()))?;
    }
    if let Some((letter, range)) = &request.count {
        let (letter, range) = (letter.as_char(), limits(*range));
        writeln!(out, "count = {{ {letter} = {range} }}")?;
    }
    if request.pause_ms > 0 {
        writeln!(out, "pause-ms = {}", request.pause_ms)?;
    }
    writeln!(out, "steps = [")?;
    for step in &request.steps {
        match step {
            Step::Send(bytes) => writeln!(out, "  {{ send = {} }},", quoted(bytes.as_str()))?,
            Step::Reply(bytes) => writeln!(out, "  {{ reply = {} }},", quoted(bytes.as_str()))?,
            Step::Expect { kind, within_ms } => writeln!(
                out,
                "  {{ expect = {}, within-ms = {within_ms} }},",
                quoted(kind)
            )?,
            Step::End { by, within_ms } => {
                let by = match by {
                    End::Quiet => "quiet",
                    End::Count => "count",
                    End::Kind(kind) => kind,
                };
                writeln!(
                    out,
                    "  {{ end = {}, within-ms = {within_ms} }},",
                    quoted(by)
                )?;
            }
        }
    }
    writeln!(out, "]")
}

/// Text of a layout has no control characters.
fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\""))
}

fn list(texts: &[String]) -> String {
    let quoted: Vec<String> = texts.iter().map(|text| quoted(text)).collect();
    format!("[{}]", quoted.join(", "))
}

fn limits(limits: Limits) -> String {
    match limits.least == limits.most {
        true => limits.least.to_string(),
        false => format!("[{}, {}]", limits.least, limits.most),
    }
}
