//! What a layout says, in lines for people.

use super::{End, Layout, MessageKind, Patches, Request, Severity, Span, Step, counted, number};

/// The layout in plain lines; deeper ones begin with blanks. Texts of the layout stand in them as they are, so they are
/// sanitised where they are shown.
pub fn explain(layout: &Layout) -> Vec<String> {
    let mut lines = vec![format!("{}: {}", layout.name, layout.title)];
    lines.push(match &layout.source {
        Some(source) => format!("source: {source}"),
        None => "source: not told".into(),
    });
    if !layout.holds_for.is_empty() {
        lines.push(format!(
            "holds for firmware {}",
            layout.holds_for.join(", ")
        ));
    }
    if !layout.not_stored.is_empty() {
        let parts = layout.not_stored.join(", ");
        lines.push(format!("the instrument leaves out of its dumps: {parts}"));
    }
    if layout.panel > 0 {
        let n = layout.panel;
        lines.push(format!("the panel shows SysEx number 0 as {n}"));
    }
    for kind in &layout.messages {
        explain_message(kind, &mut lines);
    }
    for request in &layout.requests {
        explain_request(request, &mut lines);
    }
    let pace = &layout.pace;
    if let Some(bytes) = pace.bytes_per_second {
        lines.push(format!(
            "takes {} in a second",
            counted(bytes as usize, "byte")
        ));
    }
    if let Some(ms) = pace.pause_ms {
        lines.push(format!(
            "wants {} ms of rest after each message",
            number(ms)
        ));
    }
    lines
}

fn explain_message(kind: &MessageKind, lines: &mut Vec<String>) {
    let title = match kind.title == kind.name {
        true => String::new(),
        false => format!(" ({})", kind.title),
    };
    lines.push(format!("message \"{}\"{title}: {}", kind.name, kind.header));
    if let Some(bytes) = kind.bytes {
        let s = if bytes.most == 1 { "" } else { "s" };
        lines.push(format!("  {bytes} byte{s} from F0 to F7"));
    }
    if let Some(count) = kind.count {
        lines.push(format!("  {count} in a whole dump"));
    }
    lines.push(match &kind.section {
        Some(section) => format!("  section {section}"),
        None => "  section by its first bytes".into(),
    });
    if kind.loose {
        lines.push("  no state of the memory: kept loose".into());
    }
    if let Some(rule) = &kind.checksum {
        let over = match (rule.unpacked, rule.covers.from.0, rule.covers.to.0) {
            (true, 0, -1) => "all unpacked bytes".into(),
            (true, ..) => format!("unpacked {}", stretch(&rule.covers)),
            (false, ..) => stretch(&rule.covers),
        };
        let optional = if rule.optional {
            ", may be left out"
        } else {
            ""
        };
        let note = match rule.mismatch {
            Severity::Error => "",
            _ => ", a wrong one is only noted",
        };
        lines.push(format!(
            "  checksum {} over {over}, at byte {}{optional}{note}",
            rule.scheme, rule.at.0
        ));
    }
    if let Some(rule) = &kind.packed {
        let block = match rule.block {
            None => String::new(),
            Some(n) => format!(", every {n} bytes by themselves"),
        };
        lines.push(format!(
            "  packed as {} in {}{block}",
            rule.form,
            stretch(&rule.span)
        ));
    }
    if !kind.ignore.is_empty() {
        let spans: Vec<String> = kind.ignore.iter().map(stretch).collect();
        lines.push(format!("  changes by itself: {}", spans.join(", ")));
    }
    if let Some(rule) = &kind.patches {
        explain_patches(rule, lines);
    }
}

fn explain_patches(rule: &Patches, lines: &mut Vec<String>) {
    let es = if rule.count == 1 { "" } else { "es" };
    let every = match rule.count {
        1 => String::new(),
        _ => format!(", one every {}", number(rule.stride)),
    };
    lines.push(format!(
        "  {} patch{es} of {} from byte {}{every}, shown as {}",
        number(rule.count),
        counted(rule.bytes as usize, "byte"),
        number(rule.from),
        rule.slot
    ));
    if let Some(name) = &rule.name {
        let how = match &name.alphabet {
            None => String::new(),
            Some(_) => ", in an alphabet of its own".into(),
        };
        let chars = counted(name.bytes as usize, "character");
        lines.push(format!(
            "  name of {chars} from byte {} of a patch{how}",
            name.at
        ));
    }
    if !rule.ignore.is_empty() {
        let spans: Vec<String> = rule
            .ignore
            .iter()
            .map(|range| format!("{} to {}", range.start, range.end - 1))
            .collect();
        lines.push(format!(
            "  changes by itself in each patch: bytes {}",
            spans.join(", ")
        ));
    }
    if let Some(single) = &rule.single {
        let how = match &rule.single_map {
            None => "",
            Some(_) => ", its bytes arranged anew",
        };
        lines.push(format!(
            "  one patch alone goes as message \"{single}\"{how}"
        ));
    }
}

fn explain_request(request: &Request, lines: &mut Vec<String>) {
    let section = match &request.section {
        Some(section) => format!(" for section {section}"),
        None => String::new(),
    };
    let count = match &request.count {
        None => String::new(),
        Some((letter, limits)) => format!(", once for each {} from {limits}", letter.as_char()),
    };
    lines.push(format!("request{section}{count}"));
    for step in &request.steps {
        lines.push(match step {
            Step::Send(bytes) => format!("  send {bytes}"),
            Step::Reply(bytes) => format!("  answer {bytes}"),
            Step::Expect { kind, within_ms } => {
                format!("  wait up to {} ms for \"{kind}\"", number(*within_ms))
            }
            Step::End { by, within_ms } => {
                let ms = number(*within_ms);
                match by {
                    End::Quiet => format!("  over when nothing came for {ms} ms"),
                    End::Count => format!("  over when all messages came, or after {ms} ms"),
                    End::Kind(kind) => format!("  over when \"{kind}\" came, or after {ms} ms"),
                }
            }
        });
    }
    if request.pause_ms > 0 {
        lines.push(format!(
            "  {} ms of rest after each message sent",
            number(request.pause_ms)
        ));
    }
}

fn stretch(span: &Span) -> String {
    match span.from == span.to {
        true => format!("byte {}", span.from.0),
        false => format!("bytes {} to {}", span.from.0, span.to.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_documented_example_is_told_in_lines() {
        let layout = Layout::parse(&super::super::documented_example()).unwrap();
        let lines = explain(&layout);
        assert_eq!(
            lines.join("\n"),
            "\
pit-bank: Pit organ, bank of 16
source: owner's manual p. 40
holds for firmware 1.0, 1.1
the instrument leaves out of its dumps: master tune
the panel shows SysEx number 0 as 1
message \"bank\" (16 patches): F0 7D 0n 22 bb
  1,032 bytes from F0 to F7
  1 in a whole dump
  section bank-{b:A}
  checksum sum-to-zero over bytes 6 to -3, at byte -2
  packed as seven-in-eight-low in bytes 6 to -3
  changes by itself: byte 5
  16 patches of 56 bytes from byte 0, one every 56, shown as {b:A}{p+1}
  name of 10 characters from byte 0 of a patch
  changes by itself in each patch: bytes 54 to 55
  one patch alone goes as message \"patch\"
message \"patch\": F0 7D 0n 21 bb pp
  72 bytes from F0 to F7
  section by its first bytes
  no state of the memory: kept loose
  checksum sum-to-zero over bytes 6 to -3, at byte -2
  packed as seven-in-eight-low in bytes 6 to -3
  1 patch of 56 bytes from byte 0, shown as {b:A}{p+1}
  name of 10 characters from byte 0 of a patch
request for section bank-{b:A}, once for each p from 0 to 15
  send F0 7D 0n 31 bb pp F7
  wait up to 2,000 ms for \"patch\"
  answer F0 7D 0n 7F F7
  over when nothing came for 2,000 ms
  60 ms of rest after each message sent
takes 3,125 bytes in a second
wants 60 ms of rest after each message"
        );
    }
}
