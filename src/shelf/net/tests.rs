//! A scripted server on the loopback: what a courier makes of each answer.

use std::io::{Read, Write};
use std::net::TcpListener;
use std::sync::atomic::{AtomicUsize, Ordering};

use super::*;
use crate::error::Next;

/// A server that answers the n-th connection with the n-th script; the last one answers all further ones.
struct Scripted {
    url: String,
    asked: Arc<AtomicUsize>,
}

fn scripted(answers: &[&str]) -> Scripted {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}", listener.local_addr().unwrap());
    let answers: Vec<String> = answers.iter().map(|a| a.to_string()).collect();
    let asked = Arc::new(AtomicUsize::new(0));
    let count = Arc::clone(&asked);
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let Ok(mut stream) = stream else { break };
            let n = count.fetch_add(1, Ordering::SeqCst);
            let answer = answers[n.min(answers.len() - 1)].clone();
            std::thread::spawn(move || {
                let mut head = Vec::new();
                let mut byte = [0u8; 1];
                while !head.ends_with(b"\r\n\r\n") && stream.read(&mut byte).is_ok_and(|n| n == 1) {
                    head.push(byte[0]);
                }
                let length = String::from_utf8_lossy(&head)
                    .to_ascii_lowercase()
                    .split("content-length: ")
                    .nth(1)
                    .and_then(|t| t.split("\r\n").next()?.parse::<usize>().ok())
                    .unwrap_or(0);
                let mut body = vec![0u8; length];
                let _ = stream.read_exact(&mut body);
                if answer == "silence" {
                    std::thread::sleep(Duration::from_secs(20));
                }
                let _ = stream.write_all(answer.as_bytes());
            });
        }
    });
    Scripted { url, asked }
}

fn impatient() -> Settings {
    Settings {
        patience: Patience {
            connect: Duration::from_millis(500),
            stall: Duration::from_millis(400),
            tries: 4,
            first_wait: Duration::from_millis(4),
        },
        ..Settings::default()
    }
}

fn get(url: &str, settings: &Settings) -> std::result::Result<Vec<u8>, Trouble> {
    let courier = Courier::new(&World::real(), url, settings).unwrap();
    let request = Request::get(format!("{url}/x"))
        .body(Payload::empty())
        .unwrap();
    let mut body = Vec::new();
    let answer = courier.send(request, |_| false)?;
    answer.into_body().read_to_end(&mut body).unwrap();
    Ok(body)
}

const BUSY: &str = "HTTP/1.1 503 Busy\r\nContent-Length: 0\r\nConnection: close\r\n\r\n";
const GOOD: &str = "HTTP/1.1 200 OK\r\nContent-Length: 3\r\nConnection: close\r\n\r\nabc";

#[test]
fn passing_failures_are_tried_again_and_lasting_ones_are_not() {
    let check = |answers: &[&str], asked: usize, good: bool| {
        let server = scripted(answers);
        let got = get(&server.url, &impatient());
        assert_eq!(got.is_ok(), good, "{answers:?}: {got:?}");
        assert_eq!(server.asked.load(Ordering::SeqCst), asked, "{answers:?}");
        got.err()
    };
    check(&[BUSY, BUSY, GOOD], 3, true);
    check(&["", GOOD], 2, true);
    check(&[BUSY], 4, false);
    let forbidden = "HTTP/1.1 403 No\r\nContent-Length: 63\r\nConnection: close\r\n\r\n\
        <Error><Code>QuotaExceeded</Code><Message>20 GB</Message></Error>";
    let trouble = check(&[forbidden], 1, false).unwrap();
    assert!(trouble.is_full(), "{trouble}");
    check(
        &["HTTP/1.1 507 Full\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"],
        1,
        false,
    );
}

#[test]
fn the_wait_that_a_server_asks_for_is_kept() {
    let later =
        "HTTP/1.1 429 Later\r\nRetry-After: 1\r\nContent-Length: 0\r\nConnection: close\r\n\r\n";
    let server = scripted(&[later, GOOD]);
    let clock = crate::sys::clock::SystemClock;
    let before = clock.steady();
    assert_eq!(get(&server.url, &impatient()).unwrap(), b"abc");
    // The wait itself, not the speed: it may take longer and never shorter.
    assert!(clock.steady() - before >= Duration::from_secs(1));
}

#[test]
fn each_kind_of_trouble_has_its_own_words() {
    let dead = TcpListener::bind("127.0.0.1:0").unwrap();
    let nobody = format!("http://{}", dead.local_addr().unwrap());
    drop(dead);
    let portal = "HTTP/1.1 200 OK\r\nContent-Type: text/html; charset=utf-8\r\nContent-Length: 2\r\nConnection: close\r\n\r\nhi";
    let moved = "HTTP/1.1 302 Go\r\nLocation: https://user:pw@other.example/login?x=1\r\nContent-Length: 0\r\nConnection: close\r\n\r\n";
    let skewed = "HTTP/1.1 403 No\r\nDate: Fri, 31 Dec 1999 23:59:59 GMT\r\nContent-Length: 0\r\nConnection: close\r\n\r\n";
    for (url, says, next) in [
        (nobody, "nothing listens at", "switched on"),
        (
            scripted(&["silence"]).url,
            "no byte moved",
            "goes on where it was",
        ),
        (
            scripted(&[portal]).url,
            "a web page came",
            "sign in to this network",
        ),
        (
            scripted(&[moved]).url,
            "sends us to https://other.example instead",
            "under the address",
        ),
        (scripted(&[skewed]).url, "minutes apart", "clock right"),
        (
            scripted(&["HTTP/1.1 401 Who\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"]).url,
            "does not accept the user",
            "the right user",
        ),
    ] {
        let error = get(&url, &impatient())
            .unwrap_err()
            .error("cannot look at shelf lena");
        assert!(error.fact().contains(says), "{} lacks {says}", error.fact());
        let Next::Say(text) = error.next_step() else {
            panic!("{url}: no next step")
        };
        assert!(text.contains(next), "{text} lacks {next}");
        assert!(!error.fact().contains("pw"), "{}", error.fact());
    }
}

#[test]
fn a_body_that_breaks_off_is_asked_for_from_where_it_was() {
    let first = "HTTP/1.1 200 OK\r\nContent-Length: 6\r\nConnection: close\r\n\r\nabc";
    let rest = "HTTP/1.1 200 OK\r\nContent-Length: 3\r\nConnection: close\r\n\r\ndef";
    let server = scripted(&[first, rest]);
    let courier = Courier::new(&World::real(), &server.url, &impatient()).unwrap();
    let froms = std::sync::Mutex::new(Vec::new());
    let reopen = |from: u64| -> std::io::Result<Box<dyn Read + Send>> {
        froms.lock().unwrap().push(from);
        let request = Request::get(&server.url).body(Payload::empty()).unwrap();
        let answer = courier.send(request, |_| false)?;
        Ok(Box::new(answer.into_body()))
    };
    let mut body = Vec::new();
    Resuming::begin(&courier, Box::new(reopen))
        .unwrap()
        .read_to_end(&mut body)
        .unwrap();
    assert_eq!(body, b"abcdef");
    assert_eq!(*froms.lock().unwrap(), [0, 3]);
}

#[test]
fn a_limit_is_kept_in_both_directions() {
    let kb = "x".repeat(2_000);
    let answer =
        format!("HTTP/1.1 200 OK\r\nContent-Length: 2000\r\nConnection: close\r\n\r\n{kb}");
    let server = scripted(&[&answer]);
    let settings = Settings {
        limit: Some("4kB/s".parse().unwrap()),
        ..impatient()
    };
    let courier = Courier::new(&World::real(), &server.url, &settings).unwrap();
    let clock = crate::sys::clock::SystemClock;
    for sent in [0, 4_000] {
        let before = clock.steady();
        let request = Request::put(&server.url)
            .body(vec![7u8; sent].into())
            .unwrap();
        let answer = courier.send(request, |_| false).unwrap();
        let mut body = Vec::new();
        answer.into_body().read_to_end(&mut body).unwrap();
        assert_eq!(body.len(), 2_000);
        // Not faster than 4 kB a second, but for the first piece of 512 bytes; slower is no fault of the limit.
        let least = (sent as f64 - 512.0).max(0.0) / 4_000.0;
        assert!((clock.steady() - before).as_secs_f64() >= least, "{sent}");
    }
}

#[test]
fn a_body_that_only_drips_ends() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}", listener.local_addr().unwrap());
    std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        let mut head = [0u8; 4096];
        let _ = stream.read(&mut head);
        let _ = stream.write_all(b"HTTP/1.1 200 OK\r\nContent-Length: 100000\r\n\r\n");
        // Never as long without a byte as would count as stalled.
        while stream.write_all(b"x").is_ok() {
            std::thread::sleep(Duration::from_millis(100));
        }
    });
    let courier = Courier::new(&World::real(), &url, &impatient()).unwrap();
    let request = Request::get(&url).body(Payload::empty()).unwrap();
    let mut body = courier.send(request, |_| false).unwrap().into_body();
    let error = body.read_to_end(&mut Vec::new()).unwrap_err();
    assert!(error.to_string().contains("no byte moved"), "{error}");
}
