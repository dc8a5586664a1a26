//! Listings as servers write them, whole and broken.

use proptest::prelude::*;

use super::*;

const HEAD: &str =
    r#"<?xml version="1.0"?><ListBucketResult xmlns="http://s3.amazonaws.com/doc/2006-03-01/">"#;

/// Amazon S3 API Reference, ListObjectsV2: the elements of its response syntax.
#[test]
fn a_listing_is_read_with_odd_keys_in_any_order() {
    let xml = format!(
        "{HEAD}<IsTruncated>true</IsTruncated>\
         <Contents><Key>a/reels/</Key><Size>0</Size></Contents>\
         <Contents><Key>a/reels/x+y%2Bz%0A%C3%A4</Key><Size>7</Size><ETag>&quot;e&quot;</ETag></Contents>\
         <Contents><Key>elsewhere</Key><Size>1</Size></Contents>\
         <CommonPrefixes><Prefix>a/reels//</Prefix></CommonPrefixes>\
         <CommonPrefixes><Prefix>a/reels/f%2B/</Prefix></CommonPrefixes>\
         <Contents><Key>a/reels/&#60;b&amp;&#0;&what;</Key><Size>8</Size><Owner><ID/></Owner></Contents>\
         <Contents><Key>a/reels/deep/er</Key><Size>8</Size></Contents>\
         <EncodingType>url</EncodingType>\
         <NextContinuationToken>t&amp;+=</NextContinuationToken></ListBucketResult>"
    );
    let page = parse(xml.as_bytes(), "a/reels/").unwrap();
    assert_eq!(
        page.found.objects,
        [
            ("x y+z\nä".to_string(), 7),
            ("<b&\u{fffd}\u{fffd}".to_string(), 8)
        ]
    );
    assert_eq!(page.found.folders, ["deep", "", "f+"]);
    assert_eq!(page.more.as_deref(), Some("t&+="));
}

#[test]
fn keys_that_are_not_encoded_are_read_as_they_stand() {
    let xml = format!(
        "{HEAD}<IsTruncated>false</IsTruncated><Contents><Key>a%2B+\u{1}</Key><Size>1</Size></Contents>\
         <NextContinuationToken>left over</NextContinuationToken></ListBucketResult>"
    );
    let mut xml = xml.into_bytes();
    let page = parse(&xml, "").unwrap();
    assert_eq!(page.found.objects, [("a%2B+\u{1}".to_string(), 1)]);
    assert_eq!(page.more, None);
    // No UTF-8: read as well as it can be.
    let at = xml.iter().position(|b| *b == 1).unwrap();
    xml[at] = 0xff;
    let page = parse(&xml, "").unwrap();
    assert_eq!(page.found.objects, [("a%2B+\u{fffd}".to_string(), 1)]);
}

#[test]
fn what_is_no_whole_listing_is_none() {
    let whole = format!(
        "{HEAD}<IsTruncated>false</IsTruncated><Contents><Key>a</Key><Size>1</Size></Contents></ListBucketResult>"
    );
    assert!(parse(whole.as_bytes(), "").is_some());
    for end in 1..whole.len() {
        assert_eq!(parse(&whole.as_bytes()[..end], ""), None, "{end}");
    }
    for bad in [
        "<html></html>",
        "<ListBucketResult></ListBucketResult>",
        "<Error><IsTruncated>false</IsTruncated></Error>",
        "<ListBucketResult><IsTruncated>true</IsTruncated></ListBucketResult>",
        "<ListBucketResult><IsTruncated>false</IsTruncated><Contents><Key>a</Key></Contents></ListBucketResult>",
        "<ListBucketResult><IsTruncated>false</IsTruncated><Contents><Size>1</Size></Contents></ListBucketResult>",
        "<ListBucketResult><IsTruncated>false</IsTruncated><Contents><Key>a</Key><Size>-1</Size></Contents></ListBucketResult>",
        "<!DOCTYPE a [<!ENTITY b \"c\">]><ListBucketResult><IsTruncated>false</IsTruncated></ListBucketResult>",
    ] {
        assert_eq!(parse(bad.as_bytes(), ""), None, "{bad}");
    }
}

/// What listings are made of; other bytes stand for themselves.
const PIECES: [&str; 20] = [
    "<ListBucketResult>",
    "</ListBucketResult>",
    "<Contents>",
    "</Contents>",
    "<Key>",
    "</Key>",
    "<Size>1",
    "</Size>",
    "<CommonPrefixes><Prefix>",
    "</Prefix></CommonPrefixes>",
    "<IsTruncated>true</IsTruncated>",
    "<IsTruncated>false</IsTruncated>",
    "<EncodingType>url</EncodingType>",
    "<NextContinuationToken>t</NextContinuationToken>",
    "p/",
    "%2F%",
    "&#1114112;",
    "&what;",
    "<![CDATA[",
    "<!DOCTYPE ",
];

/// Whatever a server sends: it is read or it is not, without an end of the program, and no name is a path.
#[test]
fn no_bytes_break_the_reader() {
    bolero::check!().for_each(|bytes: &[u8]| {
        let mut xml = Vec::new();
        for byte in bytes {
            match PIECES.get(usize::from(*byte) / 8) {
                Some(piece) => xml.extend_from_slice(piece.as_bytes()),
                None => xml.push(*byte),
            }
        }
        for xml in [bytes, &xml] {
            if let Some(Page { found, .. }) = parse(xml, "p/") {
                let mut names = found.objects.iter().map(|(n, _)| n).chain(&found.folders);
                assert!(names.all(|n| !n.contains('/')));
            }
        }
    });
}

proptest! {
    /// Any names under any prefix come back as they were, however a server may encode them.
    #[test]
    fn every_name_is_read_back(
        prefix in "(\\PC{1,6}/)?",
        names in prop::collection::vec("[^/]{1,12}", 0..20),
        form in any::<bool>(),
    ) {
        let encoded = |name: &str| -> String {
            let text = percent_encoding::utf8_percent_encode(name, percent_encoding::NON_ALPHANUMERIC);
            let text = text.to_string();
            if form { text.replace("%20", "+") } else { text }
        };
        let mut xml = format!("{HEAD}<EncodingType>url</EncodingType><IsTruncated>false</IsTruncated>");
        for (n, name) in names.iter().enumerate() {
            let key = encoded(&format!("{prefix}{name}"));
            xml += &format!("<Contents><Key>{key}</Key><Size>{n}</Size></Contents>");
        }
        xml += "</ListBucketResult>";
        let read = parse(xml.as_bytes(), &prefix).unwrap().found.objects;
        let wanted: Vec<(String, u64)> = names.into_iter().zip(0..).collect();
        prop_assert_eq!(read, wanted);
    }
}
