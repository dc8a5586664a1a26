//! What the program read in a dump, beside whether it is whole: kept next to the bytes and read anew when it knows more.

/// The version of reading: raised whenever the program sees more, or something else, in the same bytes. Takes that were
/// read by an earlier one are read anew.
pub const READING: u32 = 1;

/// The code of the finding that every patch, or every byte, of a dump is the same.
pub const ALL_EQUAL: &str = "all-equal";

/// What was read in a dump.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Contents {
    /// The version of reading that found this; 0: nobody has looked.
    pub reading: u32,
    /// Name of the layout that fits it.
    pub layout: Option<String>,
    /// The section it belongs to by that layout.
    pub section: Option<String>,
    /// True if it is no state of the memory by that layout: one patch, an edit buffer.
    pub loose: bool,
    /// The SysEx number in it, 0 to 127, where it is known where that stands.
    pub sysex_number: Option<u8>,
    /// Its patches.
    pub patches: PatchNames,
}

/// The names of a dump's patches, in little room: dumps wait by the thousand to be written.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct PatchNames {
    /// One line for each patch, empty for one without a name.
    lines: String,
    n_patches: u32,
}

impl PatchNames {
    /// Adds the next patch.
    pub fn push(&mut self, name: Option<&str>) {
        self.n_patches += 1;
        // Names come out of dumps; none may pass for two.
        self.lines
            .extend(name.unwrap_or_default().chars().map(plain));
        self.lines.push('\n');
    }

    /// How many patches there are, with and without names.
    pub fn n_patches(&self) -> u32 {
        self.n_patches
    }

    /// Number (from 1) and name of each patch that has one.
    pub fn named(&self) -> impl Iterator<Item = (u32, &str)> {
        (1..)
            .zip(self.lines.lines())
            .filter(|(_, name)| !name.trim().is_empty())
    }
}

/// Control characters become blanks.
fn plain(c: char) -> char {
    if c.is_control() { ' ' } else { c }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_keep_their_numbers() {
        let mut names = PatchNames::default();
        for name in [
            Some("GLASS PAD"),
            None,
            Some("  "),
            Some("A\nB\r"),
            Some(""),
        ] {
            names.push(name);
        }
        assert_eq!(names.n_patches(), 5);
        let named: Vec<_> = names.named().collect();
        assert_eq!(named, [(1, "GLASS PAD"), (4, "A B ")]);
    }
}
