//! The rows that a shell loop reads when nothing but stock tools is left: `takes/<first>-<last>.tsv`.
//!
//! Columns: device, section, take, date, condition, labels, hash, file name. No column is empty (`-` stands for
//! nothing) because a shell joins neighbouring tabs. The last row for a take holds.

use std::collections::BTreeSet;

use crate::error::Result;
use crate::vault::catalogue::{Catalogue, TakeRow};

/// Every table stays well under the size of a member.
const TABLE_BYTES: usize = 1 << 20;

/// The rows of `takes` (row ids), by device and number, cut into tables that each fit a member.
///
/// # Errors
/// As the catalogue's.
pub fn tables(catalogue: &Catalogue, takes: &BTreeSet<i64>) -> Result<Vec<String>> {
    let mut tables = Vec::new();
    let mut table = String::new();
    let mut device: Option<(i64, String)> = None;
    for id in takes {
        let Some(take) = catalogue.take(*id)? else {
            continue;
        };
        if device.as_ref().map(|d| d.0) != Some(take.device()) {
            device = Some((take.device(), catalogue.device_name(take.device())?));
        }
        let name = device.as_ref().map(|d| d.1.as_str()).unwrap_or_default();
        let labels = catalogue.labels_of_take(*id)?.join("; ");
        let file = catalogue.file_name_of_take(*id)?;
        table.push_str(&row(name, &take, &labels, &file));
        if table.len() >= TABLE_BYTES {
            tables.push(std::mem::take(&mut table));
        }
    }
    if !table.is_empty() {
        tables.push(table);
    }
    Ok(tables)
}

fn row(device: &str, take: &TakeRow, labels: &str, file: &str) -> String {
    let condition = if take.doubtful && take.vouched {
        "vouched"
    } else {
        take.condition().as_str()
    };
    let section = if take.loose {
        "loose"
    } else {
        take.section_name.as_str()
    };
    format!(
        "{}\t{}\t{}\t{}\t{condition}\t{}\t{}\t{}\n",
        column(device),
        column(section),
        take.number(),
        column(&take.date),
        column(labels),
        take.hash,
        column(file),
    )
}

/// A column of untrusted text: no tab, no line end, never empty.
fn column(text: &str) -> String {
    if text.is_empty() {
        return "-".to_string();
    }
    crate::sys::text::printable(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_are_never_empty_and_never_break_a_row() {
        assert_eq!(column(""), "-");
        assert_eq!(column("a\tb\nc\u{1b}"), "a\\x09b\\x0ac\\x1b");
    }
}
