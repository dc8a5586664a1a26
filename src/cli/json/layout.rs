//! What `layout` tells scripts.

use serde::Serialize;

use super::Finding;
use crate::ops::layouts;
use crate::ops::reread::Reread;

/// `layout list`.
#[derive(Debug, Serialize)]
pub(crate) struct List {
    layouts: Vec<Listed>,
}

#[derive(Debug, Serialize)]
struct Listed {
    name: String,
    title: String,
    own: bool,
    usable: bool,
    devices: Vec<String>,
}

impl List {
    pub(crate) fn of(listed: &[layouts::Listed]) -> List {
        List {
            layouts: listed
                .iter()
                .map(|l| Listed {
                    name: l.name.clone(),
                    title: l.title.clone(),
                    own: l.own,
                    usable: l.usable,
                    devices: l.devices.clone(),
                })
                .collect(),
        }
    }
}

/// `layout show`.
#[derive(Debug, Serialize)]
pub(crate) struct Shown {
    name: String,
    title: String,
    source: Option<String>,
    own: bool,
    words: Vec<String>,
    text: String,
}

impl Shown {
    pub(crate) fn of(s: &layouts::Shown) -> Shown {
        Shown {
            name: s.layout.name.clone(),
            title: s.layout.title.clone(),
            source: s.layout.source.clone(),
            own: s.own,
            words: s.words.clone(),
            text: s.layout.text().to_string(),
        }
    }
}

/// `layout check`.
#[derive(Debug, Serialize)]
pub(crate) struct Checked {
    layout: Shown,
    dumps: Vec<Tried>,
}

#[derive(Debug, Serialize)]
struct Tried {
    path: String,
    messages: u64,
    fits: bool,
    section: Option<String>,
    loose: bool,
    sysex_number: Option<u8>,
    evidence: Option<&'static str>,
    findings: Vec<Finding>,
    patches: Vec<Patch>,
}

#[derive(Debug, Serialize)]
struct Patch {
    number: u32,
    slot: String,
    name: Option<String>,
}

impl Checked {
    pub(crate) fn of(shown: &layouts::Shown, tried: &[layouts::Tried]) -> Checked {
        let dumps = tried.iter().map(|t| {
            let r = t.reading.as_ref();
            Tried {
                path: t.path.display().to_string(),
                messages: t.messages,
                fits: r.is_some(),
                section: r.and_then(|r| r.section.clone()),
                loose: r.is_some_and(|r| r.loose),
                sysex_number: r.and_then(|r| r.sysex_number),
                evidence: r.map(|r| r.evidence.as_str()),
                findings: r.map_or(Vec::new(), |r| {
                    r.findings.iter().map(Finding::of_new).collect()
                }),
                patches: r.map_or(Vec::new(), |r| {
                    r.patches
                        .iter()
                        .map(|p| Patch {
                            number: p.number,
                            slot: p.slot.clone(),
                            name: p.name.clone(),
                        })
                        .collect()
                }),
            }
        });
        Checked {
            dumps: dumps.collect(),
            layout: Shown::of(shown),
        }
    }
}

/// `layout draft`.
#[derive(Debug, Serialize)]
pub(crate) struct Drafted {
    text: String,
    words: Vec<String>,
}

impl Drafted {
    pub(crate) fn of(text: &str, words: &[String]) -> Drafted {
        Drafted {
            text: text.to_string(),
            words: words.to_vec(),
        }
    }
}

/// `layout add`.
#[derive(Debug, Serialize)]
pub(crate) struct Added {
    layout: String,
    read: u64,
    changed: u64,
    doubtful: u64,
}

impl Added {
    pub(crate) fn of(layout: &str, read: &Reread) -> Added {
        Added {
            layout: layout.to_string(),
            read: read.read,
            changed: read.changed,
            doubtful: read.doubtful,
        }
    }
}

/// `layout drop`.
#[derive(Debug, Serialize)]
pub(crate) struct Dropped<'n> {
    pub(crate) dropped: &'n str,
}
