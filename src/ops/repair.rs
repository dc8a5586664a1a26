//! `repair`: mend the vault and its shelves from good copies.

use std::time::Duration;

pub use crate::care::repair::{Mended, Repair, Unmended};
use crate::error::Result;
use crate::shelf::cipher::Identity;
use crate::vault::Vault;

/// Mends everything that some copy holds whole.
///
/// # Errors
/// As [`crate::care::repair::repair`].
pub fn repair(vault: &Vault, identity: Option<&Identity>, wait: Duration) -> Result<Repair> {
    crate::care::repair::repair(vault, identity, wait)
}
