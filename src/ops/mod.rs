//! One function for each thing a person can ask for; the faces only word the answers.

pub mod bring;
pub mod compare;
pub mod create;
pub mod devices;
pub mod find;
pub mod fixity;
pub mod health;
pub mod keep;
pub mod key;
pub mod layouts;
pub mod mirror;
pub mod opened;
pub mod recall;
pub mod refs;
pub mod repair;
pub mod reread;
pub mod rescue;
pub mod shelf;
pub mod takes;
pub mod way;
