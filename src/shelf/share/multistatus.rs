//! The list that a WebDAV server gives of a collection: what stands in it, read as it arrives and never past a bound.

use std::io::{self, BufRead, Read};

use jiff::Timestamp;
use jiff::fmt::rfc2822;
use percent_encoding::percent_decode_str;
use quick_xml::NsReader;
use quick_xml::events::{BytesRef, Event};
use quick_xml::name::{Namespace, ResolveResult};

/// What is asked about each resource.
///
/// # Source
/// RFC 4918, sections 9.1 and 15.
pub(super) const QUESTION: &str = r#"<?xml version="1.0" encoding="utf-8"?>
<D:propfind xmlns:D="DAV:"><D:prop><D:resourcetype/><D:getcontentlength/><D:getlastmodified/></D:prop></D:propfind>"#;

/// A resource that stands in a collection, or the collection itself.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Entry {
    /// Its name in the collection; none for the collection itself.
    pub(super) name: Option<String>,
    /// Its length, where the server says.
    pub(super) bytes: Option<u64>,
    /// True if it is a collection.
    pub(super) is_collection: bool,
    /// When it was written last, by the server's clock.
    pub(super) modified: Option<Timestamp>,
}

/// A list of this size is no list of ours: about the names of ten terabytes of reels.
const MOST_BYTES: u64 = 256 << 20;
/// Neither is one with so many entries.
const MOST_ENTRIES: usize = 250_000;
/// Elements inside each other; properties that we did not ask for may be deep.
const DEEPEST: usize = 64;
/// Bytes of the tags that are open at once: each name is looked up among what they declare.
const MOST_OPEN: usize = 4 << 10;
/// One tag or text.
const LONGEST_PIECE: u64 = 64 << 10;

/// Reads the answer to a PROPFIND of `own` (the path of the request, percent-encoded): entries outside of it are left
/// out.
///
/// # Errors
/// Of reading, such as trouble on the way; `InvalidData` for what is no such list or is larger than a list of ours.
///
/// # Source
/// RFC 4918, sections 13, 14.24 and 8.3 (hrefs are absolute paths or URLs).
pub(super) fn read(from: impl BufRead, own: &str) -> io::Result<Vec<Entry>> {
    read_within(from, own, MOST_BYTES, MOST_ENTRIES)
}

fn read_within(
    from: impl BufRead,
    own: &str,
    most_bytes: u64,
    most_entries: usize,
) -> io::Result<Vec<Entry>> {
    let own = segments(own);
    let mut xml = NsReader::from_reader(Bounded {
        inner: from,
        left: most_bytes,
        piece: LONGEST_PIECE,
    });
    let (mut open, mut response, mut entries) = (Vec::new(), Response::default(), Vec::new());
    let mut buffer = Vec::new();
    let mut lengths: Vec<usize> = Vec::new();
    let mut open_bytes = 0;
    let mut was_list = false;
    loop {
        buffer.clear();
        xml.get_mut().piece = LONGEST_PIECE;
        let (namespace, event) = xml.read_resolved_event_into(&mut buffer).map_err(bad_xml)?;
        if entries.len() > most_entries {
            return Err(bad("it has too many entries"));
        }
        match event {
            Event::Start(tag) => {
                lengths.push(tag.len());
                open_bytes += tag.len();
                let tag = Tag::of(open.last(), &namespace, tag.local_name().as_ref());
                was_list |= tag == Tag::Multistatus;
                response.opens(tag);
                open.push(tag);
                if open.len() > DEEPEST || open_bytes > MOST_OPEN {
                    return Err(bad("it is too deep"));
                }
            }
            Event::Empty(tag) => {
                let tag = Tag::of(open.last(), &namespace, tag.local_name().as_ref());
                was_list |= tag == Tag::Multistatus;
                response.opens(tag);
                response.closes(tag, &own, &mut entries);
            }
            Event::End(_) => {
                open_bytes -= lengths.pop().unwrap_or(0);
                if let Some(tag) = open.pop() {
                    response.closes(tag, &own, &mut entries);
                }
            }
            Event::Text(text) => response.text(open.last(), &text)?,
            Event::CData(text) => response.text(open.last(), &text)?,
            Event::GeneralRef(name) => {
                let character = character(&name)?;
                response.text(open.last(), character.encode_utf8(&mut [0; 4]).as_bytes())?;
            }
            // It could name entities that grow without end, or files of this computer.
            Event::DocType(_) => return Err(bad("it has a document type")),
            Event::Comment(_) | Event::PI(_) | Event::Decl(_) => {}
            Event::Eof => break,
        }
    }
    match was_list && open.is_empty() {
        true => Ok(entries),
        false => Err(bad("it is not whole")),
    }
}

fn bad(why: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, why)
}

fn bad_xml(e: quick_xml::Error) -> io::Error {
    match e {
        // Trouble on the way lies inside, and tells whether to ask again.
        quick_xml::Error::Io(e) => match std::sync::Arc::try_unwrap(e) {
            Ok(e) => e,
            Err(e) => io::Error::new(e.kind(), e.to_string()),
        },
        e => io::Error::new(io::ErrorKind::InvalidData, e.to_string()),
    }
}

/// An element, known by where it stands as well as by its name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Tag {
    Multistatus,
    Response,
    Href,
    /// Of a whole response.
    ResponseStatus,
    Propstat,
    /// Of the properties beside it.
    PropStatus,
    Prop,
    ResourceType,
    Collection,
    Length,
    Modified,
    Other,
}

impl Tag {
    fn of(parent: Option<&Tag>, namespace: &ResolveResult<'_>, local: &[u8]) -> Tag {
        if *namespace != ResolveResult::Bound(Namespace(b"DAV:")) {
            return Tag::Other;
        }
        match (parent, local) {
            (None, b"multistatus") => Tag::Multistatus,
            (Some(Tag::Multistatus), b"response") => Tag::Response,
            (Some(Tag::Response), b"href") => Tag::Href,
            (Some(Tag::Response), b"status") => Tag::ResponseStatus,
            (Some(Tag::Response), b"propstat") => Tag::Propstat,
            (Some(Tag::Propstat), b"status") => Tag::PropStatus,
            (Some(Tag::Propstat), b"prop") => Tag::Prop,
            (Some(Tag::Prop), b"resourcetype") => Tag::ResourceType,
            (Some(Tag::Prop), b"getcontentlength") => Tag::Length,
            (Some(Tag::Prop), b"getlastmodified") => Tag::Modified,
            (Some(Tag::ResourceType), b"collection") => Tag::Collection,
            _ => Tag::Other,
        }
    }

    fn has_text(self) -> bool {
        matches!(
            self,
            Tag::Href | Tag::ResponseStatus | Tag::PropStatus | Tag::Length | Tag::Modified
        )
    }
}

/// One response while it is read.
#[derive(Debug, Default)]
struct Response {
    /// Several stand for things of which the same is said.
    hrefs: Vec<String>,
    gone: bool,
    known: Entry,
    /// Properties whose status is not known yet: it follows them.
    waiting: Entry,
    waiting_refused: bool,
    text: Vec<u8>,
}

impl Response {
    fn opens(&mut self, tag: Tag) {
        match tag {
            Tag::Response => *self = Response::default(),
            Tag::Propstat => {
                self.waiting = Entry::default();
                self.waiting_refused = false;
            }
            Tag::Collection => self.waiting.is_collection = true,
            tag if tag.has_text() => self.text.clear(),
            _ => {}
        }
    }

    fn text(&mut self, tag: Option<&Tag>, bytes: &[u8]) -> io::Result<()> {
        if tag.is_some_and(|t| t.has_text()) {
            if (self.text.len() + bytes.len()) as u64 > LONGEST_PIECE {
                return Err(bad("one of its texts is too long"));
            }
            self.text.extend_from_slice(bytes);
        }
        Ok(())
    }

    fn closes(&mut self, tag: Tag, own: &[String], entries: &mut Vec<Entry>) {
        let text = std::str::from_utf8(&self.text).unwrap_or_default().trim();
        match tag {
            Tag::Href => self.hrefs.push(text.to_string()),
            // What may not be looked at stands there all the same: whoever reads it is told why that fails.
            Tag::ResponseStatus => self.gone = matches!(status(text), "404" | "410"),
            Tag::PropStatus => self.waiting_refused = !is_success(text),
            Tag::Length => self.waiting.bytes = text.parse().ok(),
            Tag::Modified => {
                self.waiting.modified = rfc2822::parse(text).ok().map(|z| z.timestamp());
            }
            Tag::Propstat if !self.waiting_refused => {
                let (known, new) = (&mut self.known, &self.waiting);
                known.bytes = new.bytes.or(known.bytes);
                known.modified = new.modified.or(known.modified);
                known.is_collection |= new.is_collection;
            }
            Tag::Response if !self.gone => {
                let inside = self.hrefs.iter().filter_map(|href| name_inside(href, own));
                entries.extend(inside.map(|name| Entry {
                    name,
                    ..self.known.clone()
                }));
            }
            _ => {}
        }
    }
}

/// The code in a status line such as `HTTP/1.1 200 OK`.
fn status(line: &str) -> &str {
    line.split_ascii_whitespace().nth(1).unwrap_or_default()
}

fn is_success(line: &str) -> bool {
    let code = status(line);
    code.len() == 3 && code.starts_with('2')
}

/// The character that `&name;` stands for: the five of XML and numbers, nothing that a document could define.
fn character(name: &BytesRef<'_>) -> io::Result<char> {
    if let Ok(Some(character)) = name.resolve_char_ref() {
        return Ok(character);
    }
    match &name[..] {
        b"amp" => Ok('&'),
        b"lt" => Ok('<'),
        b"gt" => Ok('>'),
        b"quot" => Ok('"'),
        b"apos" => Ok('\''),
        _ => Err(bad("it names an entity that XML does not know")),
    }
}

/// Whose `href` is: `Some(None)` for `own` itself, `Some(name)` for what stands right in it.
fn name_inside(href: &str, own: &[String]) -> Option<Option<String>> {
    let path = match href.split_once("://") {
        Some((_, rest)) => &rest[rest.find('/')?..],
        None if href.starts_with('/') => href,
        None => return None,
    };
    let mut path = segments(path);
    if path == own {
        return Some(None);
    }
    let name = path.pop()?;
    let is_name = !name.contains(['/', '\0']) && name != "." && name != "..";
    (path == own && is_name).then_some(Some(name))
}

/// The names in a percent-encoded path; those that are no UTF-8 are none of ours and only resemble what they are.
fn segments(path: &str) -> Vec<String> {
    let end = path.find(['?', '#']).unwrap_or(path.len());
    path[..end]
        .split('/')
        .filter(|s| !s.is_empty())
        .map(|s| percent_decode_str(s).decode_utf8_lossy().into_owned())
        .collect()
}

/// A reader that ends with an error where a document, or one piece of it, becomes too long to be kept in memory.
struct Bounded<R> {
    inner: R,
    left: u64,
    piece: u64,
}

impl<R: BufRead> Read for Bounded<R> {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        let n = self.fill_buf()?.read(buf)?;
        self.consume(n);
        Ok(n)
    }
}

impl<R: BufRead> BufRead for Bounded<R> {
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        let most = self.left.min(self.piece);
        let there = self.inner.fill_buf()?;
        if most == 0 && !there.is_empty() {
            return Err(bad("it is too long"));
        }
        let n = there.len().min(usize::try_from(most).unwrap_or(usize::MAX));
        Ok(&there[..n])
    }

    fn consume(&mut self, n: usize) {
        self.left = self.left.saturating_sub(n as u64);
        self.piece = self.piece.saturating_sub(n as u64);
        self.inner.consume(n);
    }
}

#[cfg(test)]
mod tests;
