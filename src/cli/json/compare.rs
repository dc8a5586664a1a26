//! What `compare` tells scripts.

use serde::Serialize;

use crate::layout::Change;
use crate::ops::compare::{self, What};

/// `compare`.
#[derive(Debug, Serialize)]
pub(crate) struct Comparison {
    a: String,
    b: String,
    same: bool,
    patches: Vec<Patch>,
    messages_changed: u64,
    sections: Vec<Section>,
}

#[derive(Debug, Serialize)]
struct Patch {
    section: String,
    number: u32,
    slot: String,
    name_a: Option<String>,
    name_b: Option<String>,
    change: &'static str,
    from: Option<u32>,
    bytes: Option<u64>,
}

#[derive(Debug, Serialize)]
struct Section {
    section: String,
    take_a: Option<u32>,
    take_b: Option<u32>,
    same: bool,
    by: &'static str,
    layout: Option<String>,
    messages: Vec<Message>,
    bytes: Option<u64>,
    files: Vec<File>,
}

#[derive(Debug, Serialize)]
struct Message {
    a: u64,
    b: u64,
    bytes: u64,
    ranges: Vec<(u64, u64)>,
}

#[derive(Debug, Serialize)]
struct File {
    path: String,
    change: &'static str,
}

impl Comparison {
    pub(crate) fn of(c: &compare::Comparison) -> Comparison {
        let mut out = Comparison {
            a: c.a.clone(),
            b: c.b.clone(),
            same: c.is_same(),
            patches: Vec::new(),
            messages_changed: 0,
            sections: Vec::new(),
        };
        for section in &c.sections {
            out.add(section);
        }
        out
    }

    fn add(&mut self, change: &compare::SectionChange) {
        let mut section = Section {
            section: change.section.clone(),
            take_a: change.take_a,
            take_b: change.take_b,
            same: change.what.is_same(),
            by: "content",
            layout: None,
            messages: Vec::new(),
            bytes: None,
            files: Vec::new(),
        };
        match &change.what {
            What::Same | What::Added | What::Gone | What::Differs => {}
            What::Patches {
                layout,
                patches,
                other_messages,
            } => {
                section.by = "patches";
                section.layout = Some(layout.clone());
                self.messages_changed += *other_messages as u64;
                self.patches.extend(patches.iter().map(|p| Patch {
                    section: change.section.clone(),
                    number: p.number,
                    slot: p.slot.clone(),
                    name_a: p.name_a.clone(),
                    name_b: p.name_b.clone(),
                    change: p.change.as_str(),
                    from: match p.change {
                        Change::Moved { from, .. } => Some(from),
                        _ => None,
                    },
                    bytes: match p.change {
                        Change::Changed { n_bytes } => Some(n_bytes as u64),
                        _ => None,
                    },
                }));
            }
            What::Messages(m) => {
                section.by = "messages";
                self.messages_changed += (m.n_changed + m.n_added + m.n_gone) as u64;
                section.messages = m
                    .changed
                    .iter()
                    .map(|m| Message {
                        a: m.message_a as u64 + 1,
                        b: m.message_b as u64 + 1,
                        bytes: m.n_bytes as u64,
                        ranges: m
                            .ranges
                            .iter()
                            .map(|r| (r.start as u64, r.end.saturating_sub(1) as u64))
                            .collect(),
                    })
                    .collect();
            }
            What::Bytes { n_bytes, .. } => {
                section.by = "bytes";
                section.bytes = Some(*n_bytes);
            }
            What::Files(files) => {
                section.by = "files";
                section.files = files
                    .iter()
                    .map(|(path, change)| File {
                        path: path.clone(),
                        change: change.as_str(),
                    })
                    .collect();
            }
        }
        self.sections.push(section);
    }
}
