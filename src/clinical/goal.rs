//! Goals held against what was measured: how much of the way from first to target was gone.
//!
//! Percent of goal = 100 x (first - latest) / (first - target), both on the measure's scale (points
//! of 50 become percent); 100 is the target, more is beyond it, less than nothing is the other way.
//! None where the first value is the target already. What a goal's text says is never interpreted.
//! Source: <http://hl7.org/fhir/R4/goal-definitions.html#Goal.target>; the formula is common
//! practice, no source.

use rust_decimal::Decimal;
use serde::Serialize;
use serde_json::Value;

use crate::clinical::element::{at, items, own_code, text, ucum};
use crate::clinical::habit::Habit;
use crate::clinical::number::Number;
use crate::clinical::outcome::{Measure, Outcome, pain_kind};
use crate::clinical::people::Goal;
use crate::clinical::source::{Day, Source, sources};

/// What a target is about.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Aim {
    /// A score; a pain rating with its kind.
    Score(Measure, Option<&'static str>),
    /// The count of self-manipulation.
    SelfManipulation,
}

/// One target of a goal.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct Target {
    /// What it is about.
    pub aim: Aim,
    /// The value to reach, on the measure's scale (the index in percent).
    pub value: Number,
    /// The day by which it is to be reached, where one is recorded.
    pub due: Option<Day>,
}

/// The targets of a Goal whose measure, unit and bound are understood.
pub fn targets(goal: &Value) -> Vec<Target> {
    items(goal, "/target").filter_map(target).collect()
}

fn target(target: &Value) -> Option<Target> {
    let measure = at(target, "/measure");
    let aim = match Measure::of_code(measure) {
        Some(Measure::Nprs) => Aim::Score(Measure::Nprs, Some(pain_kind(measure))),
        Some(measure) => Aim::Score(measure, None),
        None if own_code(measure, "finding") == Some("self-manipulation-frequency") => {
            Aim::SelfManipulation
        }
        None => return None,
    };
    let end = if aim.lower_is_better() { "/detailRange/high" } else { "/detailRange/low" };
    let bound = ucum(at(target, "/detailQuantity")).or_else(|| ucum(at(target, end)))?;
    let value = match (aim, bound) {
        (Aim::Score(Measure::Ndi, _), (n, "{score}")) => n.checked_mul(Decimal::TWO)?,
        (Aim::Score(Measure::Ndi, _), (n, "%"))
        | (Aim::Score(Measure::Nprs | Measure::Psfs | Measure::Grc, _), (n, "{score}" | "1"))
        | (Aim::SelfManipulation, (n, "/d" | "1/d" | "{times}/d")) => n,
        _ => return None,
    };
    let due = text(target, "/dueDate").and_then(Day::parse);
    Some(Target { aim, value: value.into(), due })
}

impl Aim {
    fn lower_is_better(self) -> bool {
        !matches!(self, Self::Score(Measure::Psfs | Measure::Grc, _))
    }
}

/// A target held against first and latest value.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Progress {
    /// The target.
    pub target: Target,
    /// The first value.
    pub first: Number,
    /// The latest value.
    pub latest: Number,
    /// How much of the way was gone, in percent.
    pub percent: Option<Number>,
    /// Whether the latest value is at the target or beyond it.
    pub reached: bool,
    /// The goal and the values.
    pub sources: Vec<Source>,
}

/// Every target whose measure was taken twice.
pub fn progress(goals: &[Goal], outcomes: &[Outcome], habit: Option<&Habit>) -> Vec<Progress> {
    let of_target = |goal: &Goal, target: &Target| {
        let (first, latest, from) = match target.aim {
            Aim::Score(measure, kind) => {
                let outcome = outcomes.iter().find(|o| (o.measure, o.kind) == (measure, kind))?;
                outcome.change?;
                (outcome.first.value, outcome.latest.as_ref()?.value, &outcome.sources)
            }
            Aim::SelfManipulation => {
                let habit = habit.filter(|habit| habit.change.is_some())?;
                (habit.first.per_day, habit.latest?.per_day, &habit.sources)
            }
        };
        Some(held(target, (first, latest), sources(from.iter().chain([&goal.source]))))
    };
    let all = goals.iter().flat_map(|goal| goal.targets.iter().map(move |target| (goal, target)));
    all.filter_map(|(goal, target)| of_target(goal, target)).collect()
}

fn held(target: &Target, (first, latest): (Number, Number), sources: Vec<Source>) -> Progress {
    let way = first.get() - target.value.get();
    let gone = (first.get() - latest.get()).checked_mul(Decimal::ONE_HUNDRED);
    let percent = gone.and_then(|gone| gone.checked_div(way)).map(Number::new);
    let lower = target.aim.lower_is_better();
    let reached = if lower { latest <= target.value } else { latest >= target.value };
    Progress { target: target.clone(), first, latest, percent, reached, sources }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clinical::element::{LOINC, OWN, UCUM};
    use serde_json::json;

    fn goal(measure: &Value, bound: &Value) -> Vec<Target> {
        targets(&json!({ "target": [{
            "measure": { "coding": [measure] }, "detailRange": bound, "dueDate": "2026-04-20",
        }] }))
    }

    /// By hand: from 42 % towards 10 of 50, which is 20 %: 22 to go; at 12 % 30 are gone, 136.36 %.
    #[test]
    fn percent_of_the_way() {
        let ndi = json!({ "system": LOINC, "code": "82237-9" });
        let points = |n: u8| json!({ "value": n, "system": UCUM, "code": "{score}" });
        let [target] = &goal(&ndi, &json!({ "high": points(10) }))[..] else { panic!("no target") };
        assert_eq!(target.value, Number::from(20));
        let check = |first: u8, latest: u8, percent: Option<&str>, reached| {
            let found = held(target, (first.into(), latest.into()), Vec::new());
            let shown = found.percent.map(|percent| percent.to_string());
            assert_eq!((shown.as_deref(), found.reached), (percent, reached), "{first} {latest}");
        };
        check(42, 12, Some("136.36"), true);
        check(42, 20, Some("100"), true);
        check(42, 31, Some("50"), false);
        check(42, 53, Some("-50"), false);
        check(20, 20, None, true);
        assert!(goal(&ndi, &json!({ "low": points(10) })).is_empty(), "the bound of lower is high");
        let function =
            json!({ "system": format!("{OWN}/CodeSystem/finding"), "code": "psfs-score" });
        assert_eq!(goal(&function, &json!({ "low": points(8) }))[0].value, Number::from(8));
    }
}
