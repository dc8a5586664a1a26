//! Target: drafts of layouts from dumps of a device nobody described.

use farshelf::layout::Layout;
use farshelf::layout::draft::draft;

use crate::choices::Choices;
use crate::fuzz;
use crate::messages;
use crate::watch::{Limits, Seen};

/// Every kind of message is tried with every checksum and packing.
const LIMITS: Limits = Limits {
    most_per_byte: 1000,
    total_per_byte: 40_000,
    total: 64 << 20,
};

#[test]
fn any_dumps_give_a_draft() {
    fuzz!("drafts", check);
}

fn check(bytes: &[u8], seen: &Seen) {
    let mut choices = Choices::new(bytes);
    let dumps = dumps(&mut choices);
    let input: Vec<&[u8]> = dumps.iter().flatten().map(Vec::as_slice).collect();
    seen.watch(&LIMITS, &input, || {
        let drafted = draft(&dumps);
        assert_eq!(drafted.n_dumps, dumps.len());
        assert_eq!(drafted.n_messages, input.len());
        assert!(drafted.n_left_out <= drafted.n_messages);
        for kind in &drafted.kinds {
            assert!(kind.bytes.0 <= kind.bytes.1 && kind.header.len() < kind.bytes.0);
        }
        let _ = drafted.words();
        let text = drafted.to_toml("made-up");
        if !drafted.kinds.is_empty() && !text.is_empty() {
            Layout::parse(&text).unwrap_or_else(|bad| panic!("{bad}\n{text}"));
        }
    });
}

fn dumps(choices: &mut Choices<'_>) -> Vec<Vec<Vec<u8>>> {
    match choices.below(4) {
        0 => (0..choices.below(4))
            .map(|_| messages::dump(choices))
            .collect(),
        1 => {
            let n = choices.below(4);
            let any = |choices: &mut Choices<'_>| {
                let n = choices.below(40);
                choices.take(n).to_vec()
            };
            (0..n)
                .map(|_| (0..choices.below(20)).map(|_| any(choices)).collect())
                .collect()
        }
        _ => {
            let layout = Layout::parse(&crate::layout_text::made(choices));
            let Ok(layout) = layout else {
                return vec![messages::dump(choices)];
            };
            let first = messages::of_layout(&layout, choices);
            let mut all = vec![first];
            for _ in 0..choices.below(4) {
                let again = all[0].clone();
                all.push(messages::disturbed(again, choices));
            }
            all
        }
    }
}
