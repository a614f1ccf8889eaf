//! The letter at the end: signed in time, signed late, left as a draft, or never written.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::json;

use super::element::{LOINC, concept, date, later, moment, reference, with};
use super::episode::Case;

/// Writes the letter of an episode that ended.
pub(super) fn write(case: &mut Case<'_>) {
    let (Some(end), Some(start)) = (case.end, case.start()) else { return };
    let rates = &case.setting.rates;
    if !case.happens(rates.letter) || (case.referred && !case.careful()) {
        return;
    }
    let days = if case.happens(rates.letter_late) {
        case.random.whole(8, 45)
    } else {
        case.random.whole(0, 7)
    };
    let standing = if case.happens(rates.letter_unsigned) { "preliminary" } else { "final" };
    let text = "An invented letter of an invented clinic.";
    let members = json!({
        "status": "current",
        "docStatus": standing,
        "type": concept(LOINC, "18842-5"),
        "subject": reference(&case.patient),
        "date": moment(later(end, days), 17 * 60),
        "author": [case.therapist()],
        "custodian": case.organisation(),
        "content": [{ "attachment": {
            "contentType": "text/plain",
            "language": "en",
            "data": STANDARD.encode(text),
            "title": "Discharge letter",
        } }],
        "context": {
            "encounter": [reference(&case.episode)],
            "period": { "start": start, "end": date(end) },
        },
    });
    case.put(with(case.resource("DocumentReference", "letter", &[]), members));
    if case.happens(rates.letter_in_error) {
        case.withdraw_last();
    }
}
