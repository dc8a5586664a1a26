//! The shape of the source tree: who may use whom, and things that have one home (DEVELOPERS.md).

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Each room with the rooms it may use; everything may use `model` and `error`.
const LAYERS: &[(&str, &[&str])] = &[
    ("model", &[]),
    ("error", &["sys"]),
    ("midi", &[]),
    ("layout", &["midi"]),
    ("lending", &[]),
    ("sys", &["error"]),
    ("intake", &["sys", "midi", "layout"]),
    ("vault", &["sys", "midi"]),
    ("shelf", &["sys", "lending"]),
    ("host", &["sys", "lending"]),
    ("care", &["vault", "shelf", "midi", "sys"]),
    ("out", &["vault", "shelf", "midi", "sys", "care", "lending"]),
    (
        "ops",
        &[
            "intake", "layout", "vault", "shelf", "care", "out", "midi", "sys", "lending",
        ],
    ),
    ("demo", &["ops", "sys", "care", "vault", "shelf"]),
    (
        "cli",
        &[
            "ops", "sys", "demo", "care", "vault", "out", "shelf", "layout", "host", "lending",
        ],
    ),
];

/// Text that may stand in these files only.
const HOMES: &[(&str, &[&str])] = &[
    ("Timestamp::now(", &["src/sys/clock.rs"]),
    ("SystemTime::now(", &["src/sys/clock.rs"]),
    ("Instant::now(", &["src/sys/clock.rs"]),
    ("getrandom::", &["src/sys/entropy.rs"]),
    (
        "std::env::",
        &["src/sys/settings.rs", "src/sys/lock.rs", "src/main.rs"],
    ),
    ("rusqlite::", &["src/vault/catalogue/", "src/error.rs"]),
    ("age::", &["src/shelf/cipher.rs", "src/shelf/keyfile.rs"]),
    ("process::exit", &["src/cli/exit.rs"]),
    ("println!", &["src/cli/print.rs"]),
    ("std::fs::rename", &[]),
];

fn sources(dir: &Path, out: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, out);
        } else if path.extension().is_some_and(|e| e == "rs") {
            out.push(path);
        }
    }
}

/// Lines of code: without comments and without test modules.
fn code(text: &str) -> Vec<&str> {
    text.split("#[cfg(test)]")
        .next()
        .unwrap_or_default()
        .lines()
        .filter(|l| !l.trim_start().starts_with("//"))
        .collect()
}

fn all() -> Vec<(String, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut paths = Vec::new();
    sources(&root.join("src"), &mut paths);
    paths.sort();
    paths
        .into_iter()
        .map(|p| {
            (
                p.strip_prefix(root).unwrap().display().to_string(),
                std::fs::read_to_string(&p).unwrap(),
            )
        })
        .filter(|(p, _)| !p.ends_with("/tests.rs"))
        .collect()
}

#[test]
fn rooms_use_only_the_rooms_below_them() {
    let mut wrong = Vec::new();
    let mut seen = BTreeSet::new();
    for (path, text) in all() {
        let room = path
            .trim_start_matches("src/")
            .split(['/', '.'])
            .next()
            .unwrap()
            .to_string();
        let Some((_, allowed)) = LAYERS.iter().find(|(name, _)| *name == room) else {
            continue;
        };
        seen.insert(room.clone());
        // Grouped imports too: `use crate::{a, b}` is written out by splitting at every separator.
        for line in code(&text) {
            for part in line.split("crate::").skip(1) {
                let names: Vec<&str> = match part.strip_prefix('{') {
                    Some(group) => group.split(',').collect(),
                    None => vec![part],
                };
                for name in names {
                    let used: String = name
                        .trim()
                        .chars()
                        .take_while(|c| c.is_ascii_lowercase() || *c == '_')
                        .collect();
                    let known = LAYERS.iter().any(|(n, _)| *n == used);
                    let fine = used == room
                        || used == "model"
                        || used == "error"
                        || allowed.contains(&used.as_str());
                    if known && !fine {
                        wrong.push(format!("{path}: {room} uses {used}"));
                    }
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(seen.len() >= 9, "the rooms were not found: {seen:?}");
}

#[test]
fn what_has_one_home_stays_there() {
    let mut wrong = Vec::new();
    for (path, text) in all() {
        for (needle, homes) in HOMES {
            if homes.iter().any(|h| path.starts_with(h)) {
                continue;
            }
            for line in code(&text) {
                // `crate::shelf::…::age::` would be a false alarm; a needle stands at the start of a path.
                let at = line.match_indices(needle).find(|(i, _)| {
                    !line[..*i].ends_with(|c: char| c.is_alphanumeric() || c == '_' || c == ':')
                });
                if at.is_some() && !line.trim_start().starts_with("//") {
                    wrong.push(format!("{path}: {}", line.trim()));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_file_begins_by_saying_what_it_is() {
    for (path, text) in all() {
        assert!(text.starts_with("//! "), "{path} has no first sentence");
    }
}

#[test]
fn every_migration_is_part_of_the_program() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let program = std::fs::read_to_string(root.join("src/vault/catalogue/mod.rs")).unwrap();
    let mut n = 0;
    for entry in std::fs::read_dir(root.join("migrations")).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        assert!(
            program.contains(&format!("migrations/{name}")),
            "{name} is not in STEPS"
        );
        n += 1;
    }
    assert!(n > 0);
}

#[test]
fn the_top_level_holds_what_it_should() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let allowed = [
        "Cargo.toml",
        "Cargo.lock",
        "README.md",
        "DEVELOPERS.md",
        "LICENSE-MIT",
        "LICENSE-APACHE",
        "src",
        "migrations",
        "tests",
        "deploy",
        "target",
    ];
    for entry in std::fs::read_dir(root).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        assert!(
            name.starts_with('.') || allowed.contains(&name.as_str()),
            "{name} at the top level"
        );
    }
}

/// The codes of findings that the source gives: the first text after one of these.
const GIVE_A_FINDING: &[&str] = &[
    "Finding::error(",
    "Finding::warning(",
    "Finding::note(",
    "told.error(",
    "told.add(",
    "told.warning(",
    "code: \"",
    "ALL_EQUAL: &str = ",
];

fn kebab(text: &str) -> Option<&str> {
    let text = text.trim_start().trim_start_matches('"');
    let (code, _) = text.split_once('"')?;
    let plain = |c: char| c.is_ascii_lowercase() || c == '-';
    (!code.is_empty() && code.chars().all(plain)).then_some(code)
}

#[test]
fn every_finding_stands_in_the_table() {
    let table = include_str!("../src/intake/FINDINGS.md");
    let told: BTreeSet<&str> = table
        .lines()
        .filter_map(|line| line.strip_prefix("| `")?.split(" | ").next())
        .flat_map(|codes| codes.split(", "))
        .map(|code| code.trim_matches('`'))
        .collect();
    let sources: Vec<(String, String)> = all()
        .into_iter()
        .map(|(path, text)| {
            let code = text.split("#[cfg(test)]").next().unwrap_or_default();
            (path, code.to_string())
        })
        .collect();
    let mut missing = BTreeSet::new();
    for (path, text) in &sources {
        for giver in GIVE_A_FINDING {
            for (at, _) in text.match_indices(giver) {
                let after = &text[at + giver.len()..];
                let first = after.trim_start();
                if let Some(code) = first.starts_with('"').then(|| kebab(first)).flatten()
                    && !told.contains(code)
                {
                    missing.insert(format!("{path}: {code}"));
                }
            }
        }
    }
    assert!(missing.is_empty(), "not in FINDINGS.md: {missing:?}");
    // And the table tells of nothing that is not there.
    let invented: Vec<&&str> = told
        .iter()
        .filter(|code| {
            let literal = format!("\"{code}\"");
            !sources.iter().any(|(_, text)| text.contains(&literal))
        })
        .collect();
    assert!(invented.is_empty(), "only in FINDINGS.md: {invented:?}");
}
