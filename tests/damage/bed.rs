//! A vault as small as it can be with two shelves, everything that can happen to one of its files, and the way back.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::ops::Range;
use std::path::{Path, PathBuf};

use farshelf::model::hash::Hash;
use farshelf::model::list::entry_line;
use farshelf::ops::recall::{Altered, recall};
use farshelf::shelf::name::{KeysName, ReelName};
use farshelf::sys::disk::Replace;
use farshelf::vault::Vault;
use farshelf::vault::catalogue::Form;
use farshelf::vault::pieces::{Pieces, chunk_line};

use crate::common::{Studio, WAIT, keep, mirror, take_event};

/// What a take gives: its one file under an empty name, or the files of a folder take.
pub type Given = BTreeMap<String, Vec<u8>>;

/// Files below a folder by their path.
type Tree = BTreeMap<PathBuf, Vec<u8>>;

/// The number of the reel that is open.
pub const OPEN: u64 = 4;
/// A number that no reel has.
pub const NO_REEL: u64 = 9;

/// The vault with what was kept in it and how its files were.
pub struct Bed {
    pub studio: Studio,
    /// By take number.
    pub kept: BTreeMap<u32, Given>,
    /// Where in which reel the bytes of each take lie.
    needs: BTreeMap<u32, Vec<(u64, Range<usize>)>>,
    tree: Tree,
}

/// Something that happens to one file, or to two.
#[derive(Debug, Clone)]
pub enum Harm {
    /// One bit of this byte.
    Flip(usize),
    /// Only so many bytes are left.
    Cut(usize),
    /// So many bytes of this value follow.
    Grow(usize, u8),
    Remove,
    /// Another name in the same folder.
    Rename(String),
    /// It changes places with the file of that path below the studio's folder.
    Swap(String),
}

impl Harm {
    /// Every flip and every cut of a file of `length` bytes, by number.
    pub fn at(length: usize, index: usize) -> Harm {
        if index < length {
            Harm::Flip(index)
        } else {
            Harm::Cut(index - length)
        }
    }
}

/// Harm to one file, named by its path below the studio's folder.
#[derive(Debug, Clone)]
pub struct Point {
    pub file: String,
    pub harm: Harm,
}

/// The points of some files: all that is done to them whole first, then every flip and every cut, told by number
/// alone.
pub struct Points {
    pub whole: Vec<Point>,
    files: Vec<(String, usize)>,
}

impl Points {
    pub fn new(bed: &Bed, files: &[String], whole: Vec<Point>) -> Points {
        Points {
            whole,
            files: files
                .iter()
                .map(|f| (f.clone(), bed.original(f).len()))
                .collect(),
        }
    }

    pub fn all(&self) -> usize {
        self.whole.len() + self.files.iter().map(|(_, n)| 2 * n).sum::<usize>()
    }

    pub fn get(&self, index: usize) -> Point {
        if let Some(point) = self.whole.get(index) {
            return point.clone();
        }
        let mut index = index - self.whole.len();
        for (file, length) in &self.files {
            if index < 2 * length {
                return Point {
                    file: file.clone(),
                    harm: Harm::at(*length, index),
                };
            }
            index -= 2 * length;
        }
        panic!("there is no such point");
    }
}

impl Bed {
    /// Three closed reels at two shelves, with a take in each form that bytes are kept in, and an open one.
    pub fn new() -> Bed {
        let studio = Studio::in_memory();
        let vault = studio.vault();
        let key = b"an age file".to_vec();
        let key_name = KeysName::of(1, &key).to_string();
        fs::write(studio.path("vault/keys").join(key_name), &key).unwrap();
        let mut kept = BTreeMap::new();
        let mut one = |vault: &Vault, number: u32| {
            let bytes = bytes_of(number);
            keep(vault, "organ", number, &bytes);
            kept.insert(number, Given::from([(String::new(), bytes)]));
        };
        for shelf in ["barn", "loft"] {
            studio.add(&vault, shelf);
        }
        one(&vault, 1);
        let folder = keep_folder(&vault, 2);
        mirror(&vault);
        studio.later(1);
        one(&vault, 4);
        let chunked = keep_chunked(&vault, 3);
        mirror(&vault);
        studio.later(1);
        one(&vault, 5);
        mirror(&vault);
        studio.later(1);
        one(&vault, 6);
        one(&vault, 7);
        kept.insert(2, folder);
        kept.insert(3, chunked);
        let needs = kept.keys().map(|n| (*n, needs(&vault, *n))).collect();
        drop(vault);
        let tree = tree(&studio.path(""));
        let bed = Bed {
            studio,
            kept,
            needs,
            tree,
        };
        for number in 1..=OPEN {
            assert!(!bed.original(&Bed::reel(number)).is_empty());
        }
        bed
    }

    /// The path of a local reel.
    pub fn reel(number: u64) -> String {
        format!("vault/reels/{number:06}.tar")
    }

    /// The path of the copy of a reel at a shelf.
    pub fn object(&self, shelf: &str, number: u64) -> String {
        let begin = format!("{shelf}/reels/{number:06}-");
        let mut found = self.tree.keys().filter_map(|p| p.to_str());
        found.find(|p| p.starts_with(&begin)).unwrap().to_string()
    }

    /// The path of the further key at a shelf.
    pub fn key(&self, shelf: &str) -> String {
        let begin = format!("{shelf}/keys/1-");
        let mut found = self.tree.keys().filter_map(|p| p.to_str());
        found.find(|p| p.starts_with(&begin)).unwrap().to_string()
    }

    /// A file as it was.
    pub fn original(&self, file: &str) -> &[u8] {
        &self.tree[Path::new(file)]
    }

    pub fn open(&self) -> Vault {
        self.studio.vault()
    }

    pub fn harm(&self, point: &Point) {
        let path = self.studio.path(&point.file);
        let mut bytes = self.original(&point.file).to_vec();
        match &point.harm {
            Harm::Flip(at) => bytes[*at] ^= 1 << (at % 8),
            Harm::Cut(length) => bytes.truncate(*length),
            Harm::Grow(more, value) => bytes.extend(vec![*value; *more]),
            Harm::Remove => return fs::remove_file(path).unwrap(),
            Harm::Rename(name) => return fs::rename(&path, path.with_file_name(name)).unwrap(),
            Harm::Swap(other) => {
                fs::write(self.studio.path(other), &bytes).unwrap();
                bytes = self.original(other).to_vec();
            }
        }
        fs::write(path, bytes).unwrap();
    }

    /// Puts back whatever is not as it was, the catalogue too. No vault may be open.
    pub fn reset(&self) {
        let root = self.studio.path("");
        let _ = fs::remove_dir_all(root.join("new"));
        let now = tree(&root);
        for gone in now.keys().filter(|p| !self.tree.contains_key(*p)) {
            fs::remove_file(root.join(gone)).unwrap();
        }
        for (path, bytes) in &self.tree {
            if now.get(path) != Some(bytes) {
                fs::create_dir_all(root.join(path).parent().unwrap()).unwrap();
                fs::write(root.join(path), bytes).unwrap();
            }
        }
    }

    /// Puts one file back.
    pub fn restore(&self, file: &str) {
        fs::write(self.studio.path(file), self.original(file)).unwrap();
    }

    /// The files of the reels and shelves that are not byte for byte what they were, are gone or are new.
    pub fn changed(&self) -> Vec<String> {
        let of_interest = |p: &Path| {
            ["vault/reels", "vault/incoming", "barn", "loft"]
                .iter()
                .any(|part| p.starts_with(part))
        };
        let mut now = Tree::new();
        for part in ["vault/reels", "vault/incoming", "barn", "loft"] {
            for (path, bytes) in tree(&self.studio.path(part)) {
                now.insert(Path::new(part).join(path), bytes);
            }
        }
        let names: BTreeSet<&PathBuf> = now.keys().chain(self.tree.keys()).collect();
        names
            .into_iter()
            .filter(|p| of_interest(p) && now.get(*p) != self.tree.get(*p))
            .map(|p| p.display().to_string())
            .collect()
    }

    /// True if harm to these reels touches bytes that the take needs.
    pub fn is_hurt(&self, take: u32, points: &[&Point]) -> bool {
        self.needs[&take].iter().any(|(reel, range)| {
            let file = Bed::reel(*reel);
            points.iter().any(|point| match &point.harm {
                Harm::Swap(other) if *other == file => true,
                _ if point.file != file => false,
                Harm::Flip(at) => range.contains(at),
                Harm::Cut(length) => range.end > *length,
                Harm::Grow(..) => false,
                Harm::Remove | Harm::Rename(_) | Harm::Swap(_) => true,
            })
        })
    }

    /// A flip in each stretch of these reels that holds bytes of a take: few among all others, so always tried.
    pub fn hearts(&self, reels: &[String]) -> Vec<Point> {
        let stretches = self.needs.values().flatten();
        stretches
            .map(|(reel, range)| Point {
                file: Bed::reel(*reel),
                harm: Harm::Flip(range.start),
            })
            .filter(|point| reels.contains(&point.file))
            .collect()
    }

    /// The takes with bytes or a ledger line in a reel.
    pub fn takes_of(&self, reel: u64) -> Vec<u32> {
        let lies_in = |take: &&u32| self.needs[take].iter().any(|(r, _)| *r == reel);
        self.kept.keys().filter(lies_in).copied().collect()
    }

    /// Recalls every take. Whatever is given must be right, and those that `must` be given have to be.
    /// Gives the takes that are not.
    pub fn recalls(
        &self,
        vault: &Vault,
        must: impl Fn(u32) -> bool,
    ) -> Result<BTreeSet<u32>, String> {
        let mut not_given = BTreeSet::new();
        for (number, kept) in &self.kept {
            match self.recalled(vault, *number)? {
                Ok(given) if given == *kept => {}
                Ok(_) => return Err(format!("WRONG BYTES were given for take {number}")),
                Err(why) if must(*number) => {
                    return Err(format!("take {number} is unhurt and not given: {why}"));
                }
                Err(_) => {
                    not_given.insert(*number);
                }
            }
        }
        Ok(not_given)
    }

    fn recalled(&self, vault: &Vault, number: u32) -> Result<Result<Given, String>, String> {
        let name = format!("organ@{number}");
        if self.kept[&number].contains_key("") {
            let mut out = Vec::new();
            let done = recall(
                vault,
                &name,
                Path::new("-"),
                Replace::No,
                &Altered::default(),
                &mut out,
            );
            if done.is_err() && !out.is_empty() {
                return Err(format!("take {number} failed after bytes had gone out"));
            }
            return Ok(done
                .map(|_| Given::from([(String::new(), out)]))
                .map_err(|e| e.fact()));
        }
        let to = self.studio.path("recalled");
        let done = recall(
            vault,
            &name,
            &to,
            Replace::No,
            &Altered::default(),
            &mut Vec::new(),
        );
        let files = tree(&to);
        let there = to.exists();
        if there {
            fs::remove_dir_all(&to).unwrap();
        }
        if done.is_err() && there {
            return Err(format!("take {number} failed and left a folder behind"));
        }
        Ok(done
            .map(|_| {
                let name = |p: PathBuf| p.to_str().unwrap().to_string();
                files.into_iter().map(|(p, b)| (name(p), b)).collect()
            })
            .map_err(|e| e.fact()))
    }

    /// Names that a file of a shelf or of the vault might get by mistake.
    pub fn other_names(&self, file: &str) -> Vec<String> {
        let name = file.rsplit('/').next().unwrap();
        let mut names = vec![format!("{name}.bak")];
        if let Ok(reel) = name.parse::<ReelName>() {
            let number = format!("{:06}", reel.number);
            let first = name.as_bytes()[7];
            let other = if first == b'0' { "1" } else { "0" };
            names.push(name.replacen(&number, &format!("{NO_REEL:06}"), 1));
            names.push(name.replacen(&number, "000000", 1));
            names.push(format!("{}{other}{}", &name[..7], &name[8..]));
            for n in (1..OPEN).filter(|n| *n != reel.number) {
                names.push(name.replacen(&number, &format!("{n:06}"), 1));
            }
        } else if name.ends_with(".tar") {
            names.push(format!("{:06}.tar", OPEN + 1));
            names.push(format!("{NO_REEL:06}.tar"));
            names.push("000000.tar".to_string());
        } else if name.ends_with(".age") {
            names.push(name.replacen("1-", "2-", 1));
        }
        names
    }

    /// All that is done to whole files: grown, removed, renamed, and each exchanged with each of `partners`.
    pub fn whole_files(&self, files: &[String], partners: &[String]) -> Vec<Point> {
        let mut points = Vec::new();
        for (index, file) in files.iter().enumerate() {
            let mut add = |harm| {
                points.push(Point {
                    file: file.clone(),
                    harm,
                });
            };
            add(Harm::Remove);
            for (more, value) in [(1, b'\n'), (1, 0), (512, 0), (512, 0x5a)] {
                add(Harm::Grow(more, value));
            }
            for name in self.other_names(file) {
                add(Harm::Rename(name));
            }
            for other in partners {
                let seen = files[..=index].contains(other);
                if !seen && self.original(other) != self.original(file) {
                    add(Harm::Swap(other.clone()));
                }
            }
        }
        points
    }
}

/// Twelve bytes of a dump: a reel is mostly headers as it is.
pub fn bytes_of(number: u32) -> Vec<u8> {
    format!("dump of  {number:03}").into_bytes()
}

fn keep_folder(vault: &Vault, number: u32) -> Given {
    let files: Given = [("a.syx", "first"), ("card/b.syx", "second")]
        .map(|(name, text)| (name.to_string(), text.as_bytes().to_vec()))
        .into();
    let mut writer = vault.writer(WAIT).unwrap();
    let mut text = String::new();
    for (name, bytes) in &files {
        let hash = Hash::of(bytes);
        writer.put_piece(Form::Whole, hash, bytes).unwrap();
        text += &entry_line(&hash, name);
    }
    let hash = Hash::of(text.as_bytes());
    writer.put_list(Form::Folder, hash, &text).unwrap();
    writer
        .record(&take_event("organ", number, hash, 11))
        .unwrap();
    writer.commit().unwrap();
    files
}

fn keep_chunked(vault: &Vault, number: u32) -> Given {
    let chunks: [&[u8]; 2] = [b"chunk one, ", b"chunk two"];
    let whole = chunks.concat();
    let mut writer = vault.writer(WAIT).unwrap();
    let mut text = String::new();
    for chunk in chunks {
        let hash = Hash::of(chunk);
        writer.put_piece(Form::Chunk, hash, chunk).unwrap();
        text += &chunk_line(&hash, chunk.len() as u64);
    }
    let hash = Hash::of(&whole);
    writer.put_list(Form::Chunked, hash, &text).unwrap();
    writer
        .record(&take_event("organ", number, hash, whole.len() as u64))
        .unwrap();
    writer.commit().unwrap();
    Given::from([(String::new(), whole)])
}

/// Where the bytes lie that a take needs.
fn needs(vault: &Vault, number: u32) -> Vec<(u64, Range<usize>)> {
    let catalogue = vault.catalogue();
    let device = catalogue.device_id("organ").unwrap().unwrap();
    let takes = catalogue.takes_of_device(device).unwrap();
    let take = takes.iter().find(|t| t.number() == number).unwrap();
    let pieces = Pieces::new(vault);
    let mut hashes = vec![take.hash];
    match take.form {
        Form::Folder => hashes.extend(pieces.entries(&take.hash).unwrap().iter().map(|e| e.hash)),
        Form::Chunked => hashes.extend(pieces.chunks(&take.hash).unwrap().iter().map(|c| c.0)),
        _ => {}
    }
    hashes
        .iter()
        .map(|hash| {
            let held = catalogue.holding(hash).unwrap().unwrap();
            (held.reel, held.at as usize..(held.at + held.bytes) as usize)
        })
        .collect()
}

/// Every file below `folder`; nothing if it is not there.
fn tree(folder: &Path) -> Tree {
    let mut out = Tree::new();
    for entry in walkdir::WalkDir::new(folder).into_iter().flatten() {
        if entry.file_type().is_file() {
            let path = entry.path().strip_prefix(folder).unwrap().to_path_buf();
            out.insert(path, fs::read(entry.path()).unwrap());
        }
    }
    out
}
