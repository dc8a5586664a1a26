//! Enums whose variants are words of the vocabulary: one spelling for writing and for reading.

use std::fmt;

/// A text that is none of the words of an enum.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnknownWord {
    /// The text as it was given.
    pub text: String,
    /// The words that would have been understood, in their order.
    pub known: &'static [&'static str],
}

impl fmt::Display for UnknownWord {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?} is none of {}", self.text, self.known.join(", "))
    }
}

impl std::error::Error for UnknownWord {}

/// Defines an enum with `ALL`, `as_str`, `parse`, `Display` and `FromStr`, all from one list of words.
macro_rules! word_enum {
    (
        $(#[$about:meta])*
        pub enum $name:ident { $( $(#[$what:meta])* $variant:ident => $word:literal, )+ }
    ) => {
        $(#[$about])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum $name { $( $(#[$what])* $variant, )+ }

        impl $name {
            /// Every value, in ascending order.
            pub const ALL: &'static [$name] = &[$( $name::$variant, )+];

            /// The word for this value, as it stands in ledgers, JSON and on screen.
            pub const fn as_str(self) -> &'static str {
                match self { $( $name::$variant => $word, )+ }
            }

            /// Reads exactly the words that `as_str` gives; anything else is `None`.
            pub fn parse(text: &str) -> Option<$name> {
                match text { $( $word => Some($name::$variant), )+ _ => None }
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.pad(self.as_str())
            }
        }

        impl std::str::FromStr for $name {
            type Err = $crate::model::UnknownWord;

            fn from_str(text: &str) -> Result<$name, Self::Err> {
                $name::parse(text).ok_or_else(|| $crate::model::UnknownWord {
                    text: text.to_owned(),
                    known: &[$( $word, )+],
                })
            }
        }
    };
}

pub(crate) use word_enum;
