//! The published examples, and what servers ask for.

use super::*;

const BASIC: Asked = Asked::Known {
    stale: false,
    same: true,
};
const DIGEST: Asked = Asked::Known {
    stale: false,
    same: false,
};
const STALE: Asked = Asked::Known {
    stale: true,
    same: false,
};

fn headers(texts: &[&str]) -> HeaderMap {
    let mut headers = HeaderMap::new();
    for text in texts {
        headers.append(WWW_AUTHENTICATE, HeaderValue::from_str(text).unwrap());
    }
    headers
}

fn lena(basic: bool) -> SignIn {
    SignIn::new(Some(("lena".into(), Secret::new("pw"))), basic)
}

fn text(value: Option<HeaderValue>) -> String {
    let value = value.expect("an answer");
    assert!(value.is_sensitive());
    String::from_utf8(value.as_bytes().to_vec()).unwrap()
}

/// The parameter `name` of an answer.
fn parameter<'a>(answer: &'a str, name: &str) -> &'a str {
    let (_, rest) = answer.split_once(&format!("{name}=")).expect(name);
    rest.split(',').next().unwrap().trim_matches('"')
}

/// RFC 7617, section 2 (its example) and 2.1 (UTF-8).
#[test]
fn basic_is_answered_as_published() {
    for (user, password, realm, answer) in [
        (
            "Aladdin",
            "open sesame",
            "WallyWorld",
            "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==",
        ),
        (
            "test",
            "123\u{a3}",
            "foo\", charset=\"UTF-8",
            "Basic dGVzdDoxMjPCow==",
        ),
    ] {
        let sign_in = SignIn::new(Some((user.into(), Secret::new(password))), true);
        assert_eq!(sign_in.answer("GET", "/"), None, "nothing is sent unasked");
        let asked = sign_in.learn(&headers(&[&format!("Basic realm=\"{realm}\"")]));
        assert_eq!(asked, BASIC);
        assert_eq!(text(sign_in.answer("GET", "/")), answer);
    }
}

/// RFC 7616, section 3.9.1: two challenges of one server, MD5 and SHA-256; `answer_by` sets its client nonce.
#[test]
fn digest_is_answered_as_published_and_the_stronger_is_taken() {
    let challenge = |algorithm: &str| {
        format!(
            "Digest realm=\"http-auth@example.org\", qop=\"auth, auth-int\", algorithm={algorithm}, \
             nonce=\"7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v\", \
             opaque=\"FQhe/qaU925kfnzjCev0ciny7QMkPqMAFRtzCUYo5tdS\""
        )
    };
    let (md5, sha) = (challenge("MD5"), challenge("SHA-256"));
    let sha_response = "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1";
    for (headers, response) in [
        (headers(&[&sha, &md5]), sha_response),
        (headers(&[&md5, &sha]), sha_response),
        (
            headers(&[&format!("{md5}, {sha}, Basic realm=\"x\"")]),
            sha_response,
        ),
        (
            headers(&["Basic realm=\"x\"", &md5]),
            "8ca523f5e9506fed4657c9700eebdbec",
        ),
    ] {
        let who = ("Mufasa".to_string(), Secret::new("Circle of Life"));
        let sign_in = SignIn::new(Some(who), true);
        assert_eq!(sign_in.learn(&headers), DIGEST);
        let cnonce = "f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ";
        let answer = text(
            sign_in.answer_by("GET", "/dir/index.html", |digest, params| {
                digest.respond_with_testing_cnonce(params, cnonce)
            }),
        );
        assert_eq!(parameter(&answer, "response"), response);
        assert_eq!(parameter(&answer, "username"), "Mufasa");
        assert_eq!(parameter(&answer, "nc"), "00000001");
        assert_eq!(parameter(&answer, "qop"), "auth");
        assert_eq!(
            parameter(&answer, "opaque"),
            "FQhe/qaU925kfnzjCev0ciny7QMkPqMAFRtzCUYo5tdS"
        );
    }
}

/// RFC 7616, section 3.9.2, with erratum 4897, which corrects its user hash and response.
#[test]
fn names_beyond_ascii_are_hashed_where_the_server_wants_it() {
    let who = (
        "J\u{e4}s\u{f8}n Doe".to_string(),
        Secret::new("Secret, or not?"),
    );
    let sign_in = SignIn::new(Some(who), false);
    let challenge = "Digest realm=\"api@example.org\", qop=\"auth\", algorithm=SHA-512-256, \
        nonce=\"5TsQWLVdgBdmrQ0XsxbDODV+57QdFR34I9HAbC/RVvkK\", \
        opaque=\"HRPCssKJSGjCrkzDg8OhwpzCiGPChXYjwrI2QmXDnsOS\", charset=UTF-8, userhash=true";
    sign_in.learn(&headers(&[challenge]));
    let cnonce = "NTg6RKcb9boFIAS3KrFK9BGeh+iDa/sm6jUMp2wds69v";
    let answer = text(sign_in.answer_by("GET", "/doe.json", |digest, params| {
        digest.respond_with_testing_cnonce(params, cnonce)
    }));
    assert_eq!(
        parameter(&answer, "username"),
        "793263caabb707a56211940d90411ea4a575adeccb7e360aeb624ed06ece9b0b"
    );
    assert_eq!(
        parameter(&answer, "response"),
        "3798d4131c277846293534c3edc11bd8a5e4cdcbff78b05db9d95eeb1cec68a5"
    );
}

/// RFC 7616, section 3.4: `username*` is for servers that take UTF-8, and only they say so.
#[test]
fn names_beyond_ascii_are_written_as_the_server_reads_them() {
    let who = ("m\u{fc}ller \"x\"".to_string(), Secret::new("pw"));
    let sign_in = SignIn::new(Some(who), false);
    let answer = |challenge: &str| {
        sign_in.learn(&headers(&[challenge]));
        let answer = text(sign_in.answer("GET", "/"));
        assert!(answer.contains(", realm=\"r\", uri=\"/\", "), "{answer}");
        answer.split(", ").next().unwrap().to_string()
    };
    assert_eq!(
        answer("Digest realm=r, nonce=n, qop=auth, charset=UTF-8"),
        "Digest username*=UTF-8''m%C3%BCller%20%22x%22"
    );
    assert_eq!(
        answer("Digest realm=r, nonce=n, qop=auth"),
        "Digest username=\"m\u{fc}ller \\\"x\\\"\""
    );
}

#[test]
fn a_nonce_is_counted_and_a_stale_one_replaced() {
    let sign_in = lena(false);
    let challenge = "Digest realm=r, nonce=one, qop=\"auth\", algorithm=SHA-256";
    assert_eq!(sign_in.learn(&headers(&[challenge])), DIGEST);
    for count in ["00000001", "00000002", "00000003"] {
        let answer = text(sign_in.answer("PUT", "/x"));
        assert_eq!(parameter(&answer, "nc"), count);
        assert_eq!(parameter(&answer, " nonce"), "one");
    }
    let stale = "Digest realm=r, nonce=two, qop=\"auth\", algorithm=SHA-256, stale=TRUE";
    assert_eq!(sign_in.learn(&headers(&[stale])), STALE);
    let answer = text(sign_in.answer("PUT", "/x"));
    assert_eq!(
        (parameter(&answer, "nc"), parameter(&answer, " nonce")),
        ("00000001", "two")
    );
}

#[test]
fn what_cannot_be_answered_is_told_apart() {
    for (texts, basic, asked) in [
        (&["Basic realm=x"][..], false, Asked::InClear),
        (&["Basic realm=x"], true, BASIC),
        (
            &["Basic realm=x, Digest realm=r, nonce=n, qop=auth"],
            false,
            DIGEST,
        ),
        (&["Negotiate", "NTLM"], true, Asked::Unknown),
        (
            &["Digest realm=r, nonce=n, qop=\"auth-int\""],
            true,
            Asked::Unknown,
        ),
        (
            &["Digest realm=r, nonce=n, qop=auth, algorithm=SHA3"],
            true,
            Asked::Unknown,
        ),
        (&["Digest realm=r"], true, Asked::Unknown),
        (&["Bearer, Basic realm=\"x"], true, Asked::Unknown),
        (&["Bearer \"", "Basic realm=x"], true, BASIC),
        (&[], true, Asked::Unknown),
    ] {
        let sign_in = lena(basic);
        assert_eq!(sign_in.learn(&headers(texts)), asked, "{texts:?}");
        let known = matches!(asked, Asked::Known { .. });
        assert_eq!(sign_in.answer("GET", "/").is_some(), known, "{texts:?}");
    }
    let nobody = SignIn::new(None, true);
    nobody.learn(&headers(&["Basic realm=x"]));
    assert_eq!(nobody.answer("GET", "/"), None);
}
