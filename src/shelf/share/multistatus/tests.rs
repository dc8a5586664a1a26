//! Lists as servers send them, and as none should.

use proptest::prelude::*;

use super::*;

fn list(body: &str) -> Vec<Entry> {
    read(body.as_bytes(), "/a%20b/reels/").unwrap()
}

fn entry(name: Option<&str>, bytes: Option<u64>, is_collection: bool) -> Entry {
    Entry {
        name: name.map(str::to_string),
        bytes,
        is_collection,
        modified: None,
    }
}

/// After the example of RFC 4918, section 9.1.5: depth 1, the collection itself in the list, two prefixes, and properties
/// that were not asked for. One href is made a URL, as section 8.3 allows.
#[test]
fn the_example_of_the_standard_is_read() {
    let body = r#"<?xml version="1.0" encoding="utf-8" ?>
<D:multistatus xmlns:D="DAV:">
  <D:response>
    <D:href>/container/</D:href>
    <D:propstat>
      <D:prop xmlns:R="http://ns.example.com/boxschema/">
        <R:bigbox><R:BoxType>Box type A</R:BoxType></R:bigbox>
        <D:creationdate>1997-12-01T17:42:21-08:00</D:creationdate>
        <D:resourcetype><D:collection/></D:resourcetype>
      </D:prop>
      <D:status>HTTP/1.1 200 OK</D:status>
    </D:propstat>
  </D:response>
  <D:response>
    <D:href>http://www.example.com/container/front.html</D:href>
    <D:propstat>
      <D:prop xmlns:R="http://ns.example.com/boxschema/">
        <D:getcontentlength>4525</D:getcontentlength>
        <D:getetag>"zzyzx"</D:getetag>
        <D:getlastmodified>Mon, 12 Jan 1998 09:25:56 GMT</D:getlastmodified>
        <D:resourcetype/>
      </D:prop>
      <D:status>HTTP/1.1 200 OK</D:status>
    </D:propstat>
  </D:response>
</D:multistatus>"#;
    let mut front = entry(Some("front.html"), Some(4525), false);
    front.modified = Some("1998-01-12T09:25:56Z".parse().unwrap());
    let expected = [entry(None, None, true), front];
    assert_eq!(read(body.as_bytes(), "/container/").unwrap(), expected);
}

#[test]
fn namespaces_count_and_prefixes_do_not() {
    let own = entry(None, None, true);
    let inside = entry(Some("x"), Some(7), false);
    for (open, d) in [
        ("<multistatus xmlns='DAV:'>", ""),
        ("<lp1:multistatus xmlns:lp1=\"DAV:\">", "lp1:"),
    ] {
        let close = format!("</{d}multistatus>");
        let body = format!(
            "{open}<{d}response><{d}href>/a%20b/reels</{d}href><{d}propstat><{d}prop><{d}resourcetype>\
             <{d}collection></{d}collection></{d}resourcetype></{d}prop><{d}status>HTTP/1.1 200 OK</{d}status>\
             </{d}propstat></{d}response>\
             <{d}response><{d}href> /a%20b/reels/x\n</{d}href><{d}propstat><{d}prop>\
             <o:getcontentlength xmlns:o='other:'>9</o:getcontentlength>\
             <{d}getcontentlength><![CDATA[7]]></{d}getcontentlength></{d}prop>\
             <{d}status>HTTP/1.1 200 OK</{d}status></{d}propstat></{d}response>{close}"
        );
        assert_eq!(list(&body), [own.clone(), inside.clone()], "{open}");
    }
    let foreign = "<D:multistatus xmlns:D='dav:'/>";
    assert!(read(foreign.as_bytes(), "/").is_err());
}

/// Each href with the name it gives in `/a b/reels/`; RFC 4918, section 8.3.
#[test]
fn hrefs_are_read_as_they_are_meant() {
    for (href, name) in [
        ("/a%20b/reels/", Some(None)),
        ("/a%20b/reels", Some(None)),
        ("/a b//reels/", Some(None)),
        ("/a%20b/reels/one.age", Some(Some("one.age"))),
        ("/a%20b/reels/folder/", Some(Some("folder"))),
        ("https://host:8443/a%20b/reels/x", Some(Some("x"))),
        (
            "/%61%20b/reels/sp%C3%A4%c3%9fe%20%25%26%2B%3D%3F",
            Some(Some("späße %&+=?")),
        ),
        ("/a%20b/reels/&lt;&amp;&#x26;&gt;", Some(Some("<&&>"))),
        ("/a%20b/reels/x?y#z", Some(Some("x"))),
        ("/a%20b/reels/%", Some(Some("%"))),
        ("/a%20b/reels/a%2Fb", None),
        ("/a%20b/reels/%2E%2E", None),
        ("/a%20b/reels/x/y", None),
        ("/a%20b/keys/x", None),
        ("/a%20b", None),
        ("reels/x", None),
        ("https://host", None),
        ("", None),
    ] {
        let body = format!(
            "<D:multistatus xmlns:D='DAV:'><D:response><D:href>{href}</D:href></D:response></D:multistatus>"
        );
        let names: Vec<Option<String>> = list(&body).into_iter().map(|e| e.name).collect();
        let expected: Vec<Option<String>> =
            name.map(|n| n.map(str::to_string)).into_iter().collect();
        assert_eq!(names, expected, "{href}");
    }
}

/// RFC 4918, sections 14.22 and 14.24: a status for each group of properties, or one for the whole.
#[test]
fn only_what_has_a_good_status_is_believed() {
    let body = "<D:multistatus xmlns:D='DAV:'>\
        <D:response><D:href>/a%20b/reels/x</D:href>\
        <D:propstat><D:prop><D:getlastmodified/><D:getcontentlength>1</D:getcontentlength></D:prop>\
        <D:status>HTTP/1.1 404 Not Found</D:status></D:propstat>\
        <D:propstat><D:status>HTTP/1.1 200 OK</D:status><D:prop><D:getcontentlength>2</D:getcontentlength></D:prop>\
        </D:propstat>\
        <D:propstat><D:prop><D:resourcetype><D:collection/></D:resourcetype></D:prop>\
        <D:status>HTTP/1.1 403 Forbidden</D:status></D:propstat></D:response>\
        <D:response><D:href>/a%20b/reels/gone</D:href><D:status>HTTP/1.1 404 Not Found</D:status></D:response>\
        <D:response><D:href>/a%20b/reels/locked</D:href><D:href>/a%20b/reels/too</D:href>\
        <D:status>HTTP/1.1 403 Forbidden</D:status></D:response>\
        <D:response><D:href>/a%20b/reels/odd</D:href><D:propstat><D:prop>\
        <D:getcontentlength>-1</D:getcontentlength><D:getlastmodified>soon</D:getlastmodified></D:prop>\
        <D:status>HTTP/1.1 200 OK</D:status></D:propstat></D:response></D:multistatus>";
    let expected = [
        entry(Some("x"), Some(2), false),
        entry(Some("locked"), None, false),
        entry(Some("too"), None, false),
        entry(Some("odd"), None, false),
    ];
    assert_eq!(list(body), expected);
}

#[test]
fn hostile_lists_are_refused() {
    let laughs = "<!DOCTYPE m [<!ENTITY a 'ha'><!ENTITY b '&a;&a;&a;'>]>\
        <D:multistatus xmlns:D='DAV:'><D:response><D:href>/a%20b/reels/&b;</D:href></D:response></D:multistatus>";
    let file =
        "<!DOCTYPE m [<!ENTITY f SYSTEM 'file:///etc/passwd'>]><D:multistatus xmlns:D='DAV:'/>";
    let entity = "<D:multistatus xmlns:D='DAV:'><D:response><D:href>&f;</D:href></D:response></D:multistatus>";
    let cut = "<D:multistatus xmlns:D='DAV:'><D:response>";
    let other = "<html><body>hello</body></html>";
    let crossed = "<D:multistatus xmlns:D='DAV:'><D:response></D:multistatus></D:response>";
    // Each name would be looked up among all of them.
    let declared: String = (0..200)
        .map(|n| format!(" xmlns:n{n}='urn:x:number:{n}'"))
        .collect();
    let declares = format!("<D:multistatus xmlns:D='DAV:'{declared}><D:x/></D:multistatus>");
    for (body, says) in [
        (declares.as_str(), "too deep"),
        (laughs, "document type"),
        (file, "document type"),
        (entity, "entity"),
        (cut, "not whole"),
        (other, "not whole"),
        ("", "not whole"),
        (crossed, "expected"),
    ] {
        let error = read(body.as_bytes(), "/a%20b/reels/").unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::InvalidData, "{body}");
        assert!(error.to_string().contains(says), "{body}: {error}");
    }
}

/// A reader of endless bytes that counts what was taken.
struct Endless<'a>(&'a [u8], u64);

impl Read for Endless<'_> {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        for (n, byte) in buf.iter_mut().enumerate() {
            *byte = self.0[(self.1 as usize + n) % self.0.len()];
        }
        self.1 += buf.len() as u64;
        Ok(buf.len())
    }
}

#[test]
fn lists_without_end_end() {
    let head = &b"<D:multistatus xmlns:D='DAV:'>"[..];
    for (rest, says, most) in [
        (&b"x"[..], "too long", 200_000),
        (b"<D:response>", "too deep", 20_000),
        (
            b"<D:response><D:href>/x</D:href></D:response>",
            "too many",
            60_000,
        ),
        (b"<!-- -->", "too long", 600_000),
    ] {
        let mut endless = Endless(rest, 0);
        let from = io::BufReader::new(head.chain(&mut endless));
        let error = read_within(from, "/", 500_000, 1_000).unwrap_err();
        assert!(error.to_string().contains(says), "{error} lacks {says}");
        assert!(endless.1 < most, "{says}: {}", endless.1);
    }
}

#[test]
fn trouble_on_the_way_comes_through() {
    use crate::shelf::net::{Trouble, TroubleKind};
    struct Breaks;
    impl Read for Breaks {
        fn read(&mut self, _: &mut [u8]) -> io::Result<usize> {
            Err(Trouble {
                server: "https://x".into(),
                kind: TroubleKind::Broken,
            }
            .into())
        }
    }
    let head = &b"<D:multistatus xmlns:D='DAV:'><D:response>"[..];
    let error = read(io::BufReader::new(head.chain(Breaks)), "/").unwrap_err();
    assert!(Trouble::is_passing(&error), "{error:?}");
}

/// Texts of all kinds, most of them such as stand in lists.
fn words() -> impl Strategy<Value = String> {
    let known = prop::sample::select(vec![
        "/r/",
        "/r/x",
        "/",
        "%",
        "%2F",
        "%c3",
        "%A4",
        "&amp;",
        "&#x2F;",
        "&#0;",
        "&b;",
        "?",
        "#",
        "..",
        "://",
        "http://h",
        "HTTP/1.1 200 OK",
        "HTTP/1.1 404 No",
        "7",
        "18446744073709551616",
        "Mon, 12 Jan 1998 09:25:56 GMT",
        "<![CDATA[/r/y]]>",
        "<!-- -->",
        "<?p?>",
        "<D:collection/>",
        "<D:href>",
        "</D:href>",
        "\u{e4}",
        " ",
    ]);
    let piece = prop_oneof![6 => known.prop_map(str::to_string), 1 => "[ -~]{0,3}"];
    prop::collection::vec(piece, 0..4).prop_map(|pieces| pieces.concat())
}

fn hrefs() -> impl Strategy<Value = String> {
    prop_oneof![3 => words().prop_map(|w| format!("/r/{w}")), 1 => words()]
}

proptest! {
    /// Lists that are nearly whole, then some bytes put in place of others: an answer or an error, and no more of it
    /// than was sent.
    #[test]
    fn no_bytes_make_it_panic(
        responses in prop::collection::vec((hrefs(), words(), words(), words()), 0..4),
        at in any::<prop::sample::Index>(),
        (gone, new) in prop_oneof![
            1 => Just((0, Vec::new())),
            1 => (0..9usize, prop::collection::vec(any::<u8>(), 0..9)),
        ],
    ) {
        let mut body = "<D:multistatus xmlns:D='DAV:'>".to_string();
        for (href, length, modified, status) in responses {
            body += &format!(
                "<D:response><D:href>{href}</D:href><D:propstat><D:prop><D:resourcetype>{length}</D:resourcetype>\
                 <D:getcontentlength>{length}</D:getcontentlength><D:getlastmodified>{modified}</D:getlastmodified>\
                 </D:prop><D:status>{status}</D:status></D:propstat></D:response>"
            );
        }
        let mut body = (body + "</D:multistatus>").into_bytes();
        let from = at.index(body.len());
        let to = (from + gone).min(body.len());
        body.splice(from..to, new);
        if let Ok(entries) = read(&body[..], "/r/") {
            prop_assert!(entries.len() * "<D:response>".len() <= body.len());
            let names: usize = entries.iter().filter_map(|e| e.name.as_ref()).map(String::len).sum();
            // A byte that is no UTF-8 becomes a character of three.
            prop_assert!(names <= 3 * body.len());
        }
    }
}
