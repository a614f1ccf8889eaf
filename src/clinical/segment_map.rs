//! The segment map: segments by days by sides, and what changed between first and latest.
//!
//! A grade is compared with a grade, a class with a class, and only within one test and side.
//! Examiners agree poorly on single segments, so a change is a *recorded change* and never claimed
//! to exceed an error. What was not tested is not normal. Readings of both sides and central ones
//! stand for left and right alike.
//! Rules: towards normal = |first - 3| - |latest - 3|; stiff below 3, loose above 3.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use crate::clinical::segment::{Class, Mobility, Reading, Segment, Side};
use crate::clinical::series::{Ends, ends};
use crate::clinical::source::{Day, Source, sources};

/// The map of one episode.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct SegmentMap {
    /// The days with at least one reading.
    pub days: Vec<Day>,
    /// One cell for each segment, day and side that was tested.
    pub cells: Vec<Cell>,
    /// First against latest, for each segment, side and test.
    pub changes: Vec<Change>,
    /// Counts over the first known value of each side.
    pub first: Counts,
    /// Counts over the latest known value of each side.
    pub latest: Counts,
    /// Runs of loose segments in the latest values, with their neighbours.
    pub loose_runs: Vec<LooseRun>,
    /// Readings of the same segment, side, test and day that disagree.
    pub contradictions: Vec<Contradiction>,
}

/// What was found on one day at one side of one segment.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Cell {
    /// The segment.
    pub segment: Segment,
    /// The day.
    pub day: Day,
    /// Left or right.
    pub side: Side,
    /// The mobility; of several readings the last one furthest from normal. None where the segment
    /// could not be tested, which is no assessment and no part of a comparison.
    pub mobility: Option<Mobility>,
    /// Whether several readings of that day differ.
    pub differs: bool,
    /// The readings.
    pub sources: Vec<Source>,
}

/// First against latest for one segment, side and test.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Change {
    /// The segment.
    pub segment: Segment,
    /// Left or right.
    pub side: Side,
    /// The code of the test, where recorded.
    pub test: Option<String>,
    /// The first mobility and its day.
    pub first: Point,
    /// The latest mobility on a later day.
    pub latest: Option<Point>,
    /// What the two were compared by.
    pub compared_by: Option<Scale>,
    /// Latest minus first, in grades; only where both are grades.
    pub grades: Option<i8>,
    /// |first - 3| - |latest - 3|, in grades; only where both are grades.
    pub towards_normal: Option<i8>,
    /// The kind of change.
    pub class: ChangeClass,
    /// Whether different examiners took the two readings.
    pub other_examiner: bool,
    /// The readings compared.
    pub sources: Vec<Source>,
}

/// A mobility on a day.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct Point {
    /// The day.
    pub day: Day,
    /// The mobility.
    pub mobility: Mobility,
}

/// The scale on which two readings were compared.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Scale {
    /// Grade with grade.
    Grade,
    /// Class with class, as at least one reading has no grade.
    Class,
}

/// The kinds of change.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ChangeClass {
    /// Not normal at first, normal at the latest.
    Normalised,
    /// Nearer to normal.
    TowardsNormal,
    /// The same.
    Unchanged,
    /// From stiff to loose or from loose to stiff.
    Crossed,
    /// Further from normal.
    AwayFromNormal,
    /// Tested for the first time after the first mapped day, and once only.
    NewlyAssessed,
    /// Tested on the first mapped day only.
    NotReassessed,
    /// Readings of one moment disagree; no change is computed.
    Contradicted,
}

/// Counts of sides and segments. Untested sides are in none of them.
#[derive(Clone, Default, PartialEq, Eq, Debug, Serialize)]
pub struct Counts {
    /// Sides with a known mobility.
    pub sides: u32,
    /// Sides graded hypomobile.
    pub hypomobile_sides: u32,
    /// Sides graded normal.
    pub normal_sides: u32,
    /// Sides graded hypermobile.
    pub hypermobile_sides: u32,
    /// Segments with a hypomobile side.
    pub hypomobile: Vec<Segment>,
    /// Segments with a hypermobile side.
    pub hypermobile: Vec<Segment>,
    /// Segments whose known sides are all normal.
    pub normal: Vec<Segment>,
}

/// Adjoining segments with a loose side, and whether stiff ones adjoin the run.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct LooseRun {
    /// The loose segments, from the head downwards.
    pub segments: Vec<Segment>,
    /// The segment above, where it is known to be stiff.
    pub stiff_above: Option<Segment>,
    /// The segment below, where it is known to be stiff.
    pub stiff_below: Option<Segment>,
}

/// Readings of one segment, side, test and day that disagree.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Contradiction {
    /// The segment.
    pub segment: Segment,
    /// Left or right.
    pub side: Side,
    /// The day.
    pub day: Day,
    /// The values, in the order of recording.
    pub values: Vec<Mobility>,
    /// The readings.
    pub sources: Vec<Source>,
}

type Key = (Segment, Side, Option<String>);

/// The map of readings sorted by moment.
pub fn map(readings: &[Reading]) -> SegmentMap {
    let days: BTreeSet<Day> = readings.iter().map(|reading| reading.seen.at.day).collect();
    let cells = cells(readings);
    let mut series: BTreeMap<Key, Vec<&Reading>> = BTreeMap::new();
    for reading in readings.iter().filter(|reading| reading.mobility.is_some()) {
        for side in reading.side.sides() {
            let key = (reading.segment, *side, reading.test.clone());
            series.entry(key).or_default().push(reading);
        }
    }
    let first_day = days.first().copied();
    let changes = series.iter().filter_map(|(key, all)| change(key, all, first_day)).collect();
    let contradictions = series.iter().flat_map(|(key, all)| contradictions(key, all)).collect();
    let first = known_sides(cells.iter().rev());
    let latest = known_sides(cells.iter());
    SegmentMap {
        days: days.into_iter().collect(),
        changes,
        contradictions,
        first: counts(&first),
        latest: counts(&latest),
        loose_runs: loose_runs(&latest),
        cells,
    }
}

/// One cell for each day, segment and side, days first.
fn cells(readings: &[Reading]) -> Vec<Cell> {
    let mut groups: BTreeMap<(Day, Segment, Side), Vec<&Reading>> = BTreeMap::new();
    for reading in readings {
        for side in reading.side.sides() {
            let key = (reading.seen.at.day, reading.segment, *side);
            groups.entry(key).or_default().push(reading);
        }
    }
    let cell = |((day, segment, side), group): (_, Vec<&Reading>)| {
        let known: Vec<Mobility> = group.iter().filter_map(|reading| reading.mobility).collect();
        Cell {
            segment,
            day,
            side,
            mobility: known.iter().copied().max_by_key(|mobility| mobility.distance()),
            differs: known.windows(2).any(|pair| pair.first() != pair.last()),
            sources: sources(group.iter().map(|reading| &reading.seen.source)),
        }
    };
    groups.into_iter().map(cell).collect()
}

fn change(key: &Key, series: &[&Reading], first_day: Option<Day>) -> Option<Change> {
    let found = ends(series, |reading| reading.seen.at, |a, b| a.mobility == b.mobility);
    let (first, latest, contradicted) = match found {
        Ends::None => return None,
        Ends::One(first) => (first, None, false),
        Ends::Two(first, latest) => (first, Some(latest), false),
        Ends::Contradicted(first, latest) => {
            let later = first.seen.at.day != latest.seen.at.day;
            (first, later.then_some(latest), true)
        }
    };
    let point =
        |reading: &Reading| Some(Point { day: reading.seen.at.day, mobility: reading.mobility? });
    let (from, to) = (point(first)?, latest.and_then(point));
    let compared = to.filter(|_| !contradicted).map(|to| (from.mobility, to.mobility));
    let grades = compared.and_then(|(before, after)| before.grade.zip(after.grade));
    let steps = |from: u8, to: u8| i8::try_from(i16::from(to) - i16::from(from)).ok();
    let class = match compared {
        _ if contradicted => ChangeClass::Contradicted,
        Some((before, after)) => change_class(before, after),
        None if Some(first.seen.at.day) == first_day => ChangeClass::NotReassessed,
        None => ChangeClass::NewlyAssessed,
    };
    let used = if contradicted {
        series.to_vec()
    } else {
        [Some(first), latest].into_iter().flatten().collect()
    };
    let by_grade = |_| if grades.is_some() { Scale::Grade } else { Scale::Class };
    Some(Change {
        segment: key.0,
        side: key.1,
        test: key.2.clone(),
        first: from,
        latest: to,
        compared_by: compared.map(by_grade),
        grades: grades.and_then(|(before, after)| steps(before, after)),
        towards_normal: grades
            .and_then(|(before, after)| steps(after.abs_diff(3), before.abs_diff(3))),
        class,
        other_examiner: latest.is_some_and(|latest| latest.seen.by != first.seen.by),
        sources: sources(used.iter().map(|reading| &reading.seen.source)),
    })
}

/// The kind of change between two mobilities; by grade where both have one, else by class.
fn change_class(before: Mobility, after: Mobility) -> ChangeClass {
    let (before, after) = match before.grade.zip(after.grade) {
        Some(_) => (before, after),
        None => (Mobility::of_class(before.class), Mobility::of_class(after.class)),
    };
    match (before.class, after.class) {
        _ if before == after => ChangeClass::Unchanged,
        (_, Class::Normal) => ChangeClass::Normalised,
        (Class::Hypomobile, Class::Hypermobile) | (Class::Hypermobile, Class::Hypomobile) => {
            ChangeClass::Crossed
        }
        _ if after.distance() < before.distance() => ChangeClass::TowardsNormal,
        _ => ChangeClass::AwayFromNormal,
    }
}

fn contradictions(key: &Key, series: &[&Reading]) -> Vec<Contradiction> {
    let mut days: BTreeMap<Day, Vec<&Reading>> = BTreeMap::new();
    for reading in series {
        days.entry(reading.seen.at.day).or_default().push(reading);
    }
    let found = days.into_iter().filter_map(|(day, group)| {
        let values: Vec<Mobility> = group.iter().filter_map(|reading| reading.mobility).collect();
        values.windows(2).any(|pair| pair.first() != pair.last()).then(|| Contradiction {
            segment: key.0,
            side: key.1,
            day,
            values,
            sources: sources(group.iter().map(|reading| &reading.seen.source)),
        })
    });
    found.collect()
}

type Known = BTreeMap<Segment, BTreeMap<Side, Class>>;

/// The last known class of each side in the order given.
fn known_sides<'a>(cells: impl Iterator<Item = &'a Cell>) -> Known {
    let mut known = Known::new();
    for cell in cells {
        if let Some(mobility) = cell.mobility {
            known.entry(cell.segment).or_default().insert(cell.side, mobility.class);
        }
    }
    known
}

fn counts(known: &Known) -> Counts {
    let mut counts = Counts::default();
    for (segment, sides) in known {
        let has = |class| sides.values().any(|found| *found == class);
        for class in sides.values() {
            counts.sides += 1;
            match class {
                Class::Hypomobile => counts.hypomobile_sides += 1,
                Class::Normal => counts.normal_sides += 1,
                Class::Hypermobile => counts.hypermobile_sides += 1,
            }
        }
        if has(Class::Hypomobile) {
            counts.hypomobile.push(*segment);
        }
        if has(Class::Hypermobile) {
            counts.hypermobile.push(*segment);
        }
        if !has(Class::Hypomobile) && !has(Class::Hypermobile) {
            counts.normal.push(*segment);
        }
    }
    counts
}

fn loose_runs(known: &Known) -> Vec<LooseRun> {
    let has = |segment: Segment, class| {
        known.get(&segment).is_some_and(|sides| sides.values().any(|found| *found == class))
    };
    let stiff = |segment: Option<Segment>| segment.filter(|s| has(*s, Class::Hypomobile));
    let mut runs: Vec<LooseRun> = Vec::new();
    for segment in Segment::all().filter(|segment| has(*segment, Class::Hypermobile)) {
        let adjoins = |run: &LooseRun| run.segments.last().copied() == segment.above();
        match runs.last_mut().filter(|run| adjoins(run)) {
            Some(run) => run.segments.push(segment),
            None => runs.push(LooseRun {
                segments: vec![segment],
                stiff_above: stiff(segment.above()),
                stiff_below: None,
            }),
        }
        if let Some(run) = runs.last_mut() {
            run.stiff_below = stiff(segment.below());
        }
    }
    runs
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(before: u8, after: u8, class: ChangeClass) {
        let mobility = |grade| Mobility::of_grade(grade).unwrap();
        assert_eq!(change_class(mobility(before), mobility(after)), class, "{before} -> {after}");
    }

    #[test]
    fn classes_of_change() {
        check(2, 3, ChangeClass::Normalised);
        check(5, 3, ChangeClass::Normalised);
        check(1, 2, ChangeClass::TowardsNormal);
        check(5, 4, ChangeClass::TowardsNormal);
        check(3, 3, ChangeClass::Unchanged);
        check(2, 2, ChangeClass::Unchanged);
        check(3, 4, ChangeClass::AwayFromNormal);
        check(2, 1, ChangeClass::AwayFromNormal);
        check(2, 4, ChangeClass::Crossed);
    }

    #[test]
    fn a_class_is_compared_with_a_class() {
        let class = Mobility::of_class(Class::Hypomobile);
        let grade = Mobility::of_grade(1).unwrap();
        assert_eq!(change_class(grade, class), ChangeClass::Unchanged);
        let normal = Mobility::of_grade(3).unwrap();
        assert_eq!(change_class(class, normal), ChangeClass::Normalised);
    }
}
