//! `rescue`: a vault from shelves and a key.

use std::time::Duration;

use crate::error::Result;
use crate::out;
pub use crate::out::rescue::{Lost, RescueOptions, RescueReport, Until};
use crate::sys::World;
use crate::vault::Vault;

/// Rebuilds a vault from the locations named.
///
/// # Errors
/// `Refused` if the folder holds something or the copies hold several lines; `NotFound` if there are no copies;
/// `WrongKey`; `Io`.
pub fn rescue(
    options: &RescueOptions<'_>,
    world: &World,
    wait: Duration,
) -> Result<(Vault, RescueReport)> {
    out::rescue::rescue(options, world, wait)
}
