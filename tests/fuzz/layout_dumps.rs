//! Target: dumps read by layouts: those that come with the program, damaged ones and made-up ones.

use std::sync::Arc;

use farshelf::layout::{
    Layout, Layouts, Reader, Reading, compare, compare_messages, one_patch, patch_bytes,
    readdress_all,
};

use crate::choices::Choices;
use crate::fuzz;
use crate::messages;
use crate::watch::{Limits, Seen};

/// A patch of one byte has a name, a place and two hashes; two dumps are read and compared.
const LIMITS: Limits = Limits {
    most_per_byte: 1600,
    total_per_byte: 8000,
    total: 8 << 20,
};

#[test]
fn any_dump_is_read_by_any_layout() {
    fuzz!("dumps read by layouts", check);
}

fn check(bytes: &[u8], seen: &Seen) {
    let mut choices = Choices::new(bytes);
    let text = (!choices.once_in(3)).then(|| crate::layout_text::any(&mut choices));
    let own = text.as_ref().and_then(|text| Layout::parse(text).ok());
    let dump = match &own {
        Some(layout) if !choices.once_in(6) => messages::of_layout(layout, &mut choices),
        _ => messages::dump(&mut choices),
    };
    let mut later = dump.clone();
    for _ in 0..choices.below(3) {
        later = messages::disturbed(later, &mut choices);
    }
    let preferred = own.is_some() && choices.once_in(2);
    let number = choices.byte();
    let mut input: Vec<&[u8]> = dump.iter().chain(&later).map(Vec::as_slice).collect();
    input.extend(text.as_deref().filter(|_| own.is_some()).map(str::as_bytes));
    seen.watch(&LIMITS, &input, || {
        let mut layouts = Layouts::builtin();
        let name = own.as_ref().map(|layout| layout.name.clone());
        if let Some(layout) = &own {
            layouts.add(Arc::new(layout.clone()));
        }
        judge(
            &layouts,
            name.as_deref().filter(|_| preferred),
            &dump,
            &later,
            number,
        );
    });
}

fn is_message(bytes: &[u8]) -> bool {
    matches!(bytes, [0xF0, inner @ .., 0xF7] if inner.iter().all(|b| *b < 0x80))
}

fn read(layouts: &Layouts, preferred: Option<&str>, dump: &[&[u8]]) -> Option<Reading> {
    let mut reader = Reader::new(layouts, preferred);
    for message in dump {
        reader.push(message);
    }
    reader.finish()
}

fn judge(
    layouts: &Layouts,
    preferred: Option<&str>,
    dump: &[Vec<u8>],
    later: &[Vec<u8>],
    number: u8,
) {
    let dump: Vec<&[u8]> = dump.iter().map(Vec::as_slice).collect();
    let later: Vec<&[u8]> = later.iter().map(Vec::as_slice).collect();
    let changes = compare_messages(&dump, &later);
    let in_a = changes.n_same + changes.n_changed + changes.n_gone;
    let in_b = changes.n_same + changes.n_changed + changes.n_added;
    assert_eq!((in_a, in_b), (dump.len(), later.len()));

    let Some(reading) = read(layouts, preferred, &dump) else {
        return;
    };
    assert_eq!(reading.messages.len(), dump.len());
    assert!(reading.findings.len() < 200);
    for patch in &reading.patches {
        let bytes = patch_bytes(&reading.layout, &dump, patch).expect("a listed patch has bytes");
        assert!(!bytes.is_empty());
    }
    // Each is a message; there may be many patches.
    for patch in reading.patches.iter().take(4).chain(reading.patches.last()) {
        if let Ok(alone) = one_patch(&reading.layout, &dump, patch) {
            assert!(is_message(&alone), "{alone:02X?}");
        }
    }
    if let Ok(other) = readdress_all(Some(&reading.layout), &dump, number) {
        assert!(
            number < 0x80 || other.is_empty() || other == dump,
            "a number above 7F"
        );
        assert!(other.iter().map(Vec::len).eq(dump.iter().map(|m| m.len())));
        assert!(
            other
                .iter()
                .all(|m| m[1..m.len() - 1].iter().all(|b| *b < 0x80))
        );
        let other: Vec<&[u8]> = other.iter().map(Vec::as_slice).collect();
        // A made-up layout may have one kind for any number and another for this one.
        let kind = |message: &[u8]| reading.layout.kind_of(message).map(|(idx, _)| idx);
        let same_kinds = dump.iter().zip(&other).all(|(a, b)| kind(a) == kind(b));
        if let Some(back) = read(layouts, preferred, &other)
            && same_kinds
            && back.layout.name == reading.layout.name
        {
            assert_eq!(
                back.evidence,
                reading.evidence,
                "another number changes no evidence: {:02X?} to {number} by {}",
                dump,
                reading.layout.text()
            );
        }
    }
    if let Some(reading_b) = read(layouts, preferred, &later) {
        let n = compare((&reading, &dump), (&reading_b, &later)).len();
        assert!(n >= reading_b.patches.len());
        let same = compare((&reading, &dump), (&reading, &dump));
        assert!(same.iter().all(|c| c.change.as_str() == "same"));
    }
}

#[test]
fn a_small_layout_makes_no_large_message() {
    for (form, block) in [
        ("seven-in-eight-low", ""),
        ("seven-in-eight-high", ", block = 8"),
        ("hex-pairs", ", block = 2"),
    ] {
        for n_bytes in [65_536, 131_072, 262_144, 524_288, 1 << 24] {
            let text = format!(
                "layout = 1\nname = \"a\"\ntitle = \"A\"\n\
                 [[message]]\nname = \"bank\"\nheader = \"F0 7D 01\"\n\
                 patches = {{ from = 3, stride = 1, count = 9, single = \"one\" }}\n\
                 [[message]]\nname = \"one\"\nheader = \"F0 7D 02\"\nbytes = {n_bytes}\n\
                 packed = {{ form = \"{form}\", from = 4, to = -5{block} }}\n\
                 patches = {{ from = 0, stride = 1, count = 1 }}\n"
            );
            let dump = [vec![0xF0, 0x7D, 0x01, 5, 6, 7, 0xF7]];
            let layout = Layout::parse(&text).unwrap_or_else(|bad| panic!("{bad}\n{text}"));
            Seen::default().watch(&LIMITS, &[text.as_bytes(), &dump[0]], || {
                let mut layouts = Layouts::none();
                layouts.add(Arc::new(layout));
                judge(&layouts, None, &dump, &dump, 5);
            });
        }
    }
}
