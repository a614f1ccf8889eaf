//! Re-tests: how long after a first measurement the same was measured again.
//!
//! Days run from the first day to the next day with a reading of the same kind; a second reading on
//! the first day is none. Where a plan says how often to measure again, or by when a goal is due,
//! that is what a re-test is late against; without either, nothing is late.
//! Source: <http://hl7.org/fhir/R4/careplan-definitions.html> (`scheduledTiming`),
//! <http://hl7.org/fhir/R4/goal-definitions.html> (`dueDate`).

use serde::Serialize;
use serde_json::Value;

use crate::clinical::element::{at, items, own_code, text, whole};
use crate::clinical::goal::Aim;
use crate::clinical::outcome::{Measure, about};
use crate::clinical::people::Goal;
use crate::clinical::range;
use crate::clinical::source::{Day, Source, sources};

/// The time to the re-test of one kind of measurement.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Retest {
    /// What was measured: a code of gaps, such as `ndi` or `segmental-mobility`.
    pub about: &'static str,
    /// The first day.
    pub first: Day,
    /// The next day on which it was measured.
    pub again: Option<Day>,
    /// Days between the two.
    pub days: Option<i64>,
    /// The last day by which it was planned to be measured again, where a plan says so.
    pub planned_by: Option<Day>,
    /// Measurements of both days, and the plan.
    pub sources: Vec<Source>,
}

impl Retest {
    /// Whether the planned day has passed without a re-test.
    pub fn is_late(&self, today: Day) -> bool {
        self.planned_by.is_some_and(|by| self.again.map_or(today > by, |again| again > by))
    }
}

/// When a plan wants something measured again.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Planned {
    about: &'static str,
    by: By,
    source: Source,
}

#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
enum By {
    Days(u32),
    Day(Day),
}

/// The re-tests that activities of a `CarePlan` schedule: a measure's code, and a `scheduledTiming`
/// that repeats after whole days or weeks.
pub fn planned(plan: &Value, source: &Source) -> Vec<Planned> {
    let one = |activity: &Value| {
        let detail = at(activity, "/detail");
        let repeat = at(detail, "/scheduledTiming/repeat");
        let every = whole(at(repeat, "/period"))?;
        let days = match text(repeat, "/periodUnit")? {
            "d" => every,
            "wk" => every.checked_mul(7)?,
            _ => return None,
        };
        let about = about_code(at(detail, "/code"))?;
        Some(Planned { about, by: By::Days(days), source: source.clone() })
    };
    items(plan, "/activity").filter_map(one).collect()
}

fn about_code(code: &Value) -> Option<&'static str> {
    match (Measure::of_code(code), own_code(code, "finding")) {
        (Some(measure), _) => Some(about(measure)),
        (_, Some("segmental-mobility" | "segmental-examination")) => Some("segmental-mobility"),
        (_, Some("self-manipulation-frequency")) => Some("self-manipulation"),
        (_, Some(direction)) if range::is_direction(direction) => Some("range-of-motion"),
        _ => None,
    }
}

/// The re-tests that goals imply: a measure is taken again by the day that its target is due.
pub fn planned_by_goals(goals: &[Goal]) -> Vec<Planned> {
    let mut planned = Vec::new();
    for goal in goals.iter().filter(|goal| goal.lifecycle.as_deref() != Some("cancelled")) {
        for target in &goal.targets {
            let about = match target.aim {
                Aim::Score(measure, _) => about(measure),
                Aim::SelfManipulation => "self-manipulation",
            };
            let due = target.due.map(By::Day);
            planned.extend(due.map(|by| Planned { about, by, source: goal.source.clone() }));
        }
    }
    planned
}

/// The re-test of one kind of measurement, from its days in order; none without a measurement.
pub fn retest(about: &'static str, seen: &[(Day, &Source)], planned: &[Planned]) -> Option<Retest> {
    let (first, _) = *seen.first()?;
    let again = seen.iter().map(|(day, _)| *day).find(|day| *day > first);
    let by = |planned: &Planned| match planned.by {
        By::Days(days) => first.0.checked_add(time::Duration::days(days.into())).map(Day),
        By::Day(day) => Some(day),
    };
    let plan = planned.iter().filter(|planned| planned.about == about);
    let plan = plan.filter_map(|planned| Some((by(planned)?, &planned.source))).min();
    let used = seen.iter().filter(|(day, _)| *day == first || Some(*day) == again);
    Some(Retest {
        about,
        first,
        again,
        days: again.map(|again| again.since(first)),
        planned_by: plan.map(|(day, _)| day),
        sources: sources(used.map(|(_, source)| *source).chain(plan.map(|(_, source)| source))),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fhir::Resource;
    use serde_json::json;

    #[test]
    fn a_plan_in_weeks_makes_a_late_retest() {
        let plan = json!({ "resourceType": "CarePlan", "id": "p", "activity": [{ "detail": {
            "code": { "coding": [{ "system": "http://loinc.org", "code": "82237-9" }] },
            "scheduledTiming": { "repeat": { "frequency": 1, "period": 2, "periodUnit": "wk" } },
        } }] });
        let source = Source::of(&Resource::from_value(plan.clone()).unwrap()).unwrap();
        let planned = planned(&plan, &source);
        let day = |text: &str| Day::parse(text).unwrap();
        let check = |days: &[&str], late: bool, expected: Option<i64>| {
            let seen: Vec<_> = days.iter().map(|text| (day(text), &source)).collect();
            let found = retest("ndi", &seen, &planned).unwrap();
            assert_eq!(
                (found.is_late(day("2026-06-01")), found.days),
                (late, expected),
                "{days:?}"
            );
        };
        check(&["2026-03-02", "2026-03-02", "2026-03-16"], false, Some(14));
        check(&["2026-03-02", "2026-03-17"], true, Some(15));
        check(&["2026-03-02"], true, None);
        check(&["2026-05-25"], false, None);
        assert_eq!(
            retest("nprs", &[(day("2026-03-02"), &source)], &planned).unwrap().planned_by,
            None
        );
    }
}
