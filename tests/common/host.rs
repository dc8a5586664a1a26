//! A host that a test starts, and requests to it that are made and signed by hand.

#![allow(dead_code)] // Each test binary uses its own share.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::PathBuf;
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;

use farshelf::sys::clock::{Clock, SystemClock};
use sha2::{Digest, Sha256};

/// A guest's access id and secret.
pub const LENA: (&str, &str) = ("lena0001", "abababababababababababababababab");
/// Another guest's.
pub const OMAR: (&str, &str) = ("omar0002", "cdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcd");

/// A host in a temporary folder; what serves it is killed when this goes.
pub struct Host {
    pub dir: tempfile::TempDir,
    child: Option<Child>,
    /// Where it listens.
    pub at: String,
}

impl Drop for Host {
    fn drop(&mut self) {
        self.kill();
    }
}

impl Host {
    /// A new host that is not served yet.
    pub fn new() -> Host {
        let host = Host {
            dir: tempfile::tempdir().unwrap(),
            child: None,
            at: String::new(),
        };
        let folder = host.root().display().to_string();
        host.good(&["init", &folder, "--address", "127.0.0.1"]);
        host
    }

    /// One that is served without TLS, with the guest `lena` let in.
    pub fn with_lena() -> Host {
        let mut host = Host::new();
        let line = host.invite("lena", &[]);
        host.serve(&["--plain"]);
        host.redeem(&line, LENA);
        host
    }

    /// Its folder.
    pub fn root(&self) -> PathBuf {
        self.dir.path().join("host")
    }

    /// An object's file.
    pub fn file(&self, guest: &str, key: &str) -> PathBuf {
        self.root().join("shelves").join(guest).join(key)
    }

    fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_farshelf"));
        command
            .arg("host")
            .args(args)
            .env_clear()
            .env("HOME", self.dir.path())
            .env("XDG_STATE_HOME", self.dir.path().join("state"))
            .env("TZ", "UTC");
        command
    }

    /// Runs `farshelf host` with these arguments.
    pub fn run(&self, args: &[&str]) -> Output {
        self.command(args).output().unwrap()
    }

    /// The same; it has to end well. What it wrote to standard output.
    pub fn good(&self, args: &[&str]) -> String {
        let out = self.run(args);
        let err = String::from_utf8_lossy(&out.stderr);
        assert!(out.status.success(), "{args:?}: {err}");
        String::from_utf8(out.stdout).unwrap()
    }

    /// An invite line.
    pub fn invite(&self, name: &str, more: &[&str]) -> String {
        let args: Vec<&str> = ["invite", name].iter().chain(more).copied().collect();
        self.good(&args).trim().to_string()
    }

    /// Serves it on a free port of this computer.
    pub fn serve(&mut self, more: &[&str]) {
        let mut args = vec!["serve", "--listen", "127.0.0.1:0", "--json"];
        args.extend(more);
        let mut child = self
            .command(&args)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut line = String::new();
        let out = child.stdout.as_mut().unwrap();
        BufReader::new(out).read_line(&mut line).unwrap();
        self.child = Some(child);
        let told: serde_json::Value = serde_json::from_str(&line).unwrap();
        self.at = told["listening"].as_str().unwrap().to_string();
    }

    /// Ends it as a power cut would.
    pub fn kill(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }

    /// Asks it to stop, and gives its exit code.
    pub fn stop(&mut self) -> Option<i32> {
        let mut child = self.child.take().unwrap();
        let id = child.id().to_string();
        let sent = Command::new("kill").args(["-TERM", &id]).status().unwrap();
        assert!(sent.success());
        child.wait().unwrap().code()
    }

    /// Asks it to stop, and gives what it said on standard error.
    pub fn stop_and_hear(&mut self) -> String {
        let mut err = self.child.as_mut().unwrap().stderr.take().unwrap();
        assert_eq!(self.stop(), Some(0));
        let mut said = String::new();
        err.read_to_string(&mut said).unwrap();
        said
    }

    /// Takes an invite up.
    pub fn redeem(&self, line: &str, (access, secret): (&str, &str)) -> Answer {
        let body = redeem_body(line, (access, secret));
        self.send("POST", "/guests", &[], body.as_bytes())
    }

    /// Sends a request as it stands.
    pub fn send(
        &self,
        method: &str,
        path: &str,
        headers: &[(String, String)],
        body: &[u8],
    ) -> Answer {
        let mut stream = self.open(method, path, headers, body.len());
        // A host that refuses need not read to the end.
        let _ = stream.write_all(body);
        Answer::read(stream)
    }

    /// Sends a request's head.
    pub fn open(
        &self,
        method: &str,
        path: &str,
        headers: &[(String, String)],
        length: usize,
    ) -> TcpStream {
        let mut head = format!(
            "{method} {path} HTTP/1.1\r\nhost: {}\r\nconnection: close\r\ncontent-length: {length}\r\n",
            self.at
        );
        for (name, value) in headers.iter().filter(|(name, _)| name != "host") {
            head.push_str(&format!("{name}: {value}\r\n"));
        }
        head.push_str("\r\n");
        let mut stream = TcpStream::connect(&self.at).unwrap();
        let time = Some(Duration::from_secs(30));
        stream.set_read_timeout(time).unwrap();
        stream.write_all(head.as_bytes()).unwrap();
        stream
    }

    /// The headers of a request that is signed by hand.
    pub fn signed(&self, what: &Signing<'_>) -> Vec<(String, String)> {
        what.headers(&self.at)
    }

    /// Puts an object as `guest`.
    pub fn put(
        &self,
        guest: (&str, &str),
        key: &str,
        body: &[u8],
        more: &[(&str, &str)],
    ) -> Answer {
        let path = format!("/shelf/{key}");
        let signing = Signing {
            more,
            ..Signing::new("PUT", &path, guest, body)
        };
        self.send("PUT", &path, &self.signed(&signing), body)
    }

    /// Gets an object as `guest`.
    pub fn get(&self, guest: (&str, &str), key: &str) -> Answer {
        let path = format!("/shelf/{key}");
        let signing = Signing::new("GET", &path, guest, b"");
        self.send("GET", &path, &self.signed(&signing), b"")
    }
}

/// What a guest sends to take an invite up.
pub fn redeem_body(line: &str, (access, secret): (&str, &str)) -> String {
    let token = line.rsplit('/').next().unwrap().split('-').nth(3).unwrap();
    serde_json::json!({"token": token, "access": access, "secret": secret}).to_string()
}

/// An answer.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    pub head: String,
    pub body: Vec<u8>,
}

impl Answer {
    pub fn read(mut stream: TcpStream) -> Answer {
        let mut bytes = Vec::new();
        stream.read_to_end(&mut bytes).unwrap();
        let end = bytes.windows(4).position(|w| w == b"\r\n\r\n").unwrap();
        let head = String::from_utf8_lossy(&bytes[..end]).to_ascii_lowercase();
        let body = bytes[end + 4..].to_vec();
        let status = head.split(' ').nth(1).unwrap().parse().unwrap();
        Answer { status, head, body }
    }

    /// The body as text.
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    /// The code of an error.
    pub fn code(&self) -> String {
        let text = self.text();
        let after = text.split("<Code>").nth(1).unwrap_or_default();
        after.split('<').next().unwrap_or_default().to_string()
    }
}

pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

pub fn sha256(bytes: &[u8]) -> [u8; 32] {
    Sha256::digest(bytes).into()
}

/// HMAC-SHA-256.
///
/// # Source
/// RFC 2104 section 2, with a block of 64 bytes.
pub fn hmac(key: &[u8], message: &[u8]) -> [u8; 32] {
    let mut block = [0u8; 64];
    match key.len() {
        0..=64 => block[..key.len()].copy_from_slice(key),
        _ => block[..32].copy_from_slice(&sha256(key)),
    }
    let pad = |with: u8| block.iter().map(|b| b ^ with).collect::<Vec<u8>>();
    let inner = sha256(&[pad(0x36), message.to_vec()].concat());
    sha256(&[pad(0x5c), inner.to_vec()].concat())
}

/// The key for a day, a region and a service.
///
/// # Source
/// AWS General Reference, "Signature Version 4 signing process": deriving the signing key.
pub fn signing_key(secret: &str, day: &str, region: &str, service: &str) -> [u8; 32] {
    let first = hmac(format!("AWS4{secret}").as_bytes(), day.as_bytes());
    let second = hmac(&first, region.as_bytes());
    let third = hmac(&second, service.as_bytes());
    hmac(&third, b"aws4_request")
}

/// The signature of a canonical request.
pub fn signature(canonical: &str, time: &str, region: &str, service: &str, secret: &str) -> String {
    let day = &time[..8];
    let to_sign = format!(
        "AWS4-HMAC-SHA256\n{time}\n{day}/{region}/{service}/aws4_request\n{}",
        hex(&sha256(canonical.as_bytes()))
    );
    hex(&hmac(
        &signing_key(secret, day, region, service),
        to_sign.as_bytes(),
    ))
}

/// What is signed.
pub struct Signing<'a> {
    pub method: &'a str,
    pub path: &'a str,
    /// Canonical already.
    pub query: &'a str,
    pub guest: (&'a str, &'a str),
    pub payload: String,
    /// Seconds that the guest's clock is off.
    pub skew: i64,
    pub region: &'a str,
    pub more: &'a [(&'a str, &'a str)],
}

impl<'a> Signing<'a> {
    pub fn new(
        method: &'a str,
        path: &'a str,
        guest: (&'a str, &'a str),
        body: &[u8],
    ) -> Signing<'a> {
        Signing {
            method,
            path,
            query: "",
            guest,
            payload: hex(&sha256(body)),
            skew: 0,
            region: "us-east-1",
            more: &[],
        }
    }

    /// All headers of the request, signed.
    ///
    /// # Source
    /// Amazon S3 API Reference, "Signature calculations for the authorization header".
    pub fn headers(&self, host: &str) -> Vec<(String, String)> {
        let now = SystemClock.now().as_second() + self.skew;
        let time = jiff::Timestamp::from_second(now)
            .unwrap()
            .strftime("%Y%m%dT%H%M%SZ")
            .to_string();
        let mut headers: Vec<(String, String)> = self
            .more
            .iter()
            .map(|(name, value)| (name.to_string(), value.to_string()))
            .collect();
        headers.push(("host".into(), host.into()));
        headers.push(("x-amz-content-sha256".into(), self.payload.clone()));
        headers.push(("x-amz-date".into(), time.clone()));
        headers.sort();
        let names: Vec<&str> = headers.iter().map(|(name, _)| name.as_str()).collect();
        let names = names.join(";");
        let lines: String = headers.iter().map(|(n, v)| format!("{n}:{v}\n")).collect();
        let canonical = format!(
            "{}\n{}\n{}\n{lines}\n{names}\n{}",
            self.method, self.path, self.query, self.payload
        );
        let (access, secret) = self.guest;
        let signature = signature(&canonical, &time, self.region, "s3", secret);
        let scope = format!("{access}/{}/{}/s3/aws4_request", &time[..8], self.region);
        headers.push((
            "authorization".into(),
            format!(
                "AWS4-HMAC-SHA256 Credential={scope}, SignedHeaders={names}, Signature={signature}"
            ),
        ));
        headers
    }
}
