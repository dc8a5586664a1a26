//! The listing of a bucket, one page at a time: the names and lengths of what lies directly under a prefix.

use percent_encoding::percent_decode;
use quick_xml::Reader;
use quick_xml::events::{BytesRef, Event};

/// What lies directly under a prefix.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct Found {
    /// Names without the prefix, and lengths.
    pub(super) objects: Vec<(String, u64)>,
    /// Names of what looks like folders, without the prefix and the slash.
    pub(super) folders: Vec<String>,
}

/// A page of a listing.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct Page {
    pub(super) found: Found,
    /// What to ask for the next page with, if there is one.
    pub(super) more: Option<String>,
}

/// A thousand keys of 1024 bytes, each byte written as `%xx`, and what stands beside them.
pub(super) const LONGEST_PAGE: u64 = 8 << 20;

/// Reads the answer to ListObjectsV2 for `prefix` (empty, or with a slash at its end); `None` if it is none, or not a
/// whole one. Odd keys are read as well as they can be: a stranger's object must not hide ours.
///
/// # Source
/// Amazon S3 API Reference, ListObjectsV2, response syntax.
pub(super) fn parse(xml: &[u8], prefix: &str) -> Option<Page> {
    let text = String::from_utf8_lossy(xml);
    let mut reader = Reader::from_str(&text);
    let mut open: Vec<Vec<u8>> = Vec::new();
    let mut value = String::new();
    let (mut keys, mut prefixes) = (Vec::new(), Vec::new());
    let (mut key, mut size, mut next) = (None, None, None);
    let (mut truncated, mut by_url) = (None, false);
    loop {
        match reader.read_event().ok()? {
            Event::Start(tag) => {
                open.push(tag.local_name().as_ref().to_vec());
                value.clear();
            }
            Event::Text(part) => value.push_str(&part.decode().ok()?),
            Event::CData(part) => value.push_str(&part.decode().ok()?),
            Event::GeneralRef(name) => value.push(character(&name)),
            Event::End(_) => {
                let path: Vec<&[u8]> = open.iter().map(Vec::as_slice).collect();
                let value = std::mem::take(&mut value);
                match path.as_slice() {
                    [b"ListBucketResult", b"IsTruncated"] => {
                        truncated = Some(value.trim() == "true")
                    }
                    [b"ListBucketResult", b"EncodingType"] => by_url = value.trim() == "url",
                    [b"ListBucketResult", b"NextContinuationToken"] => next = Some(value),
                    [b"ListBucketResult", b"Contents", b"Key"] => key = Some(value),
                    [b"ListBucketResult", b"Contents", b"Size"] => {
                        size = Some(value.trim().parse::<u64>().ok()?);
                    }
                    [b"ListBucketResult", b"Contents"] => keys.push((key.take()?, size.take()?)),
                    [b"ListBucketResult", b"CommonPrefixes", b"Prefix"] => prefixes.push(value),
                    _ => {}
                }
                open.pop();
            }
            // It could name entities that grow without end.
            Event::DocType(_) => return None,
            Event::Eof => break,
            Event::Empty(_) | Event::Comment(_) | Event::PI(_) | Event::Decl(_) => {}
        }
    }
    // A listing that was cut off, or goes on without saying where, would make objects seem gone.
    if !open.is_empty() || (truncated? && next.is_none()) {
        return None;
    }
    let mut found = Found::default();
    // It may come before or after the keys that it is about.
    let plain = |text: String| if by_url { decoded(&text) } else { text };
    for (key, bytes) in keys {
        match plain(key).strip_prefix(prefix) {
            // Consoles make an object named as the prefix itself, to show a folder.
            None | Some("") => {}
            Some(name) => match name.split_once('/') {
                None => found.objects.push((name.to_string(), bytes)),
                // Of a server that knows no delimiter.
                Some((folder, _)) => found.folders.push(folder.to_string()),
            },
        }
    }
    for folder in prefixes {
        if let Some(name) = plain(folder).strip_prefix(prefix) {
            let name = name.split('/').next().unwrap_or_default();
            found.folders.push(name.to_string());
        }
    }
    let more = next.filter(|_| truncated == Some(true));
    Some(Page { found, more })
}

/// The character that `&name;` stands for: one of the five of XML, or a number. Others are in names of strangers only.
fn character(name: &BytesRef<'_>) -> char {
    if let Ok(Some(character)) = name.resolve_char_ref() {
        return character;
    }
    match &name[..] {
        b"amp" => '&',
        b"lt" => '<',
        b"gt" => '>',
        b"quot" => '"',
        b"apos" => '\'',
        _ => char::REPLACEMENT_CHARACTER,
    }
}

/// A key as `encoding-type=url` writes it: as in forms, where `+` is a space.
fn decoded(text: &str) -> String {
    let spaced = text.replace('+', " ");
    percent_decode(spaced.as_bytes())
        .decode_utf8_lossy()
        .into_owned()
}

#[cfg(test)]
mod tests;
