//! A server on the loopback that answers as a test says, also over TLS, and remembers what it was asked.

use std::io::{Read, Write};
use std::net::TcpListener;
use std::sync::{Arc, Mutex};

/// A request as it came in.
#[derive(Debug, Clone)]
pub struct Asked {
    pub method: String,
    /// With the query.
    pub path: String,
    /// Names in small letters.
    pub headers: Vec<(String, String)>,
    pub body: Vec<u8>,
}

impl Asked {
    pub fn header(&self, name: &str) -> &str {
        let found = self.headers.iter().find(|(n, _)| n == name);
        found.map(|(_, value)| value.as_str()).unwrap_or_default()
    }
}

/// A running server. Each connection is answered once and closed; an empty answer is a connection that breaks off.
pub struct Scripted {
    pub url: String,
    pub asked: Arc<Mutex<Vec<Asked>>>,
}

impl Scripted {
    /// Method and path of everything that was asked.
    pub fn lines(&self) -> Vec<String> {
        let asked = self.asked.lock().unwrap();
        asked
            .iter()
            .map(|a| format!("{} {}", a.method, a.path))
            .collect()
    }
}

/// An answer: status line and further headers, then the body.
pub fn answer(head: &str, body: &str) -> String {
    format!(
        "HTTP/1.1 {head}\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{body}",
        body.len()
    )
}

/// A server that answers each request, numbered from 0, with what `script` makes of it.
pub fn scripted(script: impl Fn(usize, &Asked) -> String + Send + Sync + 'static) -> Scripted {
    serve("http", script, |mut stream, talk| talk(&mut stream))
}

/// The same over TLS.
pub fn scripted_over_tls(
    config: rustls::ServerConfig,
    script: impl Fn(usize, &Asked) -> String + Send + Sync + 'static,
) -> Scripted {
    let config = Arc::new(config);
    serve("https", script, move |stream, talk| {
        let connection = rustls::ServerConnection::new(Arc::clone(&config)).unwrap();
        let mut tls = rustls::StreamOwned::new(connection, stream);
        talk(&mut tls);
        tls.conn.send_close_notify();
        let _ = tls.flush();
    })
}

/// Answers what stands in a stream.
type Talk<'t> = &'t mut dyn FnMut(&mut dyn Stream);

trait Stream: Read + Write {}
impl<S: Read + Write> Stream for S {}

fn serve(
    scheme: &str,
    script: impl Fn(usize, &Asked) -> String + Send + Sync + 'static,
    wrap: impl Fn(std::net::TcpStream, Talk<'_>) + Send + 'static,
) -> Scripted {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let asked = Arc::new(Mutex::new(Vec::new()));
    let seen = Arc::clone(&asked);
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let Ok(stream) = stream else { break };
            wrap(stream, &mut |stream| {
                let Some(request) = read(stream) else { return };
                let n = {
                    let mut seen = seen.lock().unwrap();
                    seen.push(request.clone());
                    seen.len() - 1
                };
                let _ = stream.write_all(script(n, &request).as_bytes());
                let _ = stream.flush();
            });
        }
    });
    Scripted {
        url: format!("{scheme}://localhost:{port}"),
        asked,
    }
}

fn read(stream: &mut dyn Stream) -> Option<Asked> {
    let mut head = Vec::new();
    let mut byte = [0u8; 1];
    while !head.ends_with(b"\r\n\r\n") {
        if stream.read(&mut byte).ok()? == 0 {
            return None;
        }
        head.push(byte[0]);
    }
    let head = String::from_utf8(head).ok()?;
    let mut lines = head.lines();
    let mut first = lines.next()?.split(' ');
    let mut asked = Asked {
        method: first.next()?.to_string(),
        path: first.next()?.to_string(),
        headers: lines
            .filter_map(|l| l.split_once(": "))
            .map(|(n, v)| (n.to_ascii_lowercase(), v.to_string()))
            .collect(),
        body: Vec::new(),
    };
    asked.body = vec![0; asked.header("content-length").parse().unwrap_or(0)];
    stream.read_exact(&mut asked.body).ok()?;
    Some(asked)
}
