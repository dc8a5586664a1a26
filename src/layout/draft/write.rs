//! The draft as a layout.
use super::Draft;
impl Draft {
    /// x
    pub fn to_toml(&self, _name: &str) -> String {
        String::new()
    }
}
