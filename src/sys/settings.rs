//! The only place that reads the environment: where things are on this computer.

use std::path::PathBuf;

/// The folder named by `FARSHELF_VAULT`, else the platform's data folder.
pub fn default_vault() -> Option<PathBuf> {
    match std::env::var_os("FARSHELF_VAULT") {
        Some(dir) if !dir.is_empty() => Some(PathBuf::from(dir)),
        _ => dirs::data_dir().map(|d| d.join("farshelf")),
    }
}

/// The folder named by `FARSHELF_HOST`.
pub fn default_host() -> Option<PathBuf> {
    std::env::var_os("FARSHELF_HOST")
        .filter(|dir| !dir.is_empty())
        .map(PathBuf::from)
}

/// Where this computer keeps what it knows about vaults outside their folders.
pub fn state_dir() -> Option<PathBuf> {
    dirs::state_dir()
        .or_else(dirs::data_local_dir)
        .map(|d| d.join("farshelf"))
}

/// This computer's name.
pub fn computer_name() -> String {
    rustix::system::uname()
        .nodename()
        .to_string_lossy()
        .into_owned()
}

/// True if colours are not wanted, by the `NO_COLOR` convention or a dumb terminal.
pub fn plain_terminal() -> bool {
    std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty())
        || std::env::var_os("TERM").is_some_and(|v| v == "dumb")
}

/// The folder for temporary files.
pub fn temporary_folder() -> PathBuf {
    std::env::temp_dir()
}

/// The environment variable `name`, if it is set to text.
pub fn variable(name: &str) -> Option<String> {
    std::env::var(name).ok().filter(|v| !v.is_empty())
}
