//! Plain values that everybody shares. No input or output, no wire formats.

pub(crate) mod words;

pub mod contents;
pub mod date;
pub mod hash;
pub mod ids;
pub mod list;
pub mod place;
pub mod reference;
pub mod take;
pub mod timeline;

pub use words::UnknownWord;
