//! Names of objects that a host takes: `shelf.json`, `README.txt`, and plain names in `keys/` and `reels/`.

use std::path::{Path, PathBuf};

/// The folders of a shelf.
pub(super) const PARTS: [&str; 2] = ["keys", "reels"];
/// The objects beside them.
pub(super) const TOP: [&str; 2] = ["README.txt", "shelf.json"];
/// What [`valid`] asks for, in words for the guest.
pub(super) const RULE: &str = "a shelf holds shelf.json, README.txt, keys/NAME and reels/NAME; a NAME is made of A-Z a-z 0-9 - _ . and does not begin with a dot";

/// True if `key` may be the name of an object. Such a name is safe as a path below a shelf's folder.
pub(super) fn valid(key: &str) -> bool {
    match key.split_once('/') {
        Some((part, name)) => PARTS.contains(&part) && is_plain(name),
        None => TOP.contains(&key),
    }
}

/// True if `name` is a plain file name.
pub(super) fn is_plain(name: &str) -> bool {
    let fine = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_' | b'.');
    !name.is_empty() && name.len() <= 255 && !name.starts_with('.') && name.bytes().all(fine)
}

/// Where the object `key`, a valid one, lies in a shelf's folder.
pub(super) fn path(shelf: &Path, key: &str) -> PathBuf {
    key.split('/').fold(shelf.to_path_buf(), |p, n| p.join(n))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_a_shelf_holds_can_be_named() {
        for good in [
            "shelf.json",
            "README.txt",
            "keys/1-ab.age",
            "reels/000001-ab-cd.tar.zst.age",
        ] {
            assert!(valid(good), "{good}");
        }
        let long = format!("reels/{}", "x".repeat(256));
        for bad in [
            "",
            "/",
            "x",
            "report.json",
            "shelf.json/",
            "keys/",
            "keys",
            "reels/.x",
            "reels/..",
            "reels/../shelf.json",
            "../shelf.json",
            "reels/a/b",
            "other/a",
            "reels/a b",
            "reels/a\0",
            "reels/ä",
            "Reels/a",
            &long,
        ] {
            assert!(!valid(bad), "{bad}");
        }
        assert!(valid(&format!("reels/{}", "x".repeat(255))));
    }
}
