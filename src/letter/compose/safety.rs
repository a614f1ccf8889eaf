//! Screening, consent, adverse events, flags, blood pressure: as recorded, also when nothing is.

use crate::clinical::caution::{AdverseEvent, Answer, Consent, SafetyTest, Screening};
use crate::clinical::source::Source;
use crate::letter::compose::Desk;
use crate::letter::content::{Block, Fact, Section};

/// Cautions, screening, consent, adverse events.
pub(super) fn safety(desk: &Desk<'_>) -> Section {
    let (caution, words) = (&desk.summary.caution, desk.words);
    let or_none = |lines: Vec<String>, none: &str| {
        if lines.is_empty() { vec![desk.text(none)] } else { lines }
    };
    let events = caution.adverse_events.iter().map(|event| adverse_event(desk, event)).collect();
    let screenings = caution.screenings.iter().map(|screening| self::screening(desk, screening));
    let consents = caution.consents.iter().map(|consent| self::consent(desk, consent));
    let mut items = vec![
        Fact::new(words.get("safety.events"), or_none(events, "safety.no-event")),
        Fact::new(
            words.get("safety.screening"),
            or_none(screenings.collect(), "safety.no-screening"),
        ),
        Fact::new(words.get("safety.consent"), or_none(consents.collect(), "safety.no-consent")),
    ];
    let flags: Vec<String> = caution.flags.iter().map(|flag| flag.says.clone()).collect();
    if !flags.is_empty() {
        items.push(Fact::new(words.get("safety.flags"), flags));
    }
    let tests: Vec<String> =
        caution.safety_tests.iter().map(|test| safety_test(desk, test)).collect();
    if !tests.is_empty() {
        items.push(Fact::new(words.get("safety.tests"), tests));
    }
    let pressures: Vec<String> = caution
        .blood_pressures
        .iter()
        .map(|pressure| {
            let places = [
                ("systolic", words.number(pressure.systolic)),
                ("diastolic", words.number(pressure.diastolic)),
                ("day", words.day(pressure.day)),
            ];
            words.fill("safety.pressure-value", &places)
        })
        .collect();
    if !pressures.is_empty() {
        items.push(Fact::new(words.get("safety.pressure"), pressures));
    }
    let blocks = vec![Block::Facts { items }];
    desk.section("safety", Some("104605-1"), blocks, from(desk))
}

fn from<'a>(desk: &Desk<'a>) -> Vec<&'a Source> {
    let caution = &desk.summary.caution;
    (caution.screenings.iter().map(|s| &s.source))
        .chain(caution.consents.iter().map(|c| &c.source))
        .chain(caution.adverse_events.iter().map(|e| &e.source))
        .chain(caution.flags.iter().map(|f| &f.source))
        .chain(caution.blood_pressures.iter().map(|p| &p.source))
        .chain(caution.safety_tests.iter().map(|t| &t.source))
        .collect()
}

/// One test with its result; a negative one is never called safe.
fn safety_test(desk: &Desk<'_>, test: &SafetyTest) -> String {
    let words = desk.words;
    let result = test.result.as_deref().map(|result| words.name("test-result", result));
    let places = [
        ("test", test.says.as_str()),
        ("day", &words.day(test.day)),
        ("result", result.unwrap_or(words.get("safety.no-result"))),
    ];
    let mut text = words.fill("safety.test", &places);
    if !test.notes.is_empty() {
        let notes = test.notes.join(words.get("list.semicolon"));
        text.push_str(&words.fill("safety.test-notes", &[("notes", notes)]));
    }
    text
}

fn screening(desk: &Desk<'_>, screening: &Screening) -> String {
    let words = desk.words;
    let day = words.day(screening.day);
    let positive = if screening.positive.is_empty() {
        desk.text("safety.none-positive")
    } else {
        words.fill("safety.positive", &[("items", desk.screening_items(&screening.positive))])
    };
    let negative = screening.negative.to_string();
    let not_asked = if screening.not_asked.is_empty() {
        desk.text("safety.all-asked")
    } else {
        words.fill("safety.not-asked", &[("items", desk.screening_items(&screening.not_asked))])
    };
    let places =
        [("day", day), ("positive", positive), ("negative", negative), ("asked", not_asked)];
    words.fill("safety.screened", &places)
}

fn consent(desk: &Desk<'_>, consent: &Consent) -> String {
    let words = desk.words;
    let answer = match consent.answer {
        Answer::Given => "given",
        Answer::Refused => "refused",
        Answer::Withdrawn => "withdrawn",
        Answer::Open => "open",
    };
    let covers = if consent.covers.is_empty() {
        desk.text("safety.covers-nothing")
    } else {
        words.list(&consent.covers)
    };
    let places = [
        ("answer", words.name("consent", answer).to_owned()),
        ("day", words.day(consent.day)),
        ("covers", covers),
    ];
    words.fill("safety.consented", &places)
}

fn adverse_event(desk: &Desk<'_>, event: &AdverseEvent) -> String {
    let words = desk.words;
    let nothing = words.get("not-recorded");
    let day = event.day.map(|day| words.day(day));
    let suspects: Vec<String> = desk
        .summary
        .dose
        .lines
        .iter()
        .filter(|line| event.suspected.contains(line.source.target()))
        .map(|line| {
            let places =
                [("segment", line.segment.code().to_owned()), ("day", words.day(line.day))];
            words.fill("safety.suspect", &places)
        })
        .collect();
    let suspects = if suspects.is_empty() { nothing.to_owned() } else { words.list(&suspects) };
    let causes = event.causality.iter().map(|cause| desk.worded("causality", cause, false));
    let causality = causes.collect::<Vec<_>>().join(words.get("list.comma"));
    let says = desk.worded("treatment-reaction", &event.event, false);
    let outcome =
        event.outcome.as_ref().map(|outcome| desk.worded("event-outcome", outcome, false));
    let places = [
        ("event", says.as_str()),
        ("day", day.as_deref().unwrap_or(nothing)),
        ("severity", event.severity.as_deref().map_or(nothing, |s| words.name("severity", s))),
        ("outcome", outcome.as_deref().unwrap_or(nothing)),
        ("causality", if causality.is_empty() { nothing } else { &causality }),
        ("suspects", &suspects),
    ];
    words.fill("safety.event", &places)
}
