//! Several layouts: those that come with the program and a person's own, and which of them a message fits.

use std::cmp::Reverse;
use std::sync::{Arc, LazyLock};

use super::Layout;

/// The texts of the layouts that come with the program. Only published formats, each with its source.
const BUILTIN: &[&str] = &[
    include_str!("builtin/fm-six-operator.toml"),
    include_str!("builtin/fm-four-operator.toml"),
    include_str!("builtin/address-and-data.toml"),
    include_str!("builtin/counted-address-and-data.toml"),
    include_str!("builtin/named-bulk.toml"),
    include_str!("builtin/single-of-256.toml"),
];

/// Read once; a text that is wrong would be missing, which a test forbids.
static READ: LazyLock<Vec<Arc<Layout>>> = LazyLock::new(|| {
    BUILTIN
        .iter()
        .filter_map(|text| Layout::parse(text).ok())
        .map(Arc::new)
        .collect()
});

/// The layouts at hand. Cheap to clone.
#[derive(Debug, Clone, Default)]
pub struct Layouts {
    entries: Arc<Vec<Entry>>,
}

#[derive(Debug, Clone)]
struct Entry {
    layout: Arc<Layout>,
    is_own: bool,
}

impl Layouts {
    /// None at all.
    pub fn none() -> Layouts {
        Layouts::default()
    }

    /// Those that come with the program.
    pub fn builtin() -> Layouts {
        let entries = READ.iter().map(|layout| Entry {
            layout: Arc::clone(layout),
            is_own: false,
        });
        Layouts {
            entries: Arc::new(entries.collect()),
        }
    }

    /// Adds a layout of a person's own. It takes the place of one of the same name.
    pub fn add(&mut self, layout: Arc<Layout>) {
        let entries = Arc::make_mut(&mut self.entries);
        entries.retain(|entry| entry.layout.name != layout.name);
        entries.push(Entry {
            layout,
            is_own: true,
        });
    }

    /// The layout of that name.
    pub fn get(&self, name: &str) -> Option<&Arc<Layout>> {
        self.iter().find(|layout| layout.name == name)
    }

    /// Whether the layout of that name is a person's own.
    pub fn is_own(&self, name: &str) -> bool {
        self.entries
            .iter()
            .any(|entry| entry.is_own && entry.layout.name == name)
    }

    /// All of them: those that come with the program, then a person's own as they were added.
    pub fn iter(&self) -> impl Iterator<Item = &Arc<Layout>> {
        self.entries.iter().map(|entry| &entry.layout)
    }

    /// The layouts one of whose headers `message` (F0 to F7) begins with, best first: a person's own before those of the
    /// program, then the one that fixes more bits, then one whose length fits.
    pub fn fitting(&self, message: &[u8]) -> Vec<&Arc<Layout>> {
        let mut fitting: Vec<_> = self
            .entries
            .iter()
            .filter_map(|entry| {
                let (idx, _) = entry.layout.kind_of(message)?;
                let kind = &entry.layout.messages[idx];
                let rank = (
                    entry.is_own,
                    kind.header.n_fixed_bits(),
                    kind.length_fits(message.len()),
                );
                Some((rank, &entry.layout))
            })
            .collect();
        fitting.sort_by_key(|(rank, _)| Reverse(*rank));
        fitting.into_iter().map(|(_, layout)| layout).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_builtin_text_is_a_layout_with_a_source() {
        for text in BUILTIN {
            let layout = Layout::parse(text).unwrap_or_else(|bad| panic!("{bad}\n{text}"));
            assert!(layout.source.is_some(), "{}", layout.name);
        }
        assert_eq!(Layouts::builtin().iter().count(), BUILTIN.len());
        let mut names: Vec<&str> = READ.iter().map(|l| l.name.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), BUILTIN.len());
    }

    fn own(name: &str, header: &str) -> Arc<Layout> {
        let text = format!(
            "layout = 1\nname = \"{name}\"\ntitle = \"x\"\n[[message]]\nname = \"m\"\nheader = \"{header}\"\n"
        );
        Arc::new(Layout::parse(&text).unwrap())
    }

    #[test]
    fn own_layouts_win_by_name_and_in_rank() {
        let bank = [0xF0, 0x43, 0x00, 0x09, 0x20, 0x00, 0xF7];
        let mut layouts = Layouts::builtin();
        let names = |layouts: &Layouts| -> Vec<String> {
            let fitting = layouts.fitting(&bank);
            fitting.iter().map(|layout| layout.name.clone()).collect()
        };
        assert_eq!(names(&layouts), ["fm-six-operator"]);
        layouts.add(own("mine", "F0 43"));
        layouts.add(own("more", "F0 43 xx 09"));
        assert_eq!(names(&layouts), ["more", "mine", "fm-six-operator"]);
        layouts.add(own("fm-six-operator", "F0 43 00 09 20"));
        assert_eq!(names(&layouts), ["fm-six-operator", "more", "mine"]);
        assert!(layouts.is_own("fm-six-operator"));
        assert!(!Layouts::builtin().is_own("fm-six-operator"));
        assert!(layouts.get("nobody").is_none());
        assert!(Layouts::none().fitting(&bank).is_empty());
    }
}
