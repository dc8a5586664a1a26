//! `repair`: mend from good copies.

use std::time::Duration;

use crate::care;
pub use crate::care::repair::{Look, RETOLD, RepairReport, Repaired, Unrepairable};
use crate::error::Result;
use crate::shelf::cipher::Identity;
use crate::vault::Vault;

/// Mends what can be mended and gives the vault back, opened anew if its catalogue had to be rebuilt.
///
/// # Errors
/// `Busy`; `Io` of the vault itself.
pub fn repair(
    vault: Vault,
    identity: Option<&Identity>,
    look: Look,
    wait: Duration,
) -> Result<(Vault, RepairReport)> {
    let report = care::repair::repair(&vault, identity, look, wait)?;
    if !report.reindex_needed {
        return Ok((vault, report));
    }
    let (dir, world) = (vault.dir().to_path_buf(), vault.world().clone());
    drop(vault);
    let (vault, _) = Vault::reindex(&dir, world, wait)?;
    Ok((vault, report))
}
