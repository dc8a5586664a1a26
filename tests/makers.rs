//! The published table of maker IDs against two other programs' lists, and what must be true of it by itself.

use std::collections::BTreeMap;
use std::path::Path;

use farshelf::midi::makers::{self, Names};
use farshelf::midi::message::{MakerId, Message};
use syxpack::{Manufacturer, SystemExclusiveData as _};

#[path = "outside/tools.rs"]
mod tools;

/// Published, and left out of the table on purpose.
const LEFT_OUT: [&str; 2] = ["00 00 0E", "00 00 0F"];

/// Published as reserved: nobody's, so a dump with one has no maker's name.
const RESERVED: [&str; 3] = ["00 00 2C", "00 00 36", "00 00 5D"];

/// Where the sources name different makers: the ID, and who says what else than the table, with the reason.
const DIFFERENT: &[(&str, &str, &str)] = &[
    // syxpack has the later list; tshark the name before the products were sold on. The table says both.
    ("00 01 21", "tshark", "Cakewalk Music Software"),
    // The same: the later list comes first in the table, the earlier name behind it.
    ("00 02 22", "tshark", "MK2 Image Ltd"),
];

fn id(text: &str) -> MakerId {
    text.parse().unwrap()
}

/// The first five letters and digits of a name, small.
fn five(name: &str) -> String {
    name.chars()
        .filter(|c| c.is_alphanumeric())
        .flat_map(char::to_lowercase)
        .take(5)
        .collect()
}

/// How many IDs have one byte and how many three.
fn counts<'a>(ids: impl Iterator<Item = &'a str>) -> (usize, usize) {
    ids.fold((0, 0), |(one, three), id| match id.len() {
        2 => (one + 1, three),
        _ => (one, three + 1),
    })
}

/// Every ID there can be: 01 to 7F and 00 00 00 to 00 7F 7F.
fn every_id() -> impl Iterator<Item = MakerId> {
    let one = (1..0x80u8).map(|byte| vec![byte]);
    let three = (0..0x80u8).flat_map(|a| (0..0x80u8).map(move |b| vec![0, a, b]));
    one.chain(three)
        .map(|bytes| MakerId::from_bytes(&bytes).unwrap())
}

/// What syxpack knows, by our text for the ID.
fn of_syxpack() -> BTreeMap<String, String> {
    every_id()
        .filter_map(|id| {
            let maker = Manufacturer::parse(id.as_bytes()).unwrap();
            let name = maker.name();
            // These two are its words for an ID without a name and for 7D.
            let known = name != "Unknown manufacturer" && !maker.is_development();
            known.then(|| (id.to_string(), name))
        })
        .collect()
}

/// What tshark knows, by our text for the ID; with 7D, 7E and 7F.
fn of_tshark() -> BTreeMap<String, String> {
    let text = tools::sh(Path::new("."), "tshark -G values 2>/dev/null");
    let text = String::from_utf8(text).unwrap();
    let mut table = 0;
    let mut known = BTreeMap::new();
    for line in text.lines() {
        let fields: Vec<&str> = line.split('\t').collect();
        match fields[..] {
            // A header begins a table of the field: first that of one byte, then that of three.
            ["E", "sysex.manufacturer_id", ..] => table += 1,
            ["V", "sysex.manufacturer_id", number, name] => {
                let number: u16 = number.parse().unwrap();
                let [high, low] = number.to_be_bytes();
                let id = match table {
                    1 => MakerId::from_bytes(&[low]),
                    _ => MakerId::from_bytes(&[0, high, low]),
                };
                known.insert(id.unwrap().to_string(), name.to_string());
            }
            _ => {}
        }
    }
    assert_eq!(table, 2, "tables in tshark's list");
    known
}

/// Each name of `peer` agrees with ours on the first five letters, but for the differences listed above. Gives how many
/// agree, and the IDs that only `peer` knows.
fn agreeing<'a>(peer: &str, theirs: &'a BTreeMap<String, String>) -> (usize, Vec<&'a str>) {
    let mut agreeing = 0;
    let mut only_theirs = Vec::new();
    for (text, name) in theirs {
        match makers::name_of(&id(text)) {
            None => only_theirs.push(text.as_str()),
            Some(ours) if five(ours) == five(name) => agreeing += 1,
            Some(ours) => assert!(
                DIFFERENT.contains(&(text, peer, name)),
                "{text} is {ours} here and {name} in {peer}"
            ),
        }
    }
    (agreeing, only_theirs)
}

#[test]
fn every_id_that_syxpack_knows_is_the_same_maker() {
    let theirs = of_syxpack();
    // Measured for syxpack 0.20.0, which Cargo.lock holds fast; the two that are left out are in it.
    assert_eq!(counts(theirs.keys().map(String::as_str)), (85, 424));
    let (agreeing, only_theirs) = agreeing("syxpack", &theirs);
    assert_eq!(agreeing, 504);
    assert_eq!(only_theirs, [&LEFT_OUT[..], &RESERVED[..]].concat());
}

#[test]
fn every_id_that_tshark_knows_is_the_same_maker() {
    if !tools::there("every_id_that_tshark_knows_is_the_same_maker", &["tshark"]) {
        return;
    }
    let theirs = of_tshark();
    let (one, three) = counts(theirs.keys().map(String::as_str));
    // Measured for tshark 4.0.17, with the two that are left out and with 7D, 7E and 7F. Later ones may know more.
    assert!(
        one >= 88 && three >= 495,
        "{one} of one byte, {three} of three"
    );
    let (agreeing, only_theirs) = agreeing("tshark", &theirs);
    assert!(agreeing >= 573, "{agreeing} agree");
    for text in LEFT_OUT.iter().chain(&RESERVED).chain(&["7D", "7E", "7F"]) {
        assert!(only_theirs.contains(text), "{text}");
    }
    // Nothing in the table is made up: each ID stands in one of the two lists.
    let syxpack = of_syxpack();
    for (text, name) in makers::published() {
        let known = theirs.contains_key(text) || syxpack.contains_key(text);
        assert!(known, "{text} {name}");
    }
}

#[test]
fn the_table_has_so_many_ids_in_order_and_in_the_published_ranges() {
    let ids: Vec<&str> = makers::published().map(|(id, _)| id).collect();
    assert_eq!(counts(ids.iter().copied()), (85, 533));
    assert_eq!(makers::published().len(), 618);
    assert!(ids.is_sorted_by(|a, b| a < b), "sorted, each once");
    for (text, name) in makers::published() {
        let id = id(text);
        assert_eq!(id.to_string(), text);
        // MIDI 1.0 Detailed Specification 4.2.1, Table VII: 01 to 7C, and 00 00 01 to 00 7F 7F.
        match *id.as_bytes() {
            [one] => assert!((0x01..=0x7C).contains(&one), "{text}"),
            [0, a, b] => assert!((a, b) != (0, 0), "{text}"),
            _ => panic!("{text}"),
        }
        assert!(
            !name.is_empty() && name.trim() == name && !name.contains("  "),
            "{text} {name:?}"
        );
        assert!(
            !name
                .chars()
                .any(|c| c.is_control() || ['™', '®', '©'].contains(&c)),
            "{text} {name:?}"
        );
        assert_ne!(name, "Reserved", "{text}");
    }
}

#[test]
fn what_three_published_lists_agree_on() {
    // The MIDI Association's list as kept in a public CSV file, syxpack 0.20.0 and tshark 4.0.17.
    let check = |text: &str, begins: &str| {
        let name = makers::name_of(&id(text)).unwrap_or_default();
        assert!(name.starts_with(begins), "{text}: {name:?}");
    };
    check("04", "Moog");
    check("10", "Oberheim");
    check("18", "E-mu");
    check("3E", "Waldorf");
    check("40", "Kawai");
    check("41", "Roland");
    check("42", "Korg");
    check("43", "Yamaha");
    check("44", "Casio");
    check("47", "Akai");
    check("00 01 06", "PreSonus");
    check("00 20 1F", "TC Electronic");
    check("00 20 29", "Focusrite");
    check("00 20 2B", "Medeli");
    check("00 20 32", "Behringer");
    check("00 20 3B", "Red Sound");
}

#[test]
fn an_id_without_a_name_shows_as_hex() {
    let check = |bytes: &[u8], hex: &str| {
        let message = Message {
            offset: 0,
            end: bytes.len() as u64,
            bytes: bytes.to_vec(),
        };
        let id = message.maker().unwrap();
        assert_eq!(makers::name_of(&id), None, "{hex}");
        assert_eq!(Names::default().of(&id), None, "{hex}");
        assert_eq!(id.to_string(), hex);
    };
    // The two left out, whatever the peers say.
    check(&[0xF0, 0x00, 0x00, 0x0E, 0x01, 0xF7], "00 00 0E");
    check(&[0xF0, 0x00, 0x00, 0x0F, 0x01, 0xF7], "00 00 0F");
    // Reserved, never assigned, and not assigned yet.
    check(&[0xF0, 0x00, 0x00, 0x2C, 0xF7], "00 00 2C");
    check(&[0xF0, 0x00, 0x00, 0x00, 0xF7], "00 00 00");
    check(&[0xF0, 0x00, 0x7F, 0x7F, 0xF7], "00 7F 7F");
    check(&[0xF0, 0x7C, 0xF7], "7C");
    for id in every_id() {
        // No ID panics, and each is its own text read back.
        let _ = makers::name_of(&id);
        assert_eq!(id.to_string().parse(), Ok(id));
    }
}

#[test]
fn a_person_can_name_what_is_left_out() {
    for text in LEFT_OUT {
        let names = Names::new(BTreeMap::from([(id(text), "the green one".to_string())]));
        assert_eq!(names.of(&id(text)), Some("the green one"));
    }
}
