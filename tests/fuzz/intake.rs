//! Target: intake as a whole: what a file is, at once and in pieces.

use std::sync::Arc;

use farshelf::intake::examine::{Examined, Examiner, Lens, examine};
use farshelf::layout::Layout;

use crate::choices::Choices;
use crate::fuzz;
use crate::memory::measured;
use crate::messages;
use crate::watch::{Limits, Seen};

/// All of what the other targets take, twice: once at once, once in pieces.
const LIMITS: Limits = Limits {
    most_per_byte: 1000,
    total_per_byte: 4000,
    total: 4 << 20,
};

#[test]
fn any_file_gives_one_verdict() {
    fuzz!("intake", check);
}

fn check(bytes: &[u8], seen: &Seen) {
    let mut choices = Choices::new(bytes);
    let name = *choices.one_of(&["a.syx", "b.mid", "c.bin", "", "d"]);
    let mut lens = Lens::published();
    let text = choices
        .once_in(3)
        .then(|| crate::layout_text::made(&mut choices));
    let own = text
        .as_ref()
        .and_then(|text| Layout::parse(text).ok())
        .map(Arc::new);
    if let Some(layout) = &own {
        lens.preferred = choices.once_in(2).then(|| layout.name.clone());
        lens.layouts.add(Arc::clone(layout));
    }
    let file = match (choices.below(6), &own) {
        (0, _) => crate::midi_file::any_file(&mut choices),
        (1 | 2, _) => crate::framing::stream(&mut choices),
        (3, _) => {
            // Real-time bytes, or others, before all else.
            let first = choices.byte();
            let n = *choices.one_of(&[1, 12, 4095, 4096, 4097]);
            [vec![first; n], messages::dump(&mut choices).concat()].concat()
        }
        (_, Some(layout)) => messages::of_layout(layout, &mut choices).concat(),
        _ => messages::dump(&mut choices).concat(),
    };
    let pieces = choices.pieces(&file);
    let mut input: Vec<&[u8]> = vec![&file];
    input.extend(text.as_deref().filter(|_| own.is_some()).map(str::as_bytes));
    seen.watch(&LIMITS, &input, || {
        let at_once = examine(name, &file, &lens);
        let mut examiner = Examiner::new(name, &lens);
        for piece in &pieces {
            examiner.push(piece);
        }
        let in_pieces = examiner.finish();
        assert_eq!(facts(&in_pieces), facts(&at_once), "in pieces, and at once");
        assert!(at_once.findings.len() < 300);
    });
}

/// All that a verdict says.
fn facts(examined: &Examined) -> String {
    format!("{examined:?}")
}

#[test]
fn hostile_files_take_no_more_than_is_said() {
    // One more than a list has room for before it grows. `LONGEST_FILE` and `MOST_READ` in `intake/examine.rs` build on this.
    let n = (1 << 17) + 1;
    let universal = |head: &[u8], n_data| {
        let mut messages = Vec::new();
        for k in 0..n as u32 / 8 {
            messages.extend([0xF0, 0x7E, 0x00]);
            messages.extend(head);
            messages.extend([k as u8 & 0x7F, (k >> 7) as u8 & 0x7F]);
            messages.extend(vec![0x20; n_data]);
            messages.push(0xF7);
        }
        messages
    };
    let of_layout = b"\xF0\x43\x10\x4C\x00\x00\x7E\x00\xF7";
    for (name, most, file) in [
        (
            "two-byte messages of a MIDI file",
            75,
            crate::midi_file::two_byte_messages(n),
        ),
        ("messages that fit no layout", 1, [0xF0, 0xF7].repeat(n)),
        (
            "two-byte messages after one of a layout",
            36,
            [&of_layout[..], &[0xF0, 0xF7].repeat(n)].concat(),
        ),
        ("tunings", 3, universal(&[8, 5], 29)),
        ("headers of samples", 8, universal(&[1], 14)),
    ] {
        let (_, used) = measured(|| examine("a.x", &file, &Lens::published()));
        let times = used.most / file.len();
        println!(
            "{name}: {} bytes, {times} times as many at one time",
            file.len()
        );
        assert!(times <= most, "{name}: {times}");
    }
}
