//! The redundant vault for the memory of hardware instruments.
#![forbid(unsafe_code)]
#![warn(missing_docs)]

pub mod error;
pub mod midi;
pub mod model;
pub mod shelf;
pub mod sys;
pub mod vault;
