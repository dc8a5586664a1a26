//! Running a command that a person named, and reading what it prints.

use std::io::{self, Read};
use std::process::{Command, Stdio};

/// What `command`, given to the shell, prints on standard output; its standard error is the person's.
///
/// # Errors
/// Of starting it; `InvalidData` if it prints more than `limit` bytes or other than text; `Other` if it fails.
pub fn output_of(command: &str, limit: u64) -> io::Result<String> {
    let mut child = Command::new("sh")
        .args(["-c", command])
        .stdin(Stdio::inherit())
        .stdout(Stdio::piped())
        .spawn()?;
    let mut bytes = Vec::new();
    if let Some(out) = child.stdout.take() {
        out.take(limit + 1).read_to_end(&mut bytes)?;
    }
    let status = child.wait()?;
    if !status.success() {
        return Err(io::Error::other(match status.code() {
            Some(code) => format!("it ended with status {code}"),
            None => "it was stopped".to_string(),
        }));
    }
    if bytes.len() as u64 > limit {
        return Err(io::Error::new(
            io::ErrorKind::InvalidData,
            "it printed too much",
        ));
    }
    String::from_utf8(bytes)
        .map_err(|_| io::Error::new(io::ErrorKind::InvalidData, "it printed no text"))
}
