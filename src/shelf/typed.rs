//! The typed form of the key for paper: fifteen numbered groups of four characters, each with a check character.
//!
//! The 58 characters after `AGE-SECRET-KEY-1` are split into groups of four (the last has two). A group's check character makes the
//! sum of *weight times character* zero in GF(32), the field of BIP-173, over its number, its characters and the check itself.
//! All weights are distinct and none is zero, so every single wrong character, every exchange of two characters of a group (the check
//! included) and every exchange of two groups is found, and named. Errors never quote a character of the key.

use std::fmt;

use super::cipher::ExposeSecret;
use zeroize::Zeroizing;

use super::cipher::{Identity, KeyError};

/// How many groups a key has.
pub const GROUPS: usize = 15;

/// What does not fit in one group.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// Its characters do not fit its check character.
    Wrong,
    /// It holds a character that no key holds.
    Foreign,
    /// It is not there.
    Missing,
    /// It is there more than once.
    Twice,
    /// It has this many characters, the check character included, instead of five (three in the last group).
    Length(usize),
}

/// Why a typed key was not taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum TypedError {
    /// Nothing was typed.
    Empty,
    /// An identity line was typed and is altered or not complete.
    Line(KeyError),
    /// These groups (numbers 1 to 15, ascending) do not fit.
    Groups(Vec<(usize, Fault)>),
    /// Neither 73 characters in groups nor 58 without checks; this many were read.
    Count(usize),
    /// Every group fits its check character, the whole does not: at least two characters of one group are wrong.
    Whole,
}

/// Gives the fifteen groups in order, each as four (the last: two) characters, a dash and the check character, upper case as in
/// the identity line. Secret.
pub fn to_groups(identity: &Identity) -> Vec<Zeroizing<String>> {
    let line = identity.line();
    let data = line.expose_secret().get(PREFIX.len()..).unwrap_or_default();
    let values: Zeroizing<Vec<u8>> = Zeroizing::new(data.chars().filter_map(value).collect());
    values
        .chunks(4)
        .enumerate()
        .map(|(idx, group)| {
            let mut text = Zeroizing::new(String::with_capacity(8));
            text.extend(group.iter().map(|&v| letter(v).to_ascii_uppercase()));
            text.push('-');
            text.push(letter(check(idx + 1, group)).to_ascii_uppercase());
            text
        })
        .collect()
}

/// Reads a key that a person typed or pasted: the groups of [`to_groups`], with or without numbers, dashes, dots, blanks and line
/// breaks, in any case, or the identity line, or an age key file. `o` is read as `0`, `1` and `i` as `l`, which no key holds.
///
/// # Errors
/// Every kind of [`TypedError`].
pub fn parse_typed(text: &str) -> Result<Identity, TypedError> {
    if let Some(result) = parse_line(text) {
        return result;
    }
    let pieces = pieces(text);
    let joined: Zeroizing<String> =
        Zeroizing::new(pieces.iter().map(|p| p.text.as_str()).collect());
    if joined.is_empty() {
        return Err(TypedError::Empty);
    }
    // Without numbers the count alone decides, whatever the blanks.
    match joined.chars().count() {
        WITH_CHECKS => {
            let groups = cut(&joined);
            let faults = faults(&groups);
            // A text of groups with numbers can have this length too, then nearly nothing fits.
            if faults.len() <= GROUPS / 2 {
                return finish(&groups, faults);
            }
        }
        WITHOUT_CHECKS => {
            if let Ok(identity) = from_data(&joined) {
                return Ok(identity);
            }
        }
        _ => {}
    }
    let groups = gather(&pieces);
    let faults = faults(&groups);
    let n_fitting = GROUPS - faults.len().min(GROUPS);
    if n_fitting == 0 || (n_fitting < 3 && groups.len() != GROUPS) {
        return Err(TypedError::Count(joined.chars().count()));
    }
    finish(&groups, faults)
}

impl fmt::Display for TypedError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            TypedError::Empty => f.write_str("no key was typed"),
            TypedError::Line(error) => error.fmt(f),
            TypedError::Groups(faults) => {
                for (idx, (number, fault)) in faults.iter().enumerate() {
                    if idx > 0 {
                        f.write_str(", ")?;
                    }
                    write!(f, "group {number} ")?;
                    match fault {
                        Fault::Wrong => f.write_str("does not fit its check character")?,
                        Fault::Foreign => f.write_str("holds a character that no key has")?,
                        Fault::Missing => f.write_str("is missing")?,
                        Fault::Twice => f.write_str("is there twice")?,
                        Fault::Length(n) => {
                            write!(f, "has {n} characters, {} are wanted", full(*number))?;
                        }
                    }
                }
                Ok(())
            }
            TypedError::Count(n) => write!(
                f,
                "{n} characters were read where a key has {WITH_CHECKS} in {GROUPS} groups"
            ),
            TypedError::Whole => f.write_str(
                "every group fits its check character but the key as a whole does not: \
                 two characters of one group are wrong",
            ),
        }
    }
}

impl std::error::Error for TypedError {}

const PREFIX: &str = "AGE-SECRET-KEY-1";
const WITHOUT_CHECKS: usize = 58;
const WITH_CHECKS: usize = WITHOUT_CHECKS + GROUPS;

/// The character of each value.
///
/// # Source
/// BIP-173, "Bech32".
const ALPHABET: &[u8; 32] = b"qpzry9x8gf2tvdw0s3jn54khce6mua7l";

/// Weights of a group's characters: powers of the field's generator, distinct from each other, from the check's weight 1 and from
/// [`NUMBER_WEIGHT`].
const WEIGHTS: [u8; 4] = [2, 4, 8, 16];

/// The next power, 2^5 reduced.
const NUMBER_WEIGHT: u8 = 9;

/// What a person or a word processor makes of the dash before a check character.
const DASHES: [char; 5] = ['-', '\u{2010}', '\u{2011}', '\u{2013}', '\u{2014}'];

/// One run of letters and digits.
struct Piece {
    text: Zeroizing<String>,
    /// Followed by a dot, colon or bracket: if it reads as a number, it is one.
    marked: bool,
}

/// One group as it was read.
struct Group {
    number: Option<usize>,
    text: Zeroizing<String>,
}

/// Takes the text as an identity line or key file, if it looks like one.
fn parse_line(text: &str) -> Option<Result<Identity, TypedError>> {
    if let Ok(identity) = Identity::parse(text) {
        return Some(Ok(identity));
    }
    let mut bare = Zeroizing::new(String::with_capacity(text.len()));
    for line in text.lines().filter(|l| !l.trim_start().starts_with('#')) {
        bare.extend(line.chars().filter(|c| c.is_alphanumeric()));
    }
    let start: String = bare.chars().take(13).collect();
    if !start.eq_ignore_ascii_case("AGESECRETKEY1") {
        return None;
    }
    let rest = bare.get(13..).unwrap_or_default();
    Some(match from_data(rest) {
        Ok(identity) => Ok(identity),
        // The groups may stand behind the prefix; if they do not, the line is what was meant.
        Err(_) if rest.chars().count() > WITHOUT_CHECKS + 2 => parse_typed(rest),
        Err(error) => Err(error),
    })
}

/// Builds the identity from its 58 characters.
fn from_data(data: &str) -> Result<Identity, TypedError> {
    let bad = TypedError::Line(KeyError::BadIdentity);
    let mut line = Zeroizing::new(String::with_capacity(PREFIX.len() + WITHOUT_CHECKS));
    line.push_str(PREFIX);
    for c in data.chars() {
        let v = value(c).ok_or(bad.clone())?;
        line.push(letter(v).to_ascii_uppercase());
    }
    if line.len() != PREFIX.len() + WITHOUT_CHECKS {
        return Err(bad);
    }
    Identity::parse(&line).map_err(|_| bad)
}

fn finish(groups: &[Group], faults: Vec<(usize, Fault)>) -> Result<Identity, TypedError> {
    if !faults.is_empty() {
        return Err(TypedError::Groups(faults));
    }
    let mut data = Zeroizing::new(String::with_capacity(WITHOUT_CHECKS));
    for number in 1..=GROUPS {
        for group in groups.iter().filter(|g| g.number == Some(number)) {
            data.extend(group.text.chars().take(full(number) - 1));
        }
    }
    from_data(&data).map_err(|_| TypedError::Whole)
}

/// How many characters a group has, its check included.
fn full(number: usize) -> usize {
    if number == GROUPS { 3 } else { 5 }
}

fn pieces(text: &str) -> Vec<Piece> {
    let mut pieces: Vec<Piece> = Vec::new();
    let mut open = false;
    for c in text.chars() {
        if c.is_alphanumeric() {
            if !open {
                let text = Zeroizing::new(String::with_capacity(WITH_CHECKS * 2));
                let marked = false;
                pieces.push(Piece { text, marked });
            }
            if let Some(last) = pieces.last_mut() {
                last.text.extend(c.to_lowercase());
            }
        } else if open
            && matches!(c, '.' | ':' | ')' | ']')
            && let Some(last) = pieces.last_mut()
        {
            last.marked = true;
        }
        // A dash inside a group holds it together.
        open = c.is_alphanumeric() || (open && DASHES.contains(&c));
    }
    pieces
}

/// Cuts 73 characters by count.
fn cut(joined: &str) -> Vec<Group> {
    let mut rest = joined.chars();
    (1..=GROUPS)
        .map(|number| Group {
            number: Some(number),
            text: Zeroizing::new(rest.by_ref().take(full(number)).collect()),
        })
        .collect()
}

/// Gathers groups along numbers, blanks and line breaks, and numbers those that came without.
fn gather(pieces: &[Piece]) -> Vec<Group> {
    let mut groups: Vec<Group> = Vec::new();
    for piece in pieces {
        let expected = groups
            .last()
            .map_or(1, |g| g.number.map_or(groups.len() + 1, |n| n + 1));
        let text = piece.text.as_str();
        if let Some(last) = groups.last_mut() {
            let room = full(expected - 1).saturating_sub(last.text.chars().count());
            let next = piece.marked || (text.len() == 2 && as_number(text) == Some(expected));
            let begins = next && as_number(text).is_some() && !last.text.is_empty();
            if text.chars().count() <= room && !begins {
                last.text.push_str(text);
                continue;
            }
        }
        if let Some(number) = as_number(text) {
            let text = Zeroizing::new(String::with_capacity(16));
            let number = Some(number);
            groups.push(Group { number, text });
            continue;
        }
        // A number written right before its group.
        let glued = [format!("{expected:02}"), expected.to_string()]
            .iter()
            .filter_map(|number| text.strip_prefix(number.as_str()))
            .find(|rest| rest.chars().count() == full(expected));
        match (groups.last_mut(), glued) {
            // The number was a piece of its own and the group is too long for it.
            (Some(last), _) if last.text.is_empty() => last.text.push_str(text),
            (_, Some(rest)) => groups.push(Group {
                number: Some(expected),
                text: Zeroizing::new(rest.to_string()),
            }),
            _ => groups.push(Group {
                number: None,
                text: Zeroizing::new(text.to_string()),
            }),
        }
    }
    place(&mut groups);
    groups
}

/// Numbers the groups that came without: a group that fits one number only can be none but that, the others follow in order.
fn place(groups: &mut [Group]) {
    let mut previous = 0;
    for idx in 0..groups.len() {
        if groups[idx].number.is_none() {
            let expected = previous + 1;
            let fitting = (expected..=GROUPS).find(|&n| fits(n, &groups[idx].text));
            // A jump is believed only if the next group goes on from there.
            let believed = fitting.filter(|&n| {
                n == expected
                    || n == GROUPS
                    || groups
                        .get(idx + 1)
                        .is_some_and(|next| fits(n + 1, &next.text))
            });
            groups[idx].number = Some(believed.unwrap_or(expected));
        }
        previous = groups[idx].number.unwrap_or(previous);
    }
}

/// Names what does not fit, by group number, ascending.
fn faults(groups: &[Group]) -> Vec<(usize, Fault)> {
    let mut faults = Vec::new();
    for number in 1..=GROUPS.max(groups.len()) {
        let mut found = groups.iter().filter(|g| g.number == Some(number));
        let (first, second) = (found.next(), found.next());
        let Some(group) = first else {
            if number <= GROUPS {
                faults.push((number, Fault::Missing));
            }
            continue;
        };
        let n_chars = group.text.chars().count();
        if number > GROUPS {
            faults.push((GROUPS, Fault::Length(full(GROUPS) + n_chars)));
        } else if second.is_some() {
            faults.push((number, Fault::Twice));
        } else if n_chars != full(number) {
            faults.push((number, Fault::Length(n_chars)));
        } else if group.text.chars().any(|c| value(c).is_none()) {
            faults.push((number, Fault::Foreign));
        } else if !fits(number, &group.text) {
            faults.push((number, Fault::Wrong));
        }
    }
    faults
}

/// Says whether a group with its check character fits its number.
fn fits(number: usize, text: &str) -> bool {
    let values: Option<Vec<u8>> = text.chars().map(value).collect();
    let values = Zeroizing::new(values.unwrap_or_default());
    match values.split_last() {
        Some((last, group)) if values.len() == full(number) => check(number, group) == *last,
        _ => false,
    }
}

/// The check value of a group: its own weight is 1 and addition is subtraction, so it is the sum of the rest.
fn check(number: usize, group: &[u8]) -> u8 {
    let number = u8::try_from(number).unwrap_or_default();
    let mut sum = multiply(NUMBER_WEIGHT, number);
    for (&weight, &value) in WEIGHTS.iter().zip(group) {
        sum ^= multiply(weight, value);
    }
    sum
}

/// Multiplies in GF(32) with x^5 = x^3 + 1.
///
/// # Source
/// BIP-173: the field of its generator, whose rows are each twice the row before.
fn multiply(a: u8, b: u8) -> u8 {
    let mut product = 0;
    let mut a = a;
    for bit in 0..5 {
        if b >> bit & 1 == 1 {
            product ^= a;
        }
        a <<= 1;
        if a & 32 != 0 {
            a ^= 0b10_1001;
        }
    }
    product
}

fn as_number(text: &str) -> Option<usize> {
    if text.is_empty() || text.len() > 2 || !text.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    text.parse().ok().filter(|n| (1..=GROUPS).contains(n))
}

/// The value of a character, `o`, `1` and `i` read as what they must be: the alphabet has `0` and `l` and none of the three.
fn value(c: char) -> Option<u8> {
    let c = match c.to_ascii_lowercase() {
        'o' => '0',
        '1' | 'i' => 'l',
        c => c,
    };
    let at = ALPHABET.iter().position(|&a| char::from(a) == c)?;
    u8::try_from(at).ok()
}

fn letter(value: u8) -> char {
    char::from(ALPHABET[usize::from(value & 31)])
}

#[cfg(test)]
mod tests;
