//! Layouts: the published ones and the person's own.

use std::sync::Arc;

use crate::error::Result;
use crate::layout::{Layout, Layouts};
use crate::vault::Vault;
use crate::vault::pieces::Pieces;

/// All layouts that dumps of this vault are read with: the published ones, and the person's own, which come first. One of
/// a later version, or one whose text is damaged, is left out; [`list`] tells of it.
///
/// # Errors
/// As the catalogue's.
pub fn known(vault: &Vault) -> Result<Layouts> {
    let mut layouts = Layouts::builtin();
    for (name, text) in vault.catalogue().layouts()? {
        if let Ok(layout) = own(vault, &name, &text) {
            layouts.add(Arc::new(layout));
        }
    }
    Ok(layouts)
}
