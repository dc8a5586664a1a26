//! A network that fails in every way between a vault and its shelves: while it does, nothing is called mirrored that is
//! not there byte by byte; once it has stopped, one mirror makes the shelf whole.

#[path = "common/bucket_server.rs"]
mod bucket_server;
#[path = "common/vaults.rs"]
mod common;
#[allow(dead_code)]
#[path = "common/dav_servers.rs"]
mod dav_servers;
#[path = "common/far.rs"]
mod far;
#[path = "common/peers.rs"]
mod peers;

use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use common::{Studio, WAIT, keep, place};
use far::{mirror, stalls_after, steady};
use farshelf::care::standing::ShelfState;
use farshelf::ops;
use farshelf::shelf::cipher::check_mac;
use farshelf::shelf::name::ReelName;
use farshelf::vault::Vault;
use peers::Peer;

/// The proxy that hurts connections; it ends with this value.
struct Proxy {
    child: Child,
    control: TcpStream,
    port: u16,
}

impl Drop for Proxy {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Proxy {
    fn to(port: u16) -> Proxy {
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/outside/faultproxy.py");
        let mut child = Command::new("python3")
            .args([script, "0", &format!("127.0.0.1:{port}"), "--control", "0"])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut said = BufReader::new(child.stdout.take().unwrap()).lines();
        let mut number = |word: &str| -> u16 {
            let line = said.next().unwrap().unwrap();
            line.strip_prefix(word).unwrap().trim().parse().unwrap()
        };
        let control = number("control");
        let port = number("listening");
        let control = TcpStream::connect(("127.0.0.1", control)).unwrap();
        Proxy {
            child,
            control,
            port,
        }
    }

    fn say(&mut self, line: &str) {
        writeln!(self.control, "{line}").unwrap();
        let mut answer = String::new();
        BufReader::new(&self.control)
            .read_line(&mut answer)
            .unwrap();
        assert!(answer.starts_with("ok"), "{line}: {answer}");
    }

    /// From now on, for connections that are open too.
    fn mode(&mut self, spec: &str) {
        self.say(&format!("mode {spec}"));
        self.say("dropall");
    }
}

/// Every way in which it hurts, with what it takes. Objects here have about six thousand bytes.
const FAULTS: [&str; 11] = [
    "cut 300",
    "cut 4000",
    "rst 2500",
    "rst 9000",
    "stall 200",
    "stall 5000",
    "corrupt 60",
    "corrupt 3000",
    "delay 150",
    "throttle 20000",
    "refuse",
];

/// What counts as verified lies at the server as it was sent.
fn only_what_is_there_counts(studio: &Studio, vault: &Vault, peer: &Peer, at: &str) {
    let kept = (peer.kept)();
    let name_key = studio.identity.name_key();
    for row in ops::shelf::show(vault, "far").unwrap().reels {
        if row.verified_at.is_none() || row.damage.is_some() {
            continue;
        }
        let bytes = kept.get(&row.object);
        let bytes = bytes.unwrap_or_else(|| panic!("{at}: {} is not there", row.object));
        let name: ReelName = row.object.parse().unwrap();
        let checked = check_mac(&name, vault.id(), &name_key, bytes.as_slice()).unwrap();
        assert!(checked.good, "{at}: {} is damaged", row.object);
        assert_eq!(row.bytes, bytes.len() as u64, "{at}");
    }
}

fn through_every_fault(start: impl Fn(&Studio) -> Option<Peer>, first: usize) {
    if !peers::python_has("asyncio") {
        let _: Option<()> = peers::not_there("python3");
        return;
    }
    let slow = std::env::var("FARSHELF_SLOW").is_ok_and(|v| v == "1");
    let studio = Studio::new();
    let Some(peer) = start(&studio) else {
        return;
    };
    let mut proxy = Proxy::to(peer.port);
    let vault = studio.vault();
    let options = ops::shelf::AddOptions {
        name: "far".to_string(),
        location: (peer.location)(proxy.port),
        way: peer.way.clone(),
        place: Some(place("lena's flat")),
        every_days: None,
        separate: false,
    };
    ops::shelf::add(&vault, &options, WAIT).unwrap();
    stalls_after(vault.dir(), "far", 1);
    let mut n = 0;
    let mut points = 0;
    for (f, fault) in FAULTS.iter().enumerate() {
        for (d, way) in ["up", "down", "both"].into_iter().enumerate() {
            // Each direction of each for one of the four servers; all where there is time.
            if !slow && !(f + d + first).is_multiple_of(4) {
                continue;
            }
            points += 1;
            let at = format!("{fault} {way}");
            let began = steady();
            for _ in 0..2 {
                n += 1;
                keep(&vault, "organ", n, &common::dump(n));
                vault.writer(WAIT).unwrap().close_reel().unwrap();
            }
            proxy.mode(&format!("{fault} dir={way}"));
            for _ in 0..if slow { 4 } else { 2 } {
                let told = mirror(&vault, "far");
                only_what_is_there_counts(&studio, &vault, &peer, &at);
                if told.state == ShelfState::Good {
                    assert_eq!(told.verified, u64::from(n), "{at}: {told:?}");
                }
            }
            proxy.mode("pass");
            let told = mirror(&vault, "far");
            assert_eq!(
                (told.verified, told.state, &told.error),
                (u64::from(n), ShelfState::Good, &None),
                "{at}: {told:?}"
            );
            only_what_is_there_counts(&studio, &vault, &peer, &at);
            let report = far::fixity(&vault, "far");
            assert!(report.good() && report.complete, "{at}: {report:?}");
            assert!(
                steady() - began < Duration::from_secs(40),
                "{at}: {:?}",
                steady() - began
            );
        }
    }
    assert!(points >= 8);
    let (rescued, _) = far::rescue(&studio, &["far"], "new").unwrap();
    assert_eq!(common::takes(&rescued), common::takes(&vault));
}

#[test]
fn to_a_bucket() {
    through_every_fault(|_| Some(peers::scripted()), 0);
}

#[test]
fn to_a_bucket_of_others() {
    through_every_fault(|_| peers::moto(), 1);
}

#[test]
fn to_a_share() {
    through_every_fault(|_| peers::share(), 2);
}

#[test]
fn to_a_host() {
    through_every_fault(|studio| Some(peers::host(studio.temp.path())), 3);
}
