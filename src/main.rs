//! The `farshelf` command.

use std::process::ExitCode;

fn main() -> ExitCode {
    farshelf::cli::exit::end(farshelf::cli::run(std::env::args_os().collect()))
}
