//! The record of every object that came: key, bytes, SHA-256, time, and the MD5 where the guest gave one.
//!
//! A line is on stable storage before its object appears, so an object without a line was put there by hand. A line
//! whose object never appeared, because the host was stopped in between, is harmless: for each key the last one counts.

use super::digest::{Hashes, hex, unhex};
use super::key;

/// What was seen of an object when it came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Record {
    /// Its length.
    pub(super) bytes: u64,
    /// Its hashes.
    pub(super) hashes: Hashes,
    /// When it came, unix seconds.
    pub(super) at: i64,
}

impl Record {
    /// The line for the object `key`.
    pub(super) fn line(&self, key: &str) -> String {
        let md5 = self.hashes.md5.map_or("-".to_string(), |md5| hex(&md5));
        format!(
            "{key}\t{}\t{}\t{}\t{md5}",
            self.bytes,
            hex(&self.hashes.sha256),
            self.at
        )
    }

    /// Reads a line; fields that a later version adds are ignored.
    pub(super) fn read(line: &str) -> Option<(String, Record)> {
        let mut fields = line.split('\t');
        let name = fields.next().filter(|name| key::valid(name))?;
        let bytes = fields.next()?.parse().ok()?;
        let sha256 = unhex(fields.next()?)?;
        let at = fields.next()?.parse().ok()?;
        let md5 = fields.next().and_then(unhex);
        let hashes = Hashes { sha256, md5 };
        Some((name.to_string(), Record { bytes, hashes, at }))
    }

    /// The ETag: the MD5 where it is known, else something with a dash, which no client takes for an MD5.
    pub(super) fn etag(&self) -> String {
        match self.hashes.md5 {
            Some(md5) => hex(&md5),
            None => format!("{}-1", &hex(&self.hashes.sha256)[..32]),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_reads_back() {
        let mut record = Record {
            bytes: 5,
            hashes: Hashes {
                sha256: [0xab; 32],
                md5: None,
            },
            at: 1_780_315_200,
        };
        let read = |record: &Record| Record::read(&record.line("reels/a")).unwrap();
        assert_eq!(read(&record), ("reels/a".to_string(), record));
        assert_eq!(record.etag(), format!("{}-1", "ab".repeat(16)));
        record.hashes.md5 = Some([1; 16]);
        assert_eq!(read(&record), ("reels/a".to_string(), record));
        assert_eq!(record.etag(), "01".repeat(16));
        let more = format!("{}\tmore", record.line("reels/a"));
        assert!(Record::read(&more).is_some());
        for bad in ["", "reels/a", "../a\t5\tab\t1\t-", "reels/a\t5\tabab\t1\t-"] {
            assert_eq!(Record::read(bad), None, "{bad}");
        }
    }
}
