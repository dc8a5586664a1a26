//! Banks before and after, and what is said to have happened.

use std::sync::Arc;

use super::super::{Layout, Layouts, Reader};
use super::*;

/// Patches of six bytes: a name of three, a volatile byte, two more.
const LAYOUT: &str = r#"
layout = 1
name = "test"
title = "Test"
[[message]]
name = "bank"
header = "F0 7D 01"
patches = { from = 3, stride = 6, count = 8, name = { at = 0, bytes = 3 }, slot = "A{p+1}", ignore = [[3, 3]] }
"#;

fn read(message: &[u8]) -> Reading {
    let mut layouts = Layouts::none();
    layouts.add(Arc::new(Layout::parse(LAYOUT).unwrap()));
    let mut reader = Reader::new(&layouts, None);
    reader.push(message);
    reader.finish().unwrap()
}

/// A bank of patches written as `NAMvxy`.
fn bank(patches: &str) -> Vec<u8> {
    let mut message = vec![0xF0, 0x7D, 0x01];
    for patch in patches.split(' ') {
        assert_eq!(patch.len(), 6);
        message.extend_from_slice(patch.as_bytes());
    }
    message.push(0xF7);
    message
}

fn check(a: &str, b: &str, expected: &str) {
    let (a, b) = (bank(a), bank(b));
    let (a_reading, b_reading) = (read(&a), read(&b));
    let changes = compare((&a_reading, &[&a]), (&b_reading, &[&b]));
    let told: Vec<String> = changes
        .iter()
        .map(|c| {
            let word = c.change.as_str();
            match &c.change {
                Change::Moved { from, from_slot } => {
                    assert_eq!(*from_slot, format!("A{from}"));
                    format!("{}:{word}<{from}", c.number)
                }
                Change::Changed { n_bytes } => format!("{}:{word}={n_bytes}", c.number),
                _ => format!("{}:{word}", c.number),
            }
        })
        .collect();
    assert_eq!(told.join(" "), expected);
}

#[test]
fn patches_stay_change_and_get_new_names() {
    check("ONE.ab TWO.cd", "ONE.ab TWO.cd", "1:same 2:same");
    // The byte that changes by itself does not count.
    check("ONE.ab TWO.cd", "ONE!ab UNO!cx", "1:same 2:changed=3");
    check("ONE.ab TWO.cd", "UNO.ab TWO.cd", "1:renamed 2:same");
    check("ONE.ab", "ONE.ab TWO.cd", "1:same 2:added");
    check("ONE.ab TWO.cd", "ONE.ab", "1:same 2:gone");
}

#[test]
fn a_patch_that_stands_elsewhere_has_moved() {
    check("ONE.ab TWO.cd", "TWO.cd ONE.ab", "1:moved<2 2:moved<1");
    check(
        "ONE.ab TWO.cd THR.ef",
        "THR.ef ONE.ab TWO.cd",
        "1:moved<3 2:moved<1 3:moved<2",
    );
    // Moved to a new place; its old one has another.
    check("ONE.ab", "NEW.xy ONE.ab", "1:changed=5 2:moved<1");
    // Moved and renamed.
    check("ONE.ab TWO.cd", "NEW.xy UNO.ab", "1:changed=5 2:moved<1");
    // Its old place is no more, and it is not gone.
    check("ONE.ab TWO.cd", "TWO.cd", "1:moved<2");
    // A copy of one that stays has not moved.
    check("ONE.ab TWO.cd", "ONE.ab ONE.ab", "1:same 2:changed=5");
}

#[test]
fn empty_patches_have_moved_nowhere() {
    check(
        "INI.00 INI.00 ONE.ab INI.00",
        "INI.00 ONE.ab INI.00 INI.00",
        "1:same 2:moved<3 3:changed=4 4:same",
    );
    check(
        "ONE.ab TWO.cd INI.00 INI.00",
        "INI.00 INI.00 TWO.cd ONE.ab",
        "1:changed=4 2:changed=5 3:moved<2 4:moved<1",
    );
    check("ONE.ab TWO.cd", "INI.00 INI.00", "1:changed=4 2:changed=5");
}

#[test]
fn names_before_and_after_are_told() {
    let (a, b) = (bank("ONE.ab TWO.cd"), bank("TWO.cd UNO.ab"));
    let (a_reading, b_reading) = (read(&a), read(&b));
    let changes = compare((&a_reading, &[&a]), (&b_reading, &[&b]));
    let names: Vec<_> = changes
        .iter()
        .map(|c| (c.slot.as_str(), c.name_a.as_deref(), c.name_b.as_deref()))
        .collect();
    assert_eq!(
        names,
        [
            ("A1", Some("TWO"), Some("TWO")),
            ("A2", Some("ONE"), Some("UNO")),
        ]
    );
}

#[test]
fn bytes_that_differ_are_counted() {
    assert_eq!(differing_bytes(b"abcd", b"abcd", &[]), 0);
    assert_eq!(differing_bytes(b"abcd", b"xbyd", &[]), 2);
    assert_eq!(differing_bytes(b"abcd", b"xbyd", &[0..1, 3..9]), 1);
    assert_eq!(differing_bytes(b"abcd", b"ab", &[]), 2);
    assert_eq!(
        differing_bytes(b"", b"ab", std::slice::from_ref(&(0..2))),
        2
    );
}

fn check_messages(a: &[&str], b: &[&str], expected: [usize; 4], first: Option<(usize, usize)>) {
    let a: Vec<&[u8]> = a.iter().map(|text| text.as_bytes()).collect();
    let b: Vec<&[u8]> = b.iter().map(|text| text.as_bytes()).collect();
    let changes = compare_messages(&a, &b);
    assert_eq!(
        [
            changes.n_same,
            changes.n_changed,
            changes.n_added,
            changes.n_gone
        ],
        expected,
        "{a:?} {b:?}"
    );
    let pair = changes.changed.first().map(|c| (c.message_a, c.message_b));
    assert_eq!(pair, first);
}

#[test]
fn messages_are_matched_by_what_they_hold() {
    check_messages(&["a", "b"], &["a", "b"], [2, 0, 0, 0], None);
    check_messages(
        &["a", "b", "c"],
        &["a", "x", "c"],
        [2, 1, 0, 0],
        Some((1, 1)),
    );
    check_messages(&["a", "c"], &["a", "b", "c"], [2, 0, 1, 0], None);
    check_messages(&["a", "b", "c"], &["c"], [1, 0, 0, 2], None);
    check_messages(&["a", "b"], &["b", "a"], [2, 0, 0, 0], None);
    check_messages(
        &["a", "a", "b", "q"],
        &["x", "b", "a", "y"],
        [2, 2, 0, 0],
        Some((1, 0)),
    );
    check_messages(&[], &["a"], [0, 0, 1, 0], None);
}

#[test]
fn stretches_that_differ_are_told_up_to_a_bound() {
    let changes = compare_messages(&[b"abcdefgh"], &[b"aXXdefg"]);
    let changed = &changes.changed[0];
    assert_eq!(changed.ranges, [1..3, 7..8]);
    assert_eq!((changed.n_bytes, changed.has_more), (3, false));
    let a = [0; 100];
    let b: Vec<u8> = (0..100).map(|n| n % 2).collect();
    let changes = compare_messages(&[&a], &[&b]);
    let changed = &changes.changed[0];
    assert_eq!((changed.ranges.len(), changed.has_more), (16, true));
    assert_eq!(changed.n_bytes, 50);
}
