//! One function for each thing a person can ask for; the faces only word the answers.

pub mod fixity;
pub mod mirror;
pub mod repair;
pub mod rescue;
pub mod shelf;
