//! Watching over what is kept: health, fixity, mirroring, repair.

pub mod copies;
pub mod fixity;
pub mod health;
pub mod holes;
pub mod mirror;
pub mod noting;
pub mod progress;
pub mod repair;
pub mod sending;
pub mod standing;
pub mod survey;
