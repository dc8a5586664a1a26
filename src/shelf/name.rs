//! Names of the files at a shelf: keyed, so that they tell a stranger nothing and a forger cannot make them.
//!
//! Invariants: a tag is the same for the same reel under the same vault key and for nothing else; a mac binds the ciphertext to
//! the vault, the reel's number and its tag; a name is either read whole or refused, never guessed.

use std::fmt;
use std::io::{self, Write};
use std::str::FromStr;

use zeroize::{Zeroize, Zeroizing};

/// The BLAKE3 derive-key context of the name key. Changing it renames every reel ever sealed.
pub const NAME_KEY_CONTEXT: &str = "farshelf 2026 name key v1";

/// The key behind tags and macs, derived from the vault's identity; mirroring and checking need it and nothing more.
///
/// It cannot open a reel. The bytes are wiped when it is dropped and `Debug` does not show them.
#[derive(Clone)]
pub struct NameKey([u8; 32]);

/// Which reel a sealed copy holds, without telling what the reel's own hash is: the first 16 bytes of a keyed BLAKE3.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ReelTag([u8; 16]);

/// Keyed BLAKE3 over the vault id, the reel's number, its tag and the ciphertext: the proof that a copy is what it is named.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ReelMac([u8; 32]);

/// The file name of a sealed reel, `000001-<tag>-<mac>.tar.zst.age`. `Display` and `FromStr` are each other's inverse.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ReelName {
    /// The reel's number in the chain, from 1.
    pub number: u64,
    /// Which reel it is.
    pub tag: ReelTag,
    /// Proof over the ciphertext.
    pub mac: ReelMac,
}

/// The file name of a wrapped identity, `<n>-<blake3>.age`. `Display` and `FromStr` are each other's inverse.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct KeysName {
    /// Which further key it is, from 1, in decimal without leading zeros.
    pub number: u64,
    /// BLAKE3 of the file's own bytes.
    pub blake3: [u8; 32],
}

/// A name at a shelf that is not one of ours.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NameError {
    /// Not `<number>-<tag>-<mac>.tar.zst.age` in the one permitted spelling.
    NotAReel,
    /// Not `<n>-<blake3>.age` in the one permitted spelling.
    NotAKeysFile,
    /// Not the lower-case hex digits wanted, here 64 of a name key or 32 of a tag.
    NotHex,
}

/// Takes in the ciphertext of one reel piece by piece and gives back its mac.
pub struct MacHasher(blake3::Hasher);

/// Passes everything on to `W` while computing the mac over the bytes that `W` accepted.
pub struct MacWriter<W> {
    out: W,
    hasher: MacHasher,
    bytes: u64,
}

impl NameKey {
    /// Derives the name key from an identity line: exactly the ASCII `AGE-SECRET-KEY-1…` in upper case, without a line end.
    pub fn derive(identity_line: &str) -> Self {
        Self(blake3::derive_key(
            NAME_KEY_CONTEXT,
            identity_line.as_bytes(),
        ))
    }

    /// Takes a name key read from the vault's settings, as 64 lower-case hex digits.
    ///
    /// # Errors
    /// [`NameError::NotHex`] for anything else.
    pub fn from_hex(hex: &str) -> Result<Self, NameError> {
        unhex(hex).map(Self).ok_or(NameError::NotHex)
    }

    /// Gives the 64 lower-case hex digits that [`NameKey::from_hex`] reads. Secret: only for the vault's own settings.
    pub fn to_hex(&self) -> Zeroizing<String> {
        Zeroizing::new(hex(&self.0))
    }

    /// Gives the bytes of the key, for deriving further secrets from it.
    pub fn expose(&self) -> &[u8; 32] {
        &self.0
    }

    /// Gives the tag of the reel whose uncompressed tar has this BLAKE3.
    pub fn tag(&self, reel_hash: &[u8; 32]) -> ReelTag {
        let whole = blake3::keyed_hash(&self.0, reel_hash);
        let mut tag = [0; 16];
        tag.copy_from_slice(&whole.as_bytes()[..16]);
        ReelTag(tag)
    }

    /// Starts the mac of one reel; feed it the whole ciphertext.
    ///
    /// The text before the ciphertext is `farshelf reel v1\n<vault id>\n<number>\n<tag>\n`, where `<number>` is spelled exactly
    /// as in the file name ([`reel_number`]: six digits, more beyond 999,999). `vault_id` holds no line end.
    pub fn mac(&self, vault_id: &str, number: u64, tag: &ReelTag) -> MacHasher {
        let mut hasher = blake3::Hasher::new_keyed(&self.0);
        let number = reel_number(number);
        hasher.update(format!("farshelf reel v1\n{vault_id}\n{number}\n{tag}\n").as_bytes());
        MacHasher(hasher)
    }
}

impl Drop for NameKey {
    fn drop(&mut self) {
        self.0.zeroize();
    }
}

impl fmt::Debug for NameKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("NameKey(hidden)")
    }
}

impl MacHasher {
    /// Takes in the next bytes of the ciphertext.
    pub fn update(&mut self, bytes: &[u8]) {
        self.0.update(bytes);
    }

    /// Gives the mac over everything taken in.
    pub fn finish(&self) -> ReelMac {
        ReelMac(*self.0.finalize().as_bytes())
    }
}

impl<W: Write> MacWriter<W> {
    /// Begins with nothing written.
    pub fn new(out: W, hasher: MacHasher) -> Self {
        Self {
            out,
            hasher,
            bytes: 0,
        }
    }

    /// Gives back the writer, the mac and the number of bytes passed on.
    pub fn finish(self) -> (W, ReelMac, u64) {
        let mac = self.hasher.finish();
        (self.out, mac, self.bytes)
    }
}

impl<W: Write> Write for MacWriter<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.out.write(bytes)?;
        // Only what was accepted counts: the caller offers the rest again.
        let accepted = bytes.get(..written).unwrap_or(bytes);
        self.hasher.update(accepted);
        self.bytes += accepted.len() as u64;
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}

impl ReelMac {
    /// Says whether two macs are the same, in a time that does not depend on where they differ.
    pub fn matches(&self, other: &ReelMac) -> bool {
        blake3::Hash::from_bytes(self.0) == blake3::Hash::from_bytes(other.0)
    }
}

/// Spells a reel's number as in file names: six decimal digits with leading zeros, more only beyond 999,999.
pub fn reel_number(number: u64) -> String {
    format!("{number:06}")
}

impl fmt::Display for ReelTag {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&hex(&self.0))
    }
}

impl fmt::Debug for ReelTag {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "ReelTag({self})")
    }
}

impl FromStr for ReelTag {
    type Err = NameError;

    fn from_str(text: &str) -> Result<Self, NameError> {
        unhex(text).map(Self).ok_or(NameError::NotHex)
    }
}

impl fmt::Display for ReelMac {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&hex(&self.0))
    }
}

impl fmt::Debug for ReelMac {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "ReelMac({self})")
    }
}

impl fmt::Display for ReelName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let number = reel_number(self.number);
        write!(f, "{number}-{}-{}.tar.zst.age", self.tag, self.mac)
    }
}

impl FromStr for ReelName {
    type Err = NameError;

    fn from_str(text: &str) -> Result<Self, NameError> {
        parse_reel_name(text).ok_or(NameError::NotAReel)
    }
}

impl KeysName {
    /// Names the wrapped identity `bytes` as the further key of this number.
    pub fn of(number: u64, bytes: &[u8]) -> Self {
        let blake3 = *blake3::hash(bytes).as_bytes();
        Self { number, blake3 }
    }
}

impl fmt::Display for KeysName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}-{}.age", self.number, hex(&self.blake3))
    }
}

impl FromStr for KeysName {
    type Err = NameError;

    fn from_str(text: &str) -> Result<Self, NameError> {
        parse_keys_name(text).ok_or(NameError::NotAKeysFile)
    }
}

impl fmt::Display for NameError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            NameError::NotAReel => "not the name of a sealed reel",
            NameError::NotAKeysFile => "not the name of a further key's file",
            NameError::NotHex => "not the lower-case hex digits wanted here",
        })
    }
}

impl std::error::Error for NameError {}

fn parse_reel_name(text: &str) -> Option<ReelName> {
    let stem = text.strip_suffix(".tar.zst.age")?;
    let mut parts = stem.split('-');
    let (digits, tag, mac) = (parts.next()?, parts.next()?, parts.next()?);
    if parts.next().is_some() {
        return None;
    }
    let number = parse_digits(digits)?;
    // One spelling per name: 0000001 or 1 would be a second file for the same reel.
    if reel_number(number) != digits {
        return None;
    }
    Some(ReelName {
        number,
        tag: ReelTag(unhex(tag)?),
        mac: ReelMac(unhex(mac)?),
    })
}

fn parse_keys_name(text: &str) -> Option<KeysName> {
    let (digits, blake3) = text.strip_suffix(".age")?.split_once('-')?;
    let number = parse_digits(digits)?;
    if number.to_string() != digits {
        return None;
    }
    Some(KeysName {
        number,
        blake3: unhex(blake3)?,
    })
}

/// Reads decimal digits only (no sign) as a number from 1.
fn parse_digits(digits: &str) -> Option<u64> {
    if digits.is_empty() || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    digits.parse().ok().filter(|&number| number > 0)
}

fn hex(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(bytes.len() * 2);
    for byte in bytes {
        for nibble in [byte >> 4, byte & 15] {
            text.push(char::from(b"0123456789abcdef"[usize::from(nibble)]));
        }
    }
    text
}

fn unhex<const N: usize>(text: &str) -> Option<[u8; N]> {
    if text.len() != 2 * N {
        return None;
    }
    let mut bytes = [0; N];
    for (byte, pair) in bytes.iter_mut().zip(text.as_bytes().chunks_exact(2)) {
        let [high, low] = pair else { return None };
        *byte = nibble(*high)? << 4 | nibble(*low)?;
    }
    Some(bytes)
}

fn nibble(digit: u8) -> Option<u8> {
    match digit {
        b'0'..=b'9' => Some(digit - b'0'),
        b'a'..=b'f' => Some(digit - b'a' + 10),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LINE: &str = "AGE-SECRET-KEY-1GFPYYSJZGFPYYSJZGFPYYSJZGFPYYSJZGFPYYSJZGFPYYSJZGFPQ4EGAEX";

    fn name(number: u64) -> ReelName {
        let key = NameKey::derive(LINE);
        let tag = key.tag(&[7; 32]);
        let mut hasher = key.mac("vault", number, &tag);
        hasher.update(b"ciphertext");
        ReelName {
            number,
            tag,
            mac: hasher.finish(),
        }
    }

    #[test]
    fn reel_names_survive_print_and_parse() {
        for number in [1, 17, 999_999, 1_000_000, u64::MAX] {
            let name = name(number);
            assert_eq!(name.to_string().parse(), Ok(name), "{number}");
        }
        assert!(name(1).to_string().starts_with("000001-"));
        assert!(name(1_000_000).to_string().starts_with("1000000-"));
    }

    #[test]
    fn other_spellings_of_a_reel_name_are_refused() {
        let good = name(12).to_string();
        let tag = name(12).tag.to_string();
        let bad = [
            String::new(),
            good.to_uppercase(),
            good.replace("000012", "12"),
            good.replace("000012", "0000012"),
            good.replace("000012", "000000"),
            good.replace("000012", "+00012"),
            good.replace("000012", "99999999999999999999"),
            good.replace(".tar.zst.age", ".tar.age"),
            format!("{good}.tmp"),
            format!(" {good}"),
            format!("a/{good}"),
            good.replace(&tag, &tag[1..]),
            good.replace(&tag, &format!("{}-{}", &tag[..16], &tag[16..])),
            good.replace(&tag, &tag.replace(|c: char| c.is_ascii_digit(), "g")),
        ];
        for text in bad {
            assert_eq!(
                text.parse::<ReelName>(),
                Err(NameError::NotAReel),
                "{text:?}"
            );
        }
    }

    #[test]
    fn keys_names_survive_print_and_parse_and_nothing_else_does() {
        let name = KeysName::of(3, b"bytes");
        let text = name.to_string();
        assert_eq!(text.parse(), Ok(name));
        for bad in [
            text.replace("3-", "03-"),
            text.replacen("3-", "0-", 1),
            text.replacen("3-", "-", 1),
            text.to_uppercase(),
            text.replace(".age", ""),
        ] {
            assert_eq!(
                bad.parse::<KeysName>(),
                Err(NameError::NotAKeysFile),
                "{bad}"
            );
        }
    }

    #[test]
    fn every_part_of_the_mac_text_and_the_key_changes_the_mac() {
        let key = NameKey::derive(LINE);
        let other = NameKey::derive(&LINE.to_lowercase());
        let tag = key.tag(&[7; 32]);
        let mac = |key: &NameKey, vault: &str, number, tag: &ReelTag, bytes: &[u8]| {
            let mut hasher = key.mac(vault, number, tag);
            hasher.update(bytes);
            hasher.finish()
        };
        let right = mac(&key, "v", 1, &tag, b"c");
        assert!(right.matches(&mac(&key, "v", 1, &tag, b"c")));
        for wrong in [
            mac(&other, "v", 1, &tag, b"c"),
            mac(&key, "w", 1, &tag, b"c"),
            mac(&key, "v", 2, &tag, b"c"),
            mac(&key, "v", 1, &key.tag(&[8; 32]), b"c"),
            mac(&key, "v", 1, &tag, b"d"),
        ] {
            assert!(!right.matches(&wrong));
        }
        assert_ne!(key.tag(&[7; 32]), other.tag(&[7; 32]));
    }

    #[test]
    fn a_writer_that_takes_little_gives_the_same_mac() {
        struct Slow(Vec<u8>);
        impl Write for Slow {
            fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
                let n = bytes.len().min(3);
                self.0.extend_from_slice(&bytes[..n]);
                Ok(n)
            }
            fn flush(&mut self) -> io::Result<()> {
                Ok(())
            }
        }
        let key = NameKey::derive(LINE);
        let tag = key.tag(&[7; 32]);
        let mut slow = MacWriter::new(Slow(Vec::new()), key.mac("v", 1, &tag));
        slow.write_all(b"some longer ciphertext").unwrap();
        let (out, mac, bytes) = slow.finish();
        let mut whole = key.mac("v", 1, &tag);
        whole.update(b"some longer ciphertext");
        assert_eq!(
            (out.0.as_slice(), bytes),
            (&b"some longer ciphertext"[..], 22)
        );
        assert_eq!(mac, whole.finish());
    }

    #[test]
    fn a_name_key_hides_itself_and_survives_the_settings() {
        let key = NameKey::derive(LINE);
        assert_eq!(format!("{key:?}"), "NameKey(hidden)");
        let again = NameKey::from_hex(&key.to_hex()).unwrap();
        assert_eq!(key.expose(), again.expose());
        assert_eq!(
            NameKey::from_hex(&key.to_hex().to_uppercase()).unwrap_err(),
            NameError::NotHex
        );
    }

    /// The published vectors that the names rest on: plain, keyed and derived.
    ///
    /// # Source
    /// BLAKE3 `test_vectors.json` (35 cases; input byte i is i mod 251; first 32 output bytes), BLAKE3-team/BLAKE3.
    #[test]
    fn blake3_gives_its_published_values() {
        let cases = [
            (
                0,
                "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262",
            ),
            (
                1,
                "2d3adedff11b61f14c886e35afa036736dcd87a74d27b5c1510225d0f592e213",
            ),
            (
                2,
                "7b7015bb92cf0b318037702a6cdd81dee41224f734684c2c122cd6359cb1ee63",
            ),
            (
                3,
                "e1be4d7a8ab5560aa4199eea339849ba8e293d55ca0a81006726d184519e647f",
            ),
            (
                8,
                "2351207d04fc16ade43ccab08600939c7c1fa70a5c0aaca76063d04c3228eaeb",
            ),
            (
                64,
                "4eed7141ea4a5cd4b788606bd23f46e212af9cacebacdc7d1f4c6dc7f2511b98",
            ),
            (
                65,
                "de1e5fa0be70df6d2be8fffd0e99ceaa8eb6e8c93a63f2d8d1c30ecb6b263dee",
            ),
            (
                1023,
                "10108970eeda3eb932baac1428c7a2163b0e924c9a9e25b35bba72b28f70bd11",
            ),
            (
                1024,
                "42214739f095a406f3fc83deb889744ac00df831c10daa55189b5d121c855af7",
            ),
            (
                2048,
                "e776b6028c7cd22a4d0ba182a8bf62205d2ef576467e838ed6f2529b85fba24a",
            ),
            (
                102_400,
                "bc3e3d41a1146b069abffad3c0d44860cf664390afce4d9661f7902e7943e085",
            ),
        ];
        for (length, expected) in cases {
            let input: Vec<u8> = (0..length).map(|i: u32| (i % 251) as u8).collect();
            assert_eq!(hex(blake3::hash(&input).as_bytes()), expected, "{length}");
        }
    }
}
