//! Sealing and opening against damage, wrong keys, hostile files and failing disks.

use super::*;

const LINE: &str = "AGE-SECRET-KEY-1GFPYYSJZGFPYYSJZGFPYYSJZGFPYYSJZGFPYYSJZGFPYYSJZGFPQ4EGAEX";
const VAULT: &str = "vault-for-tests";
const LOW_WORK: u8 = 2;

fn identity() -> Identity {
    Identity::parse(LINE).unwrap()
}

/// Bytes that are half noise and half zeros, the same in every run.
fn half_noise(length: usize) -> Vec<u8> {
    let mut bytes = vec![0; length];
    blake3::Hasher::new().finalize_xof().fill(&mut bytes);
    for block in bytes.chunks_mut(64) {
        let half = block.len() / 2;
        block[half..].fill(0);
    }
    bytes
}

fn sealed(plain: &[u8]) -> (Sealed, Vec<u8>) {
    let key = identity();
    let hash = *blake3::hash(plain).as_bytes();
    let mut out = Vec::new();
    let sealed = seal(
        plain,
        &key.recipient(),
        &key.name_key(),
        VAULT,
        1,
        &hash,
        &mut out,
    )
    .unwrap();
    (sealed, out)
}

fn opened(bytes: &[u8]) -> Result<Vec<u8>, OpenError> {
    let mut out = Vec::new();
    open(bytes, &[identity()], &mut out, 1 << 30).map(|_| out)
}

/// Encrypts `packed` as it is, for copies that `seal` would never make.
fn encrypted(packed: &[u8]) -> Vec<u8> {
    age::encrypt(&identity().recipient().0, packed).unwrap()
}

#[test]
fn what_is_sealed_opens_to_the_same_bytes() {
    for length in [0, 1, 511, 65_536, 65_537, 3_000_000] {
        let plain = half_noise(length);
        let (sealed, bytes) = sealed(&plain);
        assert_eq!(sealed.plain_bytes, length as u64);
        assert_eq!(sealed.sealed_bytes, bytes.len() as u64);
        let mut out = Vec::new();
        let keys = [Identity::generate(), identity()];
        let result = open(&bytes[..], &keys, &mut out, length as u64).unwrap();
        assert_eq!(out, plain, "{length}");
        assert_eq!(result.bytes, length as u64);
        assert_eq!(result.blake3, *blake3::hash(&plain).as_bytes());
        let check = check_mac(&sealed.name, VAULT, &identity().name_key(), &bytes[..]).unwrap();
        assert_eq!(
            check,
            MacCheck {
                good: true,
                bytes: bytes.len() as u64
            }
        );
    }
}

/// # Source
/// The pair printed in the age specification (C2SP age.md, X25519 recipient type).
#[test]
fn the_published_identity_has_the_published_recipient() {
    let recipient = "age1zvkyg2lqzraa2lnjvqej32nkuu0ues2s82hzrye869xeexvn73equnujwj";
    assert_eq!(identity().recipient().to_string(), recipient);
    assert_eq!(recipient.parse(), Ok(identity().recipient()));
    assert_eq!(identity().line().expose_secret(), LINE);
}

#[test]
fn a_reel_that_changed_since_it_was_closed_is_not_sealed() {
    let key = identity();
    let expected = *blake3::hash(b"as closed").as_bytes();
    let result = seal(
        &b"as it is"[..],
        &key.recipient(),
        &key.name_key(),
        VAULT,
        1,
        &expected,
        io::sink(),
    );
    let found = *blake3::hash(b"as it is").as_bytes();
    assert!(matches!(result, Err(SealError::PlainChanged { found: f }) if f == found));
}

#[test]
fn every_altered_or_lost_byte_is_noticed_by_mac_and_by_opening() {
    let plain = half_noise(200_000);
    let (sealed, bytes) = sealed(&plain);
    let good = |bytes: &[u8]| {
        check_mac(&sealed.name, VAULT, &identity().name_key(), bytes)
            .unwrap()
            .good
    };
    for at in (0..700).chain((700..bytes.len()).step_by(997)) {
        let mut bad = bytes.clone();
        bad[at] ^= 1;
        assert!(!good(&bad), "flip at {at}");
        assert!(opened(&bad).is_err(), "flip at {at}");
    }
    let boundaries = (0..bytes.len()).step_by(1009).chain([bytes.len() - 1]);
    for end in boundaries {
        assert!(!good(&bytes[..end]), "cut at {end}");
        assert!(opened(&bytes[..end]).is_err(), "cut at {end}");
    }
    let mut longer = bytes.clone();
    longer.push(0);
    assert!(!good(&longer));
    assert!(opened(&longer).is_err());
}

#[test]
fn a_copy_cut_between_two_chunks_of_the_encryption_is_damaged() {
    // Noise, so that the ciphertext spans several chunks of 64 KiB + 16.
    let mut plain = vec![0; 300_000];
    blake3::Hasher::new().finalize_xof().fill(&mut plain);
    let (_, bytes) = sealed(&plain);
    let payload: usize = 64 * 1024 + 16;
    let whole_chunks = (bytes.len() - 1000) / payload;
    // The header's length varies, so look for the cut from the end: the last chunk is what lies past the whole ones.
    let header = bytes
        .windows(5)
        .position(|w| w == b"\n--- ")
        .map(|at| at + 5 + 43 + 1 + 16)
        .unwrap();
    for n in 0..=whole_chunks {
        let cut = &bytes[..header + n * payload];
        assert!(matches!(opened(cut), Err(OpenError::Damaged(_))), "{n}");
    }
}

#[test]
fn another_key_is_called_a_wrong_key() {
    let (_, bytes) = sealed(b"plain");
    for keys in [vec![], vec![Identity::generate()]] {
        let result = open(&bytes[..], &keys, io::sink(), 100);
        assert!(matches!(result, Err(OpenError::WrongKey)));
    }
}

#[test]
fn what_is_no_copy_at_all_is_damaged() {
    for bytes in [
        &b""[..],
        b"age-encryption.org/v1\n",
        b"age-encryption.org/v9\nx\n",
        b"noise",
    ] {
        assert!(
            matches!(opened(bytes), Err(OpenError::Damaged(_))),
            "{bytes:?}"
        );
    }
    // Encrypted, but not a zstd frame inside.
    for packed in [&b"not zstd"[..], &[0x28, 0xb5, 0x2f, 0xfd]] {
        let result = opened(&encrypted(packed));
        assert!(matches!(result, Err(OpenError::Damaged(_))), "{packed:?}");
    }
}

#[test]
fn a_header_without_end_is_refused() {
    let endless = (&b"age-encryption.org/v1\n"[..]).chain(io::repeat(b'a'));
    let result = open(endless, &[identity()], io::sink(), 100);
    assert!(matches!(result, Err(OpenError::Damaged(_))));
    let lines = b"-> X25519 abc\nabcd\n".repeat(1 << 16);
    let endless = (&b"age-encryption.org/v1\n"[..]).chain(&lines[..]);
    let result = open(endless, &[identity()], io::sink(), 100);
    assert!(matches!(result, Err(OpenError::Damaged(_))));
}

#[test]
fn a_copy_that_unpacks_to_more_than_permitted_stops_at_the_limit() {
    let (_, bytes) = sealed(&vec![0; 50_000_000]);
    assert!(bytes.len() < 20_000, "a bomb is small: {}", bytes.len());
    let mut out = Vec::new();
    let result = open(&bytes[..], &[identity()], &mut out, 1_000_000);
    assert!(matches!(
        result,
        Err(OpenError::TooLong { limit: 1_000_000 })
    ));
    assert!(out.len() <= 1_000_000);
}

#[test]
fn a_window_over_8_mib_is_refused_and_one_of_8_mib_is_not() {
    for (log, refused) in [(23, false), (24, true), (27, true)] {
        let mut packed = zstd::stream::write::Encoder::new(Vec::new(), 3).unwrap();
        packed.window_log(log).unwrap();
        packed.write_all(&half_noise(100_000)).unwrap();
        let result = opened(&encrypted(&packed.finish().unwrap()));
        assert_eq!(
            matches!(result, Err(OpenError::Window)),
            refused,
            "{log}: {result:?}"
        );
        assert_eq!(result.is_ok(), !refused, "{log}");
    }
}

#[test]
fn failing_disks_are_told_from_damage() {
    struct Fails<R>(R, usize);
    impl<R: Read> Read for Fails<R> {
        fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
            if self.1 == 0 {
                return Err(io::Error::from(io::ErrorKind::TimedOut));
            }
            self.1 -= 1;
            let n = buffer.len().min(50_000);
            self.0.read(&mut buffer[..n])
        }
    }
    struct Full(usize);
    impl Write for Full {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            if self.0 < bytes.len() {
                return Err(io::Error::from(io::ErrorKind::StorageFull));
            }
            self.0 -= bytes.len();
            Ok(bytes.len())
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }
    let key = identity();
    let plain = half_noise(300_000);
    let (sealed, bytes) = sealed(&plain);
    for reads in 0..3 {
        let result = open(Fails(&bytes[..], reads), &[identity()], io::sink(), 1 << 20);
        assert!(
            matches!(&result, Err(OpenError::Read(e)) if e.kind() == io::ErrorKind::TimedOut),
            "{reads}: {result:?}"
        );
    }
    let result = open(&bytes[..], &[identity()], Full(100_000), 1 << 20);
    assert!(matches!(&result, Err(OpenError::Write(e)) if e.kind() == io::ErrorKind::StorageFull));
    let check = check_mac(&sealed.name, VAULT, &key.name_key(), Fails(&bytes[..], 1));
    assert_eq!(check.unwrap_err().kind(), io::ErrorKind::TimedOut);

    let hash = *blake3::hash(&plain).as_bytes();
    let (to, names) = (key.recipient(), key.name_key());
    for room in [0, 100, 1000, bytes.len() / 2] {
        let result = seal(&plain[..], &to, &names, VAULT, 1, &hash, Full(room));
        assert!(matches!(result, Err(SealError::Write(_))), "{room}");
    }
    let source = Fails(&plain[..], 2);
    let result = seal(source, &to, &names, VAULT, 1, &hash, io::sink());
    assert!(matches!(result, Err(SealError::Read(_))));
}

#[test]
fn a_wrapped_identity_opens_for_its_key_or_passphrase_only() {
    let friend = Identity::generate();
    let passphrase = SecretString::from("eight coupled oscillators");
    let wrong = SecretString::from("eight coupled oscillator");
    let for_friend = wrap_identity(&identity(), &Further::Recipient(&friend.recipient())).unwrap();
    let for_words = wrap_identity(
        &identity(),
        &Further::Passphrase {
            passphrase: &passphrase,
            work_factor: LOW_WORK,
        },
    )
    .unwrap();
    for (bytes, opener) in [
        (&for_friend, Opener::Identity(&friend)),
        (&for_words, Opener::Passphrase(&passphrase)),
    ] {
        let found = unwrap_identity(bytes, &opener).unwrap();
        assert_eq!(found.line().expose_secret(), LINE);
        let text = String::from_utf8_lossy(bytes);
        assert!(!text.contains("AGE-SECRET-KEY"));
    }
    for (bytes, opener) in [
        (&for_friend, Opener::Identity(&identity())),
        (&for_friend, Opener::Passphrase(&passphrase)),
        (&for_words, Opener::Passphrase(&wrong)),
        (&for_words, Opener::Identity(&friend)),
    ] {
        let result = unwrap_identity(bytes, &opener);
        assert!(
            matches!(result, Err(UnwrapError::Open(OpenError::WrongKey))),
            "{result:?}"
        );
    }
}

#[test]
fn passphrases_and_work_factors_out_of_bounds_are_refused() {
    let wrap = |passphrase: &str, work_factor| {
        let passphrase = &SecretString::from(passphrase);
        wrap_identity(
            &identity(),
            &Further::Passphrase {
                passphrase,
                work_factor,
            },
        )
    };
    assert!(matches!(
        wrap("", LOW_WORK),
        Err(WrapError::EmptyPassphrase)
    ));
    for factor in [0, MAX_WORK_FACTOR + 1, 64, 255] {
        assert!(matches!(wrap("x", factor), Err(WrapError::WorkFactor(f)) if f == factor));
    }
    // A hostile file: the same header asking for one more than is spent.
    let bytes = wrap("x", LOW_WORK).unwrap();
    let at = bytes
        .windows(3)
        .position(|w| w == b" 2\n")
        .expect("the work factor ends its line");
    let mut hostile = bytes[..at].to_vec();
    hostile.extend_from_slice(b" 23\n");
    hostile.extend_from_slice(&bytes[at + 3..]);
    let result = unwrap_identity(&hostile, &Opener::Passphrase(&SecretString::from("x")));
    assert!(matches!(
        result,
        Err(UnwrapError::Open(OpenError::TooMuchWork { required: 23 }))
    ));
}

#[test]
fn identities_are_read_from_lines_and_key_files() {
    let good = [
        LINE.to_string(),
        LINE.to_lowercase(),
        format!("  {LINE}\r\n"),
        format!("\u{feff}# created by hand\n\n# public key: age1x\n{LINE}\n"),
    ];
    for text in good {
        let key = Identity::parse(&text).unwrap();
        assert_eq!(key.line().expose_secret(), LINE);
    }
    let altered = LINE.replace("GFPQ4", "GFPQ5");
    for (text, error) in [
        ("", KeyError::NoIdentity),
        ("# only a comment\n", KeyError::NoIdentity),
        ("hello", KeyError::NoIdentity),
        (altered.as_str(), KeyError::BadIdentity),
        (&format!("{LINE}\n{LINE}\n"), KeyError::SeveralIdentities(2)),
    ] {
        assert_eq!(Identity::parse(text).unwrap_err(), error, "{text}");
    }
    assert!("age1nothing".parse::<Recipient>().is_err());
}

#[test]
fn nothing_secret_is_shown() {
    let shown = format!("{:?}", identity());
    assert_eq!(shown, "Identity(hidden)");
    let errors = format!("{:?}", Identity::parse(&LINE.replace("GFPQ4", "GFPQ5")));
    assert!(!errors.contains("GFPYYSJZ"));
}
