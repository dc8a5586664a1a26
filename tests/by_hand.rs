//! The printed recovery commands, run as they are printed in a plain shell over a small shelf.

#[path = "outside/tools.rs"]
mod tools;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use farshelf::shelf::by_hand::{ByHand, commands};
use farshelf::shelf::cipher::{ExposeSecret, Identity, seal};
use tools::{half_noise, sh, there};

const TOOLS: [&str; 6] = ["age", "zstd", "tar", "b3sum", "awk", "sh"];

/// A shelf in the making: members of the reel that is being filled.
struct Shelf {
    folder: tempfile::TempDir,
    identity: Identity,
    reel: u64,
    members: Vec<(String, Vec<u8>)>,
}

fn hash(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

impl Shelf {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        fs::create_dir_all(folder.path().join("it's a shelf/reels")).unwrap();
        Self {
            folder,
            identity: Identity::generate(),
            reel: 1,
            members: Vec::new(),
        }
    }

    fn path(&self) -> PathBuf {
        self.folder.path().join("it's a shelf")
    }

    fn add(&mut self, name: &str, bytes: &[u8]) {
        self.members.push((name.to_string(), bytes.to_vec()));
    }

    fn dump(&mut self, bytes: &[u8]) -> String {
        let name = hash(bytes);
        self.add(&format!("dumps/{name}"), bytes);
        name
    }

    /// Cuts a piece into chunks of which those named in `as_dumps` lie in dumps/.
    fn chunked(&mut self, bytes: &[u8], size: usize, as_dumps: &[usize]) -> String {
        let mut list = String::new();
        for (idx, chunk) in bytes.chunks(size).enumerate() {
            let name = hash(chunk);
            let kind = if as_dumps.contains(&idx) {
                "dumps"
            } else {
                "chunks"
            };
            self.add(&format!("{kind}/{name}"), chunk);
            list += &format!("{name} {}\n", chunk.len());
        }
        let whole = hash(bytes);
        // Continued in a second member, as a long list is.
        let (first, second) = list.split_at(list.find('\n').unwrap() + 1);
        self.add(&format!("lists/{whole}"), first.as_bytes());
        self.add(&format!("lists/{whole}.2"), second.as_bytes());
        whole
    }

    fn folder_take(&mut self, list: &str) -> String {
        let name = hash(list.as_bytes());
        self.add(&format!("lists/{name}"), list.as_bytes());
        name
    }

    fn rows(&mut self, first: u64, rows: &[[&str; 8]]) {
        let text: String = rows.iter().map(|row| row.join("\t") + "\n").collect();
        let last = first + 9;
        self.add(
            &format!("takes/{first:012}-{last:012}.tsv"),
            text.as_bytes(),
        );
    }

    /// Packs the members with GNU tar and seals the reel onto the shelf; gives its path.
    fn close(&mut self) -> PathBuf {
        let work = tempfile::tempdir().unwrap();
        let reel = format!("reel/{:06}.json", self.reel);
        self.members.insert(0, (reel, b"{\"format\":1}".to_vec()));
        let mut names = String::new();
        for (name, bytes) in self.members.drain(..) {
            let path = work.path().join(&name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, bytes).unwrap();
            names += &name;
            names.push('\n');
        }
        fs::write(work.path().join("names"), names).unwrap();
        let line = "tar --format=ustar --mode=0644 --owner=0 --group=0 --numeric-owner --mtime=@0 \
                    -cf - --files-from names";
        self.seal(&sh(work.path(), line))
    }

    /// Seals any tar onto the shelf as the next reel; gives its path.
    fn seal(&mut self, tar: &[u8]) -> PathBuf {
        let mut out = Vec::new();
        let sealed = seal(
            tar,
            &self.identity.recipient(),
            &self.identity.name_key(),
            "a-vault",
            self.reel,
            blake3::hash(tar).as_bytes(),
            &mut out,
        )
        .unwrap();
        self.reel += 1;
        let path = self.path().join("reels").join(sealed.name.to_string());
        fs::write(&path, out).unwrap();
        path
    }

    /// Runs the commands exactly as printed. Gives the folder `out`, the last line, the complaints, and whether all was good.
    fn recover(&self) -> (PathBuf, String, String, bool) {
        let line = self.identity.line();
        let shelf = self.path();
        let text = commands(&ByHand {
            key_line: Some(line.expose_secret()),
            shelf: shelf.to_str(),
        });
        let desk = self.folder.path().join("desk");
        fs::create_dir(&desk).unwrap();
        fs::write(desk.join("commands"), text).unwrap();
        let output = Command::new("sh")
            .arg("commands")
            .current_dir(&desk)
            .output()
            .unwrap();
        let said = String::from_utf8(output.stdout).unwrap();
        let last = said.lines().last().unwrap_or_default().to_string();
        let complaints = String::from_utf8_lossy(&output.stderr).into_owned();
        let out = desk.join("recovered/out");
        (out, last, complaints, output.status.success())
    }
}

/// Every file under `folder` by its path, in order.
fn files(folder: &Path) -> Vec<String> {
    let mut found: Vec<String> = walkdir::WalkDir::new(folder)
        .into_iter()
        .map(|entry| entry.unwrap())
        .filter(|entry| !entry.file_type().is_dir())
        .map(|entry| {
            let path = entry.path().strip_prefix(folder).unwrap();
            path.to_str().unwrap().to_string()
        })
        .collect();
    found.sort();
    found
}

#[test]
fn the_printed_commands_give_back_every_take_byte_for_byte() {
    if !there("recovery by hand", &TOOLS) {
        return;
    }
    let mut shelf = Shelf::new();
    let organ = half_noise(1, 4104);
    let drums = half_noise(2, 300_000);
    let lone_chunk = half_noise(3, 2000);
    let song = half_noise(4, 100);
    let card_big = half_noise(5, 90_000);
    let empty: &[u8] = b"";

    let organ_hash = shelf.dump(&organ);
    let drums_hash = shelf.chunked(&drums, 100_001, &[1]);
    let lone_hash = hash(&lone_chunk);
    shelf.add(&format!("chunks/{lone_hash}"), &lone_chunk);
    let song_hash = shelf.dump(&song);
    let empty_hash = shelf.dump(empty);
    shelf.rows(
        1,
        &[
            [
                "pit-organ",
                "all",
                "1",
                "1994",
                "whole",
                "-",
                &organ_hash,
                "ORGAN.SYX",
            ],
            [
                "pit-organ",
                "songs",
                "2",
                "-",
                "whole",
                "spring tour",
                &song_hash,
                "-",
            ],
            [
                "drums",
                "all",
                "1",
                "2026-10-25T20:15:00Z",
                "whole",
                "-",
                &drums_hash,
                "set.img",
            ],
        ],
    );
    shelf.close();

    let big_hash = shelf.chunked(&card_big, 40_000, &[]);
    let odd = [
        "KIT 01/a  b.wav",
        "KIT 01/-n",
        "KIT 01/$(id) `x` 'q'.txt",
        "na\u{ef}ve/*",
    ];
    let mut list: String = odd
        .iter()
        .map(|name| format!("{song_hash}  {name}\n"))
        .collect();
    list += &format!("{big_hash}  KIT 01/deep/er/big.bin\n");
    list += &format!("{empty_hash}  empty\n");
    list += &format!("\\{organ_hash}  back\\\\slash\\nand line\n");
    let card_hash = shelf.folder_take(&list);
    shelf.rows(
        11,
        &[
            [
                "sampler", "-", "1", "2019-07", "whole", "-", &card_hash, "CARD",
            ],
            // The section of this take was named later: the last row holds.
            [
                "pit-organ",
                "bank-a",
                "1",
                "1994-07",
                "whole",
                r"a \x09 b",
                &organ_hash,
                r"OR\x0a\x1b[2J.bad ext",
            ],
            [
                "drums",
                "all",
                "2",
                "2026",
                "doubtful",
                "-",
                &lone_hash,
                "a.toolongext",
            ],
        ],
    );
    shelf.close();

    let (out, last, complaints, fine) = shelf.recover();
    assert_eq!(
        last, "5 takes good, 0 bad, 0 reels not opened",
        "{complaints}"
    );
    assert!(fine, "{complaints}");
    let card = "sampler/loose/1 2019-07";
    let mut expected = vec![
        ("pit-organ/bank-a/1 1994-07.syx".to_string(), &organ[..]),
        ("pit-organ/songs/2 unknown.syx".to_string(), &song),
        ("drums/all/1 2026-10-25T20-15-00Z.img".to_string(), &drums),
        ("drums/all/2 2026.syx".to_string(), &lone_chunk),
        (format!("{card}/KIT 01/deep/er/big.bin"), &card_big),
        (format!("{card}/empty"), empty),
        (format!("{card}/back\\slash\nand line"), &organ),
    ];
    expected.extend(odd.map(|name| (format!("{card}/{name}"), &song[..])));
    expected.sort();
    let names: Vec<String> = expected.iter().map(|(name, _)| name.clone()).collect();
    assert_eq!(files(&out), names);
    for (name, bytes) in expected {
        assert!(fs::read(out.join(&name)).unwrap() == bytes, "{name}");
    }
}

#[test]
fn damage_is_named_and_everything_else_still_comes_back() {
    if !there("recovery by hand from a damaged shelf", &TOOLS) {
        return;
    }
    let mut shelf = Shelf::new();
    let (one, two, three) = (half_noise(1, 500), half_noise(2, 600), half_noise(3, 700));
    let one_hash = shelf.dump(&one);
    // Rotten before it was sealed: not what its name says.
    let rotten = hash(&two);
    shelf.add(&format!("dumps/{rotten}"), &three);
    // A list that leads to good pieces, only not to this one.
    let lied = hash(b"what the list should give");
    let list = format!("{one_hash} 500\n");
    shelf.add(&format!("lists/{lied}"), list.as_bytes());
    // A rotten chunk of which a good twin lies among the dumps.
    let four = half_noise(4, 900);
    let whole = shelf.chunked(&four, 450, &[0, 1]);
    let chunk = hash(&four[..450]);
    shelf.add(&format!("chunks/{chunk}"), b"rotten");
    shelf.rows(
        1,
        &[
            ["a", "all", "3", "2022", "whole", "-", &lied, "x.syx"],
            ["a", "all", "4", "2022", "whole", "-", &whole, "x.syx"],
            ["a", "all", "1", "2020", "whole", "-", &one_hash, "x.syx"],
            ["a", "all", "2", "2021", "whole", "-", &rotten, "x.syx"],
        ],
    );
    shelf.close();
    let three_hash = shelf.dump(&three);
    shelf.rows(
        11,
        &[["b", "all", "1", "2020", "whole", "-", &three_hash, "x.syx"]],
    );
    let lost = shelf.close();
    let mut bytes = fs::read(&lost).unwrap();
    let end = bytes.len() - 1;
    bytes[end] ^= 1;
    fs::write(&lost, bytes).unwrap();
    let three_hash = shelf.dump(&three);
    shelf.rows(
        21,
        &[
            ["c", "all", "1", "2020", "whole", "-", &three_hash, "x.syx"],
            [
                "c",
                "all",
                "2",
                "2020",
                "whole",
                "-",
                &hash(b"nowhere"),
                "x.syx",
            ],
        ],
    );
    shelf.close();

    let (out, last, complaints, fine) = shelf.recover();
    assert_eq!(
        last, "3 takes good, 3 bad, 1 reels not opened",
        "{complaints}"
    );
    assert!(!fine);
    let name = lost.file_name().unwrap().to_str().unwrap();
    for said in [
        format!("NOT OPENED: {}", lost.display()),
        format!("DAMAGED piece: dumps/{rotten}"),
        "BAD take: out/a/all/2 2021".to_string(),
        format!("DAMAGED piece: chunks/{chunk}"),
        "BAD take: out/a/all/3 2022".to_string(),
        "BAD take: out/c/all/2 2020".to_string(),
    ] {
        assert!(complaints.contains(&said), "{name}: {said}\n{complaints}");
    }
    assert!(fs::read(out.join("a/all/1 2020.syx")).unwrap() == one);
    assert!(fs::read(out.join("a/all/4 2022.syx")).unwrap() == four);
    assert!(fs::read(out.join("c/all/1 2020.syx")).unwrap() == three);
}

#[test]
fn forged_names_write_nothing_outside_the_new_folder() {
    if !there("recovery by hand from a forged shelf", &TOOLS) {
        return;
    }
    let mut shelf = Shelf::new();
    // A link where the next reel unpacks its chunks, and a pipe that would never end.
    let away = tempfile::tempdir().unwrap();
    let work = tempfile::tempdir().unwrap();
    let line = format!(
        "ln -s '{}' chunks && mkdir lists && mkfifo lists/{} && tar -cf - *",
        away.path().display(),
        "0".repeat(64)
    );
    shelf.seal(&sh(work.path(), &line));
    shelf.add("chunks/planted", b"x");
    let piece = half_noise(1, 500);
    let piece_hash = shelf.dump(&piece);
    let outside = shelf.folder.path().join("absolute");
    let list: String = [
        "../../../../../up",
        "in/../../../../../../up",
        outside.to_str().unwrap(),
        "..",
        "../\u{1b}[2J",
        "fine\u{1b}]0;title\u{7}",
    ]
    .iter()
    .map(|name| format!("{piece_hash}  {name}\n"))
    .collect::<String>()
        + &format!("\\{piece_hash}  ..\\057..\\057..\\057..\\057..\\057octal\n");
    let card = shelf.folder_take(&list);
    let h = piece_hash.as_str();
    shelf.rows(
        1,
        &[
            ["card", "all", "1", "2020", "whole", "-", &card, "x"],
            ["..", "..", "1", "2020", "whole", "-", h, "x.syx"],
            ["a/../..", "all", "1", "2020", "whole", "-", h, "x.syx"],
            ["/a", "all", "1", "2020", "whole", "-", h, "x.syx"],
            ["a", "..", "1", "2020", "whole", "-", h, "x.syx"],
            ["a", "x/y", "5", "2020", "whole", "-", h, "x.syx"],
            ["a", "all", "../1", "2020", "whole", "-", h, "x.syx"],
            [
                "$(touch pwned)",
                "all",
                "1",
                "2020",
                "whole",
                "-",
                h,
                "x.syx",
            ],
            [
                "a",
                "all",
                "2",
                "../../../up",
                "whole",
                "-",
                h,
                "x./../../up",
            ],
            [
                "a",
                "all",
                "3",
                "2020",
                "whole",
                "-",
                "../../key.txt",
                "x.syx",
            ],
            [
                "a.b",
                "all",
                "4",
                "2020",
                "whole",
                "-",
                h,
                "$(touch pwned).s y",
            ],
        ],
    );
    shelf.close();
    let (out, last, complaints, fine) = shelf.recover();
    assert_eq!(
        last, "2 takes good, 9 bad, 0 reels not opened",
        "{complaints}"
    );
    assert!(!fine);
    assert!(!complaints.contains('\u{1b}'), "{complaints:?}");
    assert_eq!(
        files(&out),
        [
            "a.b/all/4 2020.syx",
            "a/all/2 ..-..-..-up.syx",
            "card/all/1 2020/fine\u{1b}]0;title\u{7}",
        ]
    );
    let mut beside: Vec<String> = fs::read_dir(shelf.folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    beside.sort();
    assert_eq!(beside, ["desk", "it's a shelf"]);
    let desk = shelf.folder.path().join("desk");
    assert_eq!(fs::read_dir(&desk).unwrap().count(), 2);
    assert!(!desk.join("recovered/pwned").exists());
    assert_eq!(fs::read_dir(away.path()).unwrap().count(), 0);
}
