//! The check characters exhaustively, then the ways a person types.

use super::*;

const LINE: &str = "AGE-SECRET-KEY-1GFPYYSJZGFPYYSJZGFPYYSJZGFPYYSJZGFPYYSJZGFPYYSJZGFPQ4EGAEX";

fn groups() -> Vec<String> {
    let identity = Identity::parse(LINE).unwrap();
    to_groups(&identity)
        .iter()
        .map(|g| g.to_lowercase())
        .collect()
}

/// A key whose groups all differ, in lower case as a person types.
fn varied() -> (Identity, Vec<String>) {
    let identity = Identity::generate();
    let groups = to_groups(&identity)
        .iter()
        .map(|g| g.to_lowercase())
        .collect();
    (identity, groups)
}

fn numbered(groups: &[String]) -> String {
    let mut text = String::new();
    for (idx, group) in groups.iter().enumerate() {
        text += &format!(
            "{:2}. {group}{}",
            idx + 1,
            if idx % 3 == 2 { "\n" } else { "   " }
        );
    }
    text
}

fn plain(groups: &[String]) -> String {
    groups.join(" ")
}

fn same(text: &str, identity: &Identity) {
    let found = parse_typed(text).unwrap_or_else(|e| panic!("{e}"));
    assert!(found.line().expose_secret() == identity.line().expose_secret());
}

fn faults_of(text: &str) -> Vec<(usize, Fault)> {
    match parse_typed(text) {
        Err(TypedError::Groups(faults)) => faults,
        Err(other) => panic!("{other:?}"),
        Ok(_) => panic!("taken"),
    }
}

/// # Source
/// BIP-173: generator constants 3b6a57b2, 26508e6d, 1ea119fa, 3d4233dd, 2a1462b3, six digits of five bits each.
#[test]
fn the_field_is_that_of_bip_173() {
    let rows: [u32; 5] = [0x3b6a57b2, 0x26508e6d, 0x1ea119fa, 0x3d4233dd, 0x2a1462b3];
    for pair in rows.windows(2) {
        for shift in (0..30).step_by(5) {
            let digit = |row: u32| (row >> shift & 31) as u8;
            assert_eq!(multiply(2, digit(pair[0])), digit(pair[1]));
        }
    }
}

#[test]
fn the_weights_are_distinct_and_none_is_zero() {
    let mut all = vec![1, NUMBER_WEIGHT];
    all.extend(WEIGHTS);
    all.sort_unstable();
    all.dedup();
    assert_eq!(all.len(), 6);
    assert!(!all.contains(&0));
    assert_eq!(multiply(2, WEIGHTS[3]), NUMBER_WEIGHT);
}

#[test]
fn a_key_has_fifteen_groups_that_read_back() {
    let groups = groups();
    assert_eq!(groups.len(), GROUPS);
    assert!(groups[..14].iter().all(|g| g.len() == 6), "{groups:?}");
    assert_eq!(groups[14].len(), 4);
    // Worked by hand: g=8 f=9 p=1 y=4; 9*1 + 2*8 + 4*9 + 8*1 + 16*4 = 9 ^ 16 ^ 13 ^ 8 ^ 18 = 14 = w.
    assert_eq!(groups[0], "gfpy-w");
    let identity = Identity::parse(LINE).unwrap();
    assert_eq!(*to_groups(&identity)[0], "GFPY-W");
    for _ in 0..50 {
        let (identity, groups) = varied();
        same(&numbered(&groups), &identity);
    }
}

#[test]
fn every_single_wrong_character_is_found() {
    for number in 1..=GROUPS {
        // Linear: what holds for the difference from one group holds for all, but the cheap full walk over one key is honest.
        let good: Vec<char> = groups()[number - 1].replace('-', "").chars().collect();
        assert!(fits(number, &good.iter().collect::<String>()));
        for at in 0..good.len() {
            for &other in ALPHABET {
                let mut bad = good.clone();
                bad[at] = char::from(other);
                let fine = fits(number, &bad.iter().collect::<String>());
                assert_eq!(fine, bad == good, "group {number} at {at}");
            }
        }
    }
}

#[test]
fn every_exchange_of_two_characters_is_found_for_every_pair_of_values() {
    for number in 1..=GROUPS {
        let length = full(number);
        for i in 0..length {
            for j in i + 1..length {
                for (a, b) in (0..32).flat_map(|a| (0..32).map(move |b| (a, b))) {
                    // All groups with a at i and b at j: for the check's place, solve for another free character.
                    let mut values = vec![0u8; length - 1];
                    if i < length - 1 {
                        values[i] = a;
                    }
                    if j < length - 1 {
                        values[j] = b;
                    } else {
                        let free = (0..length - 1).find(|&k| k != i).unwrap();
                        let fitting = (0..32).find(|&v| {
                            values[free] = v;
                            check(number, &values) == b
                        });
                        values[free] = fitting.unwrap();
                    }
                    values.push(check(number, &values));
                    assert_eq!((values[i], values[j]), (a, b));
                    values.swap(i, j);
                    let text: String = values.iter().map(|&v| letter(v)).collect();
                    assert_eq!(
                        fits(number, &text),
                        a == b,
                        "group {number}: {i} {j} {a} {b}"
                    );
                }
            }
        }
    }
}

#[test]
fn every_exchange_of_two_groups_is_found_and_both_are_named() {
    for i in 1..=14 {
        for j in i + 1..=14 {
            // Whatever the characters: the number's share of the sum differs.
            assert_ne!(check(i, &[0; 4]), check(j, &[0; 4]));
            let (_, mut groups) = varied();
            groups.swap(i - 1, j - 1);
            let faults = faults_of(&numbered(&groups));
            assert_eq!(faults, [(i, Fault::Wrong), (j, Fault::Wrong)]);
            let faults = faults_of(&groups.concat());
            assert_eq!(faults, [(i, Fault::Wrong), (j, Fault::Wrong)]);
        }
    }
}

#[test]
fn a_wrong_character_names_its_group_however_it_was_typed() {
    let (_, good) = varied();
    for number in 1..=GROUPS {
        for at in [0, 1, good[number - 1].len() - 1] {
            let mut groups = good.clone();
            let old = groups[number - 1].as_bytes()[at];
            // Letters only, so that a check is not read as a number when the blanks are odd.
            let new = if old == b'q' { "p" } else { "q" };
            groups[number - 1].replace_range(at..=at, new);
            let want = [(number, Fault::Wrong)];
            assert_eq!(faults_of(&numbered(&groups)), want, "numbered");
            assert_eq!(faults_of(&plain(&groups)), want, "plain");
            assert_eq!(faults_of(&groups.concat()), want, "run together");
            assert_eq!(faults_of(&numbered(&groups).replace(['.', '-'], " ")), want);
        }
    }
}

#[test]
fn the_key_is_read_however_it_was_typed() {
    for _ in 0..100 {
        let (identity, groups) = varied();
        let numbers = numbered(&groups);
        let line = identity.line().expose_secret().to_string();
        let data = line.strip_prefix(PREFIX).unwrap();
        for text in [
            numbers.clone(),
            numbers.to_uppercase(),
            numbers.replace('.', ""),
            numbers.replace('.', ":"),
            numbers.replace(". ", "."),
            numbers.replace(". ", ")"),
            numbers.replace('-', ""),
            numbers.replace('-', " "),
            numbers.replace(['.', '-'], " "),
            numbers.replace("   ", "\n"),
            numbers.replace(' ', "\n"),
            numbers.replace('\n', " "),
            numbers.replace(". ", ""),
            plain(&groups),
            plain(&groups).replace('-', ""),
            plain(&groups).replace(['-', ' '], "."),
            groups.concat(),
            groups.concat().replace('-', ""),
            numbers.replace('0', "O").replace("1O.", "10."),
            plain(&groups).replace('l', "I").replace('0', "o"),
            plain(&groups).replace('l', "1"),
            line.clone(),
            line.to_lowercase(),
            format!(
                "# created\n# public key: {}\n{line}\n",
                identity.recipient()
            ),
            format!("{} {}\n{}", &line[..20], &line[20..40], &line[40..]),
            line.replace('0', "O").replace('L', "1"),
            data.to_string(),
            data.to_lowercase(),
        ] {
            same(&text, &identity);
        }
    }
}

#[test]
fn missing_short_long_and_doubled_groups_are_named() {
    for number in 1..=GROUPS {
        let (_, good) = varied();
        let marked: Vec<String> = (1..).zip(&good).map(|(n, g)| format!("{n}. {g}")).collect();
        let mut left_out = marked.clone();
        left_out.remove(number - 1);
        assert_eq!(faults_of(&left_out.join("\n")), [(number, Fault::Missing)]);

        let mut short = marked.clone();
        let at = short[number - 1].len() - 3;
        short[number - 1].remove(at);
        let want = [(number, Fault::Length(full(number) - 1))];
        assert_eq!(faults_of(&short.join("\n")), want);

        let mut long = marked.clone();
        let group = good[number - 1].replace('-', "q");
        long[number - 1] = format!("{number}. {group}");
        let want = [(number, Fault::Length(full(number) + 1))];
        assert_eq!(faults_of(&long.join("\n")), want);

        let mut twice = marked.clone();
        twice.insert(number, marked[number - 1].clone());
        assert_eq!(faults_of(&twice.join("\n")), [(number, Fault::Twice)]);

        let mut foreign = marked.clone();
        foreign[number - 1] = format!("{number}. b{}", &good[number - 1][1..]);
        assert_eq!(faults_of(&foreign.join("\n")), [(number, Fault::Foreign)]);
    }
}

#[test]
fn a_missing_group_is_named_without_any_numbers() {
    let (_, good) = varied();
    for number in 1..=13 {
        let mut groups = good.clone();
        groups.remove(number - 1);
        let text = groups.join(" ").replace('-', "");
        assert_eq!(faults_of(&text), [(number, Fault::Missing)]);
    }
}

#[test]
fn what_is_no_key_says_how_much_was_read_and_shows_nothing() {
    for (text, error) in [
        ("", TypedError::Empty),
        (" - .\n", TypedError::Empty),
        ("hello", TypedError::Count(5)),
        (&"q".repeat(72), TypedError::Count(72)),
        (&"\u{e9}".repeat(40), TypedError::Count(40)),
        (
            "AGE-SECRET-KEY-1QQQQ",
            TypedError::Line(KeyError::BadIdentity),
        ),
    ] {
        assert_eq!(parse_typed(text).unwrap_err(), error, "{text}");
    }
    let (_, mut groups) = varied();
    let other = if groups[6].starts_with('q') { "p" } else { "q" };
    groups[6].replace_range(0..1, other);
    let error = parse_typed(&numbered(&groups)).unwrap_err();
    assert_eq!(
        error.to_string(),
        "group 7 does not fit its check character"
    );
    for secret in groups.iter().map(|g| &g[..4]) {
        assert!(!error.to_string().contains(secret) && !format!("{error:?}").contains(secret));
    }
}

#[test]
fn two_errors_that_outwit_a_group_are_found_by_the_whole() {
    let (_, mut groups) = varied();
    let values: Vec<u8> = groups[3].chars().take(4).filter_map(value).collect();
    // Change the first character and correct the second so that the check still fits.
    let mut other = values.clone();
    other[0] ^= 1;
    let wanted = check(4, &values);
    other[1] = (0..32)
        .find(|&v| check(4, &[other[0], v, other[2], other[3]]) == wanted)
        .unwrap();
    let text: String = other.iter().map(|&v| letter(v)).collect();
    groups[3].replace_range(0..4, &text);
    assert_eq!(
        parse_typed(&numbered(&groups)).unwrap_err(),
        TypedError::Whole
    );
}
