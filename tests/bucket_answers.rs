//! What a bucket makes of every answer that a server may give, by a server that gives it.

#[path = "common/scripted_tls.rs"]
mod scripted;

use std::io::{Read, Write};
use std::process::{Command, Stdio};
use std::time::Duration;

use farshelf::error::{Error, Kind};
use farshelf::shelf::bucket::{Bucket, BucketAt};
use farshelf::shelf::net::{Patience, Settings};
use farshelf::shelf::secret::Secret;
use farshelf::shelf::{Part, Shelf, ShelfJson};
use farshelf::sys::World;
use farshelf::sys::disk::Replace;
use scripted::{Asked, Scripted, answer, scripted, scripted_over_tls};

fn at(url: &str) -> BucketAt {
    BucketAt {
        endpoint: url.into(),
        bucket: "synths".into(),
        prefix: "my shelf/ä+~".into(),
        region: "us-east-1".into(),
        access: "AKIALENA".into(),
        secret: Secret::new("hunter2"),
        shown: "the bucket".into(),
        reports: false,
    }
}

fn impatient() -> Settings {
    Settings {
        patience: Patience {
            connect: Duration::from_secs(5),
            stall: Duration::from_secs(5),
            tries: 3,
            first_wait: Duration::from_millis(4),
        },
        ..Settings::default()
    }
}

fn bucket(server: &Scripted) -> Bucket {
    Bucket::new(&World::real(), at(&server.url), &impatient(), 4).unwrap()
}

fn publish(shelf: &dyn Shelf, path: &str, bytes: &[u8], replace: Replace) -> Result<(), Error> {
    let mut upload = shelf.begin()?;
    upload.write_all(bytes).unwrap();
    upload.publish(path, replace)
}

/// Kind, fact with all that is behind it, and next step; never a secret.
fn say(error: &Error) -> String {
    let next = error.next_step().text().unwrap_or_default();
    let mut text = format!("{:?}: {}", error.kind, error.fact());
    let mut source = std::error::Error::source(error);
    while let Some(one) = source {
        text += &format!(": {one}");
        source = one.source();
    }
    text += &format!("; {next}");
    assert!(!text.contains("hunter2"), "{text}");
    text
}

fn s3_error(head: &str, code: &str, more: &str) -> String {
    let body = format!(
        "<?xml version=\"1.0\"?><Error><Code>{code}</Code><Message>said so</Message>{more}</Error>"
    );
    answer(head, &body)
}

const GOOD: &str = "200 OK\r\nx-of: test";

#[test]
fn each_attempt_bears_a_signature_of_its_own_and_the_same_bytes() {
    let busy = || answer("503 Busy\r\nRetry-After: 1", "");
    let server = scripted(move |n, asked| match (asked.method.as_str(), n) {
        ("GET", _) => answer(GOOD, "{}"),
        (_, 1 | 2) => busy(),
        _ => answer(GOOD, ""),
    });
    publish(&bucket(&server), "reels/a", b"bytes", Replace::No).unwrap();
    let asked = server.asked.lock().unwrap();
    let puts: Vec<&Asked> = asked.iter().filter(|a| a.method == "PUT").collect();
    assert_eq!(puts.len(), 3);
    for (a, b) in [(0, 1), (1, 2)] {
        // A second lies between them: the server asked for it.
        for name in ["x-amz-date", "authorization"] {
            assert_ne!(puts[a].header(name), puts[b].header(name), "{name}");
        }
    }
    for put in puts {
        assert_eq!(put.path, "/synths/my%20shelf/%C3%A4%2B~/reels/a");
        assert_eq!(put.body, b"bytes");
        assert_eq!(put.header("content-length"), "5");
        assert_eq!(put.header("if-none-match"), "*");
        // `printf bytes | sha256sum`, and the same through `xxd -r -p | base64`.
        let sha256 = "277089d91c0bdf4f2e6862ba7e4a07605119431f5d13f726dd352b06f1b206a9";
        assert_eq!(put.header("x-amz-content-sha256"), sha256);
        assert_eq!(
            put.header("x-amz-checksum-sha256"),
            "J3CJ2RwL308uaGK6fkoHYFEZQx9dE/cm3TUrBvGyBqk="
        );
    }
}

/// AWS Signature Version 4 as botocore does it (it comes with moto), for keys and queries that need encoding.
#[test]
fn another_implementation_comes_to_the_same_signatures() {
    let script = r#"
import json, sys
from botocore.auth import S3SigV4Auth
from botocore.awsrequest import AWSRequest
from botocore.credentials import Credentials
for line in sys.stdin:
    a = json.loads(line)
    request = AWSRequest(method=a["method"], url=a["url"], headers=a["headers"])
    request.context["timestamp"] = a["headers"]["x-amz-date"]
    auth = S3SigV4Auth(Credentials("AKIALENA", "hunter2"), "s3", "us-east-1")
    text = auth.string_to_sign(request, auth.canonical_request(request))
    print(auth.signature(text, request))
"#;
    let known = Command::new("python3")
        .args(["-c", "import botocore"])
        .stderr(Stdio::null())
        .status();
    if !known.is_ok_and(|s| s.success()) {
        let required = std::env::var("FARSHELF_REQUIRE_OUTSIDE").is_ok_and(|v| v == "1");
        assert!(!required, "botocore (PyPI: moto[server]) is missing");
        let _ = writeln!(
            std::io::stderr(),
            "not run: signatures of buckets (botocore is missing)"
        );
        return;
    }
    let listing = "<ListBucketResult><IsTruncated>true</IsTruncated><NextContinuationToken>a/+=&amp;ä %\
        </NextContinuationToken></ListBucketResult>";
    let last = "<ListBucketResult><IsTruncated>false</IsTruncated></ListBucketResult>";
    let server = scripted(move |_, asked| match asked.path.as_str() {
        p if p.contains("continuation-token") => answer(GOOD, last),
        p if p.contains("list-type") => answer(GOOD, listing),
        _ => answer(GOOD, "{}"),
    });
    let shelf = bucket(&server);
    shelf.list(Part::Reels).unwrap();
    publish(&shelf, "reels/a b+c=ü!'()*,;:@&$", b"abc", Replace::No).unwrap();
    let asked = server.asked.lock().unwrap();
    assert_eq!(asked.len(), 4);
    let mut input = String::new();
    let mut ours = Vec::new();
    for one in asked.iter() {
        let authorization = one.header("authorization");
        let (head, signature) = authorization.split_once(", Signature=").unwrap();
        let (_, signed) = head.split_once("SignedHeaders=").unwrap();
        let headers: serde_json::Map<String, serde_json::Value> = signed
            .split(';')
            .map(|name| (name.to_string(), one.header(name).into()))
            .collect();
        let url = format!("{}{}", server.url, one.path);
        let line = serde_json::json!({"method": one.method, "url": url, "headers": headers});
        input += &format!("{line}\n");
        ours.push(signature.to_string());
    }
    let mut python = Command::new("python3")
        .args(["-c", script])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    python
        .stdin
        .take()
        .unwrap()
        .write_all(input.as_bytes())
        .unwrap();
    let theirs = String::from_utf8(python.wait_with_output().unwrap().stdout).unwrap();
    assert_eq!(theirs.lines().collect::<Vec<_>>(), ours);
}

#[test]
fn a_body_that_breaks_off_goes_on_where_it_was() {
    let cut = |body: &str, from: &str| {
        format!("HTTP/1.1 {from}\r\nContent-Length: 9\r\nConnection: close\r\n\r\n{body}")
    };
    // With ranges, and by a server that leaves them aside.
    let ranged = scripted(move |n, _| match n {
        0 => cut("abc", "200 OK"),
        1 => answer("206 Part\r\nContent-Range: bytes 3-8/9", "defghi"),
        _ => panic!("asked too often"),
    });
    let careless = scripted(move |n, _| match n {
        0 => cut("abc", "200 OK"),
        _ => answer("200 OK", "abcdefghi"),
    });
    for server in [&ranged, &careless] {
        let shelf = bucket(server);
        let mut bytes = Vec::new();
        shelf
            .read("reels/a")
            .unwrap()
            .read_to_end(&mut bytes)
            .unwrap();
        assert_eq!(bytes, b"abcdefghi");
        assert_eq!(server.asked.lock().unwrap()[1].header("range"), "bytes=3-");
    }
    // Other bytes than were asked for are none of the object's.
    let wrong = scripted(move |n, _| match n {
        0 => cut("abc", "200 OK"),
        _ => answer("206 Part\r\nContent-Range: bytes 0-5/9", "abcdef"),
    });
    let shelf = bucket(&wrong);
    let mut reader = shelf.read("reels/a").unwrap();
    let error = reader.read_to_end(&mut Vec::new()).unwrap_err();
    assert!(error.to_string().contains("other bytes"), "{error}");
    // A listing is asked for again as a whole.
    let xml = "<ListBucketResult><IsTruncated>false</IsTruncated></ListBucketResult>";
    let server = scripted(move |n, _| match n {
        0 => format!("HTTP/1.1 200 OK\r\nContent-Length: 500\r\nConnection: close\r\n\r\n{xml}"),
        _ => answer(GOOD, xml),
    });
    assert_eq!(bucket(&server).list(Part::Reels).unwrap(), []);
}

#[test]
fn each_answer_has_its_own_words_and_next_step() {
    let region = "<Region>eu-central-1</Region>";
    let endpoint = "<Endpoint>synths.s3.eu-west-3.amazonaws.com</Endpoint>";
    for (answer, kind, fact, next) in [
        (
            answer("503 Busy\r\nRetry-After: 0", ""),
            Kind::Unreachable,
            "is too busy (HTTP 503)",
            "try again later, nothing is lost",
        ),
        (
            answer("200 OK\r\nContent-Type: text/html", "<html>hello</html>"),
            Kind::Unreachable,
            "a web page came instead of an answer",
            "sign in to this network",
        ),
        (
            answer("200 OK", "<html>hello</html>"),
            Kind::Unreachable,
            "its listing cannot be read",
            "try again later",
        ),
        (
            s3_error(
                "403 No\r\nDate: Fri, 31 Dec 1999 23:59:59 GMT",
                "RequestTimeTooSkewed",
                "",
            ),
            Kind::Unreachable,
            "minutes apart",
            "set this computer's clock right",
        ),
        (
            s3_error("403 No", "QuotaExceeded", ""),
            Kind::Refused,
            "has no room left for us (HTTP 403, QuotaExceeded: said so)",
            "make room there",
        ),
        (
            s3_error("404 No", "NoSuchBucket", ""),
            Kind::Refused,
            "has no bucket of that name (HTTP 404",
            "make the bucket first",
        ),
        (
            s3_error("403 No", "SignatureDoesNotMatch", ""),
            Kind::Refused,
            "does not accept the user or access key",
            "with the right user or access key",
        ),
        (
            s3_error("403 No", "AccessDenied", region),
            Kind::Refused,
            "does not allow it (HTTP 403",
            "let this user or access key read and write",
        ),
        (
            s3_error("400 No", "AuthorizationHeaderMalformed", region),
            Kind::Refused,
            "says that the bucket is in the region eu-central-1 (HTTP 400",
            "add the shelf again with --region eu-central-1",
        ),
        (
            s3_error(
                "400 No",
                "AuthorizationHeaderMalformed",
                "<Region>a; b</Region>",
            ),
            Kind::Refused,
            "says that the bucket is elsewhere (HTTP 400",
            "with the region in which the bucket was made: --region REGION",
        ),
        (
            s3_error(
                "301 Moved\r\nx-amz-bucket-region: eu-west-3",
                "PermanentRedirect",
                endpoint,
            ),
            Kind::Refused,
            "says that the bucket is at synths.s3.eu-west-3.amazonaws.com (HTTP 301",
            "under the address of synths.s3.eu-west-3.amazonaws.com, with --region eu-west-3",
        ),
        (
            answer("301 Moved\r\nx-amz-bucket-region: eu-west-3", ""),
            Kind::Refused,
            "says that the bucket is in the region eu-west-3",
            "--region eu-west-3",
        ),
        (
            answer("307 Go\r\nLocation: https://other.example/synths", ""),
            Kind::Refused,
            "sends us to https://other.example instead",
            "if you trust it",
        ),
    ] {
        let given = answer.clone();
        let server = scripted(move |_, _| given.clone());
        let text = say(&bucket(&server).list(Part::Reels).unwrap_err());
        assert!(
            text.starts_with(&format!("{kind:?}: cannot list the bucket: ")),
            "{text}"
        );
        assert!(
            text.contains(fact) && text.contains(next),
            "{answer}\n{text}"
        );
    }
}

#[test]
fn a_server_that_knows_no_conditions_is_asked_without() {
    for refusal in [
        s3_error("501 No", "NotImplemented", ""),
        s3_error("400 No", "NotImplemented", ""),
        answer("501 No", ""),
    ] {
        let server = scripted(move |_, asked| match asked.method.as_str() {
            "GET" => answer(GOOD, "{}"),
            _ if !asked.header("if-none-match").is_empty() => refusal.clone(),
            _ => answer(GOOD, ""),
        });
        let shelf = bucket(&server);
        publish(&shelf, "reels/a", b"a", Replace::No).unwrap();
        publish(&shelf, "reels/b", b"b", Replace::No).unwrap();
        // One question for shelf.json, and one with a condition, for both.
        let base = "/synths/my%20shelf/%C3%A4%2B~";
        assert_eq!(
            server.lines(),
            [
                format!("GET {base}/shelf.json"),
                format!("PUT {base}/reels/a"),
                format!("PUT {base}/reels/a"),
                format!("PUT {base}/reels/b"),
            ]
        );
    }
}

#[test]
fn trouble_on_the_way_is_never_taken_for_an_answer() {
    // README.txt is listed, and the connection breaks off over it.
    let listing = "<ListBucketResult><IsTruncated>false</IsTruncated><Contents>\
        <Key>my shelf/ä+~/README.txt</Key><Size>5</Size></Contents></ListBucketResult>";
    let server = scripted(move |_, asked| match asked.path.contains("list-type") {
        true => answer(GOOD, listing),
        false => String::new(),
    });
    let text = say(&bucket(&server).foreign_names().unwrap_err());
    assert!(text.starts_with("Unreachable: cannot look at"), "{text}");
    assert!(text.contains("broke off"), "{text}");
    // Canaries are tried out, and nothing comes back for the n-th step, or nothing but `busy`.
    for silence in [String::new(), answer("503 Busy\r\nRetry-After: 0", "")] {
        for n in 0..9 {
            let given = silence.clone();
            let store = std::sync::Mutex::new(std::collections::BTreeMap::new());
            let server = scripted(move |i, asked| {
                if (n..n + 3).contains(&i) {
                    return given.clone();
                }
                careless(&mut store.lock().unwrap(), asked)
            });
            let error = bucket(&server).honours().unwrap_err();
            assert_eq!(error.kind, Kind::Unreachable, "{n}: {}", say(&error));
        }
    }
    // The same one that goes on answering.
    let store = std::sync::Mutex::new(std::collections::BTreeMap::new());
    let server = scripted(move |_, asked| careless(&mut store.lock().unwrap(), asked));
    let words = bucket(&server).probe().unwrap();
    let words: Vec<&str> = words.values().map(String::as_str).collect();
    assert_eq!(
        words,
        ["ignored", "ignored", "ignored", "honoured", "ignored"]
    );
    assert_eq!(server.lines().len(), 9);
}

type Store = std::collections::BTreeMap<String, Vec<u8>>;

/// A bucket that knows neither conditions nor ranges nor checksums, and forgets nothing.
fn careless(store: &mut Store, asked: &Asked) -> String {
    match asked.method.as_str() {
        "PUT" => {
            store.insert(asked.path.clone(), asked.body.clone());
            answer(GOOD, "")
        }
        "GET" if asked.path.contains("list-type") => {
            let keys: String = store
                .iter()
                .map(|(path, body)| {
                    let key = path.trim_start_matches("/synths/");
                    format!(
                        "<Contents><Key>{key}</Key><Size>{}</Size></Contents>",
                        body.len()
                    )
                })
                .collect();
            let xml = format!(
                "<ListBucketResult><EncodingType>url</EncodingType><IsTruncated>false</IsTruncated>{keys}</ListBucketResult>"
            );
            answer(GOOD, &xml)
        }
        "GET" => match store.get(&asked.path) {
            Some(body) => answer(GOOD, &String::from_utf8_lossy(body)),
            None => s3_error("404 No", "NoSuchKey", ""),
        },
        _ => answer("204 Done", ""),
    }
}

/// A server that lets nothing be overwritten, as a host does, compares checksums and honours the rest.
#[test]
fn an_add_only_server_is_told_from_one_that_refuses_checksums() {
    let store = std::sync::Mutex::new(Store::new());
    let server = scripted(move |_, asked| {
        let store = &mut store.lock().unwrap();
        let wrong = asked
            .header("x-amz-checksum-sha256")
            .starts_with("47DEQpj8");
        match asked.method.as_str() {
            "PUT" if store.contains_key(&asked.path) => s3_error("403 No", "AccessDenied", ""),
            "PUT" if wrong => s3_error("400 No", "BadDigest", ""),
            "DELETE" => s3_error("403 No", "AccessDenied", ""),
            "GET" if asked.header("range") == "bytes=9-" => {
                answer("206 Part\r\nContent-Range: bytes 9-16/17", "canary 1")
            }
            _ => careless(store, asked),
        }
    });
    let shelf = bucket(&server);
    let words = shelf.probe().unwrap();
    let words: Vec<&str> = words.values().map(String::as_str).collect();
    assert_eq!(
        words,
        ["honoured", "honoured", "refused", "honoured", "honoured"]
    );
    // Laying out twice is fine, for it is the same; another one is not.
    let about = |vault: &str| ShelfJson {
        format: 1,
        vault: vault.into(),
        shelf: "s".into(),
    };
    shelf.lay_out(&about("v")).unwrap();
    shelf.lay_out(&about("v")).unwrap();
    let text = say(&shelf.lay_out(&about("other")).unwrap_err());
    assert!(text.contains("does not allow it"), "{text}");
}

#[test]
fn odd_listings_end() {
    let page = |token: &str| {
        format!(
            "<ListBucketResult><IsTruncated>true</IsTruncated>\
             <NextContinuationToken>{token}</NextContinuationToken></ListBucketResult>"
        )
    };
    let circle = scripted(move |_, _| answer(GOOD, &page("same")));
    let text = say(&bucket(&circle).list(Part::Reels).unwrap_err());
    assert!(text.contains("turns in a circle"), "{text}");
    let endless = scripted(move |n, _| answer(GOOD, &page(&n.to_string())));
    let text = say(&bucket(&endless).list(Part::Reels).unwrap_err());
    assert!(text.contains("has no end"), "{text}");
    let long = scripted(move |_, _| answer(GOOD, &" ".repeat(9 << 20)));
    let text = say(&bucket(&long).list(Part::Reels).unwrap_err());
    assert!(text.contains("is too long"), "{text}");
}

#[test]
fn what_cannot_stand_in_a_request_is_bad_input() {
    let good = || at("https://s3.example");
    let open = |at: BucketAt| Bucket::new(&World::real(), at, &Settings::default(), 4);
    open(good()).unwrap();
    for bad in ["", "a b", "lena\n", "lena\u{1}", "ä", "a/b", "a,b"] {
        for (at, word) in [
            (
                BucketAt {
                    access: bad.into(),
                    ..good()
                },
                "the access key",
            ),
            (
                BucketAt {
                    region: bad.into(),
                    ..good()
                },
                "the region",
            ),
            (
                BucketAt {
                    bucket: bad.into(),
                    ..good()
                },
                "a bucket's name",
            ),
        ] {
            let error = open(at).unwrap_err();
            assert_eq!(error.kind, Kind::BadInput, "{bad:?}");
            assert!(error.fact().contains(word), "{bad:?}: {}", error.fact());
        }
    }
    for bad in ["a//b", ".", "a/../b", "a\nb"] {
        let error = open(BucketAt {
            prefix: bad.into(),
            ..good()
        })
        .unwrap_err();
        assert_eq!(error.kind, Kind::BadInput, "{bad:?}");
    }
    for bad in [
        "",
        "s3.example",
        "ftp://s3.example",
        "https://s3.example:99999",
        "https://s3.example/x",
        "https://",
    ] {
        let error = open(BucketAt {
            endpoint: bad.into(),
            ..good()
        })
        .unwrap_err();
        assert_eq!(error.kind, Kind::BadInput, "{bad:?}");
    }
    // A name that a URL cannot hold leads nowhere else.
    let server = scripted(|_, _| answer(GOOD, "not this"));
    let error = bucket(&server).read("reels/..").err().unwrap();
    assert!(error.to_string().contains("cannot be asked for"), "{error}");
    assert_eq!(server.lines(), [""; 0]);
}

/// A key pair and a certificate for `names`, signed by an authority of its own, and that authority in PEM.
fn certified(names: &[&str], until: i32) -> (rustls::ServerConfig, Vec<u8>) {
    let names = names.iter().map(|n| n.to_string()).collect::<Vec<_>>();
    let mut above = rcgen::CertificateParams::new(Vec::new()).unwrap();
    above.is_ca = rcgen::IsCa::Ca(rcgen::BasicConstraints::Unconstrained);
    let above_key = rcgen::KeyPair::generate().unwrap();
    let authority = above.self_signed(&above_key).unwrap().pem();
    let issuer = rcgen::Issuer::new(above, above_key);
    let mut params = rcgen::CertificateParams::new(names).unwrap();
    params.not_before = rcgen::date_time_ymd(2000, 1, 1);
    params.not_after = rcgen::date_time_ymd(until, 1, 1);
    let key = rcgen::KeyPair::generate().unwrap();
    let certificate = params.signed_by(&key, &issuer).unwrap();
    let provider = std::sync::Arc::new(rustls::crypto::ring::default_provider());
    let config = rustls::ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(
            vec![certificate.der().clone()],
            rustls::pki_types::PrivateKeyDer::Pkcs8(key.serialize_der().into()),
        )
        .unwrap();
    (config, authority.into_bytes())
}

#[test]
fn certificates_are_believed_when_their_authority_is_named_and_not_otherwise() {
    let about = "{\"format\": 1, \"vault\": \"v\", \"shelf\": \"s\"}";
    let read = |names: &[&str], until: i32, named: bool| {
        let (config, authority) = certified(names, until);
        let server = scripted_over_tls(config, move |_, _| answer(GOOD, about));
        let settings = Settings {
            authority: named.then_some(authority),
            ..impatient()
        };
        let shelf = Bucket::new(&World::real(), at(&server.url), &settings, 4).unwrap();
        let read = ShelfJson::read(&shelf);
        // Nothing was said to a server that is not believed.
        let told = server.asked.lock().unwrap().len();
        assert_eq!(told, usize::from(read.is_ok()));
        read
    };
    assert_eq!(
        read(&["localhost"], 2096, true).unwrap().unwrap().vault,
        "v"
    );
    for (names, until, named, fact, next) in [
        (
            "localhost",
            2096,
            false,
            "nobody this computer trusts vouches for the certificate of https://localhost:",
            "--ca-file FILE",
        ),
        (
            "localhost",
            2001,
            true,
            "the certificate of https://localhost:",
            "check this computer's clock",
        ),
        (
            "other.example",
            2096,
            true,
            "is for another name",
            "use the name that stands in its certificate",
        ),
    ] {
        let text = say(&read(&[names], until, named).unwrap_err());
        assert!(
            text.starts_with("Unreachable: cannot look at the bucket: "),
            "{text}"
        );
        assert!(text.contains(fact) && text.contains(next), "{text}");
    }
}
