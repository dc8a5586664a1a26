//! Where something physically is, in a person's own words.
//!
//! 1. Two places are the same when their words are, without regard to case, outer blanks or Unicode form.
//! 2. A place is shown as it was typed, but for the outer blanks.
//! 3. A place has at least one character and no control characters.

use std::fmt;
use std::hash::{Hash, Hasher};
use std::str::FromStr;

use unicode_normalization::UnicodeNormalization;

/// A place such as "studio" or "lena's flat".
#[derive(Clone, Debug)]
pub struct Place {
    text: String,
    /// What comparison looks at; derived from `text`.
    folded: String,
}

/// Why a text cannot name a place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BadPlace {
    /// Nothing but blanks.
    Empty,
    /// It holds this control character.
    Control(char),
}

impl Place {
    /// The words as they were typed, without outer blanks.
    pub fn as_str(&self) -> &str {
        &self.text
    }

    /// The form that decides whether two places are the same, also as a key to store or sort by.
    pub fn folded(&self) -> &str {
        &self.folded
    }
}

impl FromStr for Place {
    type Err = BadPlace;

    fn from_str(text: &str) -> Result<Place, BadPlace> {
        let text = text.trim();
        if let Some(c) = text.chars().find(|c| c.is_control()) {
            return Err(BadPlace::Control(c));
        }
        let folded = fold(text);
        if folded.is_empty() {
            return Err(BadPlace::Empty);
        }
        Ok(Place {
            text: text.to_owned(),
            folded,
        })
    }
}

impl PartialEq for Place {
    fn eq(&self, other: &Place) -> bool {
        self.folded == other.folded
    }
}

impl Eq for Place {}

impl Hash for Place {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.folded.hash(state);
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.text)
    }
}

impl fmt::Display for BadPlace {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            BadPlace::Empty => write!(f, "a place needs at least one word"),
            BadPlace::Control(c) => write!(f, "a place cannot hold the control character {c:?}"),
        }
    }
}

impl std::error::Error for BadPlace {}

fn fold(text: &str) -> String {
    // Upper then lower case makes "Straße" and "STRASSE" alike. Changing the case can undo a composed form, so that comes last,
    // and only then are the blanks at the ends all in sight.
    let cased: String = text.nfkc().collect::<String>().to_uppercase();
    let composed: String = cased.to_lowercase().nfkc().collect();
    composed.trim().to_owned()
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;

    #[test]
    fn places_compare_without_case_outer_blanks_or_unicode_form() {
        let check = |a: &str, b: &str, same: bool| {
            let (a, b): (Place, Place) = (a.parse().unwrap(), b.parse().unwrap());
            assert_eq!(a == b, same, "{a} / {b}");
            assert_eq!(HashSet::from([a, b]).len(), if same { 1 } else { 2 });
        };
        check("studio", "Studio", true);
        check("studio", "  STUDIO \u{a0}", true);
        check("Caf\u{e9}", "cafe\u{301}", true);
        check("Straße 5", "STRASSE 5", true);
        check("ΟΔΟΣ", "οδος", true);
        check("ｓｔｕｄｉｏ", "studio", true);
        check("lena's flat", "lenas flat", false);
        check("the  barn", "the barn", false);
        check("cafe", "café", false);
    }

    #[test]
    fn a_place_is_shown_as_typed() {
        assert_eq!(
            " Lena's Flat ".parse::<Place>().unwrap().to_string(),
            "Lena's Flat"
        );
    }

    #[test]
    fn a_place_has_words_and_no_control_characters() {
        let check = |text: &str, expected: BadPlace| {
            assert_eq!(text.parse::<Place>().unwrap_err(), expected, "{text:?}");
        };
        check("", BadPlace::Empty);
        check(" \u{3000} ", BadPlace::Empty);
        check("a\u{1b}[2Jb", BadPlace::Control('\u{1b}'));
        check("a\nb", BadPlace::Control('\n'));
        check("\0", BadPlace::Control('\0'));
    }
}
