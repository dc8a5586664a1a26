//! Wrong texts and what is said of them; right ones that come back the same.

use super::super::documented_example;
use super::*;

/// A layout of one message, with `more` lines in it.
fn one_message(more: &str) -> String {
    format!(
        "layout = 1\nname = \"x\"\ntitle = \"X\"\n[[message]]\nname = \"m\"\nheader = \"F0 7D 0n\"\n{more}"
    )
}

fn check(text: &str, expected: &[&str]) {
    let mistakes: Vec<String> = match Layout::parse(text) {
        Ok(_) => Vec::new(),
        Err(bad) => bad.mistakes.iter().map(ToString::to_string).collect(),
    };
    assert_eq!(mistakes, expected, "{text}");
}

#[test]
fn the_documented_example_reads_as_it_says() {
    let layout = Layout::parse(&documented_example()).unwrap_or_else(|bad| panic!("{bad}"));
    assert_eq!(layout.name, "pit-bank");
    assert_eq!(layout.holds_for, ["1.0", "1.1"]);
    assert_eq!((layout.panel, layout.messages.len()), (1, 2));
    let bank = &layout.messages[0];
    assert_eq!(
        bank.bytes,
        Some(Limits {
            least: 1032,
            most: 1032
        })
    );
    let patches = bank.patches.as_ref().unwrap();
    assert_eq!((patches.stride, patches.count), (56, 16));
    assert_eq!(patches.ignore, std::slice::from_ref(&(54..56)));
    assert_eq!(layout.requests[0].steps.len(), 4);
    assert_eq!(layout.pace.bytes_per_second, Some(3125));
    assert_eq!(layout.text(), documented_example());
}

#[test]
fn keys_that_are_missing_or_unknown_are_named_with_their_line() {
    check(
        &one_message("[message.patches]\nfrom = 6\ncount = 32\n"),
        &["line 7: `stride` is missing in [message.patches]"],
    );
    check(
        &one_message("[message.patches]\nfrom = 6\nstrid = 2\ncount = 32\n"),
        &[
            "line 7: `stride` is missing in [message.patches]",
            "line 9: `strid` is no key of [message.patches]; did you mean `stride`?",
        ],
    );
    check(
        &one_message("checksum = { scheme = \"sum\", from = 3, at = -2, cover = 9 }\n"),
        &[
            "line 7: `cover` is no key of [message.checksum]; there are scheme, from, to, at, unpacked, optional, mismatch",
            "line 7: `to` is missing in [message.checksum]",
        ],
    );
    check(
        &format!("not_stored = []\n{}", one_message("")),
        &["line 1: `not_stored` is no key of the layout; did you mean `not-stored`?"],
    );
    check(
        "name = \"x\"",
        &["line 1: `layout` is missing in the layout"],
    );
    check(
        "layout = 1\nname = \"x\"\ntitle = \"X\"\n",
        &["line 1: there is no [[message]]"],
    );
}

#[test]
fn wrong_values_are_told_what_is_allowed() {
    check(
        &one_message("bytes = \"many\"\ncount = [2, 1]\nloose = 1\n"),
        &[
            "line 7: `bytes` is \"many\", it takes a number from 3 to 16,777,216, or [least, most]",
            "line 8: `count` is a list, it takes a number from 0 to 4,294,967,295, or [least, most]",
            "line 9: `loose` is 1, it takes true or false",
        ],
    );
    check(
        &one_message("checksum = { scheme = \"crc\", from = 3, to = -3, at = -2 }\n"),
        &[
            "line 7: `scheme` is \"crc\", it takes \"sum-to-zero\" or \"sum\" or \"xor\" or \"sum-in-nibbles\"",
        ],
    );
    check(
        &one_message("checksum = { scheme = \"xor\", from = -2, to = -3, at = -2 }\n"),
        &["line 7: `from` in [message.checksum] is -2 and lies behind `to`, which is -3"],
    );
    check(
        &one_message("bytes = 20\nchecksum = { scheme = \"xor\", from = 3, to = -2, at = -2 }\n"),
        &[
            "line 8: the checksum would cover itself: `at` lies between `from` and `to` in [message.checksum]",
        ],
    );
    check(
        &one_message(
            "checksum = { scheme = \"xor\", from = 3, to = -3, at = -2, optional = true }\n",
        ),
        &[
            "line 7: `optional` in [message.checksum] needs `bytes` with one number, or nobody can tell whether the checksum is there",
        ],
    );
    check(
        &one_message("packed = { form = \"hex-pairs\", from = 3, to = -2, block = 7 }\n"),
        &["line 7: `block` is 7, and no bytes packed as hex-pairs have that length"],
    );
    check(
        &one_message("section = \"bank-{b}\"\n"),
        &["line 7: `section` shows {b}, and the header has no b"],
    );
    check(
        &one_message("section = \"{n}\"\n"),
        &["line 7: `section` is \"{n}\", which gives no name of a section"],
    );
    check(
        &one_message("ignore = [[5, 4], [3]]\n"),
        &["line 7: `ignore` takes pairs of first and last byte, such as [5, 5]"],
    );
    check(
        &one_message("title = \"a\\nb\"\n"),
        &["line 7: `title` has a control character in it"],
    );
    check(
        &one_message("")
            .replace("F0 7D 0n", "F0 7d 0n")
            .replace("\"x\"", "\"X y\""),
        &[
            "line 2: `name` is \"X y\", it takes 1 to 64 of a-z 0-9 - _ . and no dot in front",
            "line 6: `header` has \"7d\"; a half byte is one of 0-9 and A-F (in capitals), x, n, b, p",
        ],
    );
}

#[test]
fn patches_must_lie_in_their_message() {
    check(
        &one_message("bytes = 20\npatches = { from = 3, stride = 4, count = 5 }\n"),
        &["line 8: the patches of [message.patches] end at byte 23, there are 19"],
    );
    check(
        &one_message("bytes = 20\npatches = { from = 3, stride = 4, count = 4 }\n"),
        &[],
    );
    check(
        &one_message(
            "patches = { from = 3, stride = 4, bytes = 5, count = 5, ignore = [[0, 9]] }\n",
        ),
        &[
            "line 7: `bytes` in [message.patches] is 5, more than `stride`, which is 4",
            "line 7: `ignore` goes to byte 9, the patch has 5 bytes",
        ],
    );
    check(
        &one_message(
            "patches = { from = 3, stride = 4, count = 5, name = { at = 2, bytes = 3 } }\n",
        ),
        &["line 7: the name ends at byte 5, the patch has 4 bytes"],
    );
    check(
        &one_message("patches = { from = 3, stride = 4, count = 5, single = \"one\" }\n"),
        &["line 7: `single` in [message.patches] is \"one\", and no message has that name"],
    );
    check(
        &one_message(
            "patches = { from = 3, stride = 4, count = 5, single = \"one\", single-map = [\"0-4\"] }\n\
             [[message]]\nname = \"one\"\nheader = \"F0 7D 1n\"\npatches = { from = 3, stride = 4, count = 1 }\n\
             [[message]]\nname = \"one\"\nheader = \"F0 7D 2n\"\n",
        ),
        &[
            "line 7: `single-map` takes byte 4, the patch has 4 bytes",
            "line 7: a patch has 5 bytes for \"one\", which has room for 4",
            "line 13: `name` is \"one\" a second time",
        ],
    );
}

#[test]
fn requests_are_checked() {
    check(
        &one_message(
            "[[request]]\ncount = { n = 1, p = 2 }\nsteps = [\n{ send = \"F0 7D\" },\n{ expect = \"q\", within-ms = 5 },\n\
             { end = \"quiet\" },\n{ reply = \"F0 7D F7\", within-ms = 5 },\n{ send = \"F0 7D F7\", end = \"m\" },\n]\n",
        ),
        &[
            "line 8: `count` takes one letter, such as { p = [0, 15] }",
            "line 10: `send` does not end with F7",
            "line 11: `expect` is \"q\", and no message has that name",
            "line 12: `within-ms` is missing beside `end`",
            "line 13: `within-ms` goes with `expect` and `end`, not with `reply`",
            "line 14: a step has one of `send`, `expect`, `reply` and `end`",
        ],
    );
}

#[test]
fn a_later_version_is_left_alone() {
    let bad = Layout::parse("layout = 2\nwhatever = true\n").unwrap_err();
    assert!(bad.is_newer);
    assert_eq!(
        bad.to_string(),
        "line 1: this layout is of version 2, this program reads 1"
    );
    assert_eq!(Error::from(bad).kind, Kind::NewerFormat);
    check(
        "layout = \"1\"",
        &["line 1: `layout` is \"1\", it takes a number"],
    );
}

#[test]
fn what_is_no_toml_and_what_is_endless_is_refused() {
    let bad = Layout::parse("layout = 1\nname = \n").unwrap_err();
    assert!(
        bad.to_string().starts_with("line 2: this is no TOML: "),
        "{bad}"
    );
    check(
        &" ".repeat(MAX_TEXT_BYTES + 1),
        &["line 1: the text is longer than 262,144 bytes"],
    );
    // Deep nesting and many mistakes end soon.
    let deep = format!("layout = 1\nname = {}", "[".repeat(10_000));
    assert!(Layout::parse(&deep).is_err());
    let many = format!(
        "layout = 1\n{}",
        (0..5000).map(|n| format!("k{n} = 1\n")).collect::<String>()
    );
    assert_eq!(Layout::parse(&many).unwrap_err().mistakes.len(), 100);
}

#[test]
fn a_layout_written_as_text_reads_the_same() {
    let check = |text: &str| {
        let read = Layout::parse(text).unwrap_or_else(|bad| panic!("{bad}"));
        let again = read.to_text();
        let reread = Layout::parse(&again).unwrap_or_else(|bad| panic!("{bad}\n{again}"));
        let without_text = |layout: Layout| Layout {
            text: String::new(),
            ..layout
        };
        assert_eq!(without_text(reread), without_text(read), "{again}");
    };
    check(&documented_example());
    for layout in super::super::Layouts::builtin().iter() {
        check(layout.text());
    }
    check(&one_message(
        "title = 'say \"a\\b\"'\nbytes = [20, 30]\ncount = [1, 2]\nignore = [[5, -3], [-1, -1]]\n\
         checksum = { scheme = \"sum-in-nibbles\", from = 0, to = 3, at = -3, unpacked = true, mismatch = \"note\" }\n\
         packed = { form = \"nibbles-marked\", from = 4, to = -4, block = 4 }\n\
         patches = { from = 0, stride = 4, bytes = 3, count = 1, name = { at = 0, bytes = 2, alphabet = \" A\\\"\" }, slot = \"{n:02}\" }\n\
         [[request]]\ncount = { n = 3 }\nsteps = [{ end = \"count\", within-ms = 1 }, { end = \"m\", within-ms = 2 }]\n",
    ));
}
