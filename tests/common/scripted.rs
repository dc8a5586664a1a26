//! A loopback server whose every answer is written by the test: for what real servers do seldom.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// A request as it came in.
#[derive(Debug, Clone)]
pub struct Asked {
    pub method: String,
    pub path: String,
    /// In lower case.
    pub head: String,
    pub body: Vec<u8>,
    /// How many of this method and path came before it.
    pub before: usize,
}

impl Asked {
    /// The value of a header, in lower case.
    pub fn header(&self, name: &str) -> Option<&str> {
        let line = self
            .head
            .lines()
            .find_map(|l| l.strip_prefix(&format!("{name}: ")));
        line.map(str::trim)
    }
}

/// What is sent back; then the connection is closed.
pub enum Reply {
    Bytes(Vec<u8>),
    /// Nothing, for longer than anybody waits.
    Silence,
}

/// An answer with its length.
pub fn reply(status: &str, headers: &str, body: &[u8]) -> Reply {
    let length = body.len();
    let mut bytes = format!(
        "HTTP/1.1 {status}\r\n{headers}Content-Length: {length}\r\nConnection: close\r\n\r\n"
    )
    .into_bytes();
    bytes.extend_from_slice(body);
    Reply::Bytes(bytes)
}

/// A running server; its threads wait for connections until the test's process ends.
pub struct Scripted {
    pub url: String,
    asked: Arc<Mutex<Vec<Asked>>>,
}

impl Scripted {
    /// A server that answers with `answer`.
    pub fn new(answer: impl Fn(&Asked) -> Reply + Send + Sync + 'static) -> Scripted {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        let asked = Arc::new(Mutex::new(Vec::new()));
        let (answer, log) = (Arc::new(answer), Arc::clone(&asked));
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let (answer, log) = (Arc::clone(&answer), Arc::clone(&log));
                std::thread::spawn(move || serve(stream, answer.as_ref(), &log));
            }
        });
        Scripted { url, asked }
    }

    /// Everything that was asked so far.
    pub fn asked(&self) -> Vec<Asked> {
        self.asked.lock().unwrap().clone()
    }

    /// How often `method` was asked.
    pub fn count(&self, method: &str) -> usize {
        self.asked().iter().filter(|a| a.method == method).count()
    }
}

fn serve(mut stream: TcpStream, answer: &dyn Fn(&Asked) -> Reply, log: &Mutex<Vec<Asked>>) {
    let mut reader = BufReader::new(stream.try_clone().unwrap());
    let mut head = String::new();
    while !head.ends_with("\r\n\r\n") {
        if !reader.read_line(&mut head).is_ok_and(|n| n > 0) {
            return;
        }
    }
    let mut words = head.split(' ').map(str::to_string);
    let mut asked = Asked {
        method: words.next().unwrap_or_default(),
        path: words.next().unwrap_or_default(),
        head: head.to_ascii_lowercase(),
        body: Vec::new(),
        before: 0,
    };
    let length = asked
        .header("content-length")
        .map_or(0, |l| l.parse().unwrap());
    asked.body = vec![0; length];
    if reader.read_exact(&mut asked.body).is_err() {
        return;
    }
    {
        let mut log = log.lock().unwrap();
        let same = |a: &&Asked| a.method == asked.method && a.path == asked.path;
        asked.before = log.iter().filter(same).count();
        log.push(asked.clone());
    }
    match answer(&asked) {
        Reply::Bytes(bytes) => {
            let _ = stream.write_all(&bytes);
        }
        Reply::Silence => std::thread::sleep(Duration::from_secs(30)),
    }
}
