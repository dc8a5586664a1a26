//! One patch of a dump as a message of its own.

use std::fmt;

use super::header::{DoesNotFit, Letter, Numbers};
use super::read::{Patch, patch_bytes};
use super::{Layout, MessageKind, Patches, number};
use crate::midi::framing::{END, FIRST_STATUS, START};

/// The most bytes a map may give: a layout of a few lines may hold a map in each.
const MAX_MAPPED: usize = 4096;
/// The longest message that is made: a layout of a few lines may ask for any, and it is there packed and unpacked.
const MAX_MESSAGE: u32 = 256 << 10;

/// Where each byte of the single form of a patch comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SingleMap {
    lists: Vec<String>,
    sources: Vec<Source>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Source {
    Fixed(u8),
    Bits { at: u32, shift: u8, mask: u8 },
}

impl SingleMap {
    /// Reads a map; each text holds one or more of `5`, `0-10` (bytes), `11.2`, `11.2-3` (bits of a byte) and `=0`
    /// (a value), behind `6*17:` the list of that text is repeated 6 times, each time 17 bytes further on.
    ///
    /// # Errors
    /// What is wrong, in words.
    pub fn parse(lists: &[String]) -> Result<SingleMap, String> {
        let mut sources = Vec::new();
        for list in lists {
            let (n_times, step, items) = match list.split_once(':') {
                None => (1, 0, list.as_str()),
                Some((times, items)) => {
                    let (n, step) = times
                        .split_once('*')
                        .and_then(|(n, step)| Some((small(n)?, small(step)?)))
                        .filter(|(n, _)| *n > 0)
                        .ok_or_else(|| {
                            format!("has {times:?} before a colon; it is written like \"6*17:\"")
                        })?;
                    (n, step, items)
                }
            };
            let start = sources.len();
            for item in items.split_ascii_whitespace() {
                read_item(item, &mut sources)?;
            }
            let once = sources[start..].to_vec();
            if once.is_empty() {
                return Err("has a list without a byte".into());
            }
            if sources.len() + once.len().saturating_mul(n_times as usize - 1) > MAX_MAPPED {
                return Err(format!(
                    "gives more than {} bytes",
                    number(MAX_MAPPED as u64)
                ));
            }
            for time in 1..n_times {
                sources.extend(once.iter().map(|source| match *source {
                    Source::Bits { at, shift, mask } => Source::Bits {
                        at: at + time * step,
                        shift,
                        mask,
                    },
                    fixed => fixed,
                }));
            }
        }
        if sources.is_empty() {
            return Err("gives no byte".into());
        }
        Ok(SingleMap {
            lists: lists.to_vec(),
            sources,
        })
    }

    /// The texts it was read from.
    pub fn lists(&self) -> &[String] {
        &self.lists
    }

    /// How many bytes it gives.
    pub fn n_bytes(&self) -> usize {
        self.sources.len()
    }

    /// How many bytes of a patch it takes.
    pub fn reach(&self) -> usize {
        self.sources
            .iter()
            .map(|source| match source {
                Source::Bits { at, .. } => *at as usize + 1,
                Source::Fixed(_) => 0,
            })
            .max()
            .unwrap_or(0)
    }

    /// The single form of `patch`, which has at least [`SingleMap::reach`] bytes (missing ones are 0).
    pub fn apply(&self, patch: &[u8]) -> Vec<u8> {
        self.sources
            .iter()
            .map(|source| match *source {
                Source::Fixed(value) => value,
                Source::Bits { at, shift, mask } => patch
                    .get(at as usize)
                    .map_or(0, |byte| byte >> shift & mask),
            })
            .collect()
    }
}

fn read_item(item: &str, sources: &mut Vec<Source>) -> Result<(), String> {
    let whole = |at| Source::Bits {
        at,
        shift: 0,
        mask: 0xff,
    };
    let read = || -> Option<(Source, u32)> {
        if let Some(value) = item.strip_prefix('=') {
            return Some((Source::Fixed(small(value)?.try_into().ok()?), 1));
        }
        if let Some((at, bits)) = item.split_once('.') {
            let (from, to) = range(bits)?;
            let mask = ((1u16 << (to.min(7) - from.min(7) + 1)) - 1) as u8;
            let bits = Source::Bits {
                at: small(at)?,
                shift: from as u8,
                mask,
            };
            return (to < 8).then_some((bits, 1));
        }
        let (from, to) = range(item)?;
        Some((whole(from), to - from + 1))
    };
    let (first, n) = read()
        .ok_or_else(|| format!("has {item:?}; it is written like 5, 0-10, 11.2, 11.2-3 or =0"))?;
    if sources.len() + n as usize > MAX_MAPPED {
        return Err(format!(
            "gives more than {} bytes",
            number(MAX_MAPPED as u64)
        ));
    }
    match first {
        Source::Bits { at, .. } if n > 1 => sources.extend((at..at + n).map(whole)),
        one => sources.push(one),
    }
    Ok(())
}

fn range(text: &str) -> Option<(u32, u32)> {
    let (from, to) = match text.split_once('-') {
        None => (small(text)?, small(text)?),
        Some((from, to)) => (small(from)?, small(to)?),
    };
    (from <= to).then_some((from, to))
}

/// A number of at most 5 digits, so that no sum of a few of them overflows.
fn small(text: &str) -> Option<u32> {
    let is_number = (1..=5).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_digit());
    is_number.then(|| text.parse().ok()).flatten()
}

/// Why no message can be made that holds one patch alone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NoSinglePatch {
    /// The layout does not say which kind of message holds one.
    NotSaid {
        /// The layout.
        layout: String,
    },
    /// The layout does not say how long that message is.
    NoLength {
        /// The kind of message.
        kind: String,
    },
    /// A number does not fit into that message's header.
    Number(DoesNotFit),
    /// Bytes above 7F would stand in it.
    NoMessage {
        /// The kind of message.
        kind: String,
    },
    /// The message that holds the patch is not there, or its bytes cannot be read.
    Unreadable,
}

impl fmt::Display for NoSinglePatch {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            NoSinglePatch::NotSaid { layout } => write!(
                f,
                "layout {layout} does not say which message holds one such patch alone"
            ),
            NoSinglePatch::NoLength { kind } => write!(
                f,
                "the layout does not say how long a message \"{kind}\" is, or it is too long"
            ),
            NoSinglePatch::NoMessage { kind } => write!(
                f,
                "the patch has bytes above 7F, which a message \"{kind}\" cannot hold as they are"
            ),
            NoSinglePatch::Number(why) => why.fmt(f),
            NoSinglePatch::Unreadable => {
                f.write_str("the bytes of the patch cannot be read from its message")
            }
        }
    }
}

impl std::error::Error for NoSinglePatch {}

/// The message (F0 to F7) that holds just `patch`, one of a reading of `messages` by `layout`. Where each message holds
/// one patch and the layout names no other form, it is that message as it is. Bytes of the single message that are
/// neither header, patch nor checksum are 0.
///
/// # Errors
/// Why there is none.
pub fn one_patch(
    layout: &Layout,
    messages: &[&[u8]],
    patch: &Patch,
) -> Result<Vec<u8>, NoSinglePatch> {
    let message = *messages
        .get(patch.message)
        .ok_or(NoSinglePatch::Unreadable)?;
    let kind = layout
        .messages
        .get(patch.kind)
        .ok_or(NoSinglePatch::Unreadable)?;
    let rule = kind.patches.as_ref().ok_or(NoSinglePatch::Unreadable)?;
    let bytes = patch_bytes(layout, messages, patch).ok_or(NoSinglePatch::Unreadable)?;
    let not_said = || NoSinglePatch::NotSaid {
        layout: layout.name.clone(),
    };
    let Some(single) = &rule.single else {
        return match rule.count {
            1 => Ok(message.to_vec()),
            _ => Err(not_said()),
        };
    };
    let (_, target) = layout.kind(single).ok_or_else(not_said)?;
    let place = target.patches.as_ref().ok_or_else(not_said)?;
    let mut numbers = kind.header.read(message).ok_or(NoSinglePatch::Unreadable)?;
    let counted = numbers.p.unwrap_or(0).saturating_add(patch.place);
    numbers.set(Letter::P, Some(counted));
    let made = match &rule.single_map {
        None => bytes,
        Some(map) => map.apply(&bytes),
    };
    build(target, place, &numbers, &made)
}

fn build(
    kind: &MessageKind,
    place: &Patches,
    numbers: &Numbers,
    patch: &[u8],
) -> Result<Vec<u8>, NoSinglePatch> {
    let no_length = || NoSinglePatch::NoLength {
        kind: kind.name.clone(),
    };
    let n_bytes = kind
        .bytes
        .filter(|limits| limits.least == limits.most && limits.most <= MAX_MESSAGE)
        .map(|limits| limits.most as usize)
        .ok_or_else(no_length)?;
    let header = kind.header.fill(numbers).map_err(NoSinglePatch::Number)?;
    let mut message = vec![0; n_bytes];
    let into = place.from as usize..place.from as usize + patch.len();
    let mut unpacked = None;
    match &kind.packed {
        None => message
            .get_mut(into)
            .ok_or_else(no_length)?
            .copy_from_slice(patch),
        Some(rule) => {
            let stretch = rule
                .span
                .exactly(n_bytes)
                .filter(|range| range.end < n_bytes)
                .ok_or_else(no_length)?;
            let mut bytes = vec![0; rule.n_unpacked(stretch.len())];
            bytes
                .get_mut(into)
                .ok_or_else(no_length)?
                .copy_from_slice(patch);
            let packed = rule.pack(&bytes);
            if packed.len() != stretch.len() {
                return Err(no_length());
            }
            message[stretch].copy_from_slice(&packed);
            unpacked = Some(bytes);
        }
    }
    // A layout may put the patch over the header or the end; a message it must stay.
    message
        .get_mut(..header.len())
        .filter(|front| front.len() < n_bytes)
        .ok_or_else(no_length)?
        .copy_from_slice(&header);
    message[n_bytes - 1] = END;
    if let Some(rule) = &kind.checksum {
        let covered = match (rule.unpacked, &unpacked) {
            (true, Some(bytes)) => rule.covers.within(bytes.len()).map(|range| &bytes[range]),
            (true, None) => None,
            (false, _) => rule.covers.within(n_bytes).map(|range| &message[range]),
        };
        let checksum = rule.scheme.of(covered.ok_or_else(no_length)?);
        let checksum = checksum.as_bytes();
        let at = rule.at.of(n_bytes).ok_or_else(no_length)?;
        message
            .get_mut(at..at + checksum.len())
            .ok_or_else(no_length)?
            .copy_from_slice(checksum);
    }
    match message[..] {
        [START, ref inner @ .., END] if inner.iter().all(|byte| *byte < FIRST_STATUS) => {
            Ok(message)
        }
        _ => Err(NoSinglePatch::NoMessage {
            kind: kind.name.clone(),
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::{Layouts, Reader};

    fn check(lists: &[&str], patch: &[u8], expected: &[u8]) {
        let lists: Vec<String> = lists.iter().map(ToString::to_string).collect();
        let map = SingleMap::parse(&lists).unwrap();
        assert_eq!(map.apply(patch), expected, "{lists:?}");
        assert_eq!(map.n_bytes(), expected.len());
        assert!(map.reach() <= patch.len());
    }

    #[test]
    fn bytes_bits_values_and_repeats() {
        check(&["0-2"], &[1, 2, 3], &[1, 2, 3]);
        check(&["1.0-1 1.2-3", "=7", "0"], &[9, 0b1110], &[2, 3, 7, 9]);
        check(&["0.7 0.0-7"], &[0x80], &[1, 0x80]);
        check(
            &["2*3: 0 2.0-1 =5"],
            &[1, 0, 7, 2, 0, 2],
            &[1, 3, 5, 2, 2, 5],
        );
    }

    #[test]
    fn wrong_maps_are_refused_and_none_grows_without_end() {
        for list in [
            "",
            "x",
            "3-1",
            "0.8",
            "0.3-9",
            "=256",
            "1*",
            "*: 1",
            "0*1: 1",
            "2*2:",
            "123456",
            "99999*0: 0-9",
            "0-99999",
            "-1",
            "1-",
            ".1",
            "=",
            "70000*70000: 1",
        ] {
            assert!(SingleMap::parse(&[list.to_string()]).is_err(), "{list:?}");
        }
        assert!(SingleMap::parse(&[]).is_err());
        let most = MAX_MAPPED - 1;
        assert!(SingleMap::parse(&[format!("0-{most}")]).is_ok());
        assert!(SingleMap::parse(&[format!("0-{}", most + 1)]).is_err());
        assert!(SingleMap::parse(&[format!("0-{most}"), "0".into()]).is_err());
    }

    #[test]
    fn what_is_made_is_a_message_whatever_the_layout_says() {
        let check = |changed: [&str; 2], patch: u8, expected: Result<&str, &str>| {
            let text = "layout = 1\nname = \"a\"\ntitle = \"A\"\n\
                [[message]]\nname = \"bank\"\nheader = \"F0 7D 01\"\nbytes = 8\n\
                packed = { form = \"nibbles-high-first\", from = 3, to = -2 }\n\
                patches = { from = 0, stride = 2, count = 1, single = \"one\", single-map = [\"0-1\"] }\n\
                [[message]]\nname = \"one\"\nheader = \"F0 7D 02\"\nbytes = 6\n\
                patches = { from = 3, stride = 2, count = 1 }\n";
            let layout = Layout::parse(&text.replace(changed[0], changed[1])).unwrap();
            let message = [0xF0, 0x7D, 1, patch >> 4, patch & 15, 0, 1, 0xF7];
            let mut layouts = Layouts::none();
            layouts.add(std::sync::Arc::new(layout.clone()));
            let mut reader = Reader::new(&layouts, None);
            reader.push(&message);
            let reading = reader.finish().unwrap();
            let made = one_patch(&layout, &[&message], &reading.patches[0]);
            let made = made.map(|m| m.iter().map(|b| format!("{b:02X} ")).collect::<String>());
            match (made, expected) {
                (Ok(made), Ok(expected)) => assert_eq!(made.trim_end(), expected),
                (Err(why), Err(expected)) => assert_eq!(why.to_string(), expected),
                (made, _) => panic!("{made:?}"),
            }
        };
        let above = "the patch has bytes above 7F, which a message \"one\" cannot hold as they are";
        check(["", ""], 0x55, Ok("F0 7D 02 55 01 F7"));
        check(["", ""], 0x85, Err(above));
        check(["\"0-1\"", "\"0 =200\""], 0x55, Err(above));
        check(
            ["from = 3, stride", "from = 1, stride"],
            0x55,
            Ok("F0 7D 02 00 00 F7"),
        );
    }
}
