//! `fixity`: read copies again and compare.

use std::time::Duration;

use crate::care;
pub use crate::care::fixity::{Damage, FixityOptions, FixityReport};
use crate::error::Result;
use crate::vault::Vault;

/// Reads what was asked for. Needs no key, only copying.toml.
///
/// # Errors
/// `NotFound` for a name that is no shelf; `Busy`; `Io` of the catalogue.
pub fn fixity(vault: &Vault, options: &FixityOptions, wait: Duration) -> Result<FixityReport> {
    care::fixity::fixity(vault, options, wait)
}
