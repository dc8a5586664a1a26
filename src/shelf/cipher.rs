//! The only place where reels are encrypted and opened, and where the vault's identity is made and wrapped.
//!
//! Invariants: what is sealed is exactly the closed reel of the expected hash, or the seal fails; nothing opened counts before the
//! last byte was authenticated, so callers write to a temporary name; a hostile file costs bounded memory, time and disk; no secret
//! shows in `Debug`, in an error or anywhere but in [`Identity::line`]. Randomness comes from the `age` crate alone.

use std::cell::Cell;
use std::fmt;
use std::io::{self, BufReader, Read, Write};
use std::iter;
use std::str::FromStr;

use age::DecryptError;
pub use age::secrecy::{ExposeSecret, SecretString};
use zeroize::Zeroizing;

use super::name::{MacWriter, NameKey, ReelName};

/// The largest zstd window, as a power of two, that a sealed reel may ask for: 8 MiB.
pub const WINDOW_LOG: u32 = 23;

/// The zstd level of sealed reels.
pub const ZSTD_LEVEL: i32 = 3;

/// The largest scrypt work factor (a power of two) that is spent on a file: 4 GiB of memory.
pub const MAX_WORK_FACTOR: u8 = 22;

/// The scrypt work factor for new passphrases: 256 MiB and about a second.
pub const DEFAULT_WORK_FACTOR: u8 = 18;

/// The secret that opens every copy of a vault. `Debug` hides it.
#[derive(Clone)]
pub struct Identity(age::x25519::Identity);

/// The public half of an [`Identity`], `age1…`: enough to seal, not to open.
#[derive(Clone, PartialEq, Eq)]
pub struct Recipient(age::x25519::Recipient);

/// What sealing one reel gave.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sealed {
    /// The name under which the copy belongs on a shelf.
    pub name: ReelName,
    /// Length of the reel's tar.
    pub plain_bytes: u64,
    /// Length of the sealed copy.
    pub sealed_bytes: u64,
}

/// What opening one reel gave.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Opened {
    /// Length of the reel's tar.
    pub bytes: u64,
    /// BLAKE3 of the reel's tar.
    pub blake3: [u8; 32],
}

/// What reading a sealed copy against its name gave.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MacCheck {
    /// The ciphertext is the one the name was made for.
    pub good: bool,
    /// Bytes read.
    pub bytes: u64,
}

/// For whom an identity is wrapped.
pub enum Further<'a> {
    /// The holder of another identity.
    Recipient(&'a Recipient),
    /// Whoever knows this passphrase.
    Passphrase {
        /// Not empty.
        passphrase: &'a SecretString,
        /// scrypt work factor, 1 to [`MAX_WORK_FACTOR`]; [`DEFAULT_WORK_FACTOR`] outside tests.
        work_factor: u8,
    },
}

/// What opens a wrapped identity.
pub enum Opener<'a> {
    /// Another identity.
    Identity(&'a Identity),
    /// A passphrase.
    Passphrase(&'a SecretString),
}

/// Why a text is not the identity or recipient asked for. Never quotes the text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum KeyError {
    /// No line of the text is an identity.
    NoIdentity,
    /// A line looks like an identity but its own check characters say it was altered.
    BadIdentity,
    /// More than one identity where one was wanted.
    SeveralIdentities(usize),
    /// Not an `age1…` recipient.
    BadRecipient,
}

/// Why a reel was not sealed. What was written by then is to be discarded.
#[derive(Debug)]
pub enum SealError {
    /// The reel could not be read.
    Read(io::Error),
    /// The copy could not be written.
    Write(io::Error),
    /// The bytes read are not the closed reel: its BLAKE3 is another one now.
    PlainChanged {
        /// BLAKE3 of the bytes that were read.
        found: [u8; 32],
    },
    /// The encryption could not be set up.
    Encrypt(age::EncryptError),
}

/// Why a copy was not opened. What was written by then is to be discarded.
#[derive(Debug)]
pub enum OpenError {
    /// The copy could not be read.
    Read(io::Error),
    /// The opened bytes could not be written.
    Write(io::Error),
    /// None of the identities (or not this passphrase) opens it. Damage inside its first few hundred bytes can look the same, so
    /// check the mac first.
    WrongKey,
    /// It is cut off, altered or not a sealed reel at all.
    Damaged(String),
    /// It asks for more than 8 MiB of zstd window, which no reel of ours does.
    Window,
    /// It holds more than the permitted number of bytes.
    TooLong {
        /// The permitted number.
        limit: u64,
    },
    /// It asks for more scrypt work than [`MAX_WORK_FACTOR`].
    TooMuchWork {
        /// The work factor asked for.
        required: u8,
    },
}

/// Why an identity was not wrapped.
#[derive(Debug)]
pub enum WrapError {
    /// The passphrase is empty.
    EmptyPassphrase,
    /// The work factor is not between 1 and [`MAX_WORK_FACTOR`].
    WorkFactor(u8),
    /// The encryption failed.
    Encrypt(age::EncryptError),
}

/// Why a wrapped identity was not opened.
#[derive(Debug)]
pub enum UnwrapError {
    /// The file did not open.
    Open(OpenError),
    /// The file opened and holds something else than one identity.
    Key(KeyError),
}

impl Identity {
    /// Makes a new identity.
    pub fn generate() -> Self {
        Self(age::x25519::Identity::generate())
    }

    /// Reads one identity from an identity line or from the text of an age key file (comment lines, blank lines, one identity).
    ///
    /// # Errors
    /// [`KeyError::NoIdentity`], [`KeyError::BadIdentity`], [`KeyError::SeveralIdentities`].
    pub fn parse(text: &str) -> Result<Self, KeyError> {
        let mut identities = Self::parse_all(text)?;
        match (identities.len(), identities.pop()) {
            (1, Some(identity)) => Ok(identity),
            (n, _) => Err(KeyError::SeveralIdentities(n)),
        }
    }

    /// Reads every identity of an age key file, at least one.
    ///
    /// # Errors
    /// [`KeyError::NoIdentity`] if there is none, [`KeyError::BadIdentity`] if any line is neither comment, blank nor identity.
    pub fn parse_all(text: &str) -> Result<Vec<Self>, KeyError> {
        let mut identities = Vec::new();
        for line in text.trim_start_matches('\u{feff}').lines().map(str::trim) {
            if line.is_empty() || line.starts_with('#') {
                continue;
            }
            let identity = line.parse().map_err(|_| {
                if line.to_ascii_uppercase().starts_with("AGE-SECRET-KEY-1") {
                    KeyError::BadIdentity
                } else {
                    KeyError::NoIdentity
                }
            })?;
            identities.push(Self(identity));
        }
        if identities.is_empty() {
            return Err(KeyError::NoIdentity);
        }
        Ok(identities)
    }

    /// Gives the identity line, `AGE-SECRET-KEY-1…` in upper case without a line end: the secret itself.
    pub fn line(&self) -> SecretString {
        self.0.to_string()
    }

    /// Gives the public half.
    pub fn recipient(&self) -> Recipient {
        Recipient(self.0.to_public())
    }

    /// Derives the key behind the names at a shelf.
    pub fn name_key(&self) -> NameKey {
        NameKey::derive(self.line().expose_secret())
    }
}

/// Encrypts the closed reel `plain` into `out` and gives its name.
///
/// The copy is one zstd frame (level 3, window at most 8 MiB, content checksum), age-encrypted to `recipient`. While it is read,
/// the plain bytes are hashed again: they must be those of `expected_hash` (BLAKE3 of the tar). `vault_id` holds no line end.
///
/// # Errors
/// Every kind of [`SealError`]; the caller discards `out` then. [`SealError::PlainChanged`] comes last, when all was written.
pub fn seal(
    mut plain: impl Read,
    recipient: &Recipient,
    name_key: &NameKey,
    vault_id: &str,
    number: u64,
    expected_hash: &[u8; 32],
    out: impl Write,
) -> Result<Sealed, SealError> {
    let tag = name_key.tag(expected_hash);
    let out = MacWriter::new(out, name_key.mac(vault_id, number, &tag));
    let recipients = iter::once(&recipient.0 as &dyn age::Recipient);
    let encryptor = age::Encryptor::with_recipients(recipients).map_err(SealError::Encrypt)?;
    let encrypted = encryptor.wrap_output(out).map_err(SealError::Write)?;
    let mut packed =
        zstd::stream::write::Encoder::new(encrypted, ZSTD_LEVEL).map_err(SealError::Write)?;
    packed.window_log(WINDOW_LOG).map_err(SealError::Write)?;
    packed.include_checksum(true).map_err(SealError::Write)?;

    let mut hasher = blake3::Hasher::new();
    let mut plain_bytes = 0;
    let mut buffer = vec![0; BUFFER_BYTES];
    loop {
        let piece = read_some(&mut plain, &mut buffer).map_err(SealError::Read)?;
        if piece.is_empty() {
            break;
        }
        hasher.update(piece);
        plain_bytes += piece.len() as u64;
        packed.write_all(piece).map_err(SealError::Write)?;
    }

    let encrypted = packed.finish().map_err(SealError::Write)?;
    let out = encrypted.finish().map_err(SealError::Write)?;
    let (mut out, mac, sealed_bytes) = out.finish();
    out.flush().map_err(SealError::Write)?;
    let found = hasher.finalize();
    if found != *expected_hash {
        return Err(SealError::PlainChanged {
            found: *found.as_bytes(),
        });
    }
    Ok(Sealed {
        name: ReelName { number, tag, mac },
        plain_bytes,
        sealed_bytes,
    })
}

/// Reads a sealed copy to its end and says whether it is the one that `name` was made for. Needs no identity.
///
/// # Errors
/// Only those of reading; a wrong mac is a result.
pub fn check_mac(
    name: &ReelName,
    vault_id: &str,
    name_key: &NameKey,
    mut ciphertext: impl Read,
) -> io::Result<MacCheck> {
    let mut hasher = name_key.mac(vault_id, name.number, &name.tag);
    let mut bytes = 0;
    let mut buffer = vec![0; BUFFER_BYTES];
    loop {
        let piece = read_some(&mut ciphertext, &mut buffer)?;
        if piece.is_empty() {
            break;
        }
        hasher.update(piece);
        bytes += piece.len() as u64;
    }
    Ok(MacCheck {
        good: hasher.finish().matches(&name.mac),
        bytes,
    })
}

/// Decrypts and unpacks a sealed copy into `out`, as a stream.
///
/// Bytes reach `out` before the end was authenticated, so it must be a temporary name until this returns `Ok`. At most `limit`
/// bytes are written. The caller compares the hash given back with the one it expects.
///
/// # Errors
/// Every kind of [`OpenError`]; the caller discards `out` then.
pub fn open(
    ciphertext: impl Read,
    identities: &[Identity],
    mut out: impl Write,
    limit: u64,
) -> Result<Opened, OpenError> {
    let failed = Cell::new(None);
    let budget = Cell::new(HEADER_BYTES);
    let source = Source {
        inner: ciphertext,
        failed: &failed,
        budget: &budget,
    };
    let explain = |error: io::Error| match failed.take() {
        Some(kind) => OpenError::Read(io::Error::new(kind, error)),
        None => damage(&error),
    };

    let source = BufReader::with_capacity(BUFFER_BYTES, source);
    let decryptor = match age::Decryptor::new_buffered(source) {
        Ok(decryptor) => decryptor,
        Err(DecryptError::Io(error)) => return Err(explain(error)),
        Err(error) => return Err(from_age(error)),
    };
    budget.set(u64::MAX);
    let keys = identities.iter().map(|key| &key.0 as &dyn age::Identity);
    let packed = decryptor.decrypt(keys).map_err(from_age)?;
    let packed = BufReader::with_capacity(BUFFER_BYTES, packed);
    let mut plain = zstd::stream::read::Decoder::with_buffer(packed).map_err(OpenError::Write)?;
    plain.window_log_max(WINDOW_LOG).map_err(OpenError::Write)?;

    let mut hasher = blake3::Hasher::new();
    let mut bytes: u64 = 0;
    let mut buffer = vec![0; BUFFER_BYTES];
    loop {
        // Reading up to the end also authenticates age's last chunk: a copy cut off between chunks ends in an error, not in silence.
        let piece = read_some(&mut plain, &mut buffer).map_err(&explain)?;
        if piece.is_empty() {
            break;
        }
        bytes += piece.len() as u64;
        if bytes > limit {
            return Err(OpenError::TooLong { limit });
        }
        hasher.update(piece);
        out.write_all(piece).map_err(OpenError::Write)?;
    }
    out.flush().map_err(OpenError::Write)?;
    Ok(Opened {
        bytes,
        blake3: *hasher.finalize().as_bytes(),
    })
}

/// Encrypts an identity for a further key or passphrase and gives the bytes of the age file (binary).
///
/// The file holds a key file's text (a comment line with the recipient, then the identity line), so `age -d` turns it into a key
/// that stock `age -i` reads.
///
/// # Errors
/// Every kind of [`WrapError`].
pub fn wrap_identity(identity: &Identity, further: &Further<'_>) -> Result<Vec<u8>, WrapError> {
    let line = identity.line();
    let text = Zeroizing::new(format!(
        "# public key: {}\n{}\n",
        identity.recipient(),
        line.expose_secret()
    ));
    wrap_text(text.as_bytes(), further)
}

/// Opens what [`wrap_identity`] made, or any small age file that holds one identity.
///
/// # Errors
/// Every kind of [`UnwrapError`]; a passphrase file that asks for more than [`MAX_WORK_FACTOR`] is refused before any work.
pub fn unwrap_identity(bytes: &[u8], opener: &Opener<'_>) -> Result<Identity, UnwrapError> {
    let text = unwrap_text(bytes, opener).map_err(UnwrapError::Open)?;
    Identity::parse(&text).map_err(UnwrapError::Key)
}

/// Encrypts a small text, binary; the armor is the key file's affair.
pub(super) fn wrap_text(text: &[u8], further: &Further<'_>) -> Result<Vec<u8>, WrapError> {
    match further {
        Further::Recipient(recipient) => {
            age::encrypt(&recipient.0, text).map_err(WrapError::Encrypt)
        }
        Further::Passphrase {
            passphrase,
            work_factor,
        } => {
            if passphrase.expose_secret().is_empty() {
                return Err(WrapError::EmptyPassphrase);
            }
            // The age crate panics on 0 and on 64 and more.
            if !(1..=MAX_WORK_FACTOR).contains(work_factor) {
                return Err(WrapError::WorkFactor(*work_factor));
            }
            let mut recipient = age::scrypt::Recipient::new((*passphrase).clone());
            recipient.set_work_factor(*work_factor);
            age::encrypt(&recipient, text).map_err(WrapError::Encrypt)
        }
    }
}

/// Decrypts a small text, at most [`TEXT_BYTES`], binary or armored.
pub(super) fn unwrap_text(
    bytes: &[u8],
    opener: &Opener<'_>,
) -> Result<Zeroizing<String>, OpenError> {
    if bytes.len() as u64 > TEXT_BYTES {
        return Err(OpenError::TooLong { limit: TEXT_BYTES });
    }
    let decryptor = age::Decryptor::new(age::armor::ArmoredReader::new(bytes)).map_err(from_age)?;
    let reader = match opener {
        Opener::Identity(identity) => {
            decryptor.decrypt(iter::once(&identity.0 as &dyn age::Identity))
        }
        Opener::Passphrase(passphrase) => {
            let mut identity = age::scrypt::Identity::new((*passphrase).clone());
            identity.set_max_work_factor(MAX_WORK_FACTOR);
            decryptor.decrypt(iter::once(&identity as &dyn age::Identity))
        }
    };
    let mut reader = reader.map_err(from_age)?;
    // Room for all of it at once: growing would leave copies of the secret behind.
    let mut text = Zeroizing::new(String::with_capacity(bytes.len()));
    reader
        .read_to_string(&mut text)
        .map_err(|error| damage(&error))?;
    Ok(text)
}

impl fmt::Debug for Identity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Identity(hidden)")
    }
}

impl fmt::Display for Recipient {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl fmt::Debug for Recipient {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Recipient({self})")
    }
}

impl FromStr for Recipient {
    type Err = KeyError;

    fn from_str(text: &str) -> Result<Self, KeyError> {
        let recipient = text.trim().parse().map_err(|_| KeyError::BadRecipient)?;
        Ok(Self(recipient))
    }
}

impl fmt::Display for KeyError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            KeyError::NoIdentity => f.write_str("this holds no key line (AGE-SECRET-KEY-1...)"),
            KeyError::BadIdentity => {
                f.write_str("the key line was altered: it does not fit its own check characters")
            }
            KeyError::SeveralIdentities(n) => write!(f, "this holds {n} keys where one is wanted"),
            KeyError::BadRecipient => f.write_str("this is no public key (age1...)"),
        }
    }
}

impl std::error::Error for KeyError {}

impl fmt::Display for SealError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            SealError::Read(_) => "the reel could not be read",
            SealError::Write(_) => "the encrypted copy could not be written",
            SealError::PlainChanged { .. } => "the reel is not the one that was closed any more",
            SealError::Encrypt(_) => "the encryption could not be set up",
        })
    }
}

impl std::error::Error for SealError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            SealError::Read(error) | SealError::Write(error) => Some(error),
            SealError::Encrypt(error) => Some(error),
            SealError::PlainChanged { .. } => None,
        }
    }
}

impl fmt::Display for OpenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            OpenError::Read(_) => f.write_str("the encrypted copy could not be read"),
            OpenError::Write(_) => f.write_str("the opened bytes could not be written"),
            OpenError::WrongKey => f.write_str("this key does not open it"),
            OpenError::Damaged(detail) => write!(f, "the encrypted copy is damaged ({detail})"),
            OpenError::Window => {
                f.write_str("the copy asks for more than 8 MiB of memory to unpack")
            }
            OpenError::TooLong { limit } => {
                write!(f, "it holds more than the permitted {limit} bytes")
            }
            OpenError::TooMuchWork { required } => write!(
                f,
                "its passphrase asks for work factor {required}, at most {MAX_WORK_FACTOR} is spent"
            ),
        }
    }
}

impl std::error::Error for OpenError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            OpenError::Read(error) | OpenError::Write(error) => Some(error),
            _ => None,
        }
    }
}

impl fmt::Display for WrapError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            WrapError::EmptyPassphrase => f.write_str("the passphrase is empty"),
            WrapError::WorkFactor(n) => {
                write!(f, "work factor {n} is not between 1 and {MAX_WORK_FACTOR}")
            }
            WrapError::Encrypt(_) => f.write_str("the key could not be encrypted"),
        }
    }
}

impl std::error::Error for WrapError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            WrapError::Encrypt(error) => Some(error),
            _ => None,
        }
    }
}

impl fmt::Display for UnwrapError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            UnwrapError::Open(_) => "the wrapped key could not be opened",
            UnwrapError::Key(_) => "what was wrapped is not one key",
        })
    }
}

impl std::error::Error for UnwrapError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            UnwrapError::Open(error) => Some(error),
            UnwrapError::Key(error) => Some(error),
        }
    }
}

/// As much as age encrypts at once.
const BUFFER_BYTES: usize = 64 * 1024;

/// What a copy's header may take; ours take under 1 KiB. The age crate sets no bound, and its time grows with the square of it.
const HEADER_BYTES: u64 = 16 * 1024;

/// What a wrapped identity may take; ours take under 1 KiB.
const TEXT_BYTES: u64 = 16 * 1024;

/// What the zstd library says, in its own words, when a frame asks for a larger window than permitted; it gives no code through `io`.
const WINDOW_WORDS: &str = "requires too much memory";

/// The reader of a sealed copy: remembers its own failures, so that they are not taken for damage, and ends an endless header.
struct Source<'a, R> {
    inner: R,
    failed: &'a Cell<Option<io::ErrorKind>>,
    budget: &'a Cell<u64>,
}

impl<R: Read> Read for Source<'_, R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let budget = self.budget.get();
        if budget == 0 {
            return Err(io::Error::other("its header does not end"));
        }
        let room = usize::try_from(budget).map_or(buffer.len(), |b| b.min(buffer.len()));
        match self.inner.read(&mut buffer[..room]) {
            Ok(n) => {
                if budget != u64::MAX {
                    self.budget.set(budget.saturating_sub(n as u64));
                }
                Ok(n)
            }
            Err(error) => {
                if error.kind() != io::ErrorKind::Interrupted {
                    self.failed.set(Some(error.kind()));
                }
                Err(error)
            }
        }
    }
}

fn read_some<'a>(reader: &mut impl Read, buffer: &'a mut [u8]) -> io::Result<&'a [u8]> {
    loop {
        match reader.read(buffer) {
            Ok(n) => return Ok(buffer.get(..n).unwrap_or_default()),
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
}

fn damage(error: &io::Error) -> OpenError {
    let detail = error.to_string();
    if detail.contains(WINDOW_WORDS) {
        return OpenError::Window;
    }
    OpenError::Damaged(detail)
}

fn from_age(error: DecryptError) -> OpenError {
    match error {
        DecryptError::NoMatchingKeys
        | DecryptError::KeyDecryptionFailed
        | DecryptError::DecryptionFailed => OpenError::WrongKey,
        DecryptError::ExcessiveWork { required, .. } => OpenError::TooMuchWork { required },
        DecryptError::Io(error) => damage(&error),
        DecryptError::UnknownFormat => OpenError::Damaged("not an age file of version 1".into()),
        DecryptError::InvalidMac => OpenError::Damaged("its header was altered".into()),
        _ => OpenError::Damaged("its header cannot be read".into()),
    }
}

#[cfg(test)]
mod tests;
