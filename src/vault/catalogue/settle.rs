//! Arranging a section's takes after new sightings: the rules are in `model/timeline.rs`, here are the rows.

use std::collections::{BTreeMap, HashMap};

use rusqlite::params;

use super::Catalogue;
use super::apply::word;
use super::rows::{SightingRow, TakeRow};
use crate::error::Result;
use crate::model::date::{DatedBy, Moment, Until};
use crate::model::hash::Hash;
use crate::model::timeline::{self, Arrangement, Dated, Sighting, Standing};

/// A section's takes and sightings with their contents numbered, ready to be arranged.
#[derive(Debug, Default)]
pub struct SectionTimeline {
    /// Its takes, by number.
    pub takes: Vec<TakeRow>,
    /// Its sightings that were not corrected.
    pub rows: Vec<SightingRow>,
    /// Those that were.
    pub corrected: Vec<SightingRow>,
    /// The same for the timeline, in the same order; more may be added behind them.
    pub sightings: Vec<Sighting>,
    contents: HashMap<(Hash, bool), u32>,
    of_take: HashMap<i64, u32>,
}

impl SectionTimeline {
    /// The number of a content in this timeline, given when first asked for. What counts and what does not are two: the
    /// same bytes can be the memory one year and what was left of it the next.
    pub fn content(&mut self, hash: Hash, counts: bool) -> u32 {
        let next = self.contents.len() as u32;
        *self.contents.entry((hash, counts)).or_insert(next)
    }

    /// The number of a content, if it has one.
    pub fn content_number(&self, hash: &Hash, counts: bool) -> Option<u32> {
        self.contents.get(&(*hash, counts)).copied()
    }

    /// Arranges all sightings, with the takes that stand.
    pub fn arrange(&self) -> Arrangement {
        let standing: Vec<Standing> = self
            .takes
            .iter()
            .filter_map(|take| {
                let moment = take.anchor.0.parse().ok()?;
                Some(Standing {
                    number: take.number(),
                    content: *self.of_take.get(&take.id)?,
                    anchor: Some(Dated {
                        moment,
                        by: take.anchor.1,
                    }),
                })
            })
            .collect();
        timeline::arrange(&self.sightings, &standing)
    }

    /// The take that stood for the section at a moment.
    pub fn at(&self, moment: Until) -> Option<&TakeRow> {
        let arrangement = self.arrange();
        let number = timeline::newest(&arrangement.runs, Some(moment))?.number?;
        self.takes.iter().find(|t| t.number() == number)
    }
}

fn moment(text: &str) -> Moment {
    text.parse().unwrap_or(Moment::UNKNOWN)
}

impl Catalogue {
    /// Everything about a section's takes and when they were seen.
    pub fn timeline(&self, section: i64) -> Result<SectionTimeline> {
        self.timeline_of(section, self.sightings_of_section(section)?)
    }

    fn timeline_of(&self, section: i64, sightings: Vec<SightingRow>) -> Result<SectionTimeline> {
        let mut timeline = SectionTimeline {
            takes: self.takes_of_section(section)?,
            ..SectionTimeline::default()
        };
        let mut counts: HashMap<i64, bool> = HashMap::new();
        for index in 0..timeline.takes.len() {
            let (id, hash, counting) = {
                let take = &timeline.takes[index];
                (take.id, take.content, take.counts())
            };
            let content = timeline.content(hash, counting);
            timeline.of_take.insert(id, content);
            counts.insert(id, counting);
        }
        for row in sightings {
            if row.corrected {
                timeline.corrected.push(row);
                continue;
            }
            let Some(content) = timeline.of_take.get(&row.take).copied() else {
                continue;
            };
            timeline.sightings.push(Sighting {
                content,
                moment: moment(&row.date),
                by: row.by,
                counts: counts.get(&row.take).copied().unwrap_or(false),
            });
            timeline.rows.push(row);
        }
        Ok(timeline)
    }

    /// Arranges a section anew and writes what changed. Returns the row ids of takes whose date or standing moved.
    pub fn settle(&self, section: i64) -> Result<Vec<i64>> {
        let timeline = self.timeline_of(section, self.bare_sightings_of_section(section)?)?;
        let arrangement = timeline.arrange();
        let by_number: BTreeMap<u32, &TakeRow> =
            timeline.takes.iter().map(|t| (t.number(), t)).collect();
        let mut changed = Vec::new();
        for run in &arrangement.runs {
            let Some(number) = run.number else { continue };
            let Some(take) = by_number.get(&number) else {
                continue;
            };
            let newest = run.newest.moment.start_utc();
            let mut place = |take: &TakeRow, alias_of: Option<u32>| -> Result<()> {
                let date = run.date.moment.to_string();
                let start = run.date.moment.start_utc();
                if take.date == date
                    && take.dated_by == run.date.by
                    && take.start == start
                    && take.newest == newest
                    && take.alias_of == alias_of
                {
                    return Ok(());
                }
                self.conn
                    .prepare_cached(
                        "UPDATE take SET date = ?2, dated_by = ?3, start = ?4, newest = ?5, alias_of = ?6 WHERE id = ?1",
                    )?
                    .execute(params![
                        take.id,
                        date,
                        word(run.date.by, DatedBy::ALL),
                        start,
                        newest,
                        alias_of
                    ])?;
                changed.push(take.id);
                Ok(())
            };
            place(take, None)?;
            for alias in &run.aliases {
                if let Some(other) = by_number.get(alias) {
                    place(other, Some(number))?;
                }
            }
            for seen in &run.sightings {
                let Some(row) = timeline.rows.get(seen.index) else {
                    continue;
                };
                let moment = timeline.sightings[seen.index].moment;
                let in_effect = moment.is_known() || !run.date.moment.is_known();
                let counts = run.counts && in_effect && !seen.seen_again;
                let state: i64 = if seen.seen_again {
                    1
                } else if counts {
                    0
                } else {
                    3
                };
                if row.take != take.id
                    || row.counts != (state == 0)
                    || row.seen_again != (state == 1)
                {
                    self.conn
                        .prepare_cached("UPDATE sighting SET take = ?2, state = ?3 WHERE id = ?1")?
                        .execute(params![row.id, take.id, state])?;
                }
            }
        }
        Ok(changed)
    }
}
