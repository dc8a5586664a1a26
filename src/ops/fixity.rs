//! `fixity`: read everything again and compare.

use std::time::Duration;

pub use crate::care::fixity::{Damage, Extent, Fixity};
use crate::error::Result;
use crate::vault::Vault;

/// Reads what `extent` says and compares it with what was written.
///
/// # Errors
/// As [`crate::care::fixity::fixity`].
pub fn fixity(vault: &Vault, extent: &Extent, wait: Duration) -> Result<Fixity> {
    crate::care::fixity::fixity(vault, extent, wait)
}
