//! The `farshelf` command.

use std::process::ExitCode;

/// A long `keep` hands many small values from thread to thread; this allocator does that in half the time.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> ExitCode {
    farshelf::cli::exit::end(farshelf::cli::run(std::env::args_os().collect()))
}
