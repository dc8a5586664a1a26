//! `mirror`: bring the shelves up to date.

use std::time::Duration;

use crate::care;
pub use crate::care::mirror::{MirrorOptions, MirroredShelf};
pub use crate::care::progress::{Progress, Silent};
use crate::care::standing::ShelfState;
use crate::error::Result;
use crate::vault::Vault;

/// What `mirror` did.
#[derive(Debug, Clone, PartialEq)]
pub struct MirrorReport {
    /// One entry per shelf, in the order asked for.
    pub shelves: Vec<MirroredShelf>,
}

impl MirrorReport {
    /// True if something failed on the way.
    pub fn failed(&self) -> bool {
        self.shelves.iter().any(|s| s.error.is_some())
    }

    /// True if a shelf that was touched is damaged; behind or away is not damage.
    pub fn needs_attention(&self) -> bool {
        self.shelves.iter().any(|s| s.state == ShelfState::Damaged)
    }
}

/// Mirrors to the shelves named, or to all. Needs no key, only copying.toml.
///
/// # Errors
/// `NotFound` for a name that is no shelf; `Busy`; `Io` of the vault itself.
pub fn mirror(vault: &Vault, options: &MirrorOptions, wait: Duration) -> Result<MirrorReport> {
    Ok(MirrorReport {
        shelves: care::mirror::mirror(vault, options, wait)?,
    })
}
