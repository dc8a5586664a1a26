//! The redundant vault for the memory of hardware instruments.
#![forbid(unsafe_code)]
#![warn(missing_docs)]

pub mod care;
pub mod cli;
pub mod demo;
pub mod error;
pub mod host;
pub mod intake;
pub mod layout;
pub mod lending;
pub mod midi;
pub mod model;
pub mod ops;
pub mod out;
pub mod shelf;
pub mod sys;
pub mod vault;
