//! `x-unit`: the code of a Quantity is a unit of the system that it names.
//!
//! A UCUM code must be one; where it is not, the text says which was probably meant (a warning in the
//! resources of [`PHARMACY`]). A code that is
//! a unit but says another thing than the unit in words is a warning. Codes of other systems are
//! held to what is held of them, as those of a Coding are, but only warned of: such systems (dose
//! forms, packages) are lists for units of which nobody has all.
//! Source: <http://hl7.org/fhir/R4/datatypes.html#Quantity>, <http://hl7.org/fhir/R4/ucum.html>.

use serde_json::Value;

use super::{Rule, Site, code};
use crate::fhir::IssueType;
use crate::terminology::ucum;
use crate::validation::finding::Finding;
use crate::validation::quick;
use crate::validation::scope::Scope;
use crate::validation::verdicts::{self, Question};

struct Unit;

#[expect(clippy::unnecessary_wraps, reason = "one signature for every keyword")]
pub(super) fn rule(_: Site<'_>, _: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Unit))
}

impl Rule for Unit {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        let text = |name: &str| quick::text(value, name);
        let (Some(system), Some(unit)) = (text("system"), text("code")) else { return true };
        match system {
            ucum::SYSTEM => {
                let words = text("unit");
                let is_fine = || ucum::check(unit).is_ok() && other(words, unit).is_none();
                let has_words = if words.is_some() { "words" } else { "" };
                let texts = [words.unwrap_or_default(), unit, has_words];
                let question = Question { rule: verdicts::UNIT, texts };
                scope.answer(&question, || u8::from(is_fine())) == 1
            }
            _ => code::is_well(scope, value),
        }
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        let text = |name: &str| value.get(name).and_then(Value::as_str);
        let (Some(system), Some(unit)) = (text("system"), text("code")) else { return Vec::new() };
        if system != ucum::SYSTEM {
            return code::told(scope, value).into_iter().map(Finding::at_most_warning).collect();
        }
        if let Err(unknown) = ucum::check(unit) {
            let finding = Finding::error(IssueType::CodeInvalid, unknown.message);
            return vec![if is_pharmacy(scope) { finding.at_most_warning() } else { finding }];
        }
        let meant = other(text("unit"), unit);
        let say = |meant: &str| {
            let text = format!(
                "The unit in words is \"{meant}\" in UCUM, which is not comparable with the code."
            );
            Finding::warning(IssueType::CodeInvalid, text)
        };
        meant.map(say).into_iter().collect()
    }
}

/// The types in whose published examples R4 itself writes dose forms and pharmacy abbreviations (TAB,
/// ea, mcg) as codes of UCUM. To refuse there what the standard publishes would lose content that no
/// measurement rests on, so it is a warning.
const PHARMACY: [&str; 8] = [
    "Claim",
    "ExplanationOfBenefit",
    "Medication",
    "MedicationAdministration",
    "MedicationDispense",
    "MedicationKnowledge",
    "MedicationRequest",
    "MedicationStatement",
];

fn is_pharmacy(scope: &Scope) -> bool {
    let here = scope.here();
    let kind = here.as_ref().and_then(|here| here.value().get("resourceType")?.as_str());
    kind.is_some_and(|kind| PHARMACY.contains(&kind))
}

/// The unit that the words name, where it is no unit of what the code measures.
fn other(words: Option<&str>, code: &str) -> Option<&'static str> {
    let words = words.filter(|words| *words != code || ["C", "F"].contains(words))?;
    let named = ucum::named(words).filter(|named| *named != code)?;
    (ucum::comparable(named, code) == Ok(false)).then_some(named)
}
