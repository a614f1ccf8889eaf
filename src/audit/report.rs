//! The `MeasureReport` of an evaluation.
//!
//! Counts and score stand where the standard has them; what it has no place for (interval, missing
//! cases, bounds, spread, why there is no number) stands in our extension `audit-figure` beside the
//! score. What is withheld is left out, and it is said that it is.
//! Source: <http://hl7.org/fhir/R4/measurereport.html>.

use serde_json::{Map, Value, json};

use super::evaluate::{Evaluation, Figure, Group, Tally};
use super::facts::Facts;
use super::indicator::{GroupRule, Indicator, Population};
use super::suppress::{Suppression, complement, suppressed};
use crate::clinical::element::{OWN, UCUM};
use crate::fhir::Instant;
use crate::statistics::{Confidence, Interval, PairedChange, Spread, Standardised, Undefined};

/// What kind of report, in the words of the resource.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Kind {
    /// One subject.
    Individual,
    /// Counts, with the cases of each population listed.
    SubjectList,
    /// Counts only.
    Summary,
    /// No counts: the data that they would rest on.
    DataCollection,
}

impl Kind {
    /// The code of `MeasureReport.type`.
    pub fn code(self) -> &'static str {
        match self {
            Self::Individual => "individual",
            Self::SubjectList => "subject-list",
            Self::Summary => "summary",
            Self::DataCollection => "data-collection",
        }
    }
}

/// What a report says beside its counts.
pub struct Frame<'a> {
    /// The kind.
    pub kind: Kind,
    /// The subject, as a reference, where one was asked for.
    pub subject: Option<&'a str>,
    /// First and last day of the period, as they were asked for.
    pub period: (&'a str, &'a str),
    /// When it was made.
    pub now: Instant,
    /// The commit that it is as of.
    pub commit: u64,
    /// The confidence of its intervals.
    pub confidence: Confidence,
    /// What is withheld.
    pub suppression: Suppression,
    /// The resources that it rests on, as references with their versions.
    pub evidence: &'a [String],
}

/// The report.
pub fn report(
    indicator: &Indicator,
    evaluation: &Evaluation,
    facts: &[&Facts],
    frame: &Frame<'_>,
) -> Value {
    let mut writer = Writer { frame, facts, contained: Vec::new() };
    let pairs = indicator.groups.iter().zip(&evaluation.groups);
    // Where data are collected, groups and scores are not told (invariant mrp-1).
    let pairs = pairs.filter(|_| frame.kind != Kind::DataCollection);
    let groups: Vec<Value> = pairs.map(|(rule, group)| writer.group(rule, group)).collect();
    let notation = indicator.more_is_better.map(|more| {
        let code = if more { "increase" } else { "decrease" };
        let system = "http://terminology.hl7.org/CodeSystem/measure-improvement-notation";
        json!({ "coding": [{ "system": system, "code": code }] })
    });
    let evidence: Vec<Value> =
        frame.evidence.iter().map(|reference| json!({ "reference": reference })).collect();
    let about = json!({
        "url": format!("{OWN}/StructureDefinition/audit-as-of-commit"),
        "valueString": frame.commit.to_string(),
    });
    without_empty(json!({
        "resourceType": "MeasureReport",
        "contained": writer.contained,
        "extension": [about],
        "status": "complete",
        "type": frame.kind.code(),
        "measure": indicator.canonical,
        "subject": frame.subject.map(|subject| json!({ "reference": subject })),
        "date": frame.now.to_string(),
        "period": { "start": frame.period.0, "end": frame.period.1 },
        "improvementNotation": notation,
        "group": groups,
        "evaluatedResource": evidence,
    }))
}

struct Writer<'a> {
    frame: &'a Frame<'a>,
    facts: &'a [&'a Facts],
    contained: Vec<Value>,
}

impl Writer<'_> {
    fn group(&mut self, rule: &GroupRule, group: &Group) -> Value {
        let populations = self.populations(&group.whole, false);
        let (score, mut figure) = self.score(&group.whole);
        self.warn(group, &mut figure);
        let splits = rule.stratifiers.iter().zip(&group.strata);
        let stratifiers: Vec<Value> =
            splits.map(|((_, code), strata)| self.stratifier(code, strata)).collect();
        without_empty(json!({
            "extension": [figure],
            "code": rule.code,
            "population": populations,
            "measureScore": score,
            "stratifier": stratifiers,
        }))
    }

    /// How often is looked at once: of many intervals some miss the truth by chance alone.
    fn warn(&self, group: &Group, figure: &mut Value) {
        let looks = 1 + group.strata.iter().map(Vec::len).sum::<usize>() as u64;
        let mut parts = Parts(Vec::new());
        parts.count("looks", looks);
        parts.number("by-chance", by_chance(looks, self.frame.confidence));
        // What is withheld has no parts, and no interval to be misread.
        if let Some(Value::Array(told)) = figure.get_mut("extension") {
            told.append(&mut parts.0);
        }
    }

    fn stratifier(&mut self, code: &Value, strata: &[(Option<String>, Tally)]) -> Value {
        let sizes: Vec<u64> = strata.iter().map(|(_, tally)| size(tally)).collect();
        let withheld = suppressed(&sizes, self.frame.suppression);
        let closed = self.closed(strata, &sizes, &withheld);
        let one =
            |(((value, tally), withheld), closed): ((&(Option<String>, Tally), bool), bool)| {
                let value = match value {
                    Some(value) => json!({ "text": value }),
                    None => json!({ "coding": [{ "system": NULL_FLAVOUR, "code": "UNK" }] }),
                };
                if withheld {
                    return json!({ "extension": [withholding()], "value": value });
                }
                let populations = self.populations(tally, closed);
                let (score, figure) =
                    if closed { (None, withholding()) } else { self.score(tally) };
                without_empty(json!({
                    "extension": [figure],
                    "value": value,
                    "population": populations,
                    "measureScore": score,
                }))
            };
        let strata: Vec<Value> = strata.iter().zip(withheld).zip(closed).map(one).collect();
        json!({ "code": [code], "stratum": strata })
    }

    /// Whether a stratum tells nothing but its size: one of its counts is small, or would let
    /// another stratum's small count be subtracted from the whole.
    fn closed(
        &self,
        strata: &[(Option<String>, Tally)],
        sizes: &[u64],
        withheld: &[bool],
    ) -> Vec<bool> {
        let suppression = self.frame.suppression;
        let told: Vec<Vec<u64>> = strata.iter().map(|(_, tally)| counts(tally)).collect();
        let small = |counts: &Vec<u64>| counts.iter().any(|count| suppression.withholds(*count));
        let mut closed: Vec<bool> =
            told.iter().zip(withheld).map(|(counts, is)| *is || small(counts)).collect();
        complement(&mut closed, &told, sizes, suppression);
        closed
    }

    /// The populations; but the initial one, none is told where they are closed.
    fn populations(&mut self, tally: &Tally, closed: bool) -> Vec<Value> {
        let all = Population::ALL.into_iter().filter_map(|population| {
            let system = "http://terminology.hl7.org/CodeSystem/measure-population";
            let coding = json!({ "coding": [{ "system": system, "code": population.code() }] });
            let hidden = closed && population != Population::Initial;
            Some((coding, hidden, tally.members.get(&population)?))
        });
        let all: Vec<(Value, bool, &Vec<usize>)> = all.collect();
        let one = |(code, hidden, members): (Value, bool, &Vec<usize>)| {
            let count = members.len() as u64;
            if hidden || self.frame.suppression.withholds(count) {
                return json!({ "extension": [withholding()], "code": code });
            }
            let list = (self.frame.kind == Kind::SubjectList).then(|| self.list(members));
            without_empty(json!({ "code": code, "count": count, "subjectResults": list }))
        };
        all.into_iter().map(one).collect()
    }

    /// A contained List of the episodes, and the reference to it.
    fn list(&mut self, members: &[usize]) -> Value {
        let id = format!("list-{}", self.contained.len() + 1);
        let cases = members.iter().filter_map(|at| self.facts.get(*at));
        let entries: Vec<Value> =
            cases.map(|case| json!({ "item": { "reference": case.episode } })).collect();
        self.contained.push(without_empty(json!({
            "resourceType": "List",
            "id": id,
            "status": "current",
            "mode": "snapshot",
            "entry": entries,
        })));
        json!({ "reference": format!("#{id}") })
    }

    /// The score, and what belongs beside it.
    fn score(&mut self, tally: &Tally) -> (Option<Value>, Value) {
        let mut parts = Parts::new(self.frame.confidence, tally.missing.len() as u64);
        if self.frame.kind == Kind::SubjectList && !tally.missing.is_empty() {
            parts.0.push(
                json!({ "url": "missing-cases", "valueReference": self.list(&tally.missing) }),
            );
        }
        let withholds = |count: u64| self.frame.suppression.withholds(count);
        let score = match &tally.figure {
            Figure::Cohort { .. } => None,
            Figure::Proportion { count, of, .. }
                if withholds(*count) || withholds(*of) || withholds(of - count) =>
            {
                return (None, withholding());
            }
            Figure::Proportion { count, of, interval, bounds } => {
                parts.count("count", *count);
                parts.count("of", *of);
                parts.interval("", interval.as_ref());
                if let Ok(bounds) = bounds {
                    parts.number("if-none", bounds.none);
                    parts.number("if-each", bounds.each);
                }
                interval.as_ref().ok().map(|_| quantity(share(*count, *of), "1"))
            }
            // Rate and exposure tell the events.
            Figure::Ratio { events, .. } if withholds(*events) => return (None, withholding()),
            Figure::Ratio { events, exposure, per, rate } => {
                parts.count("events", *events);
                parts.number("exposure", *exposure);
                parts.number("per", *per);
                parts.interval("", rate.as_ref().map(|rate| &rate.interval));
                rate.as_ref().ok().map(|rate| quantity(rate.estimate, "1"))
            }
            Figure::Continuous { spread: Ok(spread), .. } if withholds(spread.n) => {
                return (None, withholding());
            }
            Figure::Continuous { unit, spread, change } => {
                parts.spread(spread);
                let change = change.as_ref().map(|change| parts.change(change));
                let median = spread.as_ref().ok().map(|spread| spread.median);
                change.map_or(median, |mean| mean).map(|score| quantity(score, unit))
            }
        };
        if let Some(standardised) = &tally.standardised {
            parts.standardised(standardised);
        }
        (score, parts.finish())
    }
}

/// The size of a stratum: its initial population.
fn size(tally: &Tally) -> u64 {
    tally.members.get(&Population::Initial).map_or(0, |members| members.len() as u64)
}

/// What a tally tells beside its size: its populations, and the cases or events of its figure. The same list
/// for each stratum of an indicator.
fn counts(tally: &Tally) -> Vec<u64> {
    let others = tally.members.iter().filter(|(population, _)| **population != Population::Initial);
    let mut counts: Vec<u64> = others.map(|(_, members)| members.len() as u64).collect();
    match &tally.figure {
        Figure::Proportion { count, of, .. } => counts.extend([*count, of.saturating_sub(*count)]),
        Figure::Continuous { spread, .. } => {
            counts.push(spread.as_ref().map_or(0, |spread| spread.n));
        }
        Figure::Ratio { events, .. } => counts.push(*events),
        Figure::Cohort { .. } => {}
    }
    counts
}

#[expect(clippy::cast_precision_loss, reason = "counts of cases stay far below 2^53")]
fn share(count: u64, of: u64) -> f64 {
    count as f64 / of as f64
}

/// How many of so many intervals miss the truth by chance, on average.
#[expect(clippy::cast_precision_loss, reason = "intervals of one report are few")]
fn by_chance(looks: u64, confidence: Confidence) -> f64 {
    looks as f64 * (1.0 - confidence.get())
}

const NULL_FLAVOUR: &str = "http://terminology.hl7.org/CodeSystem/v3-NullFlavor";

fn quantity(value: f64, unit: &str) -> Value {
    json!({ "value": value, "unit": unit, "system": UCUM, "code": unit })
}

/// What says that a figure is withheld.
fn withholding() -> Value {
    json!({
        "url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason",
        "valueCode": "masked",
    })
}

/// The parts of our extension `audit-figure`.
struct Parts(Vec<Value>);

impl Parts {
    fn new(confidence: Confidence, missing: u64) -> Self {
        let mut parts = Self(Vec::new());
        parts.count("missing", missing);
        parts.number("confidence", confidence.get());
        parts
    }

    fn number(&mut self, name: &str, value: f64) {
        self.0.push(json!({ "url": name, "valueDecimal": value }));
    }

    fn count(&mut self, name: &str, value: u64) {
        self.0.push(json!({ "url": name, "valueUnsignedInt": value }));
    }

    /// Why there is no number, for a part of the figure.
    fn undefined(&mut self, name: &str, why: Undefined) {
        let words = format!("{name}: {why}");
        self.0.push(json!({ "url": "undefined", "valueString": words.trim_start_matches(": ") }));
    }

    fn interval(&mut self, of: &str, interval: Result<&Interval, &Undefined>) {
        match interval {
            Ok(interval) => {
                self.number(&join(of, "low"), interval.low);
                self.number(&join(of, "high"), interval.high);
            }
            Err(why) => self.undefined(of, *why),
        }
    }

    fn spread(&mut self, spread: &Result<Spread, Undefined>) {
        let spread = match spread {
            Ok(spread) => spread,
            Err(why) => return self.undefined("", *why),
        };
        self.count("n", spread.n);
        let numbers = [
            ("min", spread.min),
            ("first-quartile", spread.first_quartile),
            ("median", spread.median),
            ("third-quartile", spread.third_quartile),
            ("max", spread.max),
        ];
        numbers.into_iter().for_each(|(name, value)| self.number(name, value));
        self.interval("median", spread.interval.as_ref());
    }

    /// Writes a change, and gives its mean.
    fn change(&mut self, change: &Result<PairedChange, Undefined>) -> Option<f64> {
        let change = match change {
            Ok(change) => change,
            Err(why) => {
                self.undefined("mean", *why);
                return None;
            }
        };
        let numbers = [
            ("start", change.start),
            ("end", change.end),
            ("mean", change.mean),
            ("deviation", change.deviation),
        ];
        numbers.into_iter().for_each(|(name, value)| self.number(name, value));
        self.interval("mean", Ok(&change.interval));
        match &change.response {
            Ok(response) => {
                self.number("response-mean", response.estimate);
                self.interval("response-mean", Ok(&response.interval));
            }
            Err(why) => self.undefined("response-mean", *why),
        }
        match &change.effect {
            Ok(effect) => self.number("effect-size", *effect),
            Err(why) => self.undefined("effect-size", *why),
        }
        Some(change.mean)
    }

    fn standardised(&mut self, found: &Result<Standardised, Undefined>) {
        match found {
            Ok(found) => {
                self.number("expected", found.expected);
                self.number("ratio", found.ratio);
                self.interval("ratio", Ok(&found.interval));
                self.number("adjusted", found.share);
            }
            Err(why) => self.undefined("ratio", *why),
        }
    }

    fn finish(self) -> Value {
        json!({ "url": format!("{OWN}/StructureDefinition/audit-figure"), "extension": self.0 })
    }
}

fn join(of: &str, part: &str) -> String {
    if of.is_empty() { part.to_owned() } else { format!("{of}-{part}") }
}

/// The object without members that are null or empty, which FHIR does not have.
fn without_empty(value: Value) -> Value {
    let Value::Object(members) = value else { return value };
    let kept = members.into_iter().filter(|(_, member)| match member {
        Value::Null => false,
        Value::Array(items) => !items.is_empty(),
        Value::Object(inner) => !inner.is_empty(),
        _ => true,
    });
    Value::Object(kept.collect::<Map<_, _>>())
}
