//! How a message begins, byte by byte, and the numbers that stand in it: SysEx number, bank and patch.

use std::fmt;

/// The most bytes a header may have.
pub const MAX_BYTES: usize = 64;

/// A number that a message carries in its header.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Letter {
    /// The SysEx number.
    N,
    /// The bank, from 0.
    B,
    /// The patch, from 0.
    P,
}

impl Letter {
    /// All of them.
    pub const ALL: [Letter; 3] = [Letter::N, Letter::B, Letter::P];

    /// The letter as layouts write it.
    pub fn as_char(self) -> char {
        match self {
            Letter::N => 'n',
            Letter::B => 'b',
            Letter::P => 'p',
        }
    }

    /// The letter that is written `c`.
    pub fn from_char(c: char) -> Option<Letter> {
        Letter::ALL.into_iter().find(|l| l.as_char() == c)
    }

    fn meaning(self) -> &'static str {
        match self {
            Letter::N => "SysEx number",
            Letter::B => "bank",
            Letter::P => "patch",
        }
    }
}

/// The numbers read from a header, or to be written into one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, PartialOrd, Ord, Hash)]
pub struct Numbers {
    /// The SysEx number.
    pub n: Option<u32>,
    /// The bank, from 0.
    pub b: Option<u32>,
    /// The patch, from 0.
    pub p: Option<u32>,
}

impl Numbers {
    /// One of them.
    pub fn get(&self, letter: Letter) -> Option<u32> {
        match letter {
            Letter::N => self.n,
            Letter::B => self.b,
            Letter::P => self.p,
        }
    }

    /// Puts one in its place.
    pub fn set(&mut self, letter: Letter, value: Option<u32>) {
        match letter {
            Letter::N => self.n = value,
            Letter::B => self.b = value,
            Letter::P => self.p = value,
        }
    }
}

/// A number that is too big for its place in a header.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DoesNotFit {
    /// Which number.
    pub letter: Letter,
    /// The number itself.
    pub value: u32,
    /// The biggest that fits.
    pub most: u32,
}

impl fmt::Display for DoesNotFit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let DoesNotFit {
            letter,
            value,
            most,
        } = self;
        let meaning = letter.meaning();
        write!(
            f,
            "{meaning} {value} does not fit, the message has room for 0 to {most}"
        )
    }
}

impl std::error::Error for DoesNotFit {}

/// The first bytes of a kind of message (or all bytes of one that is sent): fixed halves, halves that may be anything,
/// and the places of numbers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Header {
    text: String,
    places: Vec<Place>,
    runs: [Vec<Run>; 3],
}

/// One byte: it fits if `byte & mask == value`. Bit 7 always counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Place {
    mask: u8,
    value: u8,
}

/// A part of a number, the most significant first: `n_bits` of the byte `at`, from bit `shift` on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Run {
    at: usize,
    shift: u8,
    n_bits: u8,
}

impl Header {
    /// Reads how a message begins, such as `F0 43 0n 09 20 00`.
    ///
    /// # Errors
    /// What is wrong, in words.
    pub fn parse(text: &str) -> Result<Header, String> {
        read_header(text, false)
    }

    /// Reads a message to be sent, from F0 to F7, such as `F0 43 2n 09 F7`.
    ///
    /// # Errors
    /// What is wrong, in words.
    pub fn parse_whole(text: &str) -> Result<Header, String> {
        read_header(text, true)
    }

    /// The text it was read from, one blank between bytes.
    pub fn as_str(&self) -> &str {
        &self.text
    }

    /// How many bytes it has.
    pub fn n_bytes(&self) -> usize {
        self.places.len()
    }

    /// How many bits of data bytes are fixed: of two headers that fit, the one with more says more.
    pub fn n_fixed_bits(&self) -> u32 {
        self.places
            .iter()
            .map(|place| (place.mask & 0x7f).count_ones())
            .sum()
    }

    /// Whether it holds that number.
    pub fn has(&self, letter: Letter) -> bool {
        !self.run(letter).is_empty()
    }

    /// The biggest value of that number there is room for; `None` if it is not in it.
    pub fn most(&self, letter: Letter) -> Option<u32> {
        let n_bits: u32 = self.run(letter).iter().map(|r| u32::from(r.n_bits)).sum();
        (n_bits > 0).then(|| (1u32 << n_bits) - 1)
    }

    /// The bytes in which that number stands.
    pub fn places_of(&self, letter: Letter) -> impl Iterator<Item = usize> {
        self.run(letter).iter().map(|run| run.at)
    }

    /// The numbers of a message that begins like this; `None` if `message` does not.
    pub fn read(&self, message: &[u8]) -> Option<Numbers> {
        if !self.fits(message) {
            return None;
        }
        let mut numbers = Numbers::default();
        for letter in Letter::ALL {
            let run = self.run(letter);
            if !run.is_empty() {
                let value = run.iter().fold(0u32, |value, r| {
                    value << r.n_bits | u32::from(message[r.at] >> r.shift & ones(r.n_bits))
                });
                numbers.set(letter, Some(value));
            }
        }
        Some(numbers)
    }

    /// Whether `message` begins like this.
    pub fn fits(&self, message: &[u8]) -> bool {
        message.len() >= self.places.len()
            && self
                .places
                .iter()
                .zip(message)
                .all(|(place, byte)| byte & place.mask == place.value)
    }

    /// The bytes with `numbers` in their places. A number that is not given is 0, and so are halves that may be anything.
    ///
    /// # Errors
    /// A number does not fit.
    pub fn fill(&self, numbers: &Numbers) -> Result<Vec<u8>, DoesNotFit> {
        let mut bytes: Vec<u8> = self.places.iter().map(|place| place.value).collect();
        for letter in Letter::ALL {
            if self.has(letter) {
                self.write(&mut bytes, letter, numbers.get(letter).unwrap_or(0))?;
            }
        }
        Ok(bytes)
    }

    /// Writes one number into a message that begins like this. Does nothing where the header does not hold it.
    ///
    /// # Errors
    /// It does not fit; `message` is as it was.
    pub fn write(&self, message: &mut [u8], letter: Letter, value: u32) -> Result<(), DoesNotFit> {
        let most = self.most(letter).unwrap_or(u32::MAX);
        if value > most {
            return Err(DoesNotFit {
                letter,
                value,
                most,
            });
        }
        let mut rest = value;
        for run in self.run(letter).iter().rev() {
            if let Some(byte) = message.get_mut(run.at) {
                let ones = ones(run.n_bits);
                *byte = *byte & !(ones << run.shift) | (rest as u8 & ones) << run.shift;
            }
            rest >>= run.n_bits;
        }
        Ok(())
    }

    fn run(&self, letter: Letter) -> &[Run] {
        &self.runs[letter as usize]
    }
}

impl fmt::Display for Header {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.text)
    }
}

fn ones(n_bits: u8) -> u8 {
    (1u16 << n_bits).wrapping_sub(1) as u8
}

/// One half of a byte as it is written.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Half {
    Fixed(u8),
    Any,
    Of(Letter),
}

fn half(c: char) -> Option<Half> {
    match c {
        '0'..='9' => Some(Half::Fixed(c as u8 - b'0')),
        'A'..='F' => Some(Half::Fixed(c as u8 - b'A' + 10)),
        'x' => Some(Half::Any),
        _ => Letter::from_char(c).map(Half::Of),
    }
}

fn read_header(text: &str, is_whole: bool) -> Result<Header, String> {
    let words: Vec<&str> = text.split_ascii_whitespace().take(MAX_BYTES + 1).collect();
    if words.len() > MAX_BYTES {
        return Err(format!("has more than {MAX_BYTES} bytes"));
    }
    let mut header = Header {
        text: words.join(" "),
        places: Vec::with_capacity(words.len()),
        runs: Default::default(),
    };
    // The halves one after the other, to see that each letter stands in one run.
    let mut last: Option<Half> = None;
    for (at, word) in words.iter().enumerate() {
        let mut chars = word.chars();
        let (Some(high), Some(low), None) = (chars.next(), chars.next(), chars.next()) else {
            return Err(format!("has {word:?}, a byte is two characters"));
        };
        let (Some(high), Some(low)) = (half(high), half(low)) else {
            return Err(format!(
                "has {word:?}; a half byte is one of 0-9 and A-F (in capitals), x, n, b, p"
            ));
        };
        let is_first = at == 0;
        let is_last = is_whole && at + 1 == words.len();
        let place = match (is_first, is_last, high, low) {
            (true, _, Half::Fixed(0xF), Half::Fixed(0)) => Place {
                mask: 0xff,
                value: 0xf0,
            },
            (true, ..) => return Err("does not begin with F0".into()),
            (_, true, Half::Fixed(0xF), Half::Fixed(7)) => Place {
                mask: 0xff,
                value: 0xf7,
            },
            (_, true, ..) => return Err("does not end with F7".into()),
            (_, _, Half::Fixed(8..), _) if !is_whole && *word == "F7" => {
                return Err("ends with F7; it says only how the message begins".into());
            }
            (_, _, Half::Fixed(8..), _) => {
                return Err(format!("has {word}, bytes between F0 and F7 are 00 to 7F"));
            }
            _ => {
                let fixed = |half, mask: u8, shift: u8| match half {
                    Half::Fixed(value) => (mask, value << shift),
                    _ => (0, 0),
                };
                let (high_mask, high_value) = fixed(high, 0x70, 4);
                let (low_mask, low_value) = fixed(low, 0x0f, 0);
                Place {
                    mask: 0x80 | high_mask | low_mask,
                    value: high_value | low_value,
                }
            }
        };
        header.places.push(place);
        for (half, shift, n_bits) in [(high, 4, 3), (low, 0, 4)] {
            if let Half::Of(letter) = half {
                let runs = &mut header.runs[letter as usize];
                if !runs.is_empty() && last != Some(half) {
                    return Err(format!("has {} in two places", letter.as_char()));
                }
                runs.push(Run { at, shift, n_bits });
            }
            last = Some(half);
        }
    }
    if header.places.len() < 2 + usize::from(is_whole) {
        return Err("says no byte after F0".into());
    }
    if !is_whole {
        // A layout that leaves the maker open would be taken for dumps of any instrument.
        let id = &header.places[1..];
        let n_id = if id[0].value == 0 { 3 } else { 1 };
        if id.len() < n_id || id[..n_id].iter().any(|place| place.mask != 0xff) {
            return Err("does not say the maker's ID in full".into());
        }
        if let 0x7E | 0x7F = id[0].value {
            return Err("begins a universal message, which is known without a layout".into());
        }
    }
    for letter in Letter::ALL {
        let n_bits: u32 = header.run(letter).iter().map(|r| u32::from(r.n_bits)).sum();
        let most = if letter == Letter::N { 7 } else { 28 };
        if n_bits > most {
            return Err(format!(
                "has {} over {n_bits} bits, it may have {most}",
                letter.as_char()
            ));
        }
    }
    Ok(header)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn numbers(n: Option<u32>, b: Option<u32>, p: Option<u32>) -> Numbers {
        Numbers { n, b, p }
    }

    fn check(header: &str, message: &[u8], expected: Option<Numbers>) {
        let header = Header::parse(header).unwrap();
        assert_eq!(header.read(message), expected, "{header} on {message:02X?}");
        if let Some(numbers) = expected {
            let filled = header.fill(&numbers).unwrap();
            assert_eq!(header.read(&filled), Some(numbers), "{header} filled");
            let mut same = message.to_vec();
            for letter in Letter::ALL {
                let value = numbers.get(letter).unwrap_or(0);
                header.write(&mut same, letter, value).unwrap();
            }
            assert_eq!(same, message);
        }
    }

    #[test]
    fn numbers_are_read_and_written_back() {
        // Yamaha DX7 MIDI data format sheet: the channel is the low half of the third byte.
        let bank = [0xF0, 0x43, 0x0A, 0x09, 0x20, 0x00, 0x11, 0xF7];
        check(
            "F0 43 0n 09 20 00",
            &bank,
            Some(numbers(Some(10), None, None)),
        );
        check("F0 43 0n 04 20 00", &bank, None);
        check("F0 43 xx xx 2x", &bank, Some(Numbers::default()));
        check("F0 43 1n", &bank, None);
        // The rest is of our own language.
        check(
            "F0 7D nn bb pp pp",
            &[0xF0, 0x7D, 0x7F, 0x03, 0x01, 0x02, 0xF7],
            Some(numbers(Some(127), Some(3), Some(130))),
        );
        check(
            "F0 7D bx 0p pp",
            &[0xF0, 0x7D, 0x5A, 0x0F, 0x7F, 0xF7],
            Some(numbers(None, Some(5), Some(2047))),
        );
        check("F0 7D 0n", &[0xF0, 0x7D], None);
        check("F0 7D xx", &[0xF0, 0x7D, 0xF7], None);
    }

    #[test]
    fn a_number_too_big_is_refused_and_nothing_written() {
        let header = Header::parse("F0 43 0n 09").unwrap();
        let mut message = [0xF0, 0x43, 0x05, 0x09];
        let error = header.write(&mut message, Letter::N, 16).unwrap_err();
        assert_eq!(
            error.to_string(),
            "SysEx number 16 does not fit, the message has room for 0 to 15"
        );
        assert_eq!(message, [0xF0, 0x43, 0x05, 0x09]);
    }

    #[test]
    fn wrong_headers_are_refused_in_words() {
        let check = |text, expected| {
            assert_eq!(Header::parse(text).unwrap_err(), expected, "{text}");
        };
        check("43 00", "does not begin with F0");
        check("", "says no byte after F0");
        check("F0", "says no byte after F0");
        check(
            "F0 43 F7",
            "ends with F7; it says only how the message begins",
        );
        check("F0 43 90", "has 90, bytes between F0 and F7 are 00 to 7F");
        check("F0 4", "has \"4\", a byte is two characters");
        check(
            "F0 4d",
            "has \"4d\"; a half byte is one of 0-9 and A-F (in capitals), x, n, b, p",
        );
        check("F0 7D 0n 00 0n", "has n in two places");
        check("F0 7D nn nn", "has n over 14 bits, it may have 7");
        check("F0 7D pp pp pp pp pp", "has p over 35 bits, it may have 28");
        check(&"F0 ".repeat(65), "has more than 64 bytes");
        assert_eq!(
            Header::parse_whole("F0 43 2n 09").unwrap_err(),
            "does not end with F7"
        );
        assert!(Header::parse_whole("F0 43 2n 09 F7").is_ok());
    }
}
