//! Plain values that everybody shares. No input or output, no wire formats.

pub mod hash;
