//! Of each computed number: what it is, its formula, its inputs, its source.
//!
//! A number is named by its place in the summary (a JSON pointer), and is the number that stands
//! there; inputs are named with their versions. Single readings are not explained: they are what the
//! record says.
//! Source: <http://hl7.org/fhir/R4/parameters.html>.

use serde_json::{Value, json};

use crate::clinical::Summary;
use crate::clinical::outcome::{Measure, Outcome};
use crate::clinical::source::Source;
use crate::letter::catalogue::Catalogue;

/// Every computed number of a summary, as Parameters: for each a parameter `number` with the parts
/// `name`, `value`, `unit`, `formula`, `source` and an `input` for each resource.
pub fn explain(summary: &Summary, words: &Catalogue) -> Value {
    // A summary is plain data, so it always has a JSON form; without one nothing is explained.
    let whole = serde_json::to_value(summary).unwrap_or_default();
    let mut ledger = Ledger { whole, words, numbers: Vec::new() };
    for (at, outcome) in summary.outcomes.iter().enumerate() {
        ledger.outcome(&format!("/outcomes/{at}"), outcome);
    }
    goals(&mut ledger, summary);
    ranges(&mut ledger, summary);
    segments(&mut ledger, summary);
    dose(&mut ledger, summary);
    habit(&mut ledger, summary);
    course(&mut ledger, summary);
    json!({ "resourceType": "Parameters", "parameter": ledger.numbers })
}

/// What has been explained so far.
struct Ledger<'a> {
    whole: Value,
    words: &'a Catalogue,
    numbers: Vec<Value>,
}

/// A formula's name, the unit of its result, and its source where it is not that of the formula.
type Rule<'a> = (&'static str, &'static str, Option<&'a str>);

impl Ledger<'_> {
    /// Explains the number at a place, if there is one.
    fn add(&mut self, place: &str, (formula, unit, source): Rule<'_>, inputs: &[Source]) {
        let Some(value) = self.whole.pointer(place).filter(|value| value.is_number()) else {
            return;
        };
        let source_key = format!("formula-source.{formula}");
        let of_formula = self.words.get(&source_key);
        let none = self.words.get("formula-source.none");
        let source = source.unwrap_or(if of_formula == source_key { none } else { of_formula });
        let mut parts = vec![
            json!({ "name": "name", "valueString": place }),
            json!({ "name": "value", "valueDecimal": value }),
            json!({ "name": "formula", "valueString": self.words.name("formula", formula) }),
            json!({ "name": "source", "valueString": source }),
        ];
        if !unit.is_empty() {
            parts.insert(2, json!({ "name": "unit", "valueCode": unit }));
        }
        parts.extend(inputs.iter().map(
            |input| json!({ "name": "input", "valueReference": { "reference": input.to_string() } }),
        ));
        self.numbers.push(json!({ "name": "number", "part": parts }));
    }

    fn all(&mut self, place: &str, names: &[(&str, Rule<'_>)], inputs: &[Source]) {
        for (name, rule) in names {
            self.add(&format!("{place}/{name}"), *rule, inputs);
        }
    }

    fn outcome(&mut self, place: &str, outcome: &Outcome) {
        let (value, unit) = match outcome.measure {
            Measure::Ndi => ("index", "%"),
            Measure::Psfs => ("function", "{score}"),
            Measure::Nprs | Measure::Grc => ("recorded", "{score}"),
        };
        let cited = outcome.judgement.as_ref().map(|judgement| judgement.citation.as_str());
        let rules = [
            ("first/value", (value, unit, None)),
            ("latest/value", (value, unit, None)),
            ("best", ("best", unit, None)),
            ("change", ("change", unit, None)),
            ("improvement", ("improvement", unit, None)),
            ("judgement/important", ("important", unit, cited)),
            ("judgement/important_percent_of_first", ("percent-of-first", "%", cited)),
            ("judgement/detectable", ("detectable", unit, cited)),
        ];
        self.all(place, &rules, &outcome.sources);
    }
}

fn goals(ledger: &mut Ledger<'_>, summary: &Summary) {
    for (at, progress) in summary.goal_progress.iter().enumerate() {
        let rules = [("percent", ("goal", "%", None)), ("target/value", ("target", "", None))];
        ledger.all(&format!("/goal_progress/{at}"), &rules, &progress.sources);
    }
}

fn ranges(ledger: &mut Ledger<'_>, summary: &Summary) {
    for (at, range) in summary.ranges.iter().enumerate() {
        let rules = [
            ("first/degrees", ("degrees", "deg", None)),
            ("latest/degrees", ("degrees", "deg", None)),
            ("change", ("change", "deg", None)),
            ("error", ("error", "deg", None)),
        ];
        ledger.all(&format!("/ranges/{at}"), &rules, &range.sources);
    }
    for (at, found) in summary.side_differences.iter().enumerate() {
        let rules =
            [("first/degrees", ("side", "deg", None)), ("latest/degrees", ("side", "deg", None))];
        ledger.all(&format!("/side_differences/{at}"), &rules, &found.sources);
    }
}

fn segments(ledger: &mut Ledger<'_>, summary: &Summary) {
    let cells = summary.segments.cells.iter().flat_map(|cell| &cell.sources);
    let tested = crate::clinical::source::sources(cells);
    for end in ["first", "latest"] {
        let names = ["sides", "hypomobile_sides", "normal_sides", "hypermobile_sides"];
        let rules = names.map(|name| (name, ("sides", "1", None)));
        ledger.all(&format!("/segments/{end}"), &rules, &tested);
    }
    for (at, change) in summary.segments.changes.iter().enumerate() {
        let rules =
            [("grades", ("change", "1", None)), ("towards_normal", ("towards-normal", "1", None))];
        ledger.all(&format!("/segments/changes/{at}"), &rules, &change.sources);
    }
}

fn dose(ledger: &mut Ledger<'_>, summary: &Summary) {
    let rules: [(&str, Rule<'_>); 11] = [
        ("lines", ("count", "1", None)),
        ("oscillations/min", ("oscillations", "{oscillation}", None)),
        ("oscillations/max", ("oscillations", "{oscillation}", None)),
        ("seconds/min", ("seconds", "s", None)),
        ("seconds/max", ("seconds", "s", None)),
        ("other_seconds/min", ("seconds", "s", None)),
        ("other_seconds/max", ("seconds", "s", None)),
        ("thrusts", ("thrusts", "1", None)),
        ("repetitions", ("repetitions", "1", None)),
        ("without_count", ("count", "1", None)),
        ("without_time", ("count", "1", None)),
    ];
    let dose = &summary.dose;
    ledger.all("/dose/total", &rules, &dose.total.sources);
    for (at, (_, totals)) in dose.by_segment.iter().enumerate() {
        ledger.all(&format!("/dose/by_segment/{at}/1"), &rules, &totals.sources);
    }
    for (at, (_, totals)) in dose.by_day.iter().enumerate() {
        ledger.all(&format!("/dose/by_day/{at}/1"), &rules, &totals.sources);
    }
    for (at, (_, totals)) in dose.by_technique.iter().enumerate() {
        ledger.all(&format!("/dose/by_technique/{at}/1"), &rules, &totals.sources);
    }
}

fn habit(ledger: &mut Ledger<'_>, summary: &Summary) {
    let Some(habit) = &summary.habit else { return };
    let rules = [
        ("first/per_day", ("per-day", "/d", None)),
        ("latest/per_day", ("per-day", "/d", None)),
        ("change", ("change", "/d", None)),
        ("trend/per_week", ("trend", "/d/wk", None)),
        ("trend/interval/0", ("interval", "/d/wk", None)),
        ("trend/interval/1", ("interval", "/d/wk", None)),
        ("trend/values", ("count", "1", None)),
        ("longest_without/days", ("run", "d", None)),
        ("days_since_last", ("days", "d", None)),
    ];
    ledger.all("/habit", &rules, &habit.sources);
    for at in 0..habit.not_reported.len() {
        let rule = ("run", "d", None);
        ledger.add(&format!("/habit/not_reported/{at}/days"), rule, &habit.sources);
    }
}

fn course(ledger: &mut Ledger<'_>, summary: &Summary) {
    let course = &summary.course;
    let visits: Vec<Source> = course.visits.iter().map(|visit| visit.source.clone()).collect();
    let counts = ["attended", "missed", "cancelled", "upcoming"];
    ledger.all("/course", &counts.map(|name| (name, ("count", "1", None))), &visits);
    let episode: Vec<Source> = course.source.iter().cloned().collect();
    let of_episode = [("days", ("days", "d", None)), ("planned_visits", ("degrees", "1", None))];
    ledger.all("/course", &of_episode, &episode);
    let referral = summary.referral.iter().map(|facts| facts.referral.source.clone());
    let waited: Vec<Source> = referral.chain(visits).collect();
    ledger.add("/course/days_to_first_visit", ("days", "d", None), &waited);
    for (at, retest) in summary.retests.iter().enumerate() {
        ledger.add(&format!("/retests/{at}/days"), ("days", "d", None), &retest.sources);
    }
}
