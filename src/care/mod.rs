//! Watching over what is kept: health, fixity, mirroring, repair.

pub mod fixity;
pub mod mirror;
pub mod repair;
pub mod standing;
pub mod survey;
