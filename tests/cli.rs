//! The command line as a person or a script sees it: `cli/*.toml` holds commands and what they answer.
//!
//! Each case runs in a folder of its own with its own home. In what is expected, `[DIR]` is that folder, `[HASH]`
//! 64 and `[ID]` 32 hex characters, `[TIME]`, `[MINUTE]` and `[DAY]` a time of this century's later years (files of
//! cases are of 2024), and `[..]` anything. In `json`, the string `[..]` stands for any value; fields are exact.

use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::{Duration, SystemTime};

use serde::Deserialize;
use serde_json::Value;

#[derive(Deserialize)]
struct Cases {
    case: Vec<Case>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Case {
    name: String,
    /// Files as hex, or as text if they begin with `text:`.
    #[serde(default)]
    files: BTreeMap<String, String>,
    /// Commands that come before.
    #[serde(default)]
    setup: Vec<String>,
    /// A folder of which the first file gets one byte changed after the setup.
    spoil: Option<String>,
    /// The byte is one of these (hex) rather than the middle one.
    #[serde(default)]
    spoil_in: String,
    args: String,
    /// Standard input, as files are.
    #[serde(default)]
    stdin: String,
    #[serde(default)]
    status: i32,
    #[serde(default)]
    stdout: Option<String>,
    #[serde(default)]
    stderr: Option<String>,
    /// Standard output is exactly this JSON.
    json: Option<String>,
    /// Standard error is exactly this JSON.
    json_error: Option<String>,
}

/// Words that a person meets only with --verbose, in JSON and where damage is named.
const INNER_WORDS: &[&str] = &[
    "reel",
    "ledger",
    "catalogue",
    "identity",
    "recipient",
    "BLAKE3",
];

fn bytes_of(text: &str) -> Vec<u8> {
    if let Some(text) = text.strip_prefix("text:") {
        return text.as_bytes().to_vec();
    }
    let digits: String = text.split_whitespace().collect();
    (0..digits.len())
        .step_by(2)
        .map(|i| u8::from_str_radix(&digits[i..i + 2], 16).expect("hex"))
        .collect()
}

/// Words, with double quotes around those that hold blanks.
fn words(line: &str) -> Vec<String> {
    let mut out = Vec::new();
    for (i, part) in line.split('"').enumerate() {
        match i % 2 {
            0 => out.extend(part.split_whitespace().map(str::to_string)),
            _ => out.push(part.to_string()),
        }
    }
    out
}

fn farshelf(dir: &Path, line: &str, stdin: &[u8]) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_farshelf"))
        .args(words(&line.replace("[DIR]", &dir.display().to_string())))
        .current_dir(dir)
        .env_clear()
        .env("HOME", dir.join("home"))
        .env("XDG_DATA_HOME", dir.join("home/data"))
        .env("XDG_STATE_HOME", dir.join("home/state"))
        .env("FARSHELF_VAULT", dir.join("vault"))
        .env("TZ", "UTC")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    // Who does not read its input may be gone already.
    let _ = child.stdin.take().expect("a pipe").write_all(stdin);
    child.wait_with_output().expect("the program ends")
}

fn spoil(folder: &Path, within: &[u8]) {
    let mut names: Vec<_> = fs::read_dir(folder)
        .expect("a folder to spoil")
        .map(|e| e.expect("an entry").path())
        .collect();
    names.sort();
    let mut bytes = fs::read(&names[0]).expect("a file to spoil");
    let at = match within.is_empty() {
        true => bytes.len() / 2,
        false => bytes
            .windows(within.len())
            .position(|w| w == within)
            .expect("the bytes to spoil"),
    };
    bytes[at] ^= 0x10;
    fs::write(&names[0], bytes).expect("a spoilt file");
}

/// What differs from run to run, replaced by its placeholder.
fn normal(text: &str, dir: &Path) -> String {
    let hash = "h".repeat(64);
    let id = "h".repeat(32);
    let templates: [(&str, &str); 5] = [
        (&hash, "[HASH]"),
        (&id, "[ID]"),
        ("dddd-dd-ddTdd:dd:ddZ", "[TIME]"),
        ("dddd-dd-dd dd:dd", "[MINUTE]"),
        ("dddd-dd-dd", "[DAY]"),
    ];
    let text = text.replace(&dir.display().to_string(), "[DIR]");
    let mut out = String::new();
    let mut rest = text.as_str();
    'next: while let Some(c) = rest.chars().next() {
        for (template, name) in templates {
            let fits = rest.len() >= template.len()
                && rest.bytes().zip(template.bytes()).all(|(c, t)| match t {
                    b'd' => c.is_ascii_digit(),
                    b'h' => c.is_ascii_digit() || (b'a'..=b'f').contains(&c),
                    t => c == t,
                });
            // Dates of cases stay as they are; an id may begin with any digits.
            let of_a_case =
                template.starts_with('d') && (rest.starts_with("2024") || rest.starts_with("19"));
            if fits && !of_a_case {
                out.push_str(name);
                rest = &rest[template.len()..];
                continue 'next;
            }
        }
        out.push(c);
        rest = &rest[c.len_utf8()..];
    }
    out
}

fn same_text(actual: &str, expected: &str) -> bool {
    let (actual, expected): (Vec<_>, Vec<_>) =
        (actual.lines().collect(), expected.lines().collect());
    actual.len() == expected.len() && actual.iter().zip(&expected).all(|(a, e)| same_line(a, e))
}

fn same_line(actual: &str, expected: &str) -> bool {
    let mut parts = expected.split("[..]");
    let first = parts.next().unwrap_or_default();
    let Some(mut rest) = actual.strip_prefix(first) else {
        return false;
    };
    let parts: Vec<&str> = parts.collect();
    let Some((last, between)) = parts.split_last() else {
        return rest.is_empty();
    };
    for part in between {
        match rest.find(part) {
            Some(at) => rest = &rest[at + part.len()..],
            None => return false,
        }
    }
    rest.ends_with(last)
}

fn same_json(actual: &Value, expected: &Value) -> bool {
    match (actual, expected) {
        (_, Value::String(any)) if any == "[..]" => true,
        (Value::Object(a), Value::Object(e)) => {
            a.len() == e.len()
                && a.iter()
                    .all(|(k, v)| e.get(k).is_some_and(|w| same_json(v, w)))
        }
        (Value::Array(a), Value::Array(e)) => {
            a.len() == e.len() && a.iter().zip(e).all(|(v, w)| same_json(v, w))
        }
        (a, e) => a == e,
    }
}

/// What is wrong with the answer, if anything.
fn run(case: &Case) -> Option<String> {
    let temp = tempfile::tempdir().expect("a folder");
    let dir = temp.path().canonicalize().expect("its real path");
    fs::create_dir(dir.join("home")).expect("a home");
    for (i, (name, content)) in case.files.iter().enumerate() {
        let path = dir.join(name);
        fs::create_dir_all(path.parent().expect("a parent")).expect("folders");
        fs::write(&path, bytes_of(content)).expect("a file");
        // Days apart, from 2024-03-01T12:00:00Z on, in the order of their names.
        let at = SystemTime::UNIX_EPOCH + Duration::from_secs(1_709_294_400 + i as u64 * 86_400);
        let file = fs::File::options()
            .write(true)
            .open(&path)
            .expect("the file");
        file.set_modified(at).expect("a file time");
    }
    for line in &case.setup {
        let out = farshelf(&dir, line, b"");
        let code = out.status.code().unwrap_or(-1);
        if code != 0 && code != 3 {
            let err = String::from_utf8_lossy(&out.stderr);
            return Some(format!("setup `{line}` ended with {code}:\n{err}"));
        }
    }
    if let Some(folder) = &case.spoil {
        spoil(&dir.join(folder), &bytes_of(&case.spoil_in));
    }
    let out = farshelf(&dir, &case.args, &bytes_of(&case.stdin));
    let stdout = normal(&String::from_utf8_lossy(&out.stdout), &dir);
    let stderr = normal(&String::from_utf8_lossy(&out.stderr), &dir);
    let json = |text: &str| serde_json::from_str::<Value>(text).unwrap_or(Value::Null);
    let text_fits = |actual: &str, expected: &Option<String>, json: &Option<String>| match expected
    {
        Some(expected) => same_text(actual, expected),
        None => json.is_some() || actual.is_empty(),
    };
    let json_fits = |actual: &str, expected: &Option<String>| {
        expected
            .as_ref()
            .is_none_or(|e| json(e) != Value::Null && same_json(&json(actual), &json(e)))
    };
    let for_people = !case.args.contains("--json") && !case.args.contains("--verbose");
    // The flag bears the name that the key's own tools use, a MIDI message that of its standard; conflicts name what
    // conflicts.
    let all = format!("{stdout}{stderr}")
        .replace("--recipient", "")
        .replace("identity reply", "");
    let inner = INNER_WORDS.iter().find(|w| {
        for_people
            && !all.contains("damaged")
            && !all.contains("another line")
            && !all.contains("does not hold the bytes")
            && !all.contains("mended")
            && has_word(&all, w)
    });
    let good = out.status.code() == Some(case.status)
        && text_fits(&stdout, &case.stdout, &case.json)
        && text_fits(&stderr, &case.stderr, &case.json_error)
        && json_fits(&stdout, &case.json)
        && json_fits(&stderr, &case.json_error)
        && inner.is_none();
    (!good).then(|| {
        format!(
            "status = {:?}, inner word {inner:?}\nstdout = '''\n{stdout}'''\nstderr = '''\n{stderr}'''",
            out.status.code()
        )
    })
}

fn has_word(text: &str, word: &str) -> bool {
    text.split(|c: char| !c.is_alphanumeric())
        .any(|w| w == word || w.strip_suffix('s') == Some(word))
}

#[test]
fn commands_answer_as_written_down() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/cli");
    let mut wrong = Vec::new();
    let mut cases = 0;
    let mut files: Vec<_> = fs::read_dir(folder)
        .expect("the cases")
        .map(|e| e.expect("an entry").path())
        .collect();
    files.sort();
    for path in files {
        let text = fs::read_to_string(&path).expect("a file of cases");
        let read: Cases =
            toml::from_str(&text).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        for case in &read.case {
            cases += 1;
            if let Some(what) = run(case) {
                let file = path.file_name().unwrap_or_default().display();
                wrong.push(format!("{file}: {}: {}\n{what}", case.name, case.args));
            }
        }
    }
    assert!(cases > 0);
    assert!(
        wrong.is_empty(),
        "{} wrong\n\n{}",
        wrong.len(),
        wrong.join("\n\n")
    );
}

#[test]
fn every_command_explains_itself_with_examples_that_can_be_typed() {
    fn visit(command: &clap::Command, path: &str, dir: &Path, seen: &mut Vec<String>) {
        for below in command.get_subcommands() {
            let path = format!("{path} {}", below.get_name());
            let out = farshelf(dir, &format!("{path} --help"), b"");
            let text = String::from_utf8_lossy(&out.stdout).into_owned();
            assert_eq!(out.status.code(), Some(0), "{path}");
            assert!(out.stderr.is_empty(), "{path}");
            let about = below.get_about().expect("what it does").to_string();
            assert_eq!(text.lines().next(), Some(about.as_str()), "{path}");
            let examples: Vec<&str> = text
                .lines()
                .skip_while(|l| *l != "Examples:")
                .skip(1)
                .take_while(|l| l.starts_with("  farshelf "))
                .collect();
            assert!(
                examples.len() >= 2,
                "{path} has {} examples",
                examples.len()
            );
            for example in examples {
                let typed = example.split(" | ").next().unwrap_or_default();
                let args: Vec<_> = words(typed).into_iter().map(Into::into).collect();
                if let Err(e) = farshelf::cli::args::parse(&args) {
                    panic!("{example}: {e}");
                }
            }
            seen.push(path.clone());
            visit(below, &path, dir, seen);
        }
    }
    let temp = tempfile::tempdir().expect("a folder");
    let mut seen = Vec::new();
    visit(
        &farshelf::cli::args::definitions(),
        "",
        temp.path(),
        &mut seen,
    );
    assert!(seen.len() > 20, "{seen:?}");
}

#[test]
fn a_reader_that_goes_away_ends_it_quietly() {
    let temp = tempfile::tempdir().expect("a folder");
    let dir = temp.path();
    farshelf(dir, "create --place studio", b"");
    farshelf(dir, "device add pit-organ", b"");
    farshelf(
        dir,
        "keep --device pit-organ -",
        b"\xf0\x42\x01\x02\x03\x04\x05\xf7",
    );
    for line in ["history pit-organ", "recall pit-organ --to -", "--help"] {
        let (reader, writer) = std::io::pipe().expect("a pipe");
        drop(reader);
        let out = Command::new(env!("CARGO_BIN_EXE_farshelf"))
            .args(words(line))
            .env("FARSHELF_VAULT", dir.join("vault"))
            .env("XDG_STATE_HOME", dir.join("home/state"))
            .env("HOME", dir.join("home"))
            .stdin(Stdio::null())
            .stdout(writer)
            .stderr(Stdio::piped())
            .output()
            .expect("the program runs");
        assert_eq!(out.status.code(), Some(0), "{line}");
        assert!(
            out.stderr.is_empty() || line.starts_with("recall"),
            "{line}"
        );
    }
}

#[test]
fn a_vault_in_use_ends_with_4_and_readers_go_on() {
    let temp = tempfile::tempdir().expect("a folder");
    let dir = temp.path();
    farshelf(dir, "create --place studio", b"");
    let lock = farshelf::sys::lock::try_acquire(&dir.join("vault/.lock")).expect("a lock file");
    assert!(lock.is_some());
    let out = farshelf(dir, "device add pit-organ --wait 0", b"");
    assert_eq!(out.status.code(), Some(4));
    let told = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(
        told.starts_with("farshelf: the vault is in use by "),
        "{told}"
    );
    let out = farshelf(dir, "device list", b"");
    assert_eq!(out.status.code(), Some(0));
    drop(lock);
    // Programs that other tests start just now hold it for a moment more.
    let out = farshelf(dir, "device add pit-organ --wait 5", b"");
    assert_eq!(out.status.code(), Some(0));
}
