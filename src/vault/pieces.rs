//! Reading kept bytes back, checked against their names (I2).

use std::cell::RefCell;
use std::collections::BTreeSet;
use std::io::Write;

use crate::error::{Error, Kind, Next, Result};
use crate::model::hash::Hash;
use crate::model::list::parse_entry;
use crate::sys::disk::DiskFile;
use crate::vault::Vault;
use crate::vault::catalogue::{Form, Holding};
use crate::vault::reel;

/// Reads pieces of one vault; keeps the last reel open between calls.
#[derive(Debug)]
pub struct Pieces<'v> {
    vault: &'v Vault,
    open: RefCell<Option<(u64, Box<dyn DiskFile>)>>,
}

/// One file of a folder take.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Its piece.
    pub hash: Hash,
    /// Its path below the folder, with `/`; checked to stay inside.
    pub path: String,
}

impl<'v> Pieces<'v> {
    /// A reader of `vault`'s pieces.
    pub fn new(vault: &'v Vault) -> Pieces<'v> {
        Pieces {
            vault,
            open: RefCell::new(None),
        }
    }

    /// Writes the piece named `hash` to `out` and returns its length in bytes.
    ///
    /// # Errors
    /// `Damaged` if the bytes are missing or not what the name says. What was written by then is not to be used:
    /// write to a temporary name.
    pub fn copy(&self, hash: &Hash, out: &mut dyn Write) -> Result<u64> {
        let holding = self.sound(hash)?;
        let fail = |e| Error::io("cannot write the bytes out", e);
        match holding.form {
            Form::Whole | Form::Chunk | Form::Layout => {
                let bytes = self.member(hash, &holding)?;
                out.write_all(&bytes).map_err(fail)?;
                Ok(bytes.len() as u64)
            }
            Form::Chunked => {
                let mut whole = blake3::Hasher::new();
                let mut length = 0;
                for (chunk, _) in self.chunks(hash)? {
                    let bytes = self.member(&chunk, &self.sound(&chunk)?)?;
                    whole.update(&bytes);
                    out.write_all(&bytes).map_err(fail)?;
                    length += bytes.len() as u64;
                }
                if Hash::from(whole.finalize()) != *hash {
                    return Err(damaged(hash, &holding));
                }
                Ok(length)
            }
            Form::Folder => Err(Error::new(Kind::Bug, "a folder take was read as one file")),
        }
    }

    /// Reads the piece and throws it away: `Ok` says that every byte is there and right.
    ///
    /// # Errors
    /// As [`Pieces::copy`].
    pub fn check(&self, hash: &Hash) -> Result<u64> {
        match self.sound(hash)?.form {
            Form::Folder => {
                let mut bytes = 0;
                for entry in self.entries(hash)? {
                    bytes += self.check(&entry.hash)?;
                }
                Ok(bytes)
            }
            _ => self.copy(hash, &mut std::io::sink()),
        }
    }

    /// Looks at a list alone, without reading what it leads to: that it reads, and that all it names is known. One
    /// that does not is marked as damaged, so that `keep` stores it anew.
    ///
    /// # Errors
    /// `Damaged`; `Io` if it cannot be read, and then it is not marked.
    pub fn check_list(&self, hash: &Hash) -> Result<()> {
        let holding = self.sound(hash)?;
        let work = || match holding.form {
            Form::Folder => self.entries(hash).map(|_| ()),
            Form::Chunked => {
                let mut bytes = 0u64;
                for (chunk, length) in self.chunks(hash)? {
                    if self.vault.catalogue().piece_id(&chunk)?.is_none() {
                        return Err(not_a_list(hash));
                    }
                    bytes = bytes.saturating_add(length);
                }
                match bytes == holding.whole_bytes {
                    true => Ok(()),
                    false => Err(not_a_list(hash)),
                }
            }
            _ => Ok(()),
        };
        let result = work();
        if matches!(&result, Err(e) if e.kind == Kind::Damaged) {
            // As for a member: where another process holds the vault it is found again.
            let _ = self
                .vault
                .catalogue()
                .mark_piece_damaged(holding.piece, self.vault.world().now());
        }
        result
    }

    /// The files of a folder take, in the order of its list.
    ///
    /// # Errors
    /// `Damaged` if the list is missing or not what its name says.
    pub fn entries(&self, hash: &Hash) -> Result<Vec<Entry>> {
        let text = self.list_text(hash)?;
        if Hash::of(text.as_bytes()) != *hash {
            return Err(damaged(hash, &self.sound(hash)?));
        }
        text.lines()
            .map(|line| {
                parse_entry(line)
                    .map(|(hash, path)| Entry { hash, path })
                    .ok_or_else(|| not_a_list(hash))
            })
            .collect()
    }

    /// The chunks of a chunked piece: name and bytes of each, in order.
    ///
    /// # Errors
    /// `Damaged` if the list is missing or cannot be read.
    pub fn chunks(&self, hash: &Hash) -> Result<Vec<(Hash, u64)>> {
        self.list_text(hash)?
            .lines()
            .map(|line| parse_chunk(line).ok_or_else(|| not_a_list(hash)))
            .collect()
    }

    /// Every reel that has to be whole to rebuild what the list `hash` names.
    ///
    /// # Errors
    /// `Damaged` if the list cannot be read.
    pub fn reels_of_list(&self, hash: &Hash) -> Result<BTreeSet<u64>> {
        let catalogue = self.vault.catalogue();
        let mut reels = BTreeSet::new();
        let Some(holding) = catalogue.holding(hash)? else {
            return Ok(reels);
        };
        reels.insert(holding.reel);
        reels.extend(catalogue.list_parts(holding.piece)?.iter().map(|p| p.reel));
        match holding.form {
            Form::Chunked => {
                for (chunk, _) in self.chunks(hash)? {
                    reels.extend(catalogue.holding(&chunk)?.map(|h| h.reel));
                }
            }
            Form::Folder => {
                for entry in self.entries(hash)? {
                    reels.extend(self.reels_of_list(&entry.hash)?);
                }
            }
            _ => {}
        }
        Ok(reels)
    }

    /// Every piece it takes to rebuild `hash`, itself included; what cannot be read is left out.
    ///
    /// # Errors
    /// As the catalogue's.
    pub fn parts(&self, hash: &Hash) -> Result<Vec<i64>> {
        let catalogue = self.vault.catalogue();
        let Some(holding) = catalogue.holding(hash)? else {
            return Ok(Vec::new());
        };
        let mut parts = vec![holding.piece];
        match holding.form {
            Form::Chunked => {
                for (chunk, _) in self.chunks(hash).unwrap_or_default() {
                    parts.extend(catalogue.piece_id(&chunk)?);
                }
            }
            Form::Folder => {
                for entry in self.entries(hash).unwrap_or_default() {
                    parts.extend(self.parts(&entry.hash)?);
                }
            }
            _ => {}
        }
        Ok(parts)
    }

    /// Where the piece lies. One that was found damaged is read all the same, for its disk may be well again: what is
    /// read is checked in any case.
    fn sound(&self, hash: &Hash) -> Result<Holding> {
        match self.vault.catalogue().holding(hash)? {
            Some(holding) => Ok(holding),
            None => Err(Error::new(
                Kind::Damaged,
                format!("the bytes named {hash} are in no reel"),
            )
            .next(Next::run("look for a good copy", "repair"))),
        }
    }

    fn member(&self, hash: &Hash, holding: &Holding) -> Result<Vec<u8>> {
        let bytes = self.read(holding)?;
        if bytes.len() as u64 != holding.bytes || Hash::of(&bytes) != *hash {
            // Known damage lets `keep` heal it; if another process holds the vault it is found again.
            let _ = self
                .vault
                .catalogue()
                .mark_piece_damaged(holding.piece, self.vault.world().now());
            return Err(damaged(hash, holding));
        }
        Ok(bytes)
    }

    /// The text of a list, as it lies in its members.
    pub(super) fn list_text(&self, hash: &Hash) -> Result<String> {
        let holding = self.sound(hash)?;
        let mut bytes = self.read(&holding)?;
        for part in self.vault.catalogue().list_parts(holding.piece)? {
            bytes.extend(self.read(&part)?);
        }
        String::from_utf8(bytes).map_err(|_| not_a_list(hash))
    }

    fn read(&self, holding: &Holding) -> Result<Vec<u8>> {
        let mut open = self.open.borrow_mut();
        if open.as_ref().map(|o| o.0) != Some(holding.reel) {
            let path = self.vault.reel_path(holding.reel);
            let file = self.vault.world().disk.open(&path).map_err(|e| {
                Error::io(format!("cannot open reel {}", holding.reel), e)
                    .next(Next::run("fetch it from a shelf", "repair"))
            })?;
            *open = Some((holding.reel, file));
        }
        let Some((_, file)) = open.as_ref() else {
            return Ok(Vec::new());
        };
        let mut bytes = vec![0u8; holding.bytes.min(reel::MEMBER_BYTES) as usize];
        let mut filled = 0;
        while filled < bytes.len() {
            let n = file
                .read_at(&mut bytes[filled..], holding.at + filled as u64)
                .map_err(|e| Error::io(format!("cannot read reel {}", holding.reel), e))?;
            if n == 0 {
                break;
            }
            filled += n;
        }
        bytes.truncate(filled);
        Ok(bytes)
    }
}

fn damaged(hash: &Hash, holding: &Holding) -> Error {
    Error::new(
        Kind::Damaged,
        format!(
            "reel {} does not hold the bytes named {hash} any more (from byte {})",
            holding.reel, holding.at
        ),
    )
    .next(Next::run("mend it from a good copy", "repair"))
}

fn not_a_list(hash: &Hash) -> Error {
    Error::new(
        Kind::Damaged,
        format!("the list named {hash} cannot be read"),
    )
    .next(Next::run("mend it from a good copy", "repair"))
}

/// Cuts a list's text into parts under the size of a member, at line ends.
pub fn list_parts(text: &str) -> Vec<&str> {
    let mut parts = Vec::new();
    let mut rest = text;
    while rest.len() > reel::MEMBER_BYTES as usize {
        let cut = rest.as_bytes()[..reel::MEMBER_BYTES as usize]
            .iter()
            .rposition(|b| *b == b'\n')
            .map_or(rest.len(), |i| i + 1);
        parts.push(&rest[..cut]);
        rest = &rest[cut..];
    }
    if !rest.is_empty() || parts.is_empty() {
        parts.push(rest);
    }
    parts
}

/// Bytes that the chunks listed in `text` add up to; 0 for the list of a folder take.
pub fn listed_bytes(text: &str) -> u64 {
    // A list of ours stays far below: only an invented one would not, and its sum must fit the catalogue.
    const MOST: u64 = 1 << 40;
    text.lines()
        .filter_map(parse_chunk)
        .fold(0u64, |sum, (_, bytes)| sum.saturating_add(bytes))
        .min(MOST)
}

/// What kind of list `text` is: chunks (`hex bytes`) or files (`hex  path`).
pub fn list_form(text: &str) -> Form {
    match text.lines().next() {
        Some(line) if parse_chunk(line).is_some() => Form::Chunked,
        _ => Form::Folder,
    }
}

/// One line of a chunked piece's list.
pub fn chunk_line(hash: &Hash, bytes: u64) -> String {
    format!("{hash} {bytes}\n")
}

fn parse_chunk(line: &str) -> Option<(Hash, u64)> {
    let (hash, bytes) = line.split_once(' ')?;
    Some((hash.parse().ok()?, bytes.parse().ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::list::entry_line;

    #[test]
    fn long_lists_are_cut_at_line_ends() {
        let line = chunk_line(&Hash::of(b"x"), 65_536);
        let text = line.repeat(70_000);
        let parts = list_parts(&text);
        assert_eq!(parts.len(), 3);
        assert!(parts.iter().all(|p| p.len() < 2 << 20 && p.ends_with('\n')));
        assert_eq!(parts.concat(), text);
        assert_eq!(
            parts.iter().map(|p| listed_bytes(p)).sum::<u64>(),
            70_000 * 65_536
        );
        assert_eq!(list_form(&text), Form::Chunked);
        assert_eq!(list_form(&entry_line(&Hash::of(b"x"), "7")), Form::Folder);
        assert_eq!(list_parts(""), vec![""]);
        let invented = chunk_line(&Hash::of(b"x"), u64::MAX).repeat(2);
        assert!(listed_bytes(&invented) <= 1 << 40);
    }
}
