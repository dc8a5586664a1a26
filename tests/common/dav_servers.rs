//! WebDAV servers that others wrote, each on the loopback in a folder of its own: Apache from Debian, wsgidav from PyPI.

use std::fs;
use std::io::Write;
use std::net::{TcpListener, TcpStream};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// Who may use Apache; wsgidav takes only names in ASCII for Digest.
const USER: &str = "lena müller";
const ASCII_USER: &str = "lena";
/// With this password.
pub const PASSWORD: &str = "open: sésame & more";

/// How a server wants its users to sign in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Auth {
    Basic,
    Digest,
}

/// What a server shows as its certificate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tls {
    /// None: it speaks without.
    No,
    /// One that it signed itself, for `localhost`.
    Good,
    /// The same, of long ago.
    Expired,
    /// None, but another server before it is said to speak TLS for it.
    Before,
}

/// A running server; it ends with this value, and its folder goes.
#[derive(Debug)]
pub struct Server {
    child: Child,
    dir: tempfile::TempDir,
    /// Scheme, name, port and path of the collection that `files` is served as.
    pub url: String,
    /// Who may use it.
    pub user: &'static str,
}

impl Drop for Server {
    fn drop(&mut self) {
        if std::thread::panicking() {
            for name in ["output.log", "server.log", "access.log"] {
                let said = fs::read_to_string(self.dir.path().join(name)).unwrap_or_default();
                eprintln!("{said}");
            }
        }
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Server {
    /// The folder that is served.
    pub fn files(&self) -> PathBuf {
        self.dir.path().join("files")
    }

    /// The certificate that signed its own, in PEM.
    pub fn authority(&self) -> Vec<u8> {
        fs::read(self.dir.path().join("cert.pem")).unwrap()
    }

    /// What was asked of it: one line for each request, method, path and status.
    pub fn requests(&self) -> Vec<String> {
        let log = fs::read_to_string(self.dir.path().join("access.log")).unwrap_or_default();
        log.lines().map(str::to_string).collect()
    }
}

/// Apache with mod_dav at `path` (such as `/` or `/a/b`), or nothing, said in one line, where it is not installed.
pub fn apache(auth: Auth, path: &str, tls: Tls) -> Option<Server> {
    // Debian keeps it where only root looks for commands.
    let program = ["/usr/sbin/apache2", "/usr/bin/apache2"]
        .into_iter()
        .find(|p| Path::new(p).exists());
    let program = program.or_else(|| not_there("apache2 (Debian: apache2-bin)"))?;
    let url_path = path.to_string();
    start(
        move |dir, port| {
            fs::write(
                dir.join("apache.conf"),
                apache_conf(dir, port, auth, &url_path, tls),
            )
            .unwrap();
            // Made with `openssl dgst -sha1 -binary | base64` of PASSWORD and `openssl md5` of USER:dav:PASSWORD.
            fs::write(
                dir.join("basic"),
                format!("{USER}:{{SHA}}ebSdLUI66EDjpxqwFlh2M0+p5lM=\n"),
            )
            .unwrap();
            fs::write(
                dir.join("digest"),
                format!("{USER}:dav:ceefe2f864b2038af73e0ce88a6aab4f\n"),
            )
            .unwrap();
            if matches!(tls, Tls::Good | Tls::Expired) {
                let key = rcgen::KeyPair::generate().unwrap();
                let mut about = rcgen::CertificateParams::new(["localhost".to_string()]).unwrap();
                if tls == Tls::Expired {
                    about.not_before = rcgen::date_time_ymd(2001, 1, 1);
                    about.not_after = rcgen::date_time_ymd(2002, 1, 1);
                }
                let cert = about.self_signed(&key).unwrap();
                fs::write(dir.join("cert.pem"), cert.pem()).unwrap();
                fs::write(dir.join("key.pem"), key.serialize_pem()).unwrap();
            }
            let mut command = Command::new(program);
            // One process, so that ending it ends all of it.
            command.arg("-X").arg("-f").arg(dir.join("apache.conf"));
            let scheme = if matches!(tls, Tls::Good | Tls::Expired) {
                "https"
            } else {
                "http"
            };
            (command, format!("{scheme}://localhost:{port}{}", url_path))
        },
        USER,
    )
}

fn apache_conf(dir: &Path, port: u16, auth: Auth, path: &str, tls: Tls) -> String {
    let at = dir.display();
    let mut modules = vec![
        "mpm_event",
        "authn_core",
        "authn_file",
        "authz_core",
        "authz_user",
        "auth_basic",
        "auth_digest",
        "alias",
        "dav",
        "dav_fs",
    ];
    if matches!(tls, Tls::Good | Tls::Expired) {
        modules.push("ssl");
    }
    let mut conf = String::new();
    for module in modules {
        conf += &format!("LoadModule {module}_module /usr/lib/apache2/modules/mod_{module}.so\n");
    }
    let (kind, provider) = match auth {
        Auth::Basic => (
            "Basic",
            format!("AuthBasicProvider file\nAuthUserFile {at}/basic"),
        ),
        Auth::Digest => (
            "Digest",
            format!("AuthDigestProvider file\nAuthUserFile {at}/digest\nAuthDigestNonceLifetime 1"),
        ),
    };
    if matches!(tls, Tls::Good | Tls::Expired) {
        conf += &format!(
            "SSLEngine on\nSSLCertificateFile {at}/cert.pem\nSSLCertificateKeyFile {at}/key.pem\n"
        );
    }
    let before = if tls == Tls::Before { "https://" } else { "" };
    let slash = if path.ends_with('/') { "/" } else { "" };
    conf + &format!(
        r#"ServerRoot {at}
ServerName {before}localhost:{port}
Listen 127.0.0.1:{port}
PidFile {at}/apache.pid
DefaultRuntimeDir {at}
Mutex file:{at}
ErrorLog {at}/server.log
LogFormat "%m %U %>s %k" plain
CustomLog {at}/access.log plain
<IfModule unixd_module>
User www-data
Group www-data
</IfModule>
DavLockDB {at}/dav-locks
DocumentRoot {at}/none
Alias "{path}" "{at}/files{slash}"
<Directory {at}/files>
Dav On
AuthType {kind}
AuthName dav
{provider}
Require valid-user
</Directory>
"#
    )
}

/// wsgidav, or nothing, said in one line, where it is not installed.
pub fn wsgidav(auth: Auth) -> Option<Server> {
    let known = Command::new("python3")
        .args(["-c", "import wsgidav, cheroot"])
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|s| s.success());
    if !known {
        return not_there("wsgidav (PyPI: wsgidav, cheroot)");
    }
    start(
        |dir, port| {
            let basic = auth == Auth::Basic;
            let conf = serde_json::json!({
                "host": "127.0.0.1", "port": port, "server": "cheroot", "verbose": 1,
                "provider_mapping": {"/": dir.join("files")},
                "http_authenticator": {
                    "accept_basic": basic, "accept_digest": !basic, "default_to_digest": !basic,
                    "trusted_auth_header": null,
                },
                "simple_dc": {"user_mapping": {"*": {ASCII_USER: {"password": PASSWORD}}}},
            });
            fs::write(dir.join("wsgidav.json"), conf.to_string()).unwrap();
            let mut command = Command::new("python3");
            command.args(["-m", "wsgidav.server.server_cli", "--config"]);
            command.arg(dir.join("wsgidav.json"));
            (command, format!("http://localhost:{port}"))
        },
        ASCII_USER,
    )
}

fn not_there<T>(what: &str) -> Option<T> {
    let required = std::env::var("FARSHELF_REQUIRE_OUTSIDE").is_ok_and(|v| v == "1");
    assert!(!required, "{what} is missing");
    // Past the test harness, which swallows what passing tests print.
    let _ = writeln!(std::io::stderr(), "not run: shares ({what} is missing)");
    None
}

/// Starts what `make` makes of a folder and a port, and waits until it answers.
fn start(make: impl Fn(&Path, u16) -> (Command, String), user: &'static str) -> Option<Server> {
    // Another program may take the port between our look and its start.
    for _ in 0..3 {
        let dir = tempfile::tempdir().unwrap();
        // Apache gives up root and must still reach it.
        let open = |path: &Path| {
            fs::set_permissions(path, fs::Permissions::from_mode(0o777)).unwrap();
        };
        fs::create_dir(dir.path().join("files")).unwrap();
        fs::create_dir(dir.path().join("none")).unwrap();
        open(dir.path());
        open(&dir.path().join("files"));
        let free = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = free.local_addr().unwrap().port();
        drop(free);
        let (mut command, url) = make(dir.path(), port);
        let log = fs::File::create(dir.path().join("output.log")).unwrap();
        let child = command
            .stdin(Stdio::null())
            .stdout(log.try_clone().unwrap())
            .stderr(log)
            .spawn()
            .unwrap();
        let mut server = Server {
            child,
            dir,
            url,
            user,
        };
        for _ in 0..400 {
            if TcpStream::connect(("127.0.0.1", port)).is_ok() {
                return Some(server);
            }
            if server.child.try_wait().unwrap().is_some() {
                break;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        let said = |name| fs::read_to_string(server.dir.path().join(name)).unwrap_or_default();
        eprintln!("{}{}", said("output.log"), said("server.log"));
    }
    panic!("the server did not start")
}
