//! The segment map: at the first visit, and again at the last, in full, in part or not at all.

use serde_json::{Value, json};

use super::element::{body_site, hl7, own, own_system, with};
use super::episode::{Case, Site, Visit};

/// The segments of this neck, as they are at the start.
pub(super) fn sites(case: &mut Case<'_>) -> Vec<Site> {
    let segments = &case.setting.segments;
    let width = case.random.whole(4, 6);
    let room = i64::try_from(segments.len()).unwrap_or_default() - width;
    let from = usize::try_from(case.random.whole(0, room)).unwrap_or_default();
    let width = usize::try_from(width).unwrap_or_default();
    let loose_at = case.happens(case.setting.rates.loose).then(|| case.random.whole(0, 3));
    let has_map = case.happens(case.setting.rates.mapped);
    let mut sites = Vec::new();
    for (at, segment) in (0_i64..).zip(segments.iter().skip(from).take(width)) {
        let mut add = |side, grade, mapped| {
            sites.push(Site { segment: segment.clone(), side, grade, mapped });
        };
        let mapped = has_map && !case.random.happens(case.setting.rates.not_mapped_treated);
        if loose_at == Some(at) {
            let side = if case.random.happens(0.5) { "left" } else { "right" };
            let other = if side == "left" { "right" } else { "left" };
            add(side, case.random.whole(4, 5), mapped);
            add(other, 3, mapped);
        } else if case.random.happens(0.4) {
            add("both", 3, mapped);
        } else if case.random.happens(0.6) {
            let side = if case.random.happens(0.5) { "left" } else { "right" };
            let other = if side == "left" { "right" } else { "left" };
            add(side, case.random.whole(1, 2), mapped);
            add(other, 3, mapped);
        } else {
            add("both", case.random.whole(1, 2), mapped);
        }
    }
    sites
}

/// Writes the maps.
pub(super) fn write(case: &mut Case<'_>) {
    let Some((first, last)) = case.ends() else { return };
    let test = case.random.one(&case.setting.tests).cloned().unwrap_or_default();
    let sites: Vec<Site> = case.sites.iter().filter(|site| site.mapped).cloned().collect();
    for site in &sites {
        reading(case, first, site, site.grade, &test);
    }
    let rates = &case.setting.rates;
    if first.number == last.number || !case.happens(rates.mapped_again) {
        return;
    }
    let in_part = case.happens(rates.mapped_again_in_part);
    for site in &sites {
        if in_part && case.random.happens(0.4) {
            continue;
        }
        let change = i64::from(case.random.happens(case.gain.max(0.05) + 0.2));
        let grade = match site.grade {
            grade if grade < 3 => grade + change,
            // What was loose stays so.
            grade => grade,
        };
        reading(case, last, site, grade, &test);
    }
}

fn reading(case: &mut Case<'_>, visit: Visit, site: &Site, grade: i64, test: &str) {
    let class = match grade {
        ..3 => "hypomobile",
        3 => "normal",
        4.. => "hypermobile",
    };
    let value: Value = if case.happens(case.setting.rates.not_tested) {
        json!({ "dataAbsentReason": hl7("data-absent-reason", "not-performed") })
    } else {
        json!({ "valueCodeableConcept": { "coding": [
            super::element::coding(&own_system("mobility-class"), class),
            super::element::coding(&own_system("mobility-grade"), &grade.to_string()),
        ] } })
    };
    let name = format!("seg-{}-{}", site.segment, site.side);
    let code = own("finding", "segmental-mobility");
    let mut observation =
        case.observation((visit, 10), &name, &["segmental-mobility"], ("exam", code));
    observation.insert("bodySite".into(), body_site(&site.segment, site.side));
    observation.insert("method".into(), own("test-method", test));
    case.put(with(observation, value));
}
