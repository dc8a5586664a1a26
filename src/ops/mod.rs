//! One function for each thing a person can ask for; the faces only word the answers.

pub mod devices;
pub mod keep;
pub mod recall;
pub mod refs;
pub mod takes;
