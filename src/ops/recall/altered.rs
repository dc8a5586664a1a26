//! What is written instead of the bytes that were kept, where a person asks for it.
//!
//! The order is fixed: the patch is taken out, then the number is written in, then the messages become a MIDI file. The
//! kept bytes are read and checked first and stay as they are.

use super::Item;
use crate::error::{Error, Kind, Next, Result};
use crate::layout::{Layouts, Patch, one_patch, readdress_all};
use crate::midi::file::{self, Pace};
use crate::ops::opened::{Opened, open};
use crate::ops::refs::Named;
use crate::ops::{layouts, reread};
use crate::vault::Vault;
use crate::vault::catalogue::TakeRow;

/// How what is written differs from what was kept.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Altered {
    /// Only this patch.
    pub patch: Option<PatchRef>,
    /// For the unit with this SysEx number, 0 to 127.
    pub sysex_number: Option<u8>,
    /// As a MIDI file that plays at a pace the instrument can take.
    pub as_midi_file: bool,
}

/// Which patch: the text is its number from 1, its slot as the panel shows it, or its name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PatchRef(pub String);

/// Findings that say that something of a dump is not in its messages.
const TORN: &[&str] = &[
    "torn",
    "headless",
    "damaged-header",
    "damaged-track",
    "events-between",
];

impl PatchRef {
    /// What speaks for the patch, the strongest first: a number is a number, even where a slot is written like it.
    fn rank(&self, patch: &Patch) -> Option<u8> {
        let text = self.0.trim();
        let same = |other: &str| other.trim().eq_ignore_ascii_case(text);
        if text.parse() == Ok(patch.number) {
            Some(0)
        } else if same(&patch.slot) {
            Some(1)
        } else if patch.name.as_deref().is_some_and(same) {
            Some(2)
        } else {
            None
        }
    }
}

/// The takes to write, with what is written instead of their bytes.
///
/// # Errors
/// `NotFound` if no take holds the patch; `Usage` if several patches fit, or a take is no SysEx; `Refused` if the layout
/// does not tell how to do it.
pub(super) fn items<'t>(
    vault: &Vault,
    named: &'t Named,
    altered: &Altered,
) -> Result<Vec<Item<'t>>> {
    if *altered == Altered::default() {
        return Ok(named
            .takes
            .iter()
            .map(|take| Item {
                take,
                made: None,
                patch: None,
            })
            .collect());
    }
    let lens = reread::lens_of(vault, &layouts::known(vault)?, &named.device.name)?;
    let mut opened = Vec::new();
    for take in &named.takes {
        let open = open(vault, &lens, take)?;
        // Of a song, and of a dump that is torn, not all would be in what is written.
        let findings = vault.catalogue().findings_of_take(take.id)?;
        if let Some(torn) = findings.iter().find(|f| TORN.contains(&f.code.as_str())) {
            return Err(Error::new(
                Kind::Refused,
                format!(
                    "{} is not whole ({}), so it is written out only as it is; nothing was written",
                    name(named, take),
                    torn.message
                ),
            )
            .next(Next::run(
                "write it as it is",
                format!("recall {} --to PATH", name(named, take)),
            )));
        }
        if take.messages == 0 || open.messages.is_empty() {
            return Err(Error::usage(format!(
                "{} is no SysEx, so it can be written out only as it is",
                name(named, take)
            ))
            .next(Next::run(
                "write it as it is",
                format!("recall {} --to PATH", name(named, take)),
            )));
        }
        opened.push((take, open));
    }
    let mut chosen: Vec<(&TakeRow, Opened, Option<String>)> = match &altered.patch {
        None => opened.into_iter().map(|(t, o)| (t, o, None)).collect(),
        Some(patch) => vec![only_patch(named, opened, patch, &lens.layouts)?],
    };
    if let Some(number) = altered.sysex_number {
        for (take, open, _) in &mut chosen {
            open.messages = readdressed(named, take, open, number)?;
        }
    }
    if !altered.as_midi_file {
        return Ok(chosen
            .into_iter()
            .map(|(take, open, patch)| Item {
                take,
                made: Some(open.messages.concat()),
                patch,
            })
            .collect());
    }
    chosen
        .into_iter()
        .map(|(take, open, patch)| {
            Ok(Item {
                take,
                made: Some(as_midi_file(named, take, &open)?),
                patch,
            })
        })
        .collect()
}

fn name(named: &Named, take: &TakeRow) -> String {
    format!("{}@{}", named.device.name, take.number())
}

/// The take that holds the patch, with nothing but the message of that patch.
fn only_patch<'t>(
    named: &Named,
    opened: Vec<(&'t TakeRow, Opened)>,
    wanted: &PatchRef,
    known: &Layouts,
) -> Result<(&'t TakeRow, Opened, Option<String>)> {
    let mut fitting: Vec<(usize, Patch)> = Vec::new();
    let mut best = u8::MAX;
    for (index, (_, open)) in opened.iter().enumerate() {
        for patch in open.reading.iter().flat_map(|r| &r.patches) {
            let Some(rank) = wanted.rank(patch).filter(|rank| *rank <= best) else {
                continue;
            };
            if rank < best {
                best = rank;
                fitting.clear();
            }
            fitting.push((index, patch.clone()));
        }
    }
    let (index, patch) = match fitting.as_slice() {
        [one] => one.clone(),
        [] if opened
            .iter()
            .all(|(_, o)| o.reading.as_ref().is_none_or(|r| r.patches.is_empty())) =>
        {
            return Err(Error::new(
                Kind::Refused,
                format!(
                    "no layout tells where the patches of {} are; nothing was written",
                    named.device.name
                ),
            )
            .next(Next::say(
                "see the layouts there are with layout list, or have one proposed with layout draft",
            )));
        }
        [] => {
            return Err(Error::new(
                Kind::NotFound,
                format!("there is no patch {} in it; nothing was written", wanted.0),
            )
            .next(Next::run(
                "see its patches",
                format!("show {}", name(named, opened[0].0)),
            )));
        }
        several => {
            let listed: Vec<String> = several
                .iter()
                .take(8)
                .map(|(index, p)| {
                    let take = opened[*index].0;
                    let name = p.name.as_deref().unwrap_or("");
                    format!(
                        "{}/{} patch {} {name}",
                        named.device.name, take.section_name, p.number
                    )
                })
                .collect();
            return Err(Error::usage(format!(
                "{} could be {}; nothing was written",
                wanted.0,
                listed.join(", ")
            ))
            .next(Next::say("name one section and the patch by its number")));
        }
    };
    let Some((take, open)) = opened.into_iter().nth(index) else {
        return Err(Error::new(Kind::Bug, "a patch of no take"));
    };
    let Some(reading) = &open.reading else {
        return Err(Error::new(Kind::Bug, "a patch without a layout"));
    };
    let message = one_patch(&reading.layout, &open.slices(), &patch).map_err(|why| {
        Error::new(
            Kind::Refused,
            format!(
                "patch {} of {} cannot be written alone: {why}; nothing was written",
                patch.number,
                name(named, take)
            ),
        )
        .next(Next::run(
            "write the whole dump",
            format!("recall {} --to PATH", name(named, take)),
        ))
    })?;
    let mut reader = crate::layout::Reader::new(known, Some(&reading.layout.name));
    reader.push(&message);
    let title = match &patch.name {
        Some(name) => format!("{} {name}", patch.slot),
        None => patch.slot.clone(),
    };
    let opened = Opened {
        bytes: message.clone(),
        messages: vec![message],
        reading: reader.finish(),
    };
    Ok((take, opened, Some(title)))
}

fn readdressed(named: &Named, take: &TakeRow, open: &Opened, number: u8) -> Result<Vec<Vec<u8>>> {
    readdress_all(open.layout(), &open.slices(), number).map_err(|why| {
        Error::new(
            Kind::Refused,
            format!(
                "{} cannot be written for SysEx number {number}: {why}; nothing was written",
                name(named, take)
            ),
        )
        .next(Next::say(
            "set the new unit to the number that the dump has, or say where the number stands with a layout (layout draft)",
        ))
    })
}

fn as_midi_file(named: &Named, take: &TakeRow, open: &Opened) -> Result<Vec<u8>> {
    let standard = Pace::default();
    let pace = open.layout().map(|l| l.pace).map_or(standard, |pace| Pace {
        bytes_per_second: pace.bytes_per_second.unwrap_or(standard.bytes_per_second),
        pause_after_message_ms: pace.pause_ms.unwrap_or(standard.pause_after_message_ms),
    });
    file::write(open.slices(), pace, &name(named, take)).map_err(|why| {
        Error::new(
            Kind::Refused,
            format!("{} cannot be a MIDI file: {why}", name(named, take)),
        )
    })
}
