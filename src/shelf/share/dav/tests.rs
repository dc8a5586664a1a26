//! Addresses as people type them.

use super::*;

#[test]
fn addresses_are_taken_apart() {
    for (url, origin, base, is_closed) in [
        ("https://box.example", "https://box.example", "/", true),
        ("https://box.example:443/", "https://box.example", "/", true),
        (
            "http://box.example:8080/dav/",
            "http://box.example:8080",
            "/dav/",
            false,
        ),
        (
            "https://box.example//a/../b/./c d",
            "https://box.example",
            "/b/c%20d/",
            true,
        ),
        (
            "https://box.example/s\u{e4}%c3%a4%20(1)",
            "https://box.example",
            "/s%C3%A4%C3%A4%20%281%29/",
            true,
        ),
        (
            "https://m\u{fc}ller.example/x",
            "https://xn--mller-kva.example",
            "/x/",
            true,
        ),
        ("http://localhost:1/x", "http://localhost:1", "/x/", true),
        ("http://127.8.0.1/", "http://127.8.0.1", "/", true),
        ("http://[::1]:81/", "http://[::1]:81", "/", true),
        (
            "http://127.0.0.1.example/",
            "http://127.0.0.1.example",
            "/",
            false,
        ),
        (
            "http://localhost.example/",
            "http://localhost.example",
            "/",
            false,
        ),
    ] {
        let address = Address::parse(url).unwrap();
        let expected = Address {
            origin: origin.into(),
            base: base.into(),
            is_closed,
        };
        assert_eq!(address, expected, "{url}");
    }
}

#[test]
fn what_is_no_address_is_refused_without_quoting_it() {
    for (url, says) in [
        ("box.example/pw", "no URL"),
        ("ftp://box.example/pw", "neither https"),
        ("https:///", "no URL"),
        ("https://u:pw@box.example/", "neither user nor password"),
        ("https://pw@box.example/", "neither user nor password"),
        ("https://box.example/x?pw", "neither ? nor #"),
        ("https://box.example/x#pw", "neither ? nor #"),
    ] {
        let error = Address::parse(url).unwrap_err();
        assert_eq!(error.kind, Kind::BadInput);
        assert!(error.fact().contains(says), "{url}: {}", error.fact());
        assert!(!error.fact().contains("pw"), "{url}: {}", error.fact());
        assert!(!matches!(error.next_step(), Next::Nothing));
    }
}

#[test]
fn names_are_encoded_one_by_one() {
    let address = Address::parse("https://box.example/a").unwrap();
    for (path, encoded) in [
        ("", "/a/"),
        ("reels/", "/a/reels/"),
        (
            "reels/sp\u{e4}t %&+=?#;~",
            "/a/reels/sp%C3%A4t%20%25%26%2B%3D%3F%23%3B~",
        ),
    ] {
        assert_eq!(address.path(path), encoded);
    }
}
