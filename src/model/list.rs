//! The text of a folder take's list, as `b3sum --check` reads it.

use crate::model::hash::Hash;

/// One line: the hash, two spaces, the path. A path with a line feed or a backslash is escaped and the line then
/// begins with a backslash.
///
/// # Source
/// `b3sum` 1.2.0, the format of its output and of `--check`.
pub fn entry_line(hash: &Hash, path: &str) -> String {
    if path.contains(['\\', '\n']) {
        let escaped = path.replace('\\', "\\\\").replace('\n', "\\n");
        format!("\\{hash}  {escaped}\n")
    } else {
        format!("{hash}  {path}\n")
    }
}

/// Reads one line (without its line feed) back: hash and path. `None` unless the path stays inside its folder.
pub fn parse_entry(line: &str) -> Option<(Hash, String)> {
    let (escaped, line) = match line.strip_prefix('\\') {
        Some(rest) => (true, rest),
        None => (false, line),
    };
    let (hash, path) = line.split_once("  ")?;
    let path = if escaped {
        unescape(path)?
    } else {
        path.to_string()
    };
    let inside = !path.is_empty()
        && path
            .split('/')
            .all(|part| !part.is_empty() && part != "." && part != "..");
    inside.then_some(())?;
    Some((hash.parse().ok()?, path))
}

fn unescape(path: &str) -> Option<String> {
    let mut out = String::with_capacity(path.len());
    let mut chars = path.chars();
    while let Some(c) = chars.next() {
        match c {
            '\\' => match chars.next()? {
                '\\' => out.push('\\'),
                'n' => out.push('\n'),
                _ => return None,
            },
            c => out.push(c),
        }
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn entries_read_back_and_never_leave_their_folder() {
        let hash = Hash::of(b"x");
        for path in ["a", "a/b c.img", "odd\\name", "two\nlines", " lead"] {
            let line = entry_line(&hash, path);
            let line = line.strip_suffix('\n').unwrap();
            assert_eq!(
                parse_entry(line),
                Some((hash, path.to_string())),
                "{path:?}"
            );
        }
        for path in ["../a", "a/../b", "/etc/x", "a//b", "", ".", "a/."] {
            assert_eq!(parse_entry(&format!("{hash}  {path}")), None, "{path:?}");
        }
    }
}
