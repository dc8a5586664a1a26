//! The draft in plain sentences.
use super::Draft;
impl Draft {
    /// x
    pub fn words(&self) -> Vec<String> {
        Vec::new()
    }
}
