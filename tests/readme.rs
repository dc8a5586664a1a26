//! The README cannot lie: its `console` examples run in order in one home folder and must answer as printed.
//!
//! A line `$ …` is run by a shell; the lines below it are what it says, on both streams. `…` alone stands for any lines.
//! Days from 2026 on and sizes of copies, which differ from run to run, are not compared.

use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, UNIX_EPOCH};

use farshelf::cli::{args, exit};

const README: &str = include_str!("../README.md");

/// A command and the lines it answers with.
struct Example {
    command: String,
    answer: String,
}

fn examples() -> Vec<Example> {
    let mut found: Vec<Example> = Vec::new();
    let mut inside = false;
    for line in README.lines() {
        match (inside, line) {
            (false, "```console") => inside = true,
            (true, "```") => inside = false,
            (true, line) => match line.strip_prefix("$ ") {
                Some(command) => found.push(Example {
                    command: command.to_string(),
                    answer: String::new(),
                }),
                None => {
                    let last = found.last_mut().expect("an answer follows a command");
                    last.answer.push_str(line);
                    last.answer.push('\n');
                }
            },
            _ => {}
        }
    }
    found
}

/// The sounds of an invented synthesizer.
const LEAD: [&str; 16] = [
    "WARM WOOD",
    "GLASS PAD",
    "TIN RAIN",
    "DEEP BASS",
    "REED ONE",
    "REED TWO",
    "BELLS",
    "HARP",
    "LOW FOG",
    "ICE KEYS",
    "SOFT BRASS",
    "PLUCK",
    "CHOIR",
    "ORGAN 8+4",
    "SWEEP",
    "INIT",
];

/// Its bank: 16 patches of 32 bytes, the name in the first ten, and what brings the low 7 bits of their sum to zero.
fn bank(names: &[&str; 16]) -> Vec<u8> {
    let mut bytes = vec![0xf0, 0x7d, 0x02, 0x14, 0x00];
    for (patch, name) in names.iter().enumerate() {
        // As parameters are: some take few values, some many.
        let mut dice = patch as u32 + 1;
        let parameters = (0..22).map(|i| {
            dice = dice.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (dice >> 16) % if i % 3 == 0 { 8 } else { 100 }
        });
        let name = format!("{name:<10}").into_bytes();
        bytes.extend(name.into_iter().chain(parameters.map(|p| p as u8)));
    }
    let sum: u32 = bytes[5..].iter().map(|b| u32::from(*b)).sum();
    bytes.extend([((128 - sum % 128) % 128) as u8, 0xf7]);
    bytes
}

/// The files that the examples use.
fn prepare(home: &Path) {
    let put = |name: &str, bytes: &[u8], seconds: u64| {
        let path = home.join(name);
        fs::create_dir_all(path.parent().expect("a folder")).expect("a folder");
        fs::write(&path, bytes).expect("a file");
        let file = fs::File::options().write(true).open(&path).expect("a file");
        file.set_modified(UNIX_EPOCH + Duration::from_secs(seconds))
            .expect("a time");
    };
    // Under the non-commercial ID; `kind` tells sections apart.
    let dump = |kind: u8, step: usize, size: usize| -> Vec<u8> {
        let body = (0..size).map(|i| (i * step % 128) as u8);
        [0xf0, 0x7d, 0, kind, 1, 2]
            .into_iter()
            .chain(body)
            .chain([0xf7])
            .collect()
    };
    const MAY_2024: u64 = 1_714_564_800;
    put("lead-may.syx", &bank(&LEAD), MAY_2024);
    let mut june = LEAD;
    june[2] = "TIN STORM";
    put("lead-june.syx", &bank(&june), MAY_2024 + 30 * 86_400);
    put("organ.syx", &dump(1, 3, 4097), MAY_2024);
    put("organ-2024.syx", &dump(1, 5, 4097), MAY_2024);
    put("torn.syx", &dump(1, 3, 4097)[..2000], MAY_2024);
    put("dumps/wave-seven/all.syx", &dump(2, 7, 1017), MAY_2024);
    put("card/sounds/bell.raw", b"no SysEx at all", MAY_2024);
    put("card/list.txt", b"1 bell", MAY_2024);
    put("passphrase.txt", b"seven slow oboes\n", MAY_2024);
}

/// Without what differs from run to run; blanks that only align columns are one blank.
fn normal(line: &str, sizes: bool) -> String {
    let words: Vec<&str> = line.split_whitespace().collect();
    let mut out: Vec<String> = Vec::new();
    for (i, word) in words.iter().enumerate() {
        let bare = word.trim_matches(|c: char| !c.is_ascii_alphanumeric());
        let shape: String = bare
            .chars()
            .map(|c| if c.is_ascii_digit() { '0' } else { c })
            .collect();
        let is_size = |w: &str| ["bytes", "kB"].contains(&w.trim_end_matches([',', ';']));
        let kind = match shape.as_str() {
            "0000-00-00" | "0000-00-00T00:00:00Z" if bare >= "2026" => "DAY",
            "00:00" if out.last().is_some_and(|w| w.contains("DAY")) => "TIME",
            _ if sizes && (is_size(bare) || words.get(i + 1).is_some_and(|w| is_size(w))) => "SIZE",
            _ => bare,
        };
        out.push(word.replacen(bare, kind, 1));
    }
    out.join(" ")
}

/// True if the lines are those expected, where `…` stands for any.
fn fits(expected: &[String], actual: &[String]) -> bool {
    match expected.split_first() {
        None => actual.is_empty(),
        Some((first, rest)) if first == "…" => {
            (0..=actual.len()).any(|n| fits(rest, &actual[n..]))
        }
        Some((first, rest)) => actual.first() == Some(first) && fits(rest, &actual[1..]),
    }
}

#[test]
fn every_example_answers_as_printed() {
    let temp = tempfile::tempdir().expect("a folder");
    let home = temp.path().canonicalize().expect("its path");
    prepare(&home);
    let program = Path::new(env!("CARGO_BIN_EXE_farshelf"));
    let folder = program.parent().expect("a folder").display();
    let mut wrong = String::new();
    for example in examples() {
        let output = Command::new("sh")
            .args(["-c", &format!("exec 2>&1; {}", example.command)])
            .current_dir(&home)
            .env_clear()
            .env("PATH", format!("{folder}:/usr/bin:/bin"))
            .env("HOME", &home)
            .env("TZ", "UTC")
            .output()
            .expect("sh runs");
        let text = String::from_utf8(output.stdout).expect("text");
        let text = text.replace(&home.display().to_string(), "/home/you");
        // Copies are encrypted and compressed: their sizes vary a little.
        let sizes = ["mirror", "shelf", "fixity", "repair"]
            .iter()
            .any(|c| example.command.starts_with(&format!("farshelf {c}")));
        let lines =
            |text: &str| -> Vec<String> { text.lines().map(|l| normal(l, sizes)).collect() };
        if !fits(&lines(&example.answer), &lines(&text)) {
            wrong.push_str(&format!("$ {}\n{text}", example.command));
        }
    }
    assert!(wrong.is_empty(), "README.md prints other answers:\n{wrong}");
}

#[test]
fn every_command_and_exit_code_is_there() {
    for command in args::definitions().get_subcommands() {
        let name = format!("**{}**", command.get_name());
        assert!(README.contains(&name), "{name} is missing");
    }
    for (code, meaning) in exit::TABLE {
        assert!(README.contains(&format!("| {code} | {meaning} |")));
    }
}
