//! The heart of the model: from the set of sightings of one section to its takes.
//!
//! A *sighting* says that the section held a content at a date. A *run* is what becomes one take: a stretch of sightings of one
//! content. All of this is a function of the *set* of sightings, never of the order in which they were kept.
//!
//! 1. *Effective* are the captured, watched and given sightings of a content with a known date, and a file-dated one if it is
//!    the content's earliest sighting (unknown is earlier than any date). Only they separate takes, make the newest and count
//!    for recency.
//! 2. A later file-dated sighting is *seen again*: a copied folder is not a dump, also where the originals had no date.
//! 3. A content without effective sightings is one run of unknown date. Otherwise its sightings of unknown date lie in its
//!    first run and are not effective.
//! 4. One content is one run, dated at its earliest sighting, unless an effective sighting of another content that counts lies
//!    strictly between two of its effective sightings: then the later ones are a new run (the memory went back).
//! 5. Doubtful contents never separate others, are never split themselves and never stand for the section.
//! 6. A take that exists stays with the run that holds its anchor, the sighting it was made for. If that sighting is gone (a date
//!    was corrected) it goes to the nearest run of its content that has no take yet, or else to the nearest. Of several takes in
//!    one run the lowest number stands and the others are its aliases: they say the same now.
//! 7. Sightings seen again lie in the latest run of their content that begins at or before them.
//! 8. At a moment the section holds the run with the latest effective sighting by then; of several, the one with the higher
//!    take number; runs of unknown date only where nothing dated stands.
//!
//! Order and "between" go by [`Moment::start_utc`].

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet, HashMap};

use crate::model::date::{DatedBy, Moment, Precision, Until};

/// A date and how it is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Dated {
    /// The date.
    pub moment: Moment,
    /// How it is known.
    pub by: DatedBy,
}

/// That the section held a content at a date.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Sighting {
    /// The content, as a number that the caller gives to each different one.
    pub content: u32,
    /// When.
    pub moment: Moment,
    /// How that is known.
    pub by: DatedBy,
    /// False for a doubtful content. One sighting that counts is enough for a content to count.
    pub counts: bool,
}

/// A take that exists already.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Standing {
    /// Its number in the device.
    pub number: u32,
    /// Its content.
    pub content: u32,
    /// The sighting it was made for.
    pub anchor: Option<Dated>,
}

/// One sighting as part of a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Seen {
    /// Place of the sighting in the slice that was arranged.
    pub index: usize,
    /// Whether it is a later file-dated sighting (rule 2).
    pub seen_again: bool,
}

/// A stretch of sightings of one content: what is one take.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Run {
    /// The content.
    pub content: u32,
    /// False for a doubtful content.
    pub counts: bool,
    /// The take that it is; `None` if a new one is needed.
    pub number: Option<u32>,
    /// Further takes that say the same now, ascending.
    pub aliases: Vec<u32>,
    /// The earliest sighting: the take's date. Of several at one instant the best known, then the most exact.
    pub date: Dated,
    /// The latest effective sighting, chosen alike; equal to `date` if no date is known.
    pub newest: Dated,
    /// The moments of all effective sightings, ascending; empty if no date is known.
    pub effective: Vec<Moment>,
    /// All sightings of the run, by index.
    pub sightings: Vec<Seen>,
}

/// The sightings of one section, arranged.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Arrangement {
    /// The runs by date, unknown first, then by content.
    pub runs: Vec<Run>,
    /// For each sighting, in the order given, the place of its run in `runs`.
    pub run_of: Vec<usize>,
    /// Numbers of takes of whose content there is no sighting, ascending.
    pub unplaced: Vec<u32>,
}

/// Arranges the sightings of one section by the rules above.
///
/// Both slices are sets: order and repetition change nothing but the indices. Never fails. Takes O(n log n).
pub fn arrange(sightings: &[Sighting], standing: &[Standing]) -> Arrangement {
    let mut order: Vec<usize> = (0..sightings.len()).collect();
    order.sort_by_key(|&index| {
        let Sighting {
            content,
            moment,
            by,
            ..
        } = sightings[index];
        let exact_first = Reverse(moment.precision());
        (content, moment.start_utc(), by, exact_first, index)
    });
    let contents: Vec<Content> = order
        .chunk_by(|&a, &b| sightings[a].content == sightings[b].content)
        .map(|indices| Content::new(sightings, indices))
        .collect();

    let mut takes: BTreeMap<u32, BTreeMap<u32, Option<Dated>>> = BTreeMap::new();
    for take in standing {
        let of_content = takes.entry(take.content).or_default();
        of_content.insert(take.number, take.anchor);
    }

    let separators = separators(&contents);
    let mut runs = Vec::new();
    for content in &contents {
        let mut of_content = content.runs(sightings, &separators);
        if let Some(takes) = takes.remove(&content.id) {
            number(&mut of_content, sightings, &takes);
        }
        runs.append(&mut of_content);
    }
    // Stable: the runs of one content stay in order.
    runs.sort_by_key(|run| (run.date.moment.start_utc(), run.content));

    let mut run_of = vec![0; sightings.len()];
    for (at, run) in runs.iter().enumerate() {
        for seen in &run.sightings {
            run_of[seen.index] = at;
        }
    }
    let unplaced: BTreeSet<u32> = takes.into_values().flat_map(BTreeMap::into_keys).collect();
    Arrangement {
        runs,
        run_of,
        unplaced: unplaced.into_iter().collect(),
    }
}

/// The run that the section held `at` a moment (`None`: of all), rule 8; `None` if nothing that counts was seen by then.
///
/// A run without a number yet ranks above every number, as the number it gets will be higher; of several such the later in
/// the slice.
pub fn newest(runs: &[Run], at: Option<Until>) -> Option<&Run> {
    let stands = |run: &Run| -> Option<Option<i64>> {
        if !run.date.moment.is_known() {
            return Some(None);
        }
        let mut latest_first = run.effective.iter().rev();
        let seen = latest_first.find(|&&moment| at.is_none_or(|until| until.includes(moment)));
        seen.map(|moment| moment.start_utc())
    };
    runs.iter()
        .filter(|run| run.counts)
        .filter_map(|run| Some(((stands(run)?, run.number.is_none(), run.number), run)))
        .max_by_key(|&(rank, _)| rank)
        .map(|(_, run)| run)
}

/// The contents whose takes get the note `date-copied`: three or more different ones that are dated by file times within one
/// minute. Copying a folder without its times does that.
///
/// Only dates of takes are looked at: what is merely seen again has its date from elsewhere.
pub fn date_copied(runs: &[Run]) -> BTreeSet<u32> {
    const WINDOW_S: i64 = 60;
    let mut times: Vec<(i64, u32)> = runs
        .iter()
        .filter(|run| run.date.by == DatedBy::File)
        .filter(|run| run.date.moment.precision() == Precision::Instant)
        .filter_map(|run| Some((run.date.moment.start_utc()?, run.content)))
        .collect();
    times.sort_unstable();
    times.dedup();

    let mut copied = BTreeSet::new();
    let mut inside: HashMap<u32, usize> = HashMap::new();
    let (mut first, mut told) = (0, 0);
    for (last, &(time, content)) in times.iter().enumerate() {
        *inside.entry(content).or_default() += 1;
        while time - times[first].0 > WINDOW_S {
            let leaving = times[first].1;
            if let Some(count) = inside.get_mut(&leaving) {
                *count -= 1;
                if *count == 0 {
                    inside.remove(&leaving);
                }
            }
            first += 1;
        }
        if inside.len() >= 3 {
            // Each time is told once, however many windows hold it.
            let from = first.max(told);
            copied.extend(times[from..=last].iter().map(|&(_, content)| content));
            told = last + 1;
        }
    }
    copied
}

impl Arrangement {
    /// The places in `runs` of those that need a new take, in the order in which to number them: by date, unknown first, then
    /// by `tie` of the content (such as the path of its file), then by content.
    pub fn new_runs_in_order<K: Ord>(&self, tie: impl Fn(u32) -> K) -> Vec<usize> {
        let mut new: Vec<usize> = (0..self.runs.len())
            .filter(|&at| self.runs[at].number.is_none())
            .collect();
        new.sort_by_cached_key(|&at| {
            let run = &self.runs[at];
            (run.date.moment.start_utc(), tie(run.content), run.content)
        });
        new
    }
}

/// The sightings of one content.
struct Content<'a> {
    id: u32,
    counts: bool,
    /// Indices of sightings of unknown date.
    unknown: &'a [usize],
    /// (index, start in UTC) of effective sightings, ascending; at one instant the best known and most exact first.
    effective: Vec<(usize, i64)>,
    /// The same of sightings seen again.
    again: Vec<(usize, i64)>,
}

impl<'a> Content<'a> {
    /// From the indices of all its sightings (at least one), sorted as `arrange` does.
    fn new(sightings: &[Sighting], indices: &'a [usize]) -> Content<'a> {
        let n_unknown =
            indices.partition_point(|&index| sightings[index].moment.start_utc().is_none());
        let (unknown, known) = indices.split_at(n_unknown);
        let dated: Vec<(usize, i64)> = known
            .iter()
            .filter_map(|&index| Some((index, sightings[index].moment.start_utc()?)))
            .collect();
        let earliest = dated.first().map(|&(_, start)| start);
        // Rules 1 and 2.
        let (effective, again) = dated.iter().partition(|&&(index, start)| {
            let first_known = unknown.is_empty() && Some(start) == earliest;
            sightings[index].by != DatedBy::File || first_known
        });
        Content {
            id: sightings[indices[0]].content,
            counts: indices.iter().any(|&index| sightings[index].counts),
            unknown,
            effective,
            again,
        }
    }

    /// Its runs, in order (rules 3, 4, 5 and 7), not yet numbered.
    fn runs(&self, sightings: &[Sighting], separators: &[i64]) -> Vec<Run> {
        let stretches: Vec<&[(usize, i64)]> = self
            .effective
            .chunk_by(|&(_, a), &(_, b)| !self.counts || !any_between(separators, a, b))
            .collect();
        if stretches.is_empty() {
            return vec![self.run(sightings, &[], &self.again, self.unknown)];
        }
        let mut again = &self.again[..];
        let mut runs = Vec::with_capacity(stretches.len());
        for (n, stretch) in stretches.iter().enumerate() {
            let next = stretches.get(n + 1).map(|stretch| stretch[0].1);
            let until = again.partition_point(|&(_, start)| next.is_none_or(|next| start < next));
            let (here, later) = again.split_at(until);
            again = later;
            let unknown = if n == 0 { self.unknown } else { &[] };
            runs.push(self.run(sightings, stretch, here, unknown));
        }
        runs
    }

    /// One run from its parts, of which `stretch` or `unknown` has an element.
    fn run(
        &self,
        sightings: &[Sighting],
        stretch: &[(usize, i64)],
        again: &[(usize, i64)],
        unknown: &[usize],
    ) -> Run {
        let dated = |index: usize| Dated {
            moment: sightings[index].moment,
            by: sightings[index].by,
        };
        let last_start = stretch.last().map(|&(_, start)| start);
        let latest = stretch.partition_point(|&(_, start)| Some(start) < last_start);
        let (date, newest) = match (stretch.first(), stretch.get(latest)) {
            (Some(&(first, _)), Some(&(latest, _))) => (dated(first), dated(latest)),
            _ => (dated(unknown[0]), dated(unknown[0])),
        };
        let mut effective: Vec<Moment> = stretch
            .iter()
            .map(|&(index, _)| sightings[index].moment)
            .collect();
        effective.sort_unstable();
        effective.dedup();

        let seen = |seen_again| move |index| Seen { index, seen_again };
        let mut seen: Vec<Seen> = stretch
            .iter()
            .map(|&(index, _)| index)
            .chain(unknown.iter().copied())
            .map(seen(false))
            .chain(again.iter().map(|&(index, _)| index).map(seen(true)))
            .collect();
        seen.sort_unstable_by_key(|seen| seen.index);
        Run {
            content: self.id,
            counts: self.counts,
            number: None,
            aliases: Vec::new(),
            date,
            newest,
            effective,
            sightings: seen,
        }
    }
}

/// The instants of all effective sightings of contents that count, ascending.
fn separators(contents: &[Content]) -> Vec<i64> {
    let mut instants: Vec<i64> = contents
        .iter()
        .filter(|content| content.counts)
        .flat_map(|content| content.effective.iter().map(|&(_, start)| start))
        .collect();
    instants.sort_unstable();
    instants.dedup();
    instants
}

/// Whether a separator lies strictly between two instants. For neighbouring sightings of one content it is another's.
fn any_between(separators: &[i64], a: i64, b: i64) -> bool {
    let after = separators.partition_point(|&instant| instant <= a);
    separators.get(after).is_some_and(|&instant| instant < b)
}

/// Matches the takes of one content with its runs, which are in order (rule 6).
fn number(runs: &mut [Run], sightings: &[Sighting], takes: &BTreeMap<u32, Option<Dated>>) {
    let mut holder: HashMap<Dated, usize> = HashMap::new();
    for (at, run) in runs.iter().enumerate() {
        for seen in &run.sightings {
            let Sighting { moment, by, .. } = sightings[seen.index];
            holder.insert(Dated { moment, by }, at);
        }
    }
    let mut numbers: Vec<BTreeSet<u32>> = vec![BTreeSet::new(); runs.len()];
    let mut adrift = Vec::new();
    for (&number, &anchor) in takes {
        match anchor.and_then(|anchor| holder.get(&anchor)) {
            Some(&at) => {
                numbers[at].insert(number);
            }
            None => adrift.push((number, anchor)),
        }
    }
    let mut free: BTreeSet<usize> = (0..runs.len())
        .filter(|&at| numbers[at].is_empty())
        .collect();
    for (number, anchor) in adrift {
        let at = match anchor.and_then(|anchor| anchor.moment.start_utc()) {
            Some(start) => nearest(runs, &free, start),
            None => free.first().copied().unwrap_or(0),
        };
        free.remove(&at);
        numbers[at].insert(number);
    }
    for (run, mut numbers) in runs.iter_mut().zip(numbers) {
        run.number = numbers.pop_first();
        run.aliases = numbers.into_iter().collect();
    }
}

/// The run nearest to `start` among the `free` ones, or among all if none is; the earlier of two equally near.
fn nearest(runs: &[Run], free: &BTreeSet<usize>, start: i64) -> usize {
    // Runs of one content follow each other, so only the neighbours on both sides can be nearest.
    let begun = runs.partition_point(|run| run.date.moment.start_utc() <= Some(start));
    let (before, after) = if free.is_empty() {
        let after = (begun < runs.len()).then_some(begun);
        (begun.checked_sub(1), after)
    } else {
        (
            free.range(..begun).next_back().copied(),
            free.range(begun..).next().copied(),
        )
    };
    match (before, after) {
        (Some(before), Some(after)) => {
            let ended = runs[before].newest.moment.start_utc().unwrap_or(start);
            let begins = runs[after].date.moment.start_utc().unwrap_or(start);
            if (start - ended).max(0) <= begins - start {
                before
            } else {
                after
            }
        }
        (Some(only), None) | (None, Some(only)) => only,
        // A content has at least one run.
        (None, None) => 0,
    }
}

#[cfg(test)]
mod tests;
