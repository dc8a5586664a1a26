//! Reading takes anew that were made before the program, or a layout, knew what it knows now.
//!
//! The bytes stay as they are (I1). What they are taken for is told by a ledger event where it is something else than
//! before; patch names go into the catalogue. What only the history of that day could say stays with the take.

use std::io::{self, Write};
use std::time::Duration;

use crate::error::Result;
use crate::intake::examine::{Examined, Examiner, Lens};
use crate::model::contents::READING;
use crate::model::take::{Condition, Finding};
use crate::ops::layouts;
use crate::vault::Vault;
use crate::vault::catalogue::{Form, TakeRow};
use crate::vault::keeping::{HISTORY_CODES, finding};
use crate::vault::ledger::{self, Event};
use crate::vault::pieces::Pieces;
use crate::vault::writer::Writer;

/// So many takes are read before the lock is let go of once.
const GROUP: usize = 500;

/// What reading anew came to.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Reread {
    /// Takes that were read.
    pub read: u64,
    /// Of those, takes that are taken for something else now.
    pub changed: u64,
    /// Takes that are doubtful since.
    pub doubtful: u64,
    /// True if there are more to read.
    pub more: bool,
}

/// Reads takes anew that have to be, at most about `most` of them. Does nothing, and says so by `more`, on a read-only disk.
///
/// # Errors
/// `Busy` if another writer stays longer than `wait`; as the writer's. What was read by then stays read.
pub fn bring_up_to_date(vault: &Vault, most: usize, wait: Duration) -> Result<Reread> {
    let catalogue = vault.catalogue();
    let mut out = Reread::default();
    if catalogue.is_read_by(READING)? && catalogue.unread_takes(0, 1)?.is_empty() {
        return Ok(out);
    }
    if catalogue.is_read_only()? {
        out.more = true;
        return Ok(out);
    }
    let (mut after, mut looked_at) = (0, 0);
    loop {
        let mut writer = vault.writer(wait)?;
        if !catalogue.is_read_by(READING)? {
            catalogue.read_all_anew(READING)?;
        }
        // Under the lock: another command may have added one since.
        let known = layouts::known(vault)?;
        let group = catalogue.unread_takes(after, GROUP)?;
        let Some(last) = group.last() else {
            writer.commit()?;
            return Ok(out);
        };
        after = *last;
        looked_at += group.len();
        for id in group {
            if let Some(take) = catalogue.take(id)? {
                read_one(&mut writer, &known, &take, &mut out)?;
            }
        }
        writer.commit()?;
        if looked_at >= most {
            out.more = !catalogue.unread_takes(after, 1)?.is_empty();
            return Ok(out);
        }
    }
}

/// What a take holds, read as it would be if it came in today; `None` for a folder.
///
/// # Errors
/// `Damaged` if its bytes are not good any more.
pub fn examined(vault: &Vault, lens: &Lens, take: &TakeRow) -> Result<Option<Examined>> {
    if take.form == Form::Folder {
        return Ok(None);
    }
    let name = vault.catalogue().file_name_of_take(take.id)?;
    let mut reader = Reading(Examiner::new(&name, lens));
    Pieces::new(vault).copy(&take.hash, &mut reader)?;
    Ok(Some(reader.0.finish()))
}

/// With what the takes of a device are read.
///
/// # Errors
/// As the catalogue's.
pub fn lens_of(vault: &Vault, known: &crate::layout::Layouts, device: &str) -> Result<Lens> {
    let device = vault.catalogue().device(device)?;
    Ok(Lens {
        layouts: known.clone(),
        preferred: device.and_then(|d| d.record.layout),
    })
}

struct Reading<'l>(Examiner<'l>);

impl Write for Reading<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.push(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn read_one(
    writer: &mut Writer<'_>,
    known: &crate::layout::Layouts,
    take: &TakeRow,
    out: &mut Reread,
) -> Result<()> {
    let vault = writer.vault();
    let catalogue = vault.catalogue();
    let device = catalogue.device_name(take.device())?;
    let lens = lens_of(vault, known, &device)?;
    let Ok(examined) = examined(vault, &lens, take) else {
        // Its bytes are damaged here: it is read when they are good again.
        return Ok(());
    };
    out.read += 1;
    let Some(examined) = examined else {
        return catalogue.set_patches(take.id, std::iter::empty());
    };
    if examined.sysex
        && let Some(event) = new_reading(vault, &device, take, &examined)?
    {
        out.changed += 1;
        out.doubtful += u64::from(event.doubtful && !take.doubtful && !take.vouched);
        writer.record(&Event::Reading(event))?;
    }
    catalogue.set_patches(take.id, examined.contents.patches.named())
}

/// What is told of a take that is taken for something else now; `None` if nothing changed.
fn new_reading(
    vault: &Vault,
    device: &str,
    take: &TakeRow,
    examined: &Examined,
) -> Result<Option<ledger::Reading>> {
    let before = vault.catalogue().findings_of_take(take.id)?;
    let mut findings: Vec<Finding> = examined.findings.clone();
    findings.extend(
        before
            .iter()
            .filter(|f| HISTORY_CODES.contains(&f.code.as_str()))
            .map(|f| Finding::new(f.code.clone(), f.severity, f.message.clone())),
    );
    let content = examined.content.unwrap_or(take.hash);
    let doubtful = Condition::of(&findings) == Condition::Doubtful;
    let said = |codes: Vec<(String, crate::model::take::Severity)>| {
        let mut codes = codes;
        codes.sort();
        codes
    };
    let same_findings = said(
        before
            .iter()
            .map(|f| (f.code.clone(), f.severity))
            .collect(),
    ) == said(
        findings
            .iter()
            .map(|f| (f.code.to_string(), f.severity))
            .collect(),
    );
    // Evidence that came from elsewhere, such as a dump made twice, is more than bytes can say.
    let evidence = if take.vouched {
        take.evidence
    } else {
        examined.evidence
    };
    if same_findings
        && doubtful == take.doubtful
        && evidence == take.evidence
        && content == take.content
        && examined.messages == take.messages
        && examined.key == take.key
        && examined.contents.sysex_number == take.sysex_number
    {
        return Ok(None);
    }
    Ok(Some(ledger::Reading {
        device: device.to_string(),
        take: take.number(),
        key: (examined.key != take.key).then(|| examined.key.clone()),
        content: (content != take.content).then(|| content.to_string()),
        messages: examined.messages,
        doubtful,
        evidence: evidence.to_string(),
        sysex_number: examined.contents.sysex_number,
        findings: findings.iter().map(finding).collect(),
    }))
}
