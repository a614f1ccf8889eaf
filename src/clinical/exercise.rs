//! Exercises taught, and what the patient was told: as recorded.
//!
//! An exercise is a Procedure of the exercise value set; its dose is passed on part by part, and
//! nothing is computed from it. Advice is a completed Communication of the category instruction.
//! Not done here: what was only planned stands in the plan.

use serde::Serialize;
use serde_json::Value;

use crate::clinical::element::{
    SNOMED, at, code_in, items, own_extension, text, ucum, whole, words,
};
use crate::clinical::gap::Gap;
use crate::clinical::number::Number;
use crate::clinical::seen::Seen;
use crate::clinical::source::{Day, Source};
use crate::fhir::Resource;

/// Therapeutic and passive exercise: our value set `exercise`.
const EXERCISES: [&str; 2] = ["51998003", "183311000"];
/// The code system of what a Communication is for.
const CATEGORY: &str = "http://terminology.hl7.org/CodeSystem/communication-category";

/// One exercise that was taught or done.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct Exercise {
    /// The day.
    pub day: Day,
    /// The exercise, in the record's words.
    pub says: String,
    /// Number of series.
    pub series: Option<u32>,
    /// Repetitions in each series.
    pub repetitions: Option<u32>,
    /// Seconds that each repetition is held.
    pub hold: Option<Number>,
    /// How often a day.
    pub per_day: Option<Number>,
    /// How often a week.
    pub per_week: Option<Number>,
    /// The Procedure.
    pub source: Source,
}

impl Exercise {
    /// Whether a Procedure is an exercise at all.
    pub fn is(value: &Value) -> bool {
        code_in(at(value, "/code"), SNOMED).is_some_and(|code| EXERCISES.contains(&code))
    }

    /// The exercise of a Procedure that took place; a gap where it has no day.
    pub fn of(resource: &Resource, gaps: &mut Vec<Gap>) -> Option<Self> {
        let value = resource.value();
        let status = text(value, "/status").unwrap_or_default();
        if !["completed", "in-progress"].contains(&status) {
            return None;
        }
        let seen = Seen::of(resource, "exercise", gaps)?;
        let dose = own_extension(value, "exercise-dose").unwrap_or(&Value::Null);
        let part = |url: &str| items(dose, "/extension").find(|p| text(p, "/url") == Some(url));
        let count = |url: &str| part(url).and_then(|part| whole(at(part, "/valuePositiveInt")));
        let amount = |url: &str, unit: &str| {
            let quantity = part(url).and_then(|part| ucum(at(part, "/valueQuantity")));
            quantity.filter(|(_, code)| *code == unit).map(|(value, _)| value.into())
        };
        Some(Self {
            day: seen.at.day,
            says: words(at(value, "/code")).unwrap_or_default().to_owned(),
            series: count("series"),
            repetitions: count("repetitions"),
            hold: amount("hold", "s"),
            per_day: amount("frequency", "/d"),
            per_week: amount("frequency", "/wk"),
            source: seen.source,
        })
    }
}

/// What the patient was told.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct Advice {
    /// The day.
    pub day: Day,
    /// What was told, in the record's words.
    pub says: String,
    /// The Communication.
    pub source: Source,
}

impl Advice {
    /// Whether a Communication is an instruction that was given.
    pub fn is(value: &Value) -> bool {
        let mut categories = items(value, "/category");
        text(value, "/status") == Some("completed")
            && categories.any(|category| code_in(category, CATEGORY) == Some("instruction"))
    }

    /// The advice of a Communication; a gap where it has no day.
    pub fn of(resource: &Resource, gaps: &mut Vec<Gap>) -> Option<Self> {
        let seen = Seen::of(resource, "advice", gaps)?;
        let value = resource.value();
        let parts = items(value, "/payload").filter_map(|part| text(part, "/contentString"));
        let told = parts.collect::<Vec<_>>().join(" ");
        let topic = || words(at(value, "/topic")).unwrap_or_default().to_owned();
        let says = if told.is_empty() { topic() } else { told };
        Some(Self { day: seen.at.day, says, source: seen.source })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn resource(mut value: Value) -> Resource {
        value["id"] = json!("x");
        Resource::from_value(value).unwrap()
    }

    #[test]
    fn a_dose_part_by_part() {
        let own = "https://spondyl.example/fhir/StructureDefinition/exercise-dose";
        let quantity = |value: u32, code: &str| json!({ "value": value, "system": "http://unitsofmeasure.org", "code": code });
        let procedure = resource(json!({
            "resourceType": "Procedure", "status": "completed",
            "code": { "coding": [{ "system": SNOMED, "code": "51998003" }], "text": "Turning" },
            "performedDateTime": "2026-03-09",
            "extension": [{ "url": own, "extension": [
                { "url": "series", "valuePositiveInt": 2 },
                { "url": "hold", "valueQuantity": quantity(5, "s") },
                { "url": "frequency", "valueQuantity": quantity(3, "/wk") },
            ] }],
        }));
        assert!(Exercise::is(procedure.value()));
        let exercise = Exercise::of(&procedure, &mut Vec::new()).unwrap();
        assert_eq!((exercise.series, exercise.repetitions), (Some(2), None));
        assert_eq!((exercise.per_day, exercise.per_week), (None, Some(Number::from(3))));
        assert_eq!(exercise.hold, Some(Number::from(5)));
    }

    #[test]
    fn advice_is_what_was_told() {
        let told = |status: &str, category: &str| {
            json!({ "resourceType": "Communication", "status": status, "sent": "2026-03-09",
                "category": [{ "coding": [{ "system": CATEGORY, "code": category }] }],
                "payload": [{ "contentString": "Stop." }, { "contentString": "Count." }] })
        };
        assert!(Advice::is(&told("completed", "instruction")));
        assert!(!Advice::is(&told("preparation", "instruction")));
        assert!(!Advice::is(&told("completed", "reminder")));
        let advice = Advice::of(&resource(told("completed", "instruction")), &mut Vec::new());
        assert_eq!(advice.unwrap().says, "Stop. Count.");
    }
}
