//! A `MeasureReport` of this server read back as a table: a row for the whole, one for each stratum.
//!
//! Whoever shows a figure takes it from the report that the operation answers with, so that what is
//! shown cannot differ from it, nor tell what it withholds. Nothing is counted or computed here.
//! Source: <http://hl7.org/fhir/R4/measurereport.html>.

use std::collections::BTreeMap;

use serde_json::Value;

use super::indicator::{Population, Scoring};
use crate::clinical::element::{OWN, code_in, items, text};
use crate::statistics::{Bounds, Interval};

/// The tables of a report.
#[derive(Clone, PartialEq, Debug)]
pub struct Table {
    /// The commit that the report is as of.
    pub commit: String,
    /// One for each group of the Measure.
    pub parts: Vec<Part>,
}

/// One group: the whole, and what it is split by.
#[derive(Clone, PartialEq, Debug)]
pub struct Part {
    /// All cases.
    pub whole: Row,
    /// The stratifiers in the order of the Measure.
    pub splits: Vec<Split>,
}

/// The strata of one stratifier.
#[derive(Clone, PartialEq, Debug)]
pub struct Split {
    /// The code in `audit-stratifier`.
    pub code: String,
    /// The strata in the order of the report.
    pub rows: Vec<Row>,
}

/// One line of a table.
#[derive(Clone, PartialEq, Debug)]
pub struct Row {
    /// The stratum, as code or reference; none for the whole, and where the record does not say.
    pub value: Option<String>,
    /// The element of the report that says so, as FHIRPath.
    pub place: String,
    /// How many cases each population has; none where that is withheld.
    pub counts: Vec<(Population, Option<u64>)>,
    /// Cases of which the record does not say enough; none where that is withheld.
    pub missing: Option<u64>,
    /// The figure.
    pub figure: Told,
    /// Why a part of the figure is no number, in English.
    pub undefined: Vec<String>,
    /// The episodes of each population, where the report lists them.
    pub members: BTreeMap<Population, Vec<String>>,
    /// The episodes of the missing cases, where the report lists them.
    pub missing_members: Vec<String>,
}

/// A figure as the report tells it. What is undefined is left out.
#[derive(Clone, PartialEq, Debug)]
pub enum Told {
    /// Too few cases to be told.
    Withheld,
    /// A share of cases.
    Proportion {
        /// Cases with the trait.
        count: u64,
        /// Known cases.
        of: u64,
        /// The share, from 0 to 1.
        share: Option<f64>,
        /// Its interval.
        interval: Option<Interval>,
        /// The share if none, or each, of the missing cases had the trait.
        bounds: Option<Bounds>,
    },
    /// Events in an exposure.
    Ratio {
        /// Events.
        events: u64,
        /// Exposure.
        exposure: f64,
        /// For how many units of exposure the rate is told.
        per: f64,
        /// Events for `per` units.
        rate: Option<f64>,
        /// Its interval.
        interval: Option<Interval>,
    },
    /// A quantity.
    Continuous {
        /// UCUM unit; empty where there is no number.
        unit: String,
        /// Values.
        n: u64,
        /// Median, with first and third quartile.
        median: Option<(f64, Interval)>,
        /// The interval of the median.
        interval: Option<Interval>,
        /// The change, where the quantity is one.
        change: Option<Change>,
    },
    /// A number of cases and nothing else.
    Cohort,
}

/// A change from the start to the end.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Change {
    /// The mean change, in the unit of the quantity.
    pub mean: f64,
    /// Its interval.
    pub interval: Option<Interval>,
    /// The standardised response mean, without unit.
    pub response: Option<f64>,
}

/// An estimate with its interval, as a chart draws it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Estimate {
    /// The share, rate, mean change or median.
    pub value: f64,
    /// Its interval.
    pub interval: Option<Interval>,
}

impl Row {
    /// The cases of a population; none where that is withheld or the Measure has no such population.
    pub fn count(&self, population: Population) -> Option<u64> {
        self.counts.iter().find(|(own, _)| *own == population).and_then(|(_, count)| *count)
    }

    /// What a chart draws; none where there is no number.
    pub fn estimate(&self) -> Option<Estimate> {
        let (value, interval) = match &self.figure {
            Told::Proportion { share, interval, .. } => ((*share)?, *interval),
            Told::Ratio { rate, interval, .. } => ((*rate)?, *interval),
            Told::Continuous { change: Some(change), .. } => (change.mean, change.interval),
            Told::Continuous { median, interval, .. } => ((*median)?.0, *interval),
            Told::Withheld | Told::Cohort => return None,
        };
        Some(Estimate { value, interval })
    }

    /// Whether the figure is withheld.
    pub fn is_withheld(&self) -> bool {
        self.figure == Told::Withheld
    }
}

impl Table {
    /// The tables of a report by a Measure of that scoring.
    pub fn of(report: &Value, scoring: Scoring) -> Self {
        let reader = Reader { report, scoring };
        let as_of = format!("{OWN}/StructureDefinition/audit-as-of-commit");
        let commit = items(report, "/extension").find(|e| text(e, "/url") == Some(as_of.as_str()));
        let groups = items(report, "/group").enumerate();
        Self {
            commit: commit.and_then(|e| text(e, "/valueString")).unwrap_or_default().to_owned(),
            parts: groups.map(|(at, group)| reader.part(at, group)).collect(),
        }
    }
}

impl Part {
    /// The strata by a stratifier.
    pub fn split(&self, code: &str) -> Option<&Split> {
        self.splits.iter().find(|split| split.code == code)
    }
}

struct Reader<'a> {
    report: &'a Value,
    scoring: Scoring,
}

impl Reader<'_> {
    fn part(&self, at: usize, group: &Value) -> Part {
        let place = format!("MeasureReport.group[{at}]");
        let system = format!("{OWN}/CodeSystem/audit-stratifier");
        let splits = items(group, "/stratifier").enumerate().map(|(at, split)| {
            let place = format!("{place}.stratifier[{at}]");
            let code = split.pointer("/code/0").and_then(|code| code_in(code, &system));
            let strata = items(split, "/stratum").enumerate();
            let rows = strata.map(|(at, one)| self.row(one, format!("{place}.stratum[{at}]")));
            Split { code: code.unwrap_or_default().to_owned(), rows: rows.collect() }
        });
        Part { splits: splits.collect(), whole: self.row(group, place) }
    }

    fn row(&self, element: &Value, place: String) -> Row {
        let system = "http://terminology.hl7.org/CodeSystem/measure-population";
        let (mut counts, mut members) = (Vec::new(), BTreeMap::new());
        for one in items(element, "/population") {
            let code = one.pointer("/code").and_then(|code| code_in(code, system));
            let Some(population) = Population::ALL.into_iter().find(|p| Some(p.code()) == code)
            else {
                continue;
            };
            counts.push((population, one.pointer("/count").and_then(Value::as_u64)));
            if let Some(list) = text(one, "/subjectResults/reference") {
                members.insert(population, self.list(list));
            }
        }
        let url = format!("{OWN}/StructureDefinition/audit-figure");
        let beside = items(element, "/extension").find(|e| text(e, "/url") == Some(url.as_str()));
        let beside = Beside(beside.unwrap_or(&Value::Null));
        let score = element.pointer("/measureScore");
        let missing_members =
            beside.get("missing-cases").and_then(|e| text(e, "/valueReference/reference"));
        Row {
            value: text(element, "/value/text").map(str::to_owned),
            place,
            counts,
            missing: beside.count("missing"),
            figure: self.figure(&beside, score),
            undefined: beside.undefined(),
            members,
            missing_members: missing_members.map(|list| self.list(list)).unwrap_or_default(),
        }
    }

    /// The episodes of a contained List.
    fn list(&self, reference: &str) -> Vec<String> {
        let id = reference.trim_start_matches('#');
        let list = items(self.report, "/contained").find(|list| text(list, "/id") == Some(id));
        let entries = list.into_iter().flat_map(|list| items(list, "/entry"));
        entries.filter_map(|entry| text(entry, "/item/reference")).map(str::to_owned).collect()
    }

    fn figure(&self, beside: &Beside<'_>, score: Option<&Value>) -> Told {
        let number = score.and_then(|score| score.pointer("/value")).and_then(Value::as_f64);
        if beside.0.is_null() {
            return Told::Withheld;
        }
        match self.scoring {
            Scoring::Cohort => Told::Cohort,
            Scoring::Proportion => Told::Proportion {
                count: beside.count("count").unwrap_or_default(),
                of: beside.count("of").unwrap_or_default(),
                share: number,
                interval: beside.interval(""),
                bounds: beside.pair("if-none", "if-each").map(|(none, each)| Bounds { none, each }),
            },
            Scoring::Ratio => Told::Ratio {
                events: beside.count("events").unwrap_or_default(),
                exposure: beside.number("exposure").unwrap_or_default(),
                per: beside.number("per").unwrap_or(1.0),
                rate: number,
                interval: beside.interval(""),
            },
            Scoring::Continuous => {
                let quartiles = beside.pair("first-quartile", "third-quartile");
                let quartiles = quartiles.map(|(low, high)| Interval { low, high });
                let change = beside.number("mean").map(|mean| Change {
                    mean,
                    interval: beside.interval("mean-"),
                    response: beside.number("response-mean"),
                });
                Told::Continuous {
                    unit: score.and_then(|s| text(s, "/code")).unwrap_or_default().to_owned(),
                    n: beside.count("n").unwrap_or_default(),
                    median: beside.number("median").zip(quartiles),
                    interval: beside.interval("median-"),
                    change,
                }
            }
        }
    }
}

/// Our extension `audit-figure`.
struct Beside<'a>(&'a Value);

impl<'a> Beside<'a> {
    fn get(&self, name: &str) -> Option<&'a Value> {
        items(self.0, "/extension").find(|part| text(part, "/url") == Some(name))
    }

    fn number(&self, name: &str) -> Option<f64> {
        self.get(name)?.pointer("/valueDecimal")?.as_f64()
    }

    fn count(&self, name: &str) -> Option<u64> {
        self.get(name)?.pointer("/valueUnsignedInt")?.as_u64()
    }

    fn pair(&self, low: &str, high: &str) -> Option<(f64, f64)> {
        self.number(low).zip(self.number(high))
    }

    fn interval(&self, of: &str) -> Option<Interval> {
        let (low, high) = self.pair(&format!("{of}low"), &format!("{of}high"))?;
        Some(Interval { low, high })
    }

    fn undefined(&self) -> Vec<String> {
        let all = items(self.0, "/extension").filter(|e| text(e, "/url") == Some("undefined"));
        all.filter_map(|part| text(part, "/valueString")).map(str::to_owned).collect()
    }
}
