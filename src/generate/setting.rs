//! What the invented clinic is made of: names, places, people and rates, read from `clinic.json`.

use std::sync::LazyLock;

use serde::Deserialize;

/// The whole setting.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Setting {
    #[serde(rename = "note")]
    _note: String,
    pub(super) first_day: String,
    pub(super) days: i64,
    pub(super) given: Given,
    pub(super) family: Family,
    pub(super) sites: Vec<Place>,
    pub(super) therapists: Vec<Person>,
    pub(super) practices: Vec<Place>,
    pub(super) referrers: Vec<Person>,
    pub(super) hospital: Place,
    pub(super) problems: Vec<Problem>,
    pub(super) activities: Vec<String>,
    pub(super) reactions: Vec<String>,
    pub(super) segments: Vec<String>,
    pub(super) tests: Vec<String>,
    pub(super) screening_items: Vec<String>,
    pub(super) disability_items: Vec<String>,
    pub(super) rates: Rates,
}

/// Given names.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Given {
    pub(super) female: Vec<String>,
    pub(super) male: Vec<String>,
}

/// Both halves of family names.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Family {
    pub(super) first: Vec<String>,
    pub(super) last: Vec<String>,
}

/// An organisation.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Place {
    pub(super) id: String,
    pub(super) name: String,
    pub(super) town: String,
    pub(super) weight: u32,
}

/// A practitioner of a place.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Person {
    pub(super) id: String,
    pub(super) given: String,
    pub(super) family: String,
    pub(super) site: String,
    pub(super) weight: u32,
    /// How much more of a disability goes than on average, as a share of it.
    pub(super) gain: f64,
    /// How often what should be recorded is, beside what the rates say.
    pub(super) care: f64,
}

/// A problem.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Problem {
    pub(super) code: String,
    pub(super) display: String,
    pub(super) weight: u32,
}

/// How often what happens, as shares of 1.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Rates {
    pub(super) second_episode: f64,
    pub(super) no_birth_date: f64,
    pub(super) no_gender: f64,
    pub(super) no_care_manager: f64,
    pub(super) self_referral: f64,
    pub(super) still_open: f64,
    pub(super) no_end_reason: f64,
    pub(super) drop_out: f64,
    pub(super) self_discharge: f64,
    pub(super) missed_visit: f64,
    pub(super) cancelled_visit: f64,
    pub(super) red_flag: f64,
    pub(super) red_flag_referred: f64,
    pub(super) red_flag_urgent: f64,
    pub(super) screening_missing: f64,
    pub(super) screening_incomplete: f64,
    pub(super) screening_late: f64,
    pub(super) consent_missing: f64,
    pub(super) consent_late: f64,
    pub(super) consent_refused: f64,
    pub(super) consent_open: f64,
    pub(super) disability_at_start: f64,
    pub(super) disability_late: f64,
    pub(super) disability_again: f64,
    pub(super) disability_percent: f64,
    pub(super) disability_items: f64,
    pub(super) disability_item_missing: f64,
    pub(super) pain_at_start: f64,
    pub(super) pain_again: f64,
    pub(super) pain_worst: f64,
    pub(super) pain_unusable_unit: f64,
    pub(super) function_at_start: f64,
    pub(super) function_again: f64,
    pub(super) function_other_activity: f64,
    pub(super) contradiction: f64,
    pub(super) amended: f64,
    pub(super) entered_in_error: f64,
    pub(super) habit: f64,
    pub(super) habit_unit_week: f64,
    pub(super) habit_again: f64,
    pub(super) habit_stopped: f64,
    pub(super) mapped: f64,
    pub(super) not_tested: f64,
    pub(super) loose: f64,
    pub(super) loose_treated: f64,
    pub(super) loose_spared: f64,
    pub(super) normal_treated: f64,
    pub(super) not_mapped_treated: f64,
    pub(super) mapped_again: f64,
    pub(super) mapped_again_in_part: f64,
    pub(super) thrust: f64,
    pub(super) soft_tissue: f64,
    pub(super) dose_incomplete: f64,
    pub(super) goal: f64,
    pub(super) retest_plan: f64,
    pub(super) adverse_event: f64,
    pub(super) adverse_moderate: f64,
    pub(super) adverse_severe: f64,
    pub(super) letter: f64,
    pub(super) letter_late: f64,
    pub(super) letter_unsigned: f64,
    pub(super) letter_in_error: f64,
}

static SETTING: LazyLock<Result<Setting, serde_json::Error>> =
    LazyLock::new(|| serde_json::from_str(include_str!("clinic.json")));

impl Setting {
    /// The setting that ships with the program.
    ///
    /// # Errors
    /// When the file is broken, which a test would show.
    pub(super) fn shipped() -> Result<&'static Self, &'static serde_json::Error> {
        SETTING.as_ref()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_setting_is_read_and_fits_together() {
        let setting = Setting::shipped().unwrap();
        let sites = |id: &str| setting.sites.iter().any(|site| site.id == id);
        assert!(setting.therapists.iter().all(|person| sites(&person.site)));
        let practices = |id: &str| setting.practices.iter().any(|place| place.id == id);
        assert!(setting.referrers.iter().all(|person| practices(&person.site)));
    }
}
