//! Whether a person sits at standard input, output or error, and how wide their window is.

use std::io::IsTerminal;

/// True if a person can type at standard input.
pub fn stdin_is_terminal() -> bool {
    std::io::stdin().is_terminal()
}

/// True if standard output is read by a person.
pub fn stdout_is_terminal() -> bool {
    std::io::stdout().is_terminal()
}

/// True if standard error is read by a person.
pub fn stderr_is_terminal() -> bool {
    std::io::stderr().is_terminal()
}
