//! The `farshelf` command.

fn main() {}
