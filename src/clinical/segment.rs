//! Motion segments, sides and mobility readings.
//!
//! The 25 segments from C0-C1 to L5-S1, the 0-6 grade and the three classes that follow from it
//! (below 3 hypomobile, 3 normal, above 3 hypermobile). A reading without a readable segment, side
//! or value is a gap. `hypermobile` is a finding of a manual test and never instability.
//! Source: the code systems `motion-segment`, `side`, `mobility-grade` and `mobility-class`;
//! SNOMED CT identifiers of the Global Patient Set (CC BY 4.0).

use std::collections::BTreeSet;
use std::fmt;

use serde::{Serialize, Serializer};
use serde_json::Value;

use crate::clinical::element::{
    SNOMED, at, code_in, extension, items, own_code, own_extension, words,
};
use crate::clinical::gap::{Gap, GapKind};
use crate::clinical::number::Number;
use crate::clinical::seen::Seen;
use crate::clinical::source::Source;
use crate::clinical::{element, outcome};
use crate::fhir::Resource;

/// A motion segment, ordered from the head downwards.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Segment(u8);

/// Our code of each segment with the SNOMED CT identifier of its level, in caudal order.
const SEGMENTS: [(&str, &str); 25] = [
    ("C0-C1", "20292002"),
    ("C1-C2", "62555009"),
    ("C2-C3", "243902007"),
    ("C3-C4", "243903002"),
    ("C4-C5", "243904008"),
    ("C5-C6", "243905009"),
    ("C6-C7", "243906005"),
    ("C7-T1", "243925008"),
    ("T1-T2", "243908006"),
    ("T2-T3", "243909003"),
    ("T3-T4", "243910008"),
    ("T4-T5", "243911007"),
    ("T5-T6", "243912000"),
    ("T6-T7", "243913005"),
    ("T7-T8", "243914004"),
    ("T8-T9", "243915003"),
    ("T9-T10", "243916002"),
    ("T10-T11", "243917006"),
    ("T11-T12", "243918001"),
    ("T12-L1", "243926009"),
    ("L1-L2", "243920003"),
    ("L2-L3", "243921004"),
    ("L3-L4", "243922006"),
    ("L4-L5", "243923001"),
    ("L5-S1", "243927000"),
];

impl Segment {
    /// Every segment, from the head downwards.
    pub fn all() -> impl DoubleEndedIterator<Item = Self> {
        (0u8..25).map(Self)
    }

    /// The segment of one of our codes.
    pub fn parse(code: &str) -> Option<Self> {
        Self::all().find(|segment| segment.code() == code)
    }

    /// The segments that a text of a plan names, with those between two that are joined by `to` or
    /// a dash. Understands the spellings of letters: `C3-C4`, `C3-4`, `C3/4`, `C3/C4`.
    pub fn named(text: &str) -> BTreeSet<Self> {
        let mut named = BTreeSet::new();
        let (mut before, mut joined) = (None, false);
        for word in text.split_whitespace() {
            let bare = word.trim_matches([',', ';', ':', '.', '(', ')']).replace('\u{2013}', "-");
            if let Some(segment) = Self::spelled(&bare) {
                let from = before.filter(|_| joined).unwrap_or(segment);
                named.extend(Self::all().filter(|s| (from..=segment).contains(s)));
                before = (!word.ends_with([',', ';', '.'])).then_some(segment);
                joined = false;
            } else {
                joined = before.is_some() && ["to", "-", "\u{2013}", "\u{2014}"].contains(&word);
                before = before.filter(|_| joined);
            }
        }
        named
    }

    fn spelled(word: &str) -> Option<Self> {
        let (upper, lower) = word.split_once(['-', '/'])?;
        let region = upper.get(..1)?;
        let digit = lower.starts_with(|c: char| c.is_ascii_digit());
        let lower = if digit { format!("{region}{lower}") } else { lower.to_owned() };
        Self::parse(&format!("{upper}-{lower}"))
    }

    /// Our code, such as `C5-C6`.
    pub fn code(self) -> &'static str {
        SEGMENTS.get(usize::from(self.0)).map_or("", |(code, _)| code)
    }

    /// The next segment towards the head.
    pub fn above(self) -> Option<Self> {
        self.0.checked_sub(1).map(Self)
    }

    /// The next segment away from the head.
    pub fn below(self) -> Option<Self> {
        (self.0 < 24).then_some(Self(self.0 + 1))
    }

    /// The segment of a body site: our code, or the SNOMED CT code of its level. None where neither
    /// is there or the two disagree.
    pub fn of_body_site(site: &Value) -> Option<Self> {
        let own = own_code(site, "motion-segment").map(Self::parse);
        let snomed = code_in(site, SNOMED).and_then(|code| {
            Self::all()
                .find(|s| SEGMENTS.get(usize::from(s.0)).is_some_and(|(_, sct)| *sct == code))
        });
        match (own, snomed) {
            (Some(Some(own)), Some(snomed)) => (own == snomed).then_some(own),
            (Some(own), None) => own,
            (None, snomed) => snomed,
            (Some(None), Some(_)) => None,
        }
    }
}

impl fmt::Display for Segment {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.code())
    }
}

impl Serialize for Segment {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.code())
    }
}

/// The side of a reading or a treatment.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// The left side.
    Left,
    /// Pressure in the midline: no side of its own; stands for both.
    Central,
    /// The right side.
    Right,
    /// Both sides, each with the same result.
    Both,
}

impl Side {
    /// The side of a body site: the laterality extension, with our code or that of SNOMED CT.
    pub fn of_body_site(site: &Value) -> Option<Self> {
        let concept = at(own_extension(site, "laterality")?, "/valueCodeableConcept");
        let own = own_code(concept, "side").map(|code| match code {
            "left" => Some(Self::Left),
            "right" => Some(Self::Right),
            "both" => Some(Self::Both),
            "central" => Some(Self::Central),
            _ => None,
        });
        own.unwrap_or_else(|| match code_in(concept, SNOMED)? {
            "7771000" => Some(Self::Left),
            "24028007" => Some(Self::Right),
            "51440002" => Some(Self::Both),
            _ => None,
        })
    }

    /// The sides that a finding stands for: left and right alike for both and for central.
    pub fn sides(self) -> &'static [Self] {
        match self {
            Self::Left => &[Self::Left],
            Self::Right => &[Self::Right],
            Self::Central | Self::Both => &[Self::Left, Self::Right],
        }
    }
}

/// The three classes of mobility.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Class {
    /// Less movement than normal.
    Hypomobile,
    /// Normal movement.
    Normal,
    /// More movement than normal.
    Hypermobile,
}

/// A recorded mobility: a grade, or only a class.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize)]
pub struct Mobility {
    /// The grade 0-6, where one was recorded.
    pub grade: Option<u8>,
    /// The class, recorded or following from the grade.
    pub class: Class,
}

impl Mobility {
    /// The mobility of a grade 0-6.
    pub fn of_grade(grade: u8) -> Option<Self> {
        let class = match grade {
            0..=2 => Class::Hypomobile,
            3 => Class::Normal,
            4..=6 => Class::Hypermobile,
            _ => return None,
        };
        Some(Self { grade: Some(grade), class })
    }

    /// The mobility of a class alone.
    pub fn of_class(class: Class) -> Self {
        Self { grade: None, class }
    }

    /// The mobility of a coded value; none where a code is unknown or grade and class disagree.
    pub fn of_value(concept: &Value) -> Option<Self> {
        let grade = match own_code(concept, "mobility-grade") {
            Some(code) => Some(code.parse().ok().and_then(Self::of_grade)?),
            None => None,
        };
        let class = match own_code(concept, "mobility-class") {
            Some("hypomobile") => Some(Class::Hypomobile),
            Some("normal") => Some(Class::Normal),
            Some("hypermobile") => Some(Class::Hypermobile),
            Some(_) => return None,
            None => None,
        };
        match (grade, class) {
            (Some(grade), Some(class)) => (grade.class == class).then_some(grade),
            (Some(grade), None) => Some(grade),
            (None, class) => class.map(Self::of_class),
        }
    }

    /// How far from normal: steps of the grade, or one step of class.
    pub fn distance(self) -> u8 {
        match (self.grade, self.class) {
            (Some(grade), _) => grade.abs_diff(3),
            (None, Class::Normal) => 0,
            (None, _) => 1,
        }
    }
}

/// One mobility reading of one segment and side.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Reading {
    /// When, by whom, where stated.
    pub seen: Seen,
    /// The segment.
    pub segment: Segment,
    /// The side, as recorded.
    pub side: Side,
    /// The code of the test, where one was recorded.
    pub test: Option<String>,
    /// The mobility; none where the segment could not be tested.
    pub mobility: Option<Mobility>,
    /// Pain on the test, 0-10, where recorded.
    pub pain: Option<Number>,
    /// Words of the end feel, where recorded.
    pub end_feel: Option<String>,
    /// The code of the pain response, where recorded.
    pub pain_response: Option<String>,
}

impl Reading {
    /// The reading of a segmental-mobility Observation; gaps where it cannot be read.
    pub fn of(resource: &Resource, gaps: &mut Vec<Gap>) -> Option<Self> {
        let seen = Seen::of(resource, "segmental-mobility", gaps)?;
        let value = resource.value();
        let mut unreadable = |element: &str| fault(&seen.source, element, gaps);
        let place = at(value, "/bodySite");
        let Some(segment) = Segment::of_body_site(place) else {
            return unreadable("Observation.bodySite");
        };
        let Some(side) = Side::of_body_site(place) else {
            return unreadable("Observation.bodySite.extension");
        };
        let mobility = Mobility::of_value(at(value, "/valueCodeableConcept"));
        let absent = !at(value, "/dataAbsentReason").is_null();
        if mobility.is_none() && !absent {
            return unreadable("Observation.value");
        }
        let part = |code| component(value, code);
        let pain = part("pain-on-test").and_then(outcome::plain_number);
        let end_feel = part("end-feel").and_then(|c| words(at(c, "/valueCodeableConcept")));
        let response = part("pain-response").map(|c| at(c, "/valueCodeableConcept"));
        Some(Self {
            segment,
            side,
            test: own_code(at(value, "/method"), "test-method").map(ToOwned::to_owned),
            mobility,
            pain: pain.map(Number::new),
            end_feel: end_feel.map(ToOwned::to_owned),
            pain_response: response.and_then(|c| own_code(c, "pain-response")).map(str::to_owned),
            seen,
        })
    }
}

fn fault<T>(source: &Source, element: &str, gaps: &mut Vec<Gap>) -> Option<T> {
    gaps.push(Gap::at(GapKind::NotReadable, "segmental-mobility", element, source));
    None
}

/// The component of an Observation with one of our finding codes.
pub fn component<'a>(observation: &'a Value, code: &str) -> Option<&'a Value> {
    items(observation, "/component").find(|c| own_code(at(c, "/code"), "finding") == Some(code))
}

/// The segments and sides that a Procedure treats; none in place of one that cannot be read.
pub fn sites(procedure: &Value) -> Vec<Option<(Segment, Side)>> {
    let read = |site| Some((Segment::of_body_site(site)?, Side::of_body_site(site)?));
    items(procedure, "/bodySite").map(read).collect()
}

/// The reference of the episode of care in the extension of the standard.
pub fn episode_link(value: &Value) -> Option<element::Target> {
    element::target(extension(value, element::EPISODE_LINK)?, "/valueReference")
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn twenty_five_segments_in_order() {
        assert_eq!(Segment::all().count(), 25);
        assert_eq!(Segment::parse("C0-C1").unwrap().above(), None);
        assert_eq!(Segment::parse("C6-C7").unwrap().below(), Segment::parse("C7-T1"));
        assert_eq!(Segment::parse("L5-S1").unwrap().below(), None);
        assert!(Segment::parse("C1/2").is_none());
    }

    #[test]
    fn segments_named_in_a_plan() {
        let check = |text: &str, expected: &str| {
            let names: Vec<&str> = Segment::named(text).into_iter().map(Segment::code).collect();
            assert_eq!(names.join(" "), expected, "{text}");
        };
        check(
            "Stiff segments to treat: C1-C2, C6-C7, C7-T1 to T2-T3",
            "C1-C2 C6-C7 C7-T1 T1-T2 T2-T3",
        );
        check("C3/4 and C4\u{2013}5 left (C5/C6).", "C3-C4 C4-C5 C5-C6");
        check("C1-C2, to T1-T2", "C1-C2 T1-T2");
        check("C3-C4 \u{2013} C5-C6", "C3-C4 C4-C5 C5-C6");
        check("no hands-on treatment; B12/34, C9-C10", "");
    }

    #[test]
    fn body_site_needs_agreeing_codes() {
        let own = |code: &str| json!({ "system": format!("{}/CodeSystem/motion-segment", element::OWN), "code": code });
        let sct = |code: &str| json!({ "system": SNOMED, "code": code });
        let check = |coding: Value, expected: Option<&str>| {
            let found = Segment::of_body_site(&json!({ "coding": coding }));
            assert_eq!(found.map(Segment::code), expected, "{coding}");
        };
        check(json!([own("C4-C5")]), Some("C4-C5"));
        check(json!([sct("243904008")]), Some("C4-C5"));
        check(json!([own("C4-C5"), sct("243904008")]), Some("C4-C5"));
        check(json!([own("C4-C5"), sct("243905009")]), None);
        check(json!([own("C9-C10")]), None);
        check(json!([]), None);
    }

    #[test]
    fn class_follows_from_grade() {
        let concept = |grade: Option<&str>, class: Option<&str>| {
            let coding = |system: &str, code| json!({ "system": format!("{}/CodeSystem/{system}", element::OWN), "code": code });
            let grade = grade.map(|code| coding("mobility-grade", code));
            let class = class.map(|code| coding("mobility-class", code));
            json!({ "coding": grade.into_iter().chain(class).collect::<Vec<_>>() })
        };
        let check = |grade, class, expected| {
            let mobility = Mobility::of_value(&concept(grade, class));
            assert_eq!(mobility.map(|m| m.class), expected, "{grade:?} {class:?}");
        };
        check(Some("0"), None, Some(Class::Hypomobile));
        check(Some("2"), None, Some(Class::Hypomobile));
        check(Some("3"), Some("normal"), Some(Class::Normal));
        check(Some("6"), None, Some(Class::Hypermobile));
        check(None, Some("hypermobile"), Some(Class::Hypermobile));
        check(Some("2"), Some("hypermobile"), None);
        check(Some("7"), None, None);
        check(None, None, None);
    }
}
