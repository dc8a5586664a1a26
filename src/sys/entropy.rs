//! The only place that draws random bytes; keys themselves come from the age crate.

use std::fmt::Debug;

use crate::error::{Error, Kind, Result};

/// A source of random bytes.
pub trait Entropy: Debug + Send + Sync {
    /// Fills `out` with random bytes.
    fn fill(&self, out: &mut [u8]) -> std::io::Result<()>;
}

/// The operating system's randomness.
#[derive(Debug, Clone, Copy)]
pub struct SystemEntropy;

impl Entropy for SystemEntropy {
    fn fill(&self, out: &mut [u8]) -> std::io::Result<()> {
        getrandom::fill(out).map_err(|e| std::io::Error::other(e.to_string()))
    }
}

/// A fresh identifier of 32 lowercase hex characters.
///
/// # Errors
/// `Io` when the system gives no random bytes.
pub fn identifier(entropy: &dyn Entropy) -> Result<String> {
    let mut bytes = [0u8; 16];
    entropy.fill(&mut bytes).map_err(|e| {
        Error::new(
            Kind::Io,
            "the system gave no random bytes; nothing was changed",
        )
        .because(e)
    })?;
    Ok(bytes.iter().map(|b| format!("{b:02x}")).collect())
}
