//! What is told to a person who waits while bytes travel.

/// Told from several threads while bytes travel.
pub trait Progress: Send + Sync {
    /// Something begins: whose name is `what`, and for which so many bytes will travel, as far as that is known.
    fn begins(&self, what: &str, bytes: u64);
    /// So many bytes will travel in all, as it looks now.
    fn expects(&self, bytes: u64);
    /// So many have.
    fn at(&self, bytes: u64);
    /// It has ended.
    fn ends(&self);
}

/// Nobody waits.
#[derive(Debug, Clone, Copy)]
pub struct Silent;

impl Progress for Silent {
    fn begins(&self, _: &str, _: u64) {}
    fn expects(&self, _: u64) {}
    fn at(&self, _: u64) {}
    fn ends(&self) {}
}
