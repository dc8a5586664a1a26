//! Sealed copies, keys and names against stock `age`, `zstd` and `b3sum`.

#[path = "outside/tools.rs"]
mod tools;

use std::fs;
use std::process::Command;

use farshelf::shelf::cipher::{
    ExposeSecret, Further, Identity, Opener, SecretString, open, seal, unwrap_identity,
    wrap_identity,
};
use farshelf::shelf::keyfile::{KeyFile, to_locked_text, to_text};
use tools::{half_noise, sh, there};

const VAULT: &str = "0198f3a2-vault";
const PASSPHRASE: &str = "eight coupled oscillators";

#[test]
fn stock_age_and_zstd_open_what_we_seal() {
    if !there("opening our copies", &["age", "zstd"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let key = Identity::generate();
    fs::write(at.join("key.txt"), to_text(&key, "2026-10-25").as_bytes()).unwrap();
    for length in [0, 1, 65_536, 5_000_000] {
        let plain = half_noise(1, length);
        let hash = *blake3::hash(&plain).as_bytes();
        let mut out = Vec::new();
        seal(
            &plain[..],
            &key.recipient(),
            &key.name_key(),
            VAULT,
            7,
            &hash,
            &mut out,
        )
        .unwrap();
        fs::write(at.join("copy"), out).unwrap();
        let back = sh(at, "age -d -i key.txt copy > packed && zstd -dc < packed");
        assert!(back == plain, "{length}");
        // The frame promises a content checksum and a window of at most 8 MiB.
        let about = sh(at, "zstd -lv packed 2>&1");
        let about = String::from_utf8_lossy(&about).into_owned();
        assert!(about.contains("Check: XXH64"), "{about}");
        sh(at, "zstd --memory=8MB -dc < packed > unpacked");
    }
}

#[test]
fn we_open_what_stock_zstd_and_age_make() {
    if !there("opening copies made by hand", &["age", "zstd"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let key = Identity::generate();
    for length in [0, 1, 65_536, 5_000_000] {
        let plain = half_noise(2, length);
        fs::write(at.join("plain"), &plain).unwrap();
        let line = format!("zstd -3 -c < plain | age -r {} > copy", key.recipient());
        sh(at, &line);
        let copy = fs::read(at.join("copy")).unwrap();
        let mut out = Vec::new();
        let opened = open(&copy[..], std::slice::from_ref(&key), &mut out, 1 << 30).unwrap();
        assert!(out == plain, "{length}");
        assert_eq!(opened.blake3, *blake3::hash(&plain).as_bytes());
    }
}

#[test]
fn stock_b3sum_gives_the_same_name_key_tags_and_macs() {
    if !there("recomputing names", &["b3sum", "age"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let key = Identity::generate();
    fs::write(at.join("line"), key.line().expose_secret()).unwrap();
    let derive = "b3sum --no-names --derive-key 'farshelf 2026 name key v1' < line | tr -d '\\n'";
    let derived = String::from_utf8(sh(at, derive)).unwrap();
    assert_eq!(derived, *key.name_key().to_hex());
    fs::write(at.join("namekey"), key.name_key().expose()).unwrap();

    let plain = half_noise(3, 100_000);
    let hash = *blake3::hash(&plain).as_bytes();
    fs::write(at.join("hash"), hash).unwrap();
    // The short form of the number, and one that needs a seventh digit.
    for number in [12, 1_234_567] {
        let mut out = Vec::new();
        let sealed = seal(
            &plain[..],
            &key.recipient(),
            &key.name_key(),
            VAULT,
            number,
            &hash,
            &mut out,
        )
        .unwrap();
        fs::write(at.join("copy"), out).unwrap();
        let name = sealed.name.to_string();
        let mut parts = name.strip_suffix(".tar.zst.age").unwrap().split('-');
        let (digits, tag, mac) = (
            parts.next().unwrap(),
            parts.next().unwrap(),
            parts.next().unwrap(),
        );
        assert_eq!(digits, format!("{number:06}"));
        // b3sum takes the key from standard input, so what is hashed comes from a file.
        let keyed = |file: &str| {
            let line = format!("b3sum --no-names --keyed {file} < namekey");
            String::from_utf8(sh(at, &line)).unwrap().trim().to_string()
        };
        assert_eq!(keyed("hash")[..32], *tag);
        let head = format!("printf 'farshelf reel v1\\n%s\\n%s\\n%s\\n' {VAULT} {digits} {tag}");
        sh(at, &format!("{{ {head}; cat copy; }} > bound"));
        assert_eq!(keyed("bound"), mac);
    }
}

#[test]
fn stock_age_opens_wrapped_identities_and_we_open_its_own() {
    if !there("wrapped identities", &["age", "age-keygen"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let key = Identity::generate();
    sh(at, "age-keygen -o friend.txt 2>&1");
    let KeyFile::Open(friend) = KeyFile::parse(&fs::read(at.join("friend.txt")).unwrap()).unwrap()
    else {
        panic!("a plain key file was taken for a locked one");
    };
    let wrapped = wrap_identity(&key, &Further::Recipient(&friend.recipient())).unwrap();
    fs::write(at.join("wrapped"), wrapped).unwrap();
    sh(at, "age -d -i friend.txt wrapped > key.txt");
    let public = sh(at, "age-keygen -y key.txt");
    assert_eq!(
        String::from_utf8_lossy(&public).trim(),
        key.recipient().to_string()
    );

    sh(at, "age-keygen -y friend.txt | age -R - -o theirs key.txt");
    let theirs = fs::read(at.join("theirs")).unwrap();
    let found = unwrap_identity(&theirs, &Opener::Identity(&friend)).unwrap();
    assert!(found.line().expose_secret() == key.line().expose_secret());
}

#[test]
fn stock_age_opens_a_locked_key_file_and_a_passphrase_copy() {
    // age asks for passphrases on a terminal only; python3 lends it one.
    if !there("passphrases", &["age", "python3"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let key = Identity::generate();
    let passphrase = SecretString::from(PASSPHRASE);
    let locked = to_locked_text(&key, "2026-10-25", &passphrase, 10).unwrap();
    fs::write(at.join("key.txt"), locked).unwrap();
    let further = Further::Passphrase {
        passphrase: &passphrase,
        work_factor: 10,
    };
    fs::write(at.join("wrapped"), wrap_identity(&key, &further).unwrap()).unwrap();
    fs::write(at.join("plain"), b"a reel").unwrap();
    sh(at, &format!("age -r {} -o copy plain", key.recipient()));

    with_terminal(at, &["age", "-d", "-i", "key.txt", "-o", "back", "copy"]);
    assert_eq!(fs::read(at.join("back")).unwrap(), b"a reel");
    with_terminal(at, &["age", "-d", "-o", "unwrapped", "wrapped"]);
    let text = fs::read_to_string(at.join("unwrapped")).unwrap();
    let found = Identity::parse(&text).unwrap();
    assert!(found.line().expose_secret() == key.line().expose_secret());

    // The other way round: a key file that age itself locked. Its work factor of 18 takes long without optimisation.
    if std::env::var_os("FARSHELF_SLOW").is_none() {
        println!("not run: a key file locked by age (FARSHELF_SLOW is not set)");
        return;
    }
    fs::write(at.join("open.txt"), to_text(&key, "2026").as_bytes()).unwrap();
    with_terminal(
        at,
        &["age", "-p", "-a", "-o", "locked-by-age.txt", "open.txt"],
    );
    let bytes = fs::read(at.join("locked-by-age.txt")).unwrap();
    let KeyFile::Locked(locked) = KeyFile::parse(&bytes).unwrap() else {
        panic!("a locked key file was taken for a plain one");
    };
    let found = locked.unlock(&passphrase).unwrap();
    assert!(found.line().expose_secret() == key.line().expose_secret());
}

/// Runs a program under a terminal that answers every question with the passphrase.
fn with_terminal(folder: &std::path::Path, line: &[&str]) {
    let output = Command::new("python3")
        .args([
            concat!(env!("CARGO_MANIFEST_DIR"), "/tests/outside/terminal.py"),
            PASSPHRASE,
        ])
        .args(line)
        .current_dir(folder)
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{line:?}\n{}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
}
