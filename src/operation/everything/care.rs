//! When care was given, as far as a resource tells.
//!
//! By the search parameter that stands for the time of care of its type, so that nothing is parsed.
//! Types that have none, and resources that tell none, are in scope at any time: a list of problems
//! that leaves out an undated one would be wrong. A condition or a goal without an end lasts.
//! Source: <http://hl7.org/fhir/R4/patient-operation-everything.html> ("The date range relates to
//! care dates, not record currency dates"); which parameter tells it of which type is read from
//! the elements that each is about (common practice, no source).

use crate::error::Error;
use crate::index::Rules;
use crate::index::date::Interval;
use crate::repository::{self, Stored};
use crate::store::View;

/// A range of care dates.
#[derive(Clone, Copy, Debug)]
pub(super) struct Care {
    start: Option<i64>,
    end: Option<i64>,
}

/// What tells the time of care of a type.
enum Told {
    /// The first of these parameters that the resource has.
    By(&'static [&'static str]),
    /// From the one to the other; without the other it lasts.
    Between(&'static str, &'static str),
    /// Nothing: it is in scope at any time.
    Never,
}

/// Types whose time of care is not told by `date`.
const TOLD: &[(&str, Told)] = &[
    // These dates say when something was written down, not when care was given.
    ("AllergyIntolerance", Told::Never),
    ("FamilyMemberHistory", Told::Never),
    ("List", Told::Never),
    ("Account", Told::By(&["period"])),
    ("Claim", Told::By(&["created"])),
    ("ClaimResponse", Told::By(&["created"])),
    ("Communication", Told::By(&["sent", "received"])),
    ("CommunicationRequest", Told::By(&["occurrence", "authored"])),
    ("Condition", Told::Between("onset-date", "abatement-date")),
    ("DetectedIssue", Told::By(&["identified"])),
    ("DeviceRequest", Told::By(&["event-date", "authored-on"])),
    ("DocumentReference", Told::By(&["period", "date"])),
    ("ExplanationOfBenefit", Told::By(&["created"])),
    ("Goal", Told::Between("start-date", "target-date")),
    ("ImagingStudy", Told::By(&["started"])),
    ("Media", Told::By(&["created"])),
    ("MedicationAdministration", Told::By(&["effective-time"])),
    ("MedicationDispense", Told::By(&["whenhandedover", "whenprepared"])),
    ("MedicationRequest", Told::By(&["date", "authoredon"])),
    ("MedicationStatement", Told::By(&["effective"])),
    ("NutritionOrder", Told::By(&["datetime"])),
    ("QuestionnaireResponse", Told::By(&["authored"])),
    ("ServiceRequest", Told::By(&["occurrence", "authored"])),
    ("Specimen", Told::By(&["collected"])),
    ("Task", Told::By(&["period", "authored-on"])),
    ("VisionPrescription", Told::By(&["datewritten"])),
];

impl Care {
    /// From the beginning of the one day, month or year to the end of the other.
    pub(super) fn new(start: Option<Interval>, end: Option<Interval>) -> Self {
        Self { start: start.map(|start| start.start), end: end.map(|end| end.end) }
    }

    /// Whether the resource is in scope.
    ///
    /// # Errors
    /// A failure of the store.
    pub(super) fn covers(
        self,
        view: &dyn View,
        rules: &Rules,
        stored: &Stored,
    ) -> Result<bool, Error> {
        if self.start.is_none() && self.end.is_none() {
            return Ok(true);
        }
        let time = time_of(view, rules, stored)?;
        Ok(time.is_none_or(|time| {
            self.start.is_none_or(|start| time.end >= start)
                && self.end.is_none_or(|end| time.start <= end)
        }))
    }
}

/// The time of care; none where the resource tells none.
fn time_of(view: &dyn View, rules: &Rules, stored: &Stored) -> Result<Option<Interval>, Error> {
    let told = TOLD.iter().find(|(kind, _)| *kind == stored.kind.as_str());
    let told = told.map_or(&Told::By(&["date"]), |(_, told)| told);
    if matches!(told, Told::Never) {
        return Ok(None);
    }
    let keys = repository::read::keys(view, stored.kind, &stored.id)?;
    let of = |code: &str| -> Result<Option<Interval>, Error> {
        let mut whole: Option<Interval> = None;
        for found in keys.of(rules.sources(stored.kind, code)) {
            let Some(time) = Interval::from_parts(&found?.1.parts) else { continue };
            whole = Some(whole.map_or(time, |whole| Interval {
                start: whole.start.min(time.start),
                end: whole.end.max(time.end),
            }));
        }
        Ok(whole)
    };
    Ok(match told {
        Told::By(codes) => codes.iter().find_map(|code| of(code).transpose()).transpose()?,
        Told::Between(from, to) => {
            let (from, to) = (of(from)?, of(to)?);
            from.or(to).map(|_| Interval {
                start: from.map_or(i64::MIN, |from| from.start),
                end: to.map_or(i64::MAX, |to| to.end),
            })
        }
        Told::Never => None,
    })
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::definitions::Definitions;
    use crate::definitions::model::Model;
    use crate::definitions::search_parameter::{ParameterType, SearchParameters};
    use crate::fhir::ResourceType;

    /// Every type and parameter of the table is there, and a date.
    #[test]
    fn the_table_names_parameters_of_the_standard() {
        let definitions = Definitions::embedded().unwrap();
        let parameters = SearchParameters::load(&definitions).unwrap();
        let rules = Rules::new(Arc::new(Model::standard().unwrap()), parameters, None);
        for (kind, told) in TOLD {
            let kind = ResourceType::parse(kind).unwrap();
            let codes: &[&str] = match told {
                Told::By(codes) => codes,
                Told::Between(from, to) => &[*from, *to],
                Told::Never => &[],
            };
            for code in codes {
                let parameter =
                    rules.parameter(kind, code).unwrap_or_else(|| panic!("{kind} {code}"));
                assert_eq!(parameter.definition.kind, ParameterType::Date, "{kind} {code}");
            }
        }
    }
}
