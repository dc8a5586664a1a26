//! S3 servers that others wrote, each on the loopback with nothing in it: moto from PyPI, s3rver from npm, and Garage.

#![allow(dead_code)]

use std::fs;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// The bucket that each of them has.
pub const BUCKET: &str = "synths";

/// A running server; it ends with this value, and its folder goes.
#[derive(Debug)]
pub struct Server {
    child: Child,
    dir: tempfile::TempDir,
    port: u16,
    /// Scheme, name and port.
    pub url: String,
    /// Who may use it.
    pub access: String,
    pub secret: String,
    pub region: &'static str,
}

impl Drop for Server {
    fn drop(&mut self) {
        if std::thread::panicking() {
            let said = fs::read_to_string(self.dir.path().join("output.log")).unwrap_or_default();
            let lines: Vec<&str> = said.lines().collect();
            let last = &lines[lines.len().saturating_sub(60)..];
            eprintln!("{}", last.join("\n"));
        }
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Server {
    /// Asks as a stranger would, with a signature that is none, and gives the status and the body.
    pub fn ask(&self, method: &str, path: &str, body: &[u8]) -> (u16, String) {
        // Naming a service is how moto knows which one is meant.
        self.ask_for("s3", method, path, body)
    }

    fn ask_for(&self, service: &str, method: &str, path: &str, body: &[u8]) -> (u16, String) {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        let (access, region) = (&self.access, self.region);
        // Some look at it before anything else.
        let now = farshelf::sys::World::real().clock.now();
        let (day, now) = (now.strftime("%Y%m%d"), now.strftime("%Y%m%dT%H%M%SZ"));
        let form = match service {
            "iam" => "Content-Type: application/x-www-form-urlencoded\r\n",
            _ => "",
        };
        let head = format!(
            "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nConnection: close\r\nContent-Length: {}\r\n\
             x-amz-date: {now}\r\nx-amz-content-sha256: UNSIGNED-PAYLOAD\r\n{form}\
             Authorization: AWS4-HMAC-SHA256 Credential={access}/{day}/{region}/{service}/aws4_request, \
             SignedHeaders=host;x-amz-content-sha256;x-amz-date, Signature=00\r\n\r\n",
            self.port,
            body.len()
        );
        stream.write_all(head.as_bytes()).unwrap();
        stream.write_all(body).unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        let answer = String::from_utf8_lossy(&answer).into_owned();
        let status = answer.split(' ').nth(1).unwrap().parse().unwrap();
        (status, answer)
    }
}

/// moto, or nothing, said in one line, where it is not installed. It looks at no signature.
pub fn moto() -> Option<Server> {
    if !answers(Command::new("moto_server").arg("--help")) {
        return not_there("moto_server (PyPI: moto[server])");
    }
    let server = start(|_, port| {
        let mut command = Command::new("moto_server");
        command.args(["-H", "127.0.0.1", "-p", &port.to_string()]);
        command
    });
    let made = server.ask("PUT", &format!("/{BUCKET}"), b"");
    assert_eq!(made.0, 200, "{}", made.1);
    Some(server)
}

/// [`moto`] that lets in only who has a key, and compares signatures.
pub fn moto_with_keys() -> Option<Server> {
    let mut server = moto()?;
    let policy = "%7B%22Version%22%3A%222012-10-17%22%2C%22Statement%22%3A%5B%7B%22Effect%22%3A%22Allow%22%2C\
        %22Action%22%3A%22s3%3A%2A%22%2C%22Resource%22%3A%22%2A%22%7D%5D%7D";
    let iam = |what: String| {
        let body = format!("{what}&UserName=lena&Version=2010-05-08");
        let (status, answer) = server.ask_for("iam", "POST", "/", body.as_bytes());
        assert_eq!(status, 200, "{answer}");
        answer
    };
    iam("Action=CreateUser".into());
    iam(format!(
        "Action=PutUserPolicy&PolicyName=all&PolicyDocument={policy}"
    ));
    let key = iam("Action=CreateAccessKey".into());
    let between = |name: &str| {
        let (_, rest) = key.split_once(&format!("<{name}>")).unwrap();
        rest.split('<').next().unwrap().to_string()
    };
    let (access, secret) = (between("AccessKeyId"), between("SecretAccessKey"));
    assert_eq!(server.ask("POST", "/moto-api/reset-auth", b"0").0, 200);
    (server.access, server.secret) = (access, secret);
    Some(server)
}

/// s3rver, or nothing, said in one line, where it is not installed. It knows no conditions and compares no signature.
pub fn s3rver() -> Option<Server> {
    let program = s3rver_program();
    if !answers(Command::new(&program).arg("--version")) {
        return not_there("s3rver (npm; named by FARSHELF_S3RVER)");
    }
    let mut server = start(|dir, port| {
        let mut command = Command::new(&program);
        command.arg("-d").arg(dir.join("files"));
        command.args(["-a", "127.0.0.1", "-p", &port.to_string()]);
        command.args(["--no-vhost-buckets", "--configure-bucket", BUCKET]);
        command
    });
    (server.access, server.secret) = ("S3RVER".into(), "S3RVER".into());
    Some(server)
}

/// Where `.ci/run` puts it, unless another place is named.
fn s3rver_program() -> PathBuf {
    if let Some(named) = std::env::var_os("FARSHELF_S3RVER") {
        return named.into();
    }
    let home = std::env::var_os("HOME").unwrap_or_default();
    Path::new(&home).join(".cache/farshelf-outside/node_modules/.bin/s3rver")
}

/// Garage, or nothing, said in one line, where it is not on the PATH: no registry has its program.
pub fn garage() -> Option<Server> {
    if !answers(Command::new("garage").arg("--version")) {
        let _ = writeln!(
            std::io::stderr(),
            "not run: buckets in Garage (garage is missing)"
        );
        return None;
    }
    let mut server = start(|dir, port| {
        let rpc = free_port();
        let conf = format!(
            "metadata_dir = {meta:?}\ndata_dir = {data:?}\ndb_engine = \"sqlite\"\nreplication_factor = 1\n\
             rpc_bind_addr = \"127.0.0.1:{rpc}\"\nrpc_public_addr = \"127.0.0.1:{rpc}\"\nrpc_secret = \"{zeros}\"\n\
             [s3_api]\ns3_region = \"garage\"\napi_bind_addr = \"127.0.0.1:{port}\"\n",
            meta = dir.join("meta"),
            data = dir.join("data"),
            zeros = "00".repeat(32),
        );
        fs::write(dir.join("garage.toml"), conf).unwrap();
        let mut command = Command::new("garage");
        command.arg("-c").arg(dir.join("garage.toml")).arg("server");
        command
    });
    server.region = "garage";
    let conf = server.dir.path().join("garage.toml");
    let garage = |args: &str| {
        let output = Command::new("garage")
            .arg("-c")
            .arg(&conf)
            .args(args.split(' '))
            .output();
        let output = output.unwrap();
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(output.status.success(), "garage {args}: {said}");
        said
    };
    let node = garage("node id -q");
    let id = node.trim().split('@').next().unwrap();
    garage(&format!("layout assign -z here -c 1G {id}"));
    garage("layout apply --version 1");
    garage(&format!("bucket create {BUCKET}"));
    let key = garage("key create lena");
    let line = |name: &str| {
        let found = key.lines().find_map(|l| l.strip_prefix(name));
        found.unwrap().trim().to_string()
    };
    (server.access, server.secret) = (line("Key ID:"), line("Secret key:"));
    garage(&format!(
        "bucket allow --read --write {BUCKET} --key {}",
        server.access
    ));
    Some(server)
}

fn answers(command: &mut Command) -> bool {
    command
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|s| s.success())
}

fn not_there<T>(what: &str) -> Option<T> {
    let required = std::env::var("FARSHELF_REQUIRE_OUTSIDE").is_ok_and(|v| v == "1");
    assert!(!required, "{what} is missing");
    // Past the test harness, which swallows what passing tests print.
    let _ = writeln!(std::io::stderr(), "not run: buckets ({what} is missing)");
    None
}

fn free_port() -> u16 {
    let free = TcpListener::bind("127.0.0.1:0").unwrap();
    free.local_addr().unwrap().port()
}

/// Starts what `make` makes of a folder and a port, and waits until it answers.
fn start(make: impl Fn(&Path, u16) -> Command) -> Server {
    // Another program may take the port between our look and its start.
    for _ in 0..3 {
        let dir = tempfile::tempdir().unwrap();
        let port = free_port();
        let log = fs::File::create(dir.path().join("output.log")).unwrap();
        let child = make(dir.path(), port)
            .stdin(Stdio::null())
            .stdout(log.try_clone().unwrap())
            .stderr(log)
            .spawn()
            .unwrap();
        let mut server = Server {
            child,
            dir,
            port,
            url: format!("http://127.0.0.1:{port}"),
            access: "lena".into(),
            secret: "open sesame".into(),
            region: "us-east-1",
        };
        for _ in 0..600 {
            if TcpStream::connect(("127.0.0.1", port)).is_ok() {
                return server;
            }
            if server.child.try_wait().unwrap().is_some() {
                break;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        let said = fs::read_to_string(server.dir.path().join("output.log")).unwrap_or_default();
        eprintln!("{said}");
    }
    panic!("the server did not start")
}
