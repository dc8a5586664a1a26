//! Names that are typed in commands and written into file names: devices, sections, shelves, rigs and guests.
//!
//! 1. A name is 1 to 64 of `a-z 0-9 - _ .` and does not begin with a dot (a hidden file, or `..`).
//! 2. `local`, `-` and digits only are refused: they mean something else where a name may stand.
//! 3. `all` is refused too, but for sections, where it is the name of the whole memory.
//! 4. A section may not be called `loose`: that is where loose takes lie.
//! 5. Any other text can be folded to a name; a text that is a name already folds to itself.

use std::fmt;
use std::str::FromStr;

use unicode_normalization::UnicodeNormalization;
use unicode_normalization::char::is_combining_mark;

/// The longest name, in characters (all of them ASCII).
pub const MAX_CHARS: usize = 64;

/// Why a text is no name, and what could be used instead.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BadName {
    /// What should have been named: `device`, `section`, `shelf`, `rig` or `guest`.
    pub kind: &'static str,
    /// The text as it was given (untrusted; `Display` shows it escaped).
    pub text: String,
    /// What is wrong with it.
    pub problem: Problem,
    /// The folded form, where it is a name of this kind.
    pub suggestion: Option<String>,
}

/// What can be wrong with a name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Problem {
    /// No character at all.
    Empty,
    /// More than [`MAX_CHARS`] characters; this many.
    TooLong(usize),
    /// The first character that is not one of `a-z 0-9 - _ .`.
    Character(char),
    /// It begins with a dot.
    LeadingDot,
    /// It could be taken for a number.
    DigitsOnly,
    /// The word means something else here.
    Reserved,
}

impl fmt::Display for BadName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let BadName { kind, text, .. } = self;
        match self.problem {
            Problem::Empty => write!(f, "a {kind} needs a name")?,
            Problem::TooLong(chars) => write!(
                f,
                "a {kind} name has at most {MAX_CHARS} characters, this one has {chars}"
            )?,
            Problem::Character(c) => write!(
                f,
                "{text:?} cannot name a {kind}: {c:?} is not one of a-z 0-9 - _ ."
            )?,
            Problem::LeadingDot => {
                write!(f, "{text:?} cannot name a {kind}: it begins with a dot")?
            }
            Problem::DigitsOnly => write!(
                f,
                "{text:?} cannot name a {kind}: it would read as a number, add a letter"
            )?,
            Problem::Reserved => write!(
                f,
                "{text:?} cannot name a {kind}: the word has a meaning of its own"
            )?,
        }
        match &self.suggestion {
            Some(name) => write!(f, "; {name:?} would do"),
            None => Ok(()),
        }
    }
}

impl std::error::Error for BadName {}

macro_rules! names {
    ($( $(#[$about:meta])* $name:ident, $kind:literal, $reserved:expr; )+) => { $(
        $(#[$about])*
        #[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(String);

        impl $name {
            /// The name as text.
            pub fn as_str(&self) -> &str {
                &self.0
            }

            /// The name that any text folds to (see [`fold`]), if it is one of this kind.
            pub fn fold(text: &str) -> Option<$name> {
                fold(text)?.parse().ok()
            }
        }

        impl FromStr for $name {
            type Err = BadName;

            fn from_str(text: &str) -> Result<$name, BadName> {
                match problem(text, $reserved) {
                    None => Ok($name(text.to_owned())),
                    Some(problem) => Err(BadName {
                        kind: $kind,
                        text: text.to_owned(),
                        problem,
                        suggestion: $name::fold_other(text),
                    }),
                }
            }
        }

        impl $name {
            /// The folded form, where folding changes the text and mends it.
            fn fold_other(text: &str) -> Option<String> {
                fold(text).filter(|name| problem(name, $reserved).is_none())
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(&self.0)
            }
        }

        impl AsRef<str> for $name {
            fn as_ref(&self) -> &str {
                &self.0
            }
        }

        impl std::borrow::Borrow<str> for $name {
            fn borrow(&self) -> &str {
                &self.0
            }
        }
    )+ };
}

names! {
    /// The short name of a device, such as `pit-organ`: a role, whatever unit is behind it.
    DeviceId, "device", &["local", "all", "-"];
    /// The name of a section of a device's memory, such as `bank-a`.
    SectionName, "section", &["local", "loose", "-"];
    /// The name of a shelf.
    ShelfName, "shelf", &["local", "all", "-"];
    /// The name of a rig.
    RigName, "rig", &["local", "all", "-"];
    /// What a host calls one of its guests.
    GuestName, "guest", &["local", "all", "-"];
}

/// Turns any text, such as a folder name, into a name by the rules of the alphabet: capitals become small, marks fall off
/// their letters, anything else becomes one `-`, none at either end, cut at [`MAX_CHARS`].
///
/// `None` when nothing is left. The result may still be a reserved word or digits only; the `fold` of a kind refuses those.
pub fn fold(text: &str) -> Option<String> {
    if problem(text, &[]).is_none() {
        return Some(text.to_owned());
    }
    let mut name = String::new();
    for c in text.nfkd().filter(|&c| !is_combining_mark(c)) {
        // Upper case first, so that letters without a capital of their own fall apart: "ß" gives "SS".
        for c in c.to_uppercase().flat_map(char::to_lowercase) {
            match c {
                'a'..='z' | '0'..='9' | '_' | '.' => name.push(c),
                _ => match plain_letters(c) {
                    Some(letters) => name.push_str(letters),
                    None if !name.ends_with('-') => name.push('-'),
                    None => {}
                },
            }
        }
        // Bounded work: what is cut off below need not be built.
        if name.len() > 4 * MAX_CHARS {
            break;
        }
    }
    let begins = name.trim_start_matches(['-', '.']);
    let cut = &begins[..begins.len().min(MAX_CHARS)];
    let whole = cut.trim_end_matches(['-', '.']);
    (!whole.is_empty()).then(|| whole.to_owned())
}

/// The first thing that is wrong with `text` as a name.
fn problem(text: &str, reserved: &[&str]) -> Option<Problem> {
    let allowed = |c: &char| matches!(c, 'a'..='z' | '0'..='9' | '-' | '_' | '.');
    if text.is_empty() {
        Some(Problem::Empty)
    } else if let Some(c) = text.chars().find(|c| !allowed(c)) {
        Some(Problem::Character(c))
    } else if text.len() > MAX_CHARS {
        Some(Problem::TooLong(text.len()))
    } else if text.starts_with('.') {
        Some(Problem::LeadingDot)
    } else if reserved.contains(&text) {
        Some(Problem::Reserved)
    } else if text.bytes().all(|b| b.is_ascii_digit()) {
        Some(Problem::DigitsOnly)
    } else {
        None
    }
}

/// Letters of European names that have no decomposition, in the spelling used where they are missing.
fn plain_letters(c: char) -> Option<&'static str> {
    Some(match c {
        'æ' => "ae",
        'œ' => "oe",
        'ø' => "o",
        'ł' => "l",
        'đ' | 'ð' => "d",
        'þ' => "th",
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn names_are_read_or_refused_with_the_reason() {
        let check = |text: &str, expected: Result<(), Problem>| {
            let got = text.parse::<DeviceId>();
            assert_eq!(got.map(|_| ()).map_err(|e| e.problem), expected, "{text:?}");
        };
        check("pit-organ", Ok(()));
        check("a", Ok(()));
        check("_", Ok(()));
        check("8bit_v1.2-b", Ok(()));
        check(&"x".repeat(64), Ok(()));
        check(&"x".repeat(65), Err(Problem::TooLong(65)));
        check("", Err(Problem::Empty));
        check(".", Err(Problem::LeadingDot));
        check("..", Err(Problem::LeadingDot));
        check(".hidden", Err(Problem::LeadingDot));
        check("Pit", Err(Problem::Character('P')));
        check("a b", Err(Problem::Character(' ')));
        check("a/b", Err(Problem::Character('/')));
        check("a\\b", Err(Problem::Character('\\')));
        check("a@b", Err(Problem::Character('@')));
        check("a\n", Err(Problem::Character('\n')));
        check("orgül", Err(Problem::Character('ü')));
        check("12", Err(Problem::DigitsOnly));
        check("local", Err(Problem::Reserved));
        check("all", Err(Problem::Reserved));
        check("-", Err(Problem::Reserved));
        check("loose", Ok(()));
    }

    #[test]
    fn sections_may_be_all_but_not_loose() {
        let check = |text: &str, expected: bool| {
            assert_eq!(text.parse::<SectionName>().is_ok(), expected, "{text}");
        };
        check("all", true);
        check("bank-a", true);
        check("loose", false);
        check("local", false);
        check("-", false);
        check("1", false);
        assert!("all".parse::<ShelfName>().is_err());
        assert!("all".parse::<RigName>().is_err());
    }

    #[test]
    fn a_refusal_says_what_is_wrong_and_what_would_do() {
        let check = |text: &str, expected: &str| {
            assert_eq!(text.parse::<DeviceId>().unwrap_err().to_string(), expected);
        };
        check(
            "Pit Organ",
            r#""Pit Organ" cannot name a device: 'P' is not one of a-z 0-9 - _ .; "pit-organ" would do"#,
        );
        check("", "a device needs a name");
        check(
            "2019",
            r#""2019" cannot name a device: it would read as a number, add a letter"#,
        );
        check(
            ".x",
            r#"".x" cannot name a device: it begins with a dot; "x" would do"#,
        );
        check(
            "Local",
            r#""Local" cannot name a device: 'L' is not one of a-z 0-9 - _ ."#,
        );
        check(
            "\u{1b}[2J",
            r#""\u{1b}[2J" cannot name a device: '\u{1b}' is not one of a-z 0-9 - _ .; "2j" would do"#,
        );
    }

    #[test]
    fn any_text_folds_to_a_name() {
        let check = |text: &str, expected: Option<&str>| {
            assert_eq!(fold(text).as_deref(), expected, "{text:?}");
        };
        check("Pit Organ", Some("pit-organ"));
        check("Großer Flügel", Some("grosser-flugel"));
        check("Cafe\u{301} (backup)", Some("cafe-backup"));
        check("  lena's   desk  ", Some("lena-s-desk"));
        check("Ørsted & Łódź", Some("orsted-lodz"));
        check("ＦＵＬＬ width №5", Some("full-width-no5"));
        check("../etc/passwd", Some("etc-passwd"));
        check(".DS_Store", Some("ds_store"));
        check("V1.2_b", Some("v1.2_b"));
        check("a--b.", Some("a--b."));
        check("2019", Some("2019"));
        check("", None);
        check("---!", None);
        check("シンセ", None);
        check(
            &"Ab ".repeat(99),
            Some("ab-".repeat(22)[..64].trim_end_matches('-')),
        );
        assert_eq!(DeviceId::fold("2019"), None);
        assert_eq!(DeviceId::fold("ALL"), None);
        assert_eq!(
            SectionName::fold("ALL").as_ref().map(SectionName::as_str),
            Some("all")
        );
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn folding_gives_a_name_that_folds_to_itself(text in any::<String>()) {
            if let Some(name) = fold(&text) {
                prop_assert!(matches!(problem(&name, &[]), None | Some(Problem::DigitsOnly)));
                prop_assert_eq!(fold(&name), Some(name));
            }
        }

        #[test]
        fn a_name_is_displayed_as_it_was_read(text in "[a-z_][a-z0-9._-]{1,63}") {
            prop_assume!(text != "local" && text != "all");
            prop_assert_eq!(text.parse::<RigName>().unwrap().to_string(), text);
        }
    }
}
