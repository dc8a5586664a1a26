//! Copies far away: encryption, names and the places that hold them.

pub mod by_hand;
pub mod cipher;
pub mod copying;
pub mod keyfile;
pub mod name;
pub mod sheet;
pub mod typed;
