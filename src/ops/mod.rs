//! One function for each thing a person can ask for; the faces only word the answers.

pub mod health;
