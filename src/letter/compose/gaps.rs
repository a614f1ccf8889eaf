//! What is missing, what does not fit together, and how the numbers were made.

use std::collections::BTreeMap;

use crate::clinical::consistency::{Finding, FindingKind};
use crate::clinical::gap::{Gap, GapKind};
use crate::letter::catalogue::Catalogue;
use crate::letter::compose::Desk;
use crate::letter::compose::scores::thresholds;
use crate::letter::content::{Block, Section};

/// What is missing and what does not fit together.
pub(super) fn gaps(desk: &Desk<'_>) -> Section {
    let summary = desk.summary;
    let mut items = missing(desk);
    items.extend(faults(desk));
    items.extend(findings(desk));
    let blocks = if items.is_empty() {
        vec![Block::paragraph(desk.text("gaps.none"))]
    } else {
        vec![Block::List { items }]
    };
    let from = (summary.gaps.iter().filter_map(|gap| gap.source.as_ref()))
        .chain(summary.findings.iter().flat_map(|finding| &finding.sources));
    desk.section("gaps", None, blocks, from)
}

/// Facts that are missing altogether, in one line for each kind.
fn missing(desk: &Desk<'_>) -> Vec<String> {
    let words = desk.words;
    let of = |kind: GapKind, key: &str| {
        let found = desk.summary.gaps.iter().filter(|gap| gap.kind == kind && gap.source.is_none());
        let names: Vec<String> =
            found.map(|gap| words.name("about", &gap.about).to_owned()).collect();
        (!names.is_empty()).then(|| words.fill(key, &[("items", words.list(&names))]))
    };
    let lines = [
        of(GapKind::NotRecorded, "gaps.not-recorded"),
        of(GapKind::NotRepeated, "gaps.not-repeated"),
    ];
    lines.into_iter().flatten().collect()
}

/// Faults of single resources, counted by what they are about.
fn faults(desk: &Desk<'_>) -> Vec<String> {
    let words = desk.words;
    let mut groups: BTreeMap<(GapKind, &str), Vec<&Gap>> = BTreeMap::new();
    for gap in desk.summary.gaps.iter().filter(|gap| gap.source.is_some()) {
        groups.entry((gap.kind, &gap.about)).or_default().push(gap);
    }
    let line = |((kind, about), group): ((GapKind, &str), Vec<&Gap>)| {
        let name = match kind {
            GapKind::NotRecorded => "not-recorded",
            GapKind::NotRepeated => "not-repeated",
            GapKind::NotReadable => "not-readable",
            GapKind::Contradiction => "contradiction",
            GapKind::DoseIncomplete => "dose-incomplete",
            GapKind::NotUsed => "not-used",
            GapKind::AfterSummary => "after-summary",
        };
        let places =
            [("n", group.len().to_string()), ("about", words.name("about", about).to_owned())];
        words.fill(&format!("gaps.fault.{name}"), &places)
    };
    groups.into_iter().map(line).collect()
}

fn findings(desk: &Desk<'_>) -> Vec<String> {
    let mut groups: BTreeMap<FindingKind, Vec<&Finding>> = BTreeMap::new();
    for finding in &desk.summary.findings {
        groups.entry(finding.kind).or_default().push(finding);
    }
    groups.into_iter().map(|(kind, group)| finding(desk.words, kind, &group)).collect()
}

/// All findings of one kind, in one line.
pub(crate) fn finding(words: &Catalogue, kind: FindingKind, group: &[&Finding]) -> String {
    let name = kind.code();
    let place = |finding: &&Finding| {
        let day = finding.day.map(|day| words.day(day));
        let segment = finding.segment.map(|segment| segment.code().to_owned());
        let about = finding.about.map(|about| words.name("about", about).to_owned());
        segment.into_iter().chain(about).chain(day).collect::<Vec<_>>().join(" ")
    };
    let mut places: Vec<String> = group.iter().map(place).collect();
    places.dedup();
    let places: Vec<String> = places.into_iter().filter(|place| !place.is_empty()).collect();
    let key = format!("finding.{name}");
    let text = words.fill(&key, &[("places", places.join(words.get("list.semicolon")))]);
    text.replace(": .", ".")
}

/// How the numbers were made.
pub(super) fn method(desk: &Desk<'_>) -> Section {
    let rules = ["first", "dose", "grade", "index", "change", "goal", "habit", "sources"];
    let places =
        [("n", desk.summary.sources.len().to_string()), ("as-of", desk.summary.as_of.clone())];
    let items: Vec<String> =
        rules.iter().map(|rule| desk.words.fill(&format!("method.{rule}"), &places)).collect();
    let items = items.into_iter().chain(thresholds(desk)).chain([desk.text("ranges.rule")]);
    let text: Vec<String> = items.collect();
    desk.section("method", None, vec![Block::note(text.join(" "))], [])
}
