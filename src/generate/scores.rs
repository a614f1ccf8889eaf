//! Disability, pain, function and self-manipulation: at the start, in between, at the end.

use serde_json::{Value, json};

use super::element::{LOINC, concept, date, later, own, own_system, quantity, with};
use super::episode::{Case, Fate, Visit};

/// Writes the scores.
pub(super) fn write(case: &mut Case<'_>) {
    disability(case);
    pain(case);
    function(case);
    habit(case);
}

/// How far the episode has come at a visit, from 0 at the first to 1 at the last.
#[expect(clippy::cast_precision_loss, reason = "visits are few")]
fn progress(case: &Case<'_>, visit: Visit) -> f64 {
    match case.visits.len() {
        0 | 1 => 0.0,
        count => (visit.number - 1) as f64 / (count - 1) as f64,
    }
}

/// A number that has gone down by what is gone at a visit, within bounds.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_precision_loss,
    reason = "scores are small whole numbers"
)]
fn lowered(case: &mut Case<'_>, start: i64, visit: Visit, noise: f64, most: i64) -> i64 {
    let left = start as f64 * (1.0 - case.gain * progress(case, visit));
    let noisy = if visit.number == 1 { 0.0 } else { case.random.normal() * noise };
    ((left + noisy).round() as i64).clamp(0, most)
}

/// The visits at which something is measured: the start, sometimes the middle, the end.
fn measured(case: &mut Case<'_>, (start, late, again): (f64, f64, f64)) -> Vec<Visit> {
    let mut visits = Vec::new();
    let last = case.visits.len();
    let begins = if case.happens(late) { 3 } else { 1 };
    for visit in case.visits.clone() {
        let wanted = match visit.number {
            number if number == begins => case.happens(start),
            number if number < begins => false,
            // Who stays away is not measured at the end.
            number if number == last => {
                let away = matches!(case.fate, Fate::DropsOut | Fate::Leaves);
                case.happens(if away { again / 2.0 } else { again })
            }
            _ => case.happens(0.25),
        };
        if wanted {
            visits.push(visit);
        }
    }
    visits
}

fn disability(case: &mut Case<'_>) {
    let rates = &case.setting.rates;
    #[expect(clippy::cast_possible_truncation, reason = "a score of 50")]
    let start = (17.0 + case.random.normal() * 7.5).round().clamp(2.0, 43.0) as i64;
    let at = (rates.disability_at_start, rates.disability_late, rates.disability_again);
    let visits = measured(case, at);
    let code = concept(LOINC, "82237-9");
    let (first, last) = (visits.first().map(|v| v.number), visits.last().map(|v| v.number));
    for visit in visits {
        let points = lowered(case, start, visit, 2.5, 50);
        let profiles = ["disability-score"];
        let observation =
            case.observation((visit, 4), "disability", &profiles, ("survey", code.clone()));
        let wrong = json!({ "valueQuantity": quantity(&json!((points + 6).min(50)), "{score}") });
        let value = if case.happens(rates.disability_items) {
            by_items(case, points)
        } else if case.happens(rates.disability_percent) {
            json!({ "valueQuantity": quantity(&json!(points * 2), "%") })
        } else {
            json!({ "valueQuantity": quantity(&json!(points), "{score}") })
        };
        case.put_score(observation, value, wrong);
        if Some(visit.number) == last && case.happens(rates.contradiction) {
            let value = quantity(&json!((points + 3).min(50)), "{score}");
            twice(case, (visit, 4), "disability-twice", &value);
        }
        if Some(visit.number) == first && case.happens(rates.entered_in_error) {
            let value = quantity(&json!(50 - points), "{score}");
            twice(case, (visit, 3), "disability-error", &value);
            case.withdraw_last();
        }
    }
}

/// A second index on the same day.
fn twice(case: &mut Case<'_>, at: (Visit, i64), name: &str, value: &Value) {
    let code = concept(LOINC, "82237-9");
    let observation = case.observation(at, name, &["disability-score"], ("survey", code));
    case.put(with(observation, json!({ "valueQuantity": value })));
}

/// The index by its items, of which one is sometimes not answered.
fn by_items(case: &mut Case<'_>, points: i64) -> Value {
    let items = &case.setting.disability_items;
    let count = i64::try_from(items.len()).unwrap_or(10);
    let skipped = case.happens(case.setting.rates.disability_item_missing).then_some(count - 1);
    let mut left = points;
    let mut sum = 0;
    let mut components = Vec::new();
    for (at, item) in (0_i64..).zip(items) {
        let code = concept(LOINC, item);
        if skipped == Some(at) {
            let reason = super::element::hl7("data-absent-reason", "asked-declined");
            components.push(json!({ "code": code, "dataAbsentReason": reason }));
            continue;
        }
        let score = (left / (count - at).max(1)).clamp(0, 5);
        let score = (score + case.random.whole(0, 1)).min(5).min(left.max(0));
        left -= score;
        sum += score;
        components.push(json!({ "code": code, "valueInteger": score }));
    }
    json!({ "valueQuantity": quantity(&json!(sum), "{score}"), "component": components })
}

fn pain(case: &mut Case<'_>) {
    let rates = &case.setting.rates;
    let start = case.random.whole(1, 9);
    let visits = measured(case, (rates.pain_at_start, 0.02, rates.pain_again));
    let last = visits.last().map(|visit| visit.number);
    for visit in visits {
        let score = lowered(case, start, visit, 1.0, 10);
        let code = concept(LOINC, "72514-3");
        if Some(visit.number) == last && visit.number > 1 && case.happens(rates.pain_unusable_unit)
        {
            // From another system: without our profile, in a unit that no rating has.
            let observation = case.observation((visit, 3), "pain", &[], ("survey", code));
            let value = quantity(&json!(score * 10), "%");
            case.put(with(observation, json!({ "valueQuantity": value })));
            continue;
        }
        let profiles = ["pain-intensity"];
        let observation = case.observation((visit, 3), "pain", &profiles, ("survey", code));
        let value = |score: i64| json!({ "valueQuantity": quantity(&json!(score), "{score}") });
        case.put_score(observation, value(score), value((score + 2).min(10)));
        if case.happens(rates.pain_worst) {
            let code = json!({ "coding": [
                super::element::coding(LOINC, "72514-3"),
                super::element::coding(&own_system("finding"), "pain-worst"),
            ] });
            let observation =
                case.observation((visit, 3), "pain-worst", &profiles, ("survey", code));
            case.put(with(observation, value((score + 2).min(10))));
        }
    }
}

fn function(case: &mut Case<'_>) {
    let rates = &case.setting.rates;
    let activities = &case.setting.activities;
    let most = i64::try_from(activities.len()).unwrap_or(1) - 1;
    let mut chosen = vec![case.random.whole(0, most / 2), case.random.whole(most / 2 + 1, most)];
    let trouble: Vec<i64> = (0..2).map(|_| case.random.whole(3, 9)).collect();
    let visits = measured(case, (rates.function_at_start, 0.02, rates.function_again));
    let last = visits.last().map(|visit| visit.number);
    for visit in visits {
        let ends = Some(visit.number) == last && visit.number > 1;
        if ends && case.happens(rates.function_other_activity) {
            let other = case.random.whole(most / 2 + 1, most);
            chosen = vec![chosen.first().copied().unwrap_or_default(), other];
        }
        let mut components = Vec::new();
        let mut sum = 0;
        for (activity, trouble) in chosen.iter().zip(&trouble) {
            let score = 10 - lowered(case, *trouble, visit, 1.0, 10);
            sum += score;
            let name = usize::try_from(*activity).ok().and_then(|at| activities.get(at));
            let mut code = own("finding", "psfs-activity");
            if let Some(object) = code.as_object_mut() {
                object.insert("text".into(), json!(name));
            }
            let value = quantity(&json!(score), "{score}");
            components.push(json!({ "code": code, "valueQuantity": value }));
        }
        let mean = if sum % 2 == 0 {
            json!(sum / 2)
        } else {
            json!(f64::from(i32::try_from(sum).unwrap_or_default()) / 2.0)
        };
        let code = own("finding", "psfs-score");
        let profiles = ["function-score"];
        let observation = case.observation((visit, 5), "function", &profiles, ("survey", code));
        let members = json!({
            "valueQuantity": quantity(&mean, "{score}"), "component": components,
        });
        case.put(with(observation, members));
    }
}

fn habit(case: &mut Case<'_>) {
    let rates = &case.setting.rates;
    if !case.happens(rates.habit) {
        return;
    }
    let start = if case.happens(0.15) { 0 } else { case.random.whole(1, 20) };
    let stops = case.happens(rates.habit_stopped);
    let visits = measured(case, (1.0, 0.0, rates.habit_again));
    let last = visits.last().map(|visit| visit.number);
    for visit in visits {
        let ends = Some(visit.number) == last && visit.number > 1;
        let count = if ends && stops { 0 } else { lowered(case, start, visit, 1.5, 40) };
        let by_week = case.happens(rates.habit_unit_week);
        let profiles: &[&str] = if by_week { &[] } else { &["self-manipulation-frequency"] };
        let code = own("finding", "self-manipulation-frequency");
        let mut observation =
            case.observation((visit, 1), "self-manipulation", profiles, ("social-history", code));
        observation.remove("effectiveDateTime");
        let (value, unit) = if by_week { (count * 7, "/wk") } else { (count, "/d") };
        let members = json!({
            "effectivePeriod": {
                "start": date(later(visit.day, -7)), "end": date(later(visit.day, -1)),
            },
            "valueQuantity": quantity(&json!(value), unit),
        });
        case.put(with(observation, members));
    }
}
