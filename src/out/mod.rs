//! Back again: takes to files, shelves to vaults.

pub mod lines;
pub mod rescue;
