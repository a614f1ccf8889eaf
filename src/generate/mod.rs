//! A synthetic clinic of any size, for tests of load, for audits to practise on, for demonstrations.
//!
//! All people, places and findings are invented, and every resource says so: it carries the security
//! label `HTEST` (test health data). The same seed gives the same bytes, and the patients of a
//! smaller clinic are the first ones of a larger. It is realistic in its defects: scores that were
//! never taken or never again, totals in two units, a unit that cannot be used, amendments, what was
//! entered in error, patients who stay away, thrusts without a screening, loose segments that were
//! treated, letters that are late. The rates are invented too and say nothing about any clinic.
//! Source of the label: <http://hl7.org/fhir/R4/security-labels.html#core>.

mod course;
mod element;
mod episode;
mod findings;
mod letter;
mod people;
mod random;
mod safety;
mod scores;
mod setting;
mod treatment;

use serde_json::{Value, json};

use episode::Case;
use setting::Setting;

/// A clinic: a seed and a number of patients.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Clinic {
    /// What everything follows from.
    pub seed: u64,
    /// How many patients; about one in ten has two episodes.
    pub patients: u64,
}

/// Why there is no clinic.
#[derive(Debug, thiserror::Error)]
pub enum Fault {
    /// The setting inside the program cannot be read.
    #[error("the setting of the invented clinic")]
    Setting(#[source] &'static serde_json::Error),
    /// A part of it is empty or no date.
    #[error("the setting of the invented clinic lacks {0}")]
    Lacks(&'static str),
}

/// What is stored for one patient.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Records {
    /// The resources as they were first stored.
    pub first: Vec<Value>,
    /// Later versions of some of them: amended, or marked as entered in error.
    pub later: Vec<Value>,
}

impl Records {
    /// Transactions: one with the first versions, one with the later ones where there are any.
    pub fn into_bundles(self) -> Vec<Value> {
        let parts = [self.first, self.later].into_iter().filter(|part| !part.is_empty());
        parts.map(transaction).collect()
    }
}

impl Clinic {
    /// The organisations, practitioners and devices that the patients' records refer to.
    ///
    /// # Errors
    /// A broken setting.
    pub fn itself(&self) -> Result<Records, Fault> {
        let setting = Setting::shipped().map_err(Fault::Setting)?;
        Ok(Records { first: people::clinic(setting, self.seed), later: Vec::new() })
    }

    /// The records of one patient, counted from 0; independent of the number of patients.
    ///
    /// # Errors
    /// A broken setting.
    pub fn patient(&self, number: u64) -> Result<Records, Fault> {
        let setting = Setting::shipped().map_err(Fault::Setting)?;
        Case::records(setting, self.seed, number)
    }
}

/// A transaction that puts each resource under its id, so that it can be sent again.
fn transaction(resources: Vec<Value>) -> Value {
    let entries = resources.into_iter().map(|resource| {
        let part = |name| resource.get(name).and_then(Value::as_str).unwrap_or_default();
        let url = format!("{}/{}", part("resourceType"), part("id"));
        json!({ "resource": resource, "request": { "method": "PUT", "url": url } })
    });
    json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries.collect::<Vec<_>>() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_gives_the_same_bytes() {
        let text = |seed, patients, number| {
            let records = Clinic { seed, patients }.patient(number).unwrap();
            Value::from(records.into_bundles()).to_string()
        };
        assert_eq!(text(1, 10, 4), text(1, 1000, 4));
        assert_ne!(text(1, 10, 4), text(2, 10, 4));
        assert_ne!(text(1, 10, 4), text(1, 10, 5));
    }

    #[test]
    fn every_resource_says_that_it_is_invented() {
        let clinic = Clinic { seed: 3, patients: 20 };
        let all = (0..20).map(|number| clinic.patient(number).unwrap());
        for records in all.chain([clinic.itself().unwrap()]) {
            for resource in records.first.iter().chain(&records.later) {
                assert_eq!(resource["meta"]["security"][0]["code"], "HTEST", "{resource}");
            }
        }
    }
}
