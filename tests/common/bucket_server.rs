//! A small S3 server in memory that also answers as a friend's host does, and that a test can make misbehave.
//!
//! It knows GET, PUT, HEAD, DELETE and ListObjectsV2 as far as shelves need them and checks no signature. Every request
//! is first shown to a script, which may answer it, let it pass, or end the connection.
#![allow(dead_code)]

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

/// Keys and bytes; a key begins with its bucket.
pub type Objects = BTreeMap<String, Vec<u8>>;

/// What was asked.
#[derive(Debug, Clone)]
pub struct Request {
    pub method: String,
    /// Bucket and key, decoded, without the slash at its beginning.
    pub path: String,
    pub query: String,
    pub headers: BTreeMap<String, String>,
    pub body: Vec<u8>,
}

impl Request {
    pub fn is(&self, method: &str, part: &str) -> bool {
        self.method == method && self.path.contains(part)
    }

    /// True for the listing of the folder `part`.
    pub fn lists(&self, part: &str) -> bool {
        self.method == "GET" && self.query.contains("list-type=2") && self.query.contains(part)
    }
}

/// How a request is answered.
#[derive(Debug, Clone)]
pub enum Reply {
    /// As a good server would.
    Pass,
    /// With this status, type and body.
    Say(u16, &'static str, Vec<u8>),
    /// With this status and a body that never ends, made of these bytes over and over.
    Endless(u16, Vec<u8>),
    /// With a length that is right and half of what was asked for; then the connection ends.
    Half(u16, Vec<u8>),
    /// The same, whatever part was asked for: always from the beginning.
    HalfAgain(u16, Vec<u8>),
    /// All of it, without its length being told first.
    Chunked(Vec<u8>),
    /// The connection ends without an answer.
    Drop,
    /// Nothing is said for so long, then the request passes.
    Wait(Duration),
}

type Script = dyn Fn(&Request, &mut Objects) -> Reply + Send + Sync;

struct State {
    objects: Mutex<Objects>,
    asked: Mutex<Vec<String>>,
    script: Mutex<Arc<Script>>,
    dead: AtomicBool,
    open: Mutex<Vec<TcpStream>>,
    ended: AtomicBool,
}

/// The running server; it ends with this value.
pub struct BucketServer {
    pub port: u16,
    state: Arc<State>,
}

impl Drop for BucketServer {
    fn drop(&mut self) {
        self.state.ended.store(true, Ordering::SeqCst);
        self.die();
        let _ = TcpStream::connect(("127.0.0.1", self.port));
    }
}

/// The id that the server gives as a host.
const HOST_ID: &str = "00112233445566778899aabbccddeeff";

impl BucketServer {
    pub fn start() -> BucketServer {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let state = Arc::new(State {
            objects: Mutex::default(),
            asked: Mutex::default(),
            script: Mutex::new(Arc::new(|_, _| Reply::Pass)),
            dead: AtomicBool::new(false),
            open: Mutex::default(),
            ended: AtomicBool::new(false),
        });
        let shared = Arc::clone(&state);
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                if shared.ended.load(Ordering::SeqCst) {
                    break;
                }
                let state = Arc::clone(&shared);
                std::thread::spawn(move || {
                    let _ = serve(&state, stream);
                });
            }
        });
        BucketServer { port, state }
    }

    pub fn host(&self) -> String {
        format!("host+http://127.0.0.1:{}", self.port)
    }

    pub fn bucket(&self, name: &str) -> String {
        format!("bucket+http://127.0.0.1:{}/{name}", self.port)
    }

    /// What it holds.
    pub fn objects(&self) -> MutexGuard<'_, Objects> {
        self.state.objects.lock().unwrap()
    }

    /// Keys that hold copies of reels, by name.
    pub fn reels(&self) -> Vec<String> {
        let objects = self.objects();
        objects
            .keys()
            .filter(|k| k.contains("/reels/"))
            .cloned()
            .collect()
    }

    /// From now on every request is shown to `script` first.
    pub fn script(&self, script: impl Fn(&Request, &mut Objects) -> Reply + Send + Sync + 'static) {
        *self.state.script.lock().unwrap() = Arc::new(script);
    }

    pub fn behave(&self) {
        self.script(|_, _| Reply::Pass);
    }

    /// What was asked since this was last called: method, path and query.
    pub fn asked(&self) -> Vec<String> {
        std::mem::take(&mut *self.state.asked.lock().unwrap())
    }

    /// Ends all connections and takes no new ones.
    pub fn die(&self) {
        self.killer()();
    }

    /// What a script may call to the same end.
    pub fn killer(&self) -> impl Fn() + Send + Sync + 'static {
        let state = Arc::clone(&self.state);
        move || {
            state.dead.store(true, Ordering::SeqCst);
            for stream in state.open.lock().unwrap().drain(..) {
                let _ = stream.shutdown(Shutdown::Both);
            }
        }
    }

    pub fn revive(&self) {
        self.state.dead.store(false, Ordering::SeqCst);
    }
}

fn serve(state: &State, stream: TcpStream) -> std::io::Result<()> {
    stream.set_nodelay(true)?;
    state.open.lock().unwrap().push(stream.try_clone()?);
    let mut reader = BufReader::new(stream.try_clone()?);
    let mut out = stream.try_clone()?;
    while !state.dead.load(Ordering::SeqCst) {
        let Some(request) = read_request(&mut reader)? else {
            break;
        };
        if state.dead.load(Ordering::SeqCst) {
            break;
        }
        let line = format!("{} {}?{}", request.method, request.path, request.query);
        state.asked.lock().unwrap().push(line);
        let script = Arc::clone(&state.script.lock().unwrap());
        let mut reply = script(&request, &mut state.objects.lock().unwrap());
        if let Reply::Wait(time) = reply {
            std::thread::sleep(time);
            reply = Reply::Pass;
        }
        if state.dead.load(Ordering::SeqCst) {
            break;
        }
        match reply {
            Reply::Drop | Reply::Wait(_) => break,
            Reply::Endless(status, bytes) => {
                write!(
                    out,
                    "HTTP/1.1 {status} x\r\nContent-Length: {}\r\n{TIMES}\r\n",
                    1u64 << 50
                )?;
                loop {
                    out.write_all(&bytes)?;
                }
            }
            Reply::Chunked(body) => {
                write!(
                    out,
                    "HTTP/1.1 200 x\r\nTransfer-Encoding: chunked\r\n{TIMES}\r\n"
                )?;
                for piece in body.chunks(1000) {
                    write!(out, "{:x}\r\n", piece.len())?;
                    out.write_all(piece)?;
                    out.write_all(b"\r\n")?;
                }
                out.write_all(b"0\r\n\r\n")?;
            }
            Reply::HalfAgain(status, body) => {
                let n = body.len();
                write!(
                    out,
                    "HTTP/1.1 {status} x\r\nContent-Length: {n}\r\n{TIMES}\r\n"
                )?;
                out.write_all(&body[..n / 2])?;
                break;
            }
            Reply::Half(status, body) => {
                let from = range_of(&request).unwrap_or(0).min(body.len());
                let (body, all) = (&body[from..], body.len());
                let n = body.len();
                let (status, range) = match from {
                    0 => (status, String::new()),
                    _ => (
                        206,
                        format!("Content-Range: bytes {from}-{}/{all}\r\n", all - 1),
                    ),
                };
                write!(
                    out,
                    "HTTP/1.1 {status} x\r\nContent-Length: {n}\r\n{range}{TIMES}\r\n"
                )?;
                // One byte is not halved.
                out.write_all(&body[..n.div_ceil(2)])?;
                break;
            }
            Reply::Say(status, kind, body) => {
                let headers = format!("Content-Type: {kind}\r\n{TIMES}");
                answer(&mut out, &request, status, &headers, &body)?;
            }
            Reply::Pass => {
                let (status, headers, body) = good(&request, &mut state.objects.lock().unwrap());
                answer(&mut out, &request, status, &headers, &body)?;
            }
        }
    }
    let _ = stream.shutdown(Shutdown::Both);
    Ok(())
}

/// Objects need a time and a tag.
const TIMES: &str = "Last-Modified: Sun, 25 Oct 2026 12:00:00 GMT\r\nETag: \"e\"\r\n";

fn answer(
    out: &mut TcpStream,
    request: &Request,
    status: u16,
    headers: &str,
    body: &[u8],
) -> std::io::Result<()> {
    let length = match status {
        204 => String::new(),
        _ => format!("Content-Length: {}\r\n", body.len()),
    };
    write!(out, "HTTP/1.1 {status} x\r\n{length}{headers}\r\n")?;
    if request.method != "HEAD" {
        out.write_all(body)?;
    }
    out.flush()
}

fn read_request(reader: &mut BufReader<TcpStream>) -> std::io::Result<Option<Request>> {
    let mut line = String::new();
    if reader.read_line(&mut line)? == 0 {
        return Ok(None);
    }
    let mut words = line.split_whitespace();
    let method = words.next().unwrap_or_default().to_string();
    let target = words.next().unwrap_or_default().to_string();
    let mut headers = BTreeMap::new();
    loop {
        let mut line = String::new();
        if reader.read_line(&mut line)? == 0 {
            return Ok(None);
        }
        let Some((name, value)) = line.trim_end().split_once(':') else {
            break;
        };
        headers.insert(name.to_ascii_lowercase(), value.trim().to_string());
    }
    let length = headers.get("content-length").and_then(|l| l.parse().ok());
    let mut body = vec![0; length.unwrap_or(0)];
    reader.read_exact(&mut body)?;
    let (path, query) = target.split_once('?').unwrap_or((&target, ""));
    Ok(Some(Request {
        method,
        path: decoded(path).trim_start_matches('/').to_string(),
        query: decoded(query),
        headers,
        body,
    }))
}

fn decoded(text: &str) -> String {
    let mut out = Vec::new();
    let mut bytes = text.bytes();
    while let Some(b) = bytes.next() {
        if b == b'%' {
            let hex: String = bytes.by_ref().take(2).map(char::from).collect();
            out.push(u8::from_str_radix(&hex, 16).unwrap_or(b'?'));
        } else {
            out.push(b);
        }
    }
    String::from_utf8_lossy(&out).into_owned()
}

fn good(request: &Request, objects: &mut Objects) -> (u16, String, Vec<u8>) {
    let json = |text: String| {
        (
            200,
            "Content-Type: application/json\r\n".to_string(),
            text.into_bytes(),
        )
    };
    let xml = "Content-Type: application/xml\r\n".to_string();
    let missing = || {
        let text = "<Error><Code>NoSuchKey</Code><Message>it is not here</Message></Error>";
        (404, xml.clone(), text.as_bytes().to_vec())
    };
    match request.method.as_str() {
        "GET" if request.path == "about" => json(format!("{{\"host\":\"{HOST_ID}\"}}")),
        "GET" if request.path.starts_with("about/") => {
            json(format!("{{\"host\":\"{HOST_ID}\",\"generation\":1}}"))
        }
        "GET" if request.query.contains("list-type=2") => {
            let lengths = objects
                .iter()
                .map(|(k, b)| (k.clone(), b.len().to_string()));
            (200, xml, listing(request, lengths).into_bytes())
        }
        "GET" | "HEAD" => {
            let Some(bytes) = objects.get(&request.path) else {
                return missing();
            };
            let from = range_of(request);
            match from.filter(|f| *f < bytes.len()) {
                None => (200, TIMES.to_string(), bytes.clone()),
                Some(from) => {
                    let (last, all) = (bytes.len() - 1, bytes.len());
                    let headers = format!("{TIMES}Content-Range: bytes {from}-{last}/{all}\r\n");
                    (206, headers, bytes[from..].to_vec())
                }
            }
        }
        "PUT" => {
            if request.headers.contains_key("if-none-match") && objects.contains_key(&request.path)
            {
                let text = "<Error><Code>PreconditionFailed</Code></Error>";
                return (412, xml, text.as_bytes().to_vec());
            }
            objects.insert(request.path.clone(), request.body.clone());
            (200, TIMES.to_string(), Vec::new())
        }
        "DELETE" => {
            objects.remove(&request.path);
            (204, String::new(), Vec::new())
        }
        _ => (400, String::new(), Vec::new()),
    }
}

/// The listing that `request` asks for, out of keys and lengths (as they are to be written).
pub fn listing(request: &Request, objects: impl IntoIterator<Item = (String, String)>) -> String {
    let of = |name: &str| {
        let found = request
            .query
            .split('&')
            .find_map(|p| p.strip_prefix(name)?.strip_prefix('='));
        found.unwrap_or_default().to_string()
    };
    let (prefix, delimiter) = (of("prefix"), of("delimiter"));
    let bucket = format!("{}/", request.path.trim_end_matches('/'));
    let mut contents = String::new();
    let mut folders = std::collections::BTreeSet::new();
    for (key, length) in objects {
        let Some(key) = key.strip_prefix(&bucket) else {
            continue;
        };
        let Some(rest) = key.strip_prefix(&prefix) else {
            continue;
        };
        if let (Some((folder, _)), false) = (rest.split_once('/'), delimiter.is_empty()) {
            folders.insert(format!("{prefix}{folder}/"));
            continue;
        }
        contents += &format!(
            "<Contents><Key>{key}</Key><LastModified>2026-10-25T12:00:00.000Z</LastModified>\
             <ETag>\"e\"</ETag><Size>{length}</Size></Contents>"
        );
    }
    for folder in folders {
        contents += &format!("<CommonPrefixes><Prefix>{folder}</Prefix></CommonPrefixes>");
    }
    format!("<ListBucketResult><IsTruncated>false</IsTruncated>{contents}</ListBucketResult>")
}

fn range_of(request: &Request) -> Option<usize> {
    let range = request.headers.get("range")?;
    range
        .strip_prefix("bytes=")?
        .strip_suffix('-')?
        .parse()
        .ok()
}
