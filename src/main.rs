//! The `farshelf` command.

use std::process::ExitCode;

fn main() -> ExitCode {
    farshelf::cli::run(std::env::args_os())
}
