//! Treatment and its dose: what was done where, how much, in all.
//!
//! A dose counts once for each body site of its Procedure; `both` is one site. Oscillations are
//! never mixed with thrusts or with repetitions under a held glide. Where a rate or duration is
//! missing, the time is not recorded; nothing is filled in. What was left alone on purpose
//! (`not-done`) is told apart and never counted.
//! Rules: oscillations = series x oscillations per series, or duration x rate where only those are
//! there (derived); seconds = series x duration, else oscillations / rate, a range of rates giving a
//! range of seconds. Check value, common practice, no source: 3 series of 10 at 1-2 per second are
//! 30 oscillations in 15-30 seconds.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use serde::Serialize;
use serde_json::Value;

use crate::clinical::element::{
    Target, at, items, own_code, own_extension, target, text, ucum, whole, words,
};
use crate::clinical::gap::{Gap, GapKind};
use crate::clinical::number::Span;
use crate::clinical::seen::Seen;
use crate::clinical::segment::{Segment, Side, sites};
use crate::clinical::source::{Day, Source, sources};
use crate::fhir::Resource;

/// The techniques.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Technique {
    /// Oscillatory mobilisation.
    OscillatoryMobilisation,
    /// Mobilisation with movement.
    MobilisationWithMovement,
    /// Thrust.
    Thrust,
    /// Soft tissue.
    SoftTissue,
}

impl Technique {
    fn of_code(code: &Value) -> Option<Self> {
        Some(match own_code(code, "technique")? {
            "oscillatory-mobilisation" => Self::OscillatoryMobilisation,
            "mobilisation-with-movement" => Self::MobilisationWithMovement,
            "thrust" => Self::Thrust,
            "soft-tissue" => Self::SoftTissue,
            _ => return None,
        })
    }

    /// Its code.
    pub fn code(self) -> &'static str {
        match self {
            Self::OscillatoryMobilisation => "oscillatory-mobilisation",
            Self::MobilisationWithMovement => "mobilisation-with-movement",
            Self::Thrust => "thrust",
            Self::SoftTissue => "soft-tissue",
        }
    }
}

/// One Procedure, as recorded.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Treatment {
    /// When, by whom, where stated.
    pub seen: Seen,
    /// The technique.
    pub technique: Technique,
    /// Segments and sides.
    pub sites: Vec<(Segment, Side)>,
    /// Why it was not done; none where it was done.
    pub left_alone: Option<String>,
    /// Whether a reason or a note is written down.
    pub reasoned: bool,
    /// What is named as the reason.
    pub reasons: Vec<Target>,
    dose: DoseFields,
}

#[derive(Clone, Default, PartialEq, Eq, PartialOrd, Ord, Debug)]
struct DoseFields {
    grade: Option<String>,
    series: Option<u32>,
    oscillations: Option<u32>,
    rate: Option<(Decimal, Decimal)>,
    duration: Option<Decimal>,
    repetitions: Option<u32>,
    cavitation: Option<bool>,
    manner: Vec<String>,
}

impl Treatment {
    /// The treatment of a Procedure; a gap where technique, day or every site cannot be read.
    /// Procedures that neither took place nor were left out on purpose give nothing.
    pub fn of(resource: &Resource, gaps: &mut Vec<Gap>) -> Option<Self> {
        let value = resource.value();
        let status = text(value, "/status").unwrap_or_default();
        if !["completed", "in-progress", "not-done"].contains(&status) {
            if let Some(source) = Source::of(resource).filter(|_| status != "preparation") {
                gaps.push(Gap::at(GapKind::NotUsed, "treatment", "Procedure.status", &source));
            }
            return None;
        }
        let seen = Seen::of(resource, "treatment", gaps)?;
        let Some(technique) = Technique::of_code(at(value, "/code")) else {
            gaps.push(Gap::at(GapKind::NotUsed, "treatment", "Procedure.code", &seen.source));
            return None;
        };
        let read = sites(value);
        if read.is_empty() || read.iter().any(Option::is_none) {
            gaps.push(Gap::at(
                GapKind::NotReadable,
                "treatment",
                "Procedure.bodySite",
                &seen.source,
            ));
        }
        let reason = || words(at(value, "/statusReason")).unwrap_or_default().to_owned();
        let left_alone = (status == "not-done").then(reason);
        let dose = own_extension(value, "dose").map(DoseFields::of).unwrap_or_default();
        let sites: Vec<_> = read.into_iter().flatten().collect();
        let written = items(value, "/reasonCode").filter_map(words);
        let noted = items(value, "/note").filter_map(|note| text(note, "/text"));
        let reasoned = written.chain(noted).next().is_some();
        let reasons = items(value, "/reasonReference").filter_map(|r| target(r, "")).collect();
        (!sites.is_empty()).then_some(Self {
            seen,
            technique,
            sites,
            left_alone,
            reasoned,
            reasons,
            dose,
        })
    }

    /// What the dose lacks that a total needs.
    pub fn missing(&self) -> Vec<&'static str> {
        let dose = &self.dose;
        let parts = match self.technique {
            Technique::OscillatoryMobilisation => vec![
                (dose.oscillation_span().is_none(), "oscillations"),
                (dose.second_span(self.technique).is_none(), "rate"),
                (dose.grade.is_none(), "grade"),
            ],
            Technique::MobilisationWithMovement => {
                vec![(dose.repetitions.is_none(), "repetitions")]
            }
            Technique::Thrust | Technique::SoftTissue => Vec::new(),
        };
        parts.into_iter().filter(|(missing, _)| *missing).map(|(_, part)| part).collect()
    }

    /// The parts of the dose outside `USUAL`.
    pub fn unusual(&self) -> Vec<&'static str> {
        let dose = &self.dose;
        let whole = |n: Option<u32>| n.map(|n| (Decimal::from(n), Decimal::from(n)));
        let recorded = [
            whole(dose.series),
            whole(dose.oscillations),
            dose.rate,
            dose.duration.map(|seconds| (seconds, seconds)),
            whole(dose.repetitions),
        ];
        let outside = |((part, least, most), span): (&Usual, Option<(Decimal, Decimal)>)| {
            let (low, high) = span?;
            let tenths = |n: i64| Decimal::new(n, 1);
            (low < tenths(*least) || high > tenths(*most)).then_some(*part)
        };
        USUAL.iter().zip(recorded).filter_map(outside).collect()
    }
}

/// A part of a dose, with the least and the greatest usual value in tenths.
type Usual = (&'static str, i64, i64);

/// What is usual: series 1-6, oscillations of a series 5-120, 0.5-4 a second, seconds of a series
/// 5-180, repetitions of a series 3-30. Common practice, no source; around 3 series of about 10 at 1
/// to 2 a second, and the published trial of 5 series of 30 or 60 seconds (Pentelka 2012, Man Ther
/// 17:526-30).
const USUAL: [Usual; 5] = [
    ("series", 10, 60),
    ("oscillations", 50, 1200),
    ("rate", 5, 40),
    ("duration", 50, 1800),
    ("repetitions", 30, 300),
];

impl DoseFields {
    fn of(extension: &Value) -> Self {
        let part =
            |url: &str| items(extension, "/extension").find(|e| text(e, "/url") == Some(url));
        let count = |url| part(url).and_then(|p| whole(at(p, "/valuePositiveInt")));
        let coded = |url: &str, system| {
            part(url)
                .and_then(|p| own_code(at(p, "/valueCodeableConcept"), system))
                .map(str::to_owned)
        };
        let positive = |quantity: &Value, unit: &str| {
            ucum(quantity).filter(|(n, code)| *code == unit && *n > Decimal::ZERO).map(|(n, _)| n)
        };
        let rate = part("rate").and_then(|rate| {
            let single = positive(at(rate, "/valueQuantity"), "Hz").map(|hz| (hz, hz));
            let end = |name| positive(at(rate, &format!("/valueRange/{name}")), "Hz");
            single.or_else(|| Some((end("low")?, end("high")?)))
        });
        let manner = ["direction", "contactPoint", "patientPosition"].into_iter();
        let manner = manner.filter_map(|url| words(at(part(url)?, "/valueCodeableConcept")));
        Self {
            grade: coded("grade", "mobilisation-grade"),
            series: count("series"),
            oscillations: count("oscillations"),
            rate,
            duration: part("duration").and_then(|p| positive(at(p, "/valueQuantity"), "s")),
            repetitions: count("repetitions"),
            cavitation: part("cavitation").and_then(|p| at(p, "/valueBoolean").as_bool()),
            manner: manner.map(str::to_owned).collect(),
        }
    }

    /// Seconds of movement by the recorded duration; none where a number is out of all bounds.
    fn timed(&self) -> Option<Decimal> {
        self.duration?.checked_mul(Decimal::from(self.series.unwrap_or(1)))
    }

    /// Oscillations at one site, and whether they were derived from duration and rate.
    fn oscillation_span(&self) -> Option<(Span, bool)> {
        if let (Some(series), Some(each)) = (self.series, self.oscillations) {
            return Some((Span::exact(Decimal::from(series) * Decimal::from(each)), false));
        }
        let (low, high) = self.rate?;
        let seconds = self.timed()?;
        let least = seconds.checked_mul(low)?.round();
        Some((Span::new(least, seconds.checked_mul(high)?.round()), true))
    }

    /// Seconds at one site.
    fn second_span(&self, technique: Technique) -> Option<Span> {
        if self.duration.is_some() {
            return self.timed().map(Span::exact);
        }
        let (low, high) = self.rate.filter(|_| technique == Technique::OscillatoryMobilisation)?;
        let (oscillations, _) = self.oscillation_span()?;
        let least = oscillations.min.get().checked_div(high)?;
        Some(Span::new(least, oscillations.max.get().checked_div(low)?))
    }
}

/// One treatment at one site, with its computed dose.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Line {
    /// The day.
    pub day: Day,
    /// The segment.
    pub segment: Segment,
    /// The side, as recorded.
    pub side: Side,
    /// The technique.
    pub technique: Technique,
    /// The oscillatory grade I-V, where recorded.
    pub grade: Option<String>,
    /// Series, where recorded.
    pub series: Option<u32>,
    /// Oscillations, for oscillatory mobilisation.
    pub oscillations: Option<Span>,
    /// Whether the oscillations follow from duration and rate.
    pub derived: bool,
    /// Seconds under treatment; none where neither rate nor duration is recorded.
    pub seconds: Option<Span>,
    /// Thrusts.
    pub thrusts: u32,
    /// Repetitions under a held glide, for mobilisation with movement.
    pub repetitions: Option<u32>,
    /// Whether a cavitation was heard, where recorded.
    pub cavitation: Option<bool>,
    /// Direction, contact point and position, in the record's words.
    pub manner: Vec<String>,
    /// The Procedure.
    pub source: Source,
}

/// Sums over lines. A line whose dose is incomplete is counted in `incomplete` and not in the sum.
#[derive(Clone, Default, PartialEq, Eq, Debug, Serialize)]
pub struct Totals {
    /// Lines of treatment, one for each Procedure and site.
    pub lines: u32,
    /// Oscillations.
    pub oscillations: Span,
    /// Seconds of oscillatory mobilisation.
    pub seconds: Span,
    /// Thrusts.
    pub thrusts: u32,
    /// Repetitions under a held glide.
    pub repetitions: u32,
    /// Seconds of the other techniques, where recorded.
    pub other_seconds: Span,
    /// Lines whose number is not recorded.
    pub without_count: u32,
    /// Oscillatory lines whose time is not recorded.
    pub without_time: u32,
    /// The Procedures.
    pub sources: Vec<Source>,
}

impl Totals {
    fn of<'a>(lines: impl Iterator<Item = &'a Line>) -> Self {
        let mut totals = Self::default();
        for line in lines {
            totals.lines += 1;
            totals.thrusts = totals.thrusts.saturating_add(line.thrusts);
            let repetitions = line.repetitions.unwrap_or_default();
            totals.repetitions = totals.repetitions.saturating_add(repetitions);
            let oscillatory = line.technique == Technique::OscillatoryMobilisation;
            let sum = if oscillatory { &mut totals.seconds } else { &mut totals.other_seconds };
            *sum = sum.plus(line.seconds.unwrap_or_default());
            totals.oscillations = totals.oscillations.plus(line.oscillations.unwrap_or_default());
            totals.without_time += u32::from(oscillatory && line.seconds.is_none());
            let uncounted = match line.technique {
                Technique::OscillatoryMobilisation => line.oscillations.is_none(),
                Technique::MobilisationWithMovement => line.repetitions.is_none(),
                Technique::Thrust | Technique::SoftTissue => false,
            };
            totals.without_count += u32::from(uncounted);
            totals.sources.push(line.source.clone());
        }
        totals.sources = sources(&totals.sources);
        totals
    }
}

/// The whole treatment of an episode.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Dose {
    /// Every line, by day.
    pub lines: Vec<Line>,
    /// Sums by segment, from the head downwards.
    pub by_segment: Vec<(Segment, Totals)>,
    /// Sums by day.
    pub by_day: Vec<(Day, Totals)>,
    /// Sums by technique.
    pub by_technique: Vec<(Technique, Totals)>,
    /// The sum of the episode.
    pub total: Totals,
    /// What was left alone on purpose.
    pub left_alone: Vec<LeftAlone>,
}

/// A segment that was left alone on purpose.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct LeftAlone {
    /// The segment.
    pub segment: Segment,
    /// The side, as recorded.
    pub side: Side,
    /// The day of the decision.
    pub day: Day,
    /// The reason, in the record's words.
    pub reason: String,
    /// The Procedure that was not done.
    pub source: Source,
}

/// The dose of treatments sorted by moment; gaps for lines whose dose is incomplete.
pub fn dose(treatments: &[Treatment], gaps: &mut Vec<Gap>) -> Dose {
    let done = treatments.iter().filter(|treatment| treatment.left_alone.is_none());
    let lines: Vec<Line> = done.flat_map(lines).collect();
    for line in lines.iter().filter(|line| line.technique == Technique::OscillatoryMobilisation) {
        if line.oscillations.is_none() || line.seconds.is_none() {
            let part = if line.oscillations.is_none() { "oscillations" } else { "rate" };
            gaps.push(Gap::at(GapKind::DoseIncomplete, part, "Procedure.extension", &line.source));
        }
    }
    let mut left_alone: Vec<LeftAlone> = treatments.iter().flat_map(left_alone).collect();
    left_alone.sort();
    Dose {
        by_segment: grouped(&lines, |line| line.segment),
        by_day: grouped(&lines, |line| line.day),
        by_technique: grouped(&lines, |line| line.technique),
        total: Totals::of(lines.iter()),
        left_alone,
        lines,
    }
}

fn grouped<K: Ord + Copy>(lines: &[Line], key: impl Fn(&Line) -> K) -> Vec<(K, Totals)> {
    let mut groups: BTreeMap<K, Vec<&Line>> = BTreeMap::new();
    for line in lines {
        groups.entry(key(line)).or_default().push(line);
    }
    groups.into_iter().map(|(key, group)| (key, Totals::of(group.into_iter()))).collect()
}

fn lines(treatment: &Treatment) -> Vec<Line> {
    let dose = &treatment.dose;
    let technique = treatment.technique;
    let oscillatory = technique == Technique::OscillatoryMobilisation;
    let oscillations = dose.oscillation_span().filter(|_| oscillatory);
    let held = technique == Technique::MobilisationWithMovement;
    let repetitions = dose.repetitions.filter(|_| held);
    let line = |(segment, side): &(Segment, Side)| Line {
        day: treatment.seen.at.day,
        segment: *segment,
        side: *side,
        technique,
        grade: dose.grade.clone(),
        series: dose.series,
        oscillations: oscillations.map(|(span, _)| span),
        derived: oscillations.is_some_and(|(_, derived)| derived),
        seconds: dose.second_span(technique),
        thrusts: if technique == Technique::Thrust { dose.series.unwrap_or(1) } else { 0 },
        repetitions: repetitions.map(|n| n.saturating_mul(dose.series.unwrap_or(1))),
        cavitation: dose.cavitation,
        manner: dose.manner.clone(),
        source: treatment.seen.source.clone(),
    };
    treatment.sites.iter().map(line).collect()
}

fn left_alone(treatment: &Treatment) -> Vec<LeftAlone> {
    let Some(reason) = &treatment.left_alone else { return Vec::new() };
    let one = |(segment, side): &(Segment, Side)| LeftAlone {
        segment: *segment,
        side: *side,
        day: treatment.seen.at.day,
        reason: reason.clone(),
        source: treatment.seen.source.clone(),
    };
    treatment.sites.iter().map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(dose: &DoseFields, oscillations: &str, seconds: &str) {
        let technique = Technique::OscillatoryMobilisation;
        let text = |span: Option<Span>| span.map_or("none".to_owned(), |span| span.to_string());
        assert_eq!(text(dose.oscillation_span().map(|(span, _)| span)), oscillations, "{dose:?}");
        assert_eq!(text(dose.second_span(technique)), seconds, "{dose:?}");
    }

    /// Check value, common practice, no source: 3 x 10 at 1-2 per second is 30 in 15-30 seconds.
    #[test]
    fn three_series_of_ten() {
        let hz = |low: i64, high: i64| Some((Decimal::from(low), Decimal::from(high)));
        let dose = DoseFields { series: Some(3), oscillations: Some(10), ..DoseFields::default() };
        check(&dose, "30", "none");
        check(&DoseFields { rate: hz(1, 2), ..dose.clone() }, "30", "15–30");
        check(&DoseFields { rate: hz(2, 2), ..dose.clone() }, "30", "15");
        check(&DoseFields { duration: Some(Decimal::from(20)), ..dose }, "30", "60");
        let timed = DoseFields {
            series: Some(2),
            duration: Some(Decimal::from(30)),
            ..DoseFields::default()
        };
        check(&DoseFields { rate: hz(1, 2), ..timed.clone() }, "60–120", "60");
        check(&timed, "none", "60");
    }
}
