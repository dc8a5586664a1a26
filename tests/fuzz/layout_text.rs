//! Target: the text of a layout; and the making of texts that are nearly right.

use farshelf::layout::{Layout, Layouts, explain};
use farshelf::model::hash::Hash;

use crate::choices::Choices;
use crate::fuzz;
use crate::watch::{Limits, Seen};

/// What TOML takes for its tree, and twice a layout.
const LIMITS: Limits = Limits {
    most_per_byte: 1200,
    total_per_byte: 6000,
    total: 6 << 20,
};

#[test]
fn any_text_is_a_layout_or_not() {
    fuzz!("text of a layout", check);
}

fn check(bytes: &[u8], seen: &Seen) {
    let mut choices = Choices::new(bytes);
    let text = match choices.below(8) {
        0 => String::from_utf8_lossy(choices.rest()).into_owned(),
        1..4 => damaged(&mut choices),
        _ => made(&mut choices),
    };
    seen.watch(&LIMITS, &[text.as_bytes()], || judge(&text));
}

fn judge(text: &str) {
    match Layout::parse(text) {
        Ok(layout) => {
            assert_eq!(layout.text(), text);
            assert_eq!(layout.hash(), Hash::of(text.as_bytes()));
            assert!(!explain(&layout).is_empty());
            let again = layout.to_text();
            let again = Layout::parse(&again).unwrap_or_else(|bad| panic!("{bad}\n{again}"));
            assert_eq!(again.to_text(), layout.to_text());
            assert_eq!(again.messages, layout.messages);
            assert_eq!(again.requests, layout.requests);
        }
        Err(bad) => {
            let n_lines = text.bytes().filter(|b| *b == b'\n').count() + 1;
            assert!(!bad.mistakes.is_empty() && bad.mistakes.len() <= 100);
            assert!(bad.mistakes.iter().all(|m| (1..=n_lines).contains(&m.line)));
            assert!(!bad.to_string().contains('\n'), "one line: {bad}");
        }
    }
}

/// A text that is a layout, or nearly.
pub fn any(choices: &mut Choices<'_>) -> String {
    match choices.once_in(3) {
        true => damaged(choices),
        false => made(choices),
    }
}

const NUMBERS: [i64; 24] = [
    0,
    1,
    2,
    3,
    4,
    6,
    7,
    8,
    10,
    16,
    40,
    127,
    128,
    255,
    256,
    1000,
    16_384,
    524_288,
    16_777_216,
    16_777_217,
    4_294_967_295,
    -1,
    -2,
    -16_777_216,
];

const TEXTS: [&str; 26] = [
    "F0 43 0n 09 20 00",
    "F0 7D 0n 22 bb",
    "F0 00 20 29 0n pp pp",
    "F0 xx xx xx",
    "F0",
    "F0 7D 0n 31 bb pp F7",
    "{b:A}{p/8+1}{p%8+1}",
    "{p}{p}{p}{p}{p}{p}{p}{p}{n}{b}",
    "bank-{b:A}",
    "{p+999999:09}",
    "sum-to-zero",
    "sum",
    "xor",
    "sum-in-nibbles",
    "seven-in-eight-low",
    "seven-in-eight-high",
    "nibbles-marked",
    "hex-pairs",
    "0-10",
    "0-16383",
    "6*17: 0-10 11.0-1 11.2-3 =0",
    "99999*99999: 99999.7",
    "bank",
    "patch",
    "quiet",
    "count",
];

/// The text of a layout that comes with the program, or of the documentation, with some lines and words exchanged.
fn damaged(choices: &mut Choices<'_>) -> String {
    let documented = include_str!("../../src/layout/LAYOUTS.md");
    let documented = documented
        .split("```")
        .nth(1)
        .and_then(|t| t.strip_prefix("toml\n"));
    let layouts = Layouts::builtin();
    let mut texts: Vec<&str> = layouts.iter().map(|l| l.text()).collect();
    texts.extend(documented);
    let text = *choices.one_of(&texts);
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    for _ in 0..choices.below(5) {
        let (a, b) = (choices.below(lines.len()), choices.below(lines.len()));
        match choices.below(8) {
            0 => drop(lines.remove(a)),
            1 => lines.insert(b, lines[a].clone()),
            2 => lines.swap(a, b),
            3..6 => exchange(&mut lines[a], choices),
            6 => {
                let other = *choices.one_of(&texts);
                let n = choices.below(other.lines().count());
                lines.insert(b, other.lines().nth(n).unwrap_or_default().to_owned());
            }
            _ => {
                let mut bytes = std::mem::take(&mut lines[a]).into_bytes();
                choices.damage(&mut bytes);
                lines[a] = String::from_utf8_lossy(&bytes).into_owned();
            }
        }
        if lines.is_empty() {
            break;
        }
    }
    lines.join("\n")
}

/// Another number or text in place of one of a line.
fn exchange(line: &mut String, choices: &mut Choices<'_>) {
    let starts: Vec<usize> = line
        .char_indices()
        .filter(|(at, c)| {
            let before = line[..*at].chars().next_back();
            *c == '"' || c.is_ascii_digit() && !before.is_some_and(char::is_alphanumeric)
        })
        .map(|(at, _)| at)
        .collect();
    if starts.is_empty() {
        return;
    }
    let at = *choices.one_of(&starts);
    let (before, rest) = line.split_at(at);
    let changed = match rest.strip_prefix('"') {
        Some(rest) => {
            let end = rest.find('"').map_or(rest.len(), |end| end + 1);
            format!("{before}\"{}\"{}", choices.one_of(&TEXTS), &rest[end..])
        }
        None => {
            let end = rest
                .find(|c: char| !c.is_ascii_digit())
                .unwrap_or(rest.len());
            format!("{before}{}{}", choices.one_of(&NUMBERS), &rest[end..])
        }
    };
    *line = changed;
}

/// As much as few words can ask for: the same kind of message again and again.
fn dense(choices: &mut Choices<'_>) -> String {
    const KINDS: [&str; 5] = [
        "patches={from=0,stride=1,count=1,single-map=[\"0-4095\"]}",
        "patches={from=0,stride=1,count=1,single-map=[\"0-16383\"]}",
        "patches={from=0,stride=1,count=1,single-map=[\"16384*1:0\"]}",
        "patches={from=0,stride=1,count=4294967295,name={at=0,bytes=1}}",
        "count=4294967295\nignore=[[0,1]]",
    ];
    let kind = *choices.one_of(&KINDS);
    let mut text = String::from("layout=1\nname=\"a\"\ntitle=\"a\"\n");
    for k in 0..choices.below(16) {
        text += &format!("[[message]]\nname=\"{k}\"\nheader=\"F0 01\"\n{kind}\n");
    }
    text
}

/// A layout made from nothing: mostly one that holds together.
pub fn made(choices: &mut Choices<'_>) -> String {
    if choices.once_in(16) {
        return dense(choices);
    }
    let mut text = String::from("layout = 1\nname = \"made-up\"\ntitle = \"Made up\"\n");
    if choices.once_in(4) {
        text += "panel = 1\nholds-for = [\"1.0\"]\nnot-stored = [\"tune\"]\n";
    }
    let n_kinds = 1 + choices.below(4);
    for kind in 0..n_kinds {
        made_kind(kind, n_kinds, &mut text, choices);
    }
    if choices.once_in(4) {
        let send = choices.one_of(&["F0 7D 0n 31 bb pp F7", "F0 43 2n F7", "F0 F7"]);
        let end = choices.one_of(&["quiet", "count", "k0"]);
        text += &format!(
            "[[request]]\ncount = {{ p = [0, {}] }}\nsteps = [{{ send = \"{send}\" }}, {{ end = \"{end}\", within-ms = 2000 }}]\n",
            choices.one_of(&NUMBERS)
        );
    }
    text
}

fn made_kind(kind: usize, n_kinds: usize, text: &mut String, choices: &mut Choices<'_>) {
    const HEADERS: [(&str, i64); 10] = [
        ("F0 01", 2),
        ("F0 01 xx", 3),
        ("F0 7D", 2),
        ("F0 7D 0n 22 bb", 5),
        ("F0 7D 0n 21 bb pp", 6),
        ("F0 7D 0n pp pp", 5),
        ("F0 43 0n 09 20 00", 6),
        ("F0 43 nn bb pp pp pp pp", 8),
        ("F0 00 20 29 bp", 5),
        ("F0 7D xn xb xp", 5),
    ];
    let (header, n_header) = *choices.one_of(&HEADERS);
    *text += &format!("[[message]]\nname = \"k{kind}\"\nheader = \"{header}\"\n");
    let usual = n_header + 2 + choices.below(300) as i64;
    let n_bytes = match choices.below(8) {
        0 => *choices.one_of(&NUMBERS),
        _ => usual,
    };
    match choices.below(4) {
        0 => {}
        1 => *text += &format!("bytes = [{}, {n_bytes}]\n", n_header + 1),
        _ => *text += &format!("bytes = {n_bytes}\n"),
    }
    if choices.once_in(3) {
        let count = match choices.once_in(3) {
            true => *choices.one_of(&NUMBERS),
            false => 1 + choices.below(20) as i64,
        };
        *text += &format!("count = {count}\n");
    }
    if choices.once_in(3) {
        *text += choices.one_of::<&str>(&[
            "section = \"bank-{b:A}\"\n",
            "section = \"all\"\n",
            "section = \"s{n}{b}\"\n",
        ]);
    }
    if choices.once_in(4) {
        *text += "loose = true\n";
    }
    if choices.once_in(4) {
        let at = choices.below(20);
        *text += &format!("ignore = [[{at}, {}], [-3, -3]]\n", at + choices.below(20));
    }
    let is_packed = choices.once_in(3);
    if choices.once_in(2) {
        let scheme = choices.one_of(&["sum-to-zero", "sum", "xor", "sum-in-nibbles"]);
        let (at, to) = if *scheme == "sum-in-nibbles" {
            (-3, -4)
        } else {
            (-2, -3)
        };
        let more = match choices.below(6) {
            0 => ", optional = true",
            1 => ", mismatch = \"note\"",
            2 if is_packed => ", unpacked = true",
            _ => "",
        };
        let span = match more.contains("unpacked") {
            true => String::new(),
            false => format!(
                "from = {}, to = {to}, ",
                choices.one_of(&[n_header, n_header, 1, 0, -9])
            ),
        };
        *text += &format!("checksum = {{ scheme = \"{scheme}\", {span}at = {at}{more} }}\n");
    }
    if is_packed {
        let form = choices.one_of(&[
            "seven-in-eight-high",
            "seven-in-eight-low",
            "nibbles-high-first",
            "nibbles-low-first",
            "nibbles-marked",
            "hex-pairs",
        ]);
        let block = match choices.below(4) {
            0 => ", block = 8",
            1 => ", block = 2",
            _ => "",
        };
        let to = *choices.one_of(&[-2, -3, -4]);
        *text +=
            &format!("packed = {{ form = \"{form}\", from = {n_header}, to = {to}{block} }}\n");
    }
    if choices.below(4) > 0 {
        made_patches(
            kind,
            n_kinds,
            n_bytes,
            if is_packed { 0 } else { n_header },
            text,
            choices,
        );
    }
}

fn made_patches(
    kind: usize,
    n_kinds: usize,
    n_bytes: i64,
    from: i64,
    text: &mut String,
    choices: &mut Choices<'_>,
) {
    let room = (n_bytes / 2 - from).clamp(1, 100_000_000);
    let count = match choices.below(4) {
        0 => 1,
        1 => room,
        2 => *choices.one_of(&NUMBERS),
        _ => 1 + choices.below(8) as i64,
    };
    let stride = match choices.once_in(8) {
        true => *choices.one_of(&NUMBERS),
        false => (room / count.max(1)).max(1),
    };
    let bytes = if choices.once_in(4) { 1 } else { stride };
    *text += &format!(
        "[message.patches]\nfrom = {from}\nstride = {stride}\nbytes = {bytes}\ncount = {count}\n"
    );
    if choices.once_in(2) {
        let n = bytes.clamp(1, 256);
        let how = choices.one_of(&[
            "",
            ", encoding = \"ascii\"",
            ", alphabet = \" ABC\u{e9}\u{1d11e}\"",
        ]);
        *text += &format!("name = {{ at = 0, bytes = {n}{how} }}\n");
    }
    if choices.once_in(3) {
        let long = "{p}".repeat(66);
        let slot = *choices.one_of(&["{p/8+1}{p%8+1}", "{p:A}", "{p+999999:09}", &long]);
        *text += &format!("slot = \"{slot}\"\n");
    }
    if choices.once_in(4) {
        *text += &format!("ignore = [[{0}, {0}]]\n", bytes - 1);
    }
    if choices.once_in(3) {
        let target = choices.below(n_kinds);
        *text += &format!("single = \"k{target}\"\n");
        match choices.below(4) {
            0 => *text += &format!("single-map = [\"0-{}\"]\n", bytes - 1),
            1 => *text += "single-map = [\"0-16383\"]\n",
            2 => *text += &format!("single-map = [\"{}\"]\n", choices.one_of(&TEXTS)),
            _ => {}
        }
    }
    let _ = kind;
}
