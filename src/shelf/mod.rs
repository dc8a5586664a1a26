//! Copies far away: encryption, names and the places that hold them.

pub mod cipher;
pub mod keyfile;
pub mod name;
pub mod typed;
