//! Text with numbers of a message in it: how a section is called and how the panel shows a patch.

use std::fmt;

use super::header::{Letter, Numbers};

/// The most characters a template may have.
pub const MAX_CHARS: usize = 200;

/// A text with `{n}`, `{b}` and `{p}` in it, such as `{b:A}{p/8+1}{p%8+1}`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Template {
    text: String,
    parts: Vec<Part>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Part {
    Text(String),
    Number {
        letter: Letter,
        divide: u32,
        reduce: Option<u32>,
        raise: u32,
        shown: Shown,
    },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Shown {
    /// With leading zeros up to this many digits.
    Digits(usize),
    Letter,
}

impl Template {
    /// Reads a template.
    ///
    /// # Errors
    /// What is wrong, in words.
    pub fn parse(text: &str) -> Result<Template, String> {
        if text.is_empty() {
            return Err("is empty".into());
        }
        if text.chars().count() > MAX_CHARS {
            return Err(format!("has more than {MAX_CHARS} characters"));
        }
        if text.chars().any(char::is_control) {
            return Err("has a control character".into());
        }
        let mut parts = Vec::new();
        let mut rest = text;
        while let Some(at) = rest.find(['{', '}']) {
            let (before, after) = rest.split_at(at);
            if !before.is_empty() {
                parts.push(Part::Text(before.to_owned()));
            }
            let Some((inside, behind)) = after.strip_prefix('{').and_then(|a| a.split_once('}'))
            else {
                return Err("has a brace without its partner".into());
            };
            parts.push(number(inside).ok_or_else(|| {
                format!(
                    "has {{{inside}}}; numbers are written like {{p}}, {{p+1}}, {{b:A}}, {{p:02}} or {{p/8%8+1}}"
                )
            })?);
            rest = behind;
        }
        if !rest.is_empty() {
            parts.push(Part::Text(rest.to_owned()));
        }
        Ok(Template {
            text: text.to_owned(),
            parts,
        })
    }

    /// `{p+1}`: how a patch is shown if a layout does not say.
    pub fn patch_from_one() -> Template {
        Template {
            text: "{p+1}".into(),
            parts: vec![Part::Number {
                letter: Letter::P,
                divide: 1,
                reduce: None,
                raise: 1,
                shown: Shown::Digits(0),
            }],
        }
    }

    /// The text it was read from.
    pub fn as_str(&self) -> &str {
        &self.text
    }

    /// Whether it shows that number.
    pub fn uses(&self, letter: Letter) -> bool {
        self.parts
            .iter()
            .any(|part| matches!(part, Part::Number { letter: l, .. } if *l == letter))
    }

    /// The text with `numbers` in it; one that is not given is 0.
    pub fn fill(&self, numbers: &Numbers) -> String {
        use std::fmt::Write;
        let mut text = String::with_capacity(self.text.len());
        for part in &self.parts {
            match part {
                Part::Text(part) => text.push_str(part),
                Part::Number {
                    letter,
                    divide,
                    reduce,
                    raise,
                    shown,
                } => {
                    let value = numbers.get(*letter).unwrap_or(0) / divide;
                    let value = reduce.map_or(value, |by| value % by);
                    let value = u64::from(value) + u64::from(*raise);
                    // Writing to a String cannot fail.
                    let _ = match (shown, u8::try_from(value)) {
                        (Shown::Letter, Ok(value @ 0..26)) => {
                            text.push(char::from(b'A' + value));
                            Ok(())
                        }
                        (Shown::Letter, _) => write!(text, "{value}"),
                        (Shown::Digits(n), _) => write!(text, "{value:0n$}"),
                    };
                }
            }
        }
        text
    }
}

impl fmt::Display for Template {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.text)
    }
}

/// What stands between the braces: a letter, then `/8`, `%8`, `+1` and `:A` or `:02`, in this order, none of them needed.
fn number(inside: &str) -> Option<Part> {
    let mut chars = inside.chars();
    let letter = Letter::from_char(chars.next()?)?;
    let (sum, shown) = match chars.as_str().split_once(':') {
        None => (chars.as_str(), Shown::Digits(0)),
        Some((sum, "A")) => (sum, Shown::Letter),
        Some((sum, digits)) => {
            let n = digits.strip_prefix('0')?.parse().ok()?;
            (sum, (1..=9).contains(&n).then_some(Shown::Digits(n))?)
        }
    };
    let (sum, raise) = split(sum, '+')?;
    let (sum, reduce) = split(sum, '%')?;
    let (sum, divide) = split(sum, '/')?;
    let is_good = sum.is_empty() && reduce != Some(0) && divide != Some(0);
    is_good.then_some(Part::Number {
        letter,
        divide: divide.unwrap_or(1),
        reduce,
        raise: raise.unwrap_or(0),
        shown,
    })
}

/// Cuts off what stands behind `sign`, a number below a million.
fn split(text: &str, sign: char) -> Option<(&str, Option<u32>)> {
    match text.split_once(sign) {
        None => Some((text, None)),
        Some((before, digits)) => {
            let is_number =
                (1..=6).contains(&digits.len()) && digits.bytes().all(|byte| byte.is_ascii_digit());
            Some((before, Some(is_number.then(|| digits.parse().ok())??)))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(template: &str, b: u32, p: u32, expected: &str) {
        let template = Template::parse(template).unwrap();
        let numbers = Numbers {
            n: None,
            b: Some(b),
            p: Some(p),
        };
        assert_eq!(template.fill(&numbers), expected, "{template}");
    }

    #[test]
    fn numbers_are_divided_reduced_raised_and_shown() {
        check("{p+1}", 0, 0, "1");
        check("{b:A}{p/8+1}{p%8+1}", 0, 0, "A11");
        check("{b:A}{p/8+1}{p%8+1}", 0, 63, "A88");
        check("{b+1:A}-{p:03}", 25, 7, "26-007");
        check("{p/8%8}", 0, 130, "0");
        check("{n}{p+999999}", 0, u32::MAX, "04295967294");
        check("preset", 0, 9, "preset");
        assert_eq!(
            Template::patch_from_one(),
            Template::parse("{p+1}").unwrap()
        );
    }

    #[test]
    fn wrong_templates_are_refused() {
        for text in [
            "",
            "{",
            "}",
            "{q}",
            "{p",
            "{p}}",
            "{p-1}",
            "{p%0}",
            "{p/0}",
            "{p+1%8}",
            "{p:0}",
            "{p:B}",
            "{p:010}",
            "{p+1234567}",
            "{p+}",
            "{}",
            "{pp}",
            "a\nb",
            "{p+-1}",
            "{p++1}",
        ] {
            assert!(Template::parse(text).is_err(), "{text:?}");
        }
        assert!(Template::parse(&"x".repeat(201)).is_err());
    }
}
