//! Watching over what is kept: health, fixity, mirroring, repair.

pub mod mirror;
pub mod standing;
pub mod survey;
