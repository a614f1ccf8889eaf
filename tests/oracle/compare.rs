//! Whether a value meets what a query asks, written plainly from
//! <http://hl7.org/fhir/R4/search.html>, section by section, and apart from the server's code.

use rust_decimal::Decimal;
use serde_json::Value;

use crate::clinic::BASE;

/// The prefix of a value, and the rest.
pub(crate) fn prefix(text: &str) -> (&str, &str) {
    let known = ["eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"];
    match known.into_iter().find(|prefix| text.starts_with(prefix)) {
        Some(prefix) => (prefix, &text[2..]),
        None => ("eq", text),
    }
}

/// <http://hl7.org/fhir/R4/search.html#prefix>: a target from `low` to `high` (none: open), and a
/// search value that spans `from` to `to`, both included.
fn relation<T: PartialOrd>(
    prefix: &str,
    low: Option<&T>,
    high: Option<&T>,
    from: &T,
    to: &T,
) -> bool {
    let contained = low.is_some_and(|low| low >= from) && high.is_some_and(|high| high <= to);
    let reaches_above = high.is_none_or(|high| high > to);
    let reaches_below = low.is_none_or(|low| low < from);
    match prefix {
        "eq" => contained,
        "ne" => !contained,
        "gt" => reaches_above,
        "lt" => reaches_below,
        "ge" => reaches_above || contained,
        "le" => reaches_below || contained,
        "sa" => low.is_some_and(|low| low > to),
        "eb" => high.is_some_and(|high| high < from),
        "ap" => low.is_none_or(|low| low <= to) && high.is_none_or(|high| high >= from),
        other => panic!("{other} is no prefix"),
    }
}

// ---- strings: #string

/// Without case, accents, punctuation and doubled blanks.
pub(crate) fn fold(text: &str) -> String {
    let mut folded = String::new();
    for letter in text.to_lowercase().chars() {
        let plain = match letter {
            'é' => 'e',
            'å' => 'a',
            'ö' => 'o',
            'ü' => 'u',
            'ł' => 'l',
            'ß' => {
                folded.push_str("ss");
                continue;
            }
            other => other,
        };
        if plain.is_whitespace() {
            if !folded.ends_with(' ') && !folded.is_empty() {
                folded.push(' ');
            }
        } else if plain.is_alphanumeric() {
            folded.push(plain);
        }
    }
    folded.trim_end().to_owned()
}

pub(crate) fn strings(value: &Value) -> Vec<String> {
    match value {
        Value::String(text) => vec![text.clone()],
        Value::Object(members) => {
            let parts = [
                "text",
                "family",
                "given",
                "prefix",
                "suffix",
                "line",
                "city",
                "district",
                "state",
                "postalCode",
                "country",
            ];
            let found = parts.iter().filter_map(|part| members.get(*part));
            found.flat_map(strings).collect()
        }
        Value::Array(items) => items.iter().flat_map(strings).collect(),
        _ => Vec::new(),
    }
}

pub(crate) fn string(value: &Value, modifier: &str, asked: &str) -> bool {
    strings(value).iter().any(|own| match modifier {
        "exact" => own == asked,
        "contains" => fold(own).contains(&fold(asked)),
        _ => fold(own).starts_with(&fold(asked)),
    })
}

// ---- tokens: #token

pub(crate) struct Token {
    pub(crate) code: String,
    pub(crate) system: String,
}

/// The codes behind a value; those of a contact point have no system.
pub(crate) fn tokens(value: &Value, parameter: &str) -> Vec<Token> {
    let one = |code: &Value, system: &Value| Token {
        code: code.as_str().unwrap_or_default().to_owned(),
        system: system.as_str().unwrap_or_default().to_owned(),
    };
    match value {
        Value::Bool(flag) => vec![Token { code: flag.to_string(), system: String::new() }],
        Value::String(_) => vec![one(value, &Value::Null)],
        _ if ["telecom", "phone", "email"].contains(&parameter) => {
            vec![one(&value["value"], &Value::Null)]
        }
        Value::Object(members) => match members.get("coding") {
            Some(codings) => {
                let codings = codings.as_array().unwrap().iter();
                codings.map(|coding| one(&coding["code"], &coding["system"])).collect()
            }
            None if members.contains_key("value") => vec![one(&value["value"], &value["system"])],
            None if members.contains_key("code") => vec![one(&value["code"], &value["system"])],
            None => Vec::new(),
        },
        _ => Vec::new(),
    }
}

fn texts(value: &Value) -> Vec<&str> {
    let codings = value["coding"].as_array().into_iter().flatten();
    let displays = codings.filter_map(|coding| coding["display"].as_str());
    let own = [&value["text"], &value["display"], &value["type"]["text"]];
    displays.chain(own.into_iter().filter_map(Value::as_str)).collect()
}

/// The code system of our motion segments, and what is below `cervical` in it.
const SEGMENTS: &str = "https://spondyl.example/fhir/CodeSystem/motion-segment";
const CERVICAL: [&str; 6] = ["cervical", "C2-C3", "C3-C4", "C4-C5", "C5-C6", "C6-C7"];

pub(crate) fn token(value: &Value, parameter: &str, modifier: &str, asked: &[String]) -> bool {
    let same = |code: &str, own: &Token| own.code.eq_ignore_ascii_case(code);
    let own = tokens(value, parameter);
    match modifier {
        "text" => texts(value).iter().any(|text| fold(text).starts_with(&fold(&asked[0]))),
        "of-type" => {
            let types = value["type"]["coding"].as_array().into_iter().flatten();
            let typed = types
                .filter(|t| t["system"] == asked[0].as_str() && t["code"] == asked[1].as_str());
            typed.count() > 0 && own.iter().any(|own| same(&asked[2], own))
        }
        // The value set has all segments, and no regions.
        "in" => own.iter().any(|own| own.system == SEGMENTS && own.code != "cervical"),
        "below" => own.iter().any(|own| {
            let below = if asked[1] == "cervical" { &CERVICAL[..] } else { &[] };
            own.system == asked[0] && (same(&asked[1], own) || below.contains(&own.code.as_str()))
        }),
        "above" => own.iter().any(|own| {
            let above = CERVICAL.contains(&asked[1].as_str()) && own.code == "cervical";
            own.system == asked[0] && (same(&asked[1], own) || above)
        }),
        _ => own.iter().any(|own| match asked {
            [code] => same(code, own),
            [system, code] if code.is_empty() => own.system == *system,
            [system, code] => {
                let implied = parameter == "gender"
                    && value.is_string()
                    && system == "http://hl7.org/fhir/administrative-gender";
                (own.system == *system || implied) && same(code, own)
            }
            _ => panic!("{asked:?} is no token"),
        }),
    }
}

// ---- references: #reference

/// The local resource that a reference points to, and the version; else the URL.
pub(crate) enum Points {
    Here(String, String, Option<String>),
    Elsewhere(String),
    Nowhere,
}

pub(crate) fn points(text: Option<&str>) -> Points {
    let Some(text) = text else { return Points::Nowhere };
    let text = text.strip_prefix(BASE).map_or(text, |rest| rest.trim_start_matches('/'));
    let (bare, version) =
        text.split_once("/_history/").map_or((text, None), |(bare, v)| (bare, Some(v.to_owned())));
    match bare.split('/').collect::<Vec<_>>().as_slice() {
        [kind, id] => Points::Here((*kind).to_owned(), (*id).to_owned(), version),
        _ => Points::Elsewhere(bare.to_owned()),
    }
}

pub(crate) fn reference(value: &Value, modifier: &str, asked: &[String]) -> bool {
    if modifier == "identifier" {
        let identifier = &value["identifier"];
        return identifier.is_object() && token(identifier, "", "", asked);
    }
    let (own, asked) = (points(value["reference"].as_str()), asked[0].as_str());
    match own {
        Points::Nowhere => false,
        Points::Elsewhere(url) => url == asked,
        Points::Here(kind, id, version) => match points(Some(asked)) {
            Points::Here(asked_kind, asked_id, asked_version) => {
                let same_version = asked_version.is_none() || asked_version == version;
                (kind, id) == (asked_kind, asked_id) && same_version
            }
            Points::Elsewhere(asked_id) => {
                id == asked_id && (modifier.is_empty() || kind == modifier)
            }
            Points::Nowhere => false,
        },
    }
}

// ---- dates: #date

/// The first and the last millisecond.
pub(crate) fn interval(text: &str) -> (i64, i64) {
    let number = |range: std::ops::Range<usize>| text.get(range).map(|t| t.parse::<i64>().unwrap());
    let year = number(0..4).unwrap();
    let (month, day) = (number(5..7), number(8..10));
    let midnight = |year: i64, month: i64, day: i64| -> i64 {
        let month = time::Month::try_from(u8::try_from(month).unwrap()).unwrap();
        let (year, day) = (i32::try_from(year).unwrap(), u8::try_from(day).unwrap());
        let date = time::Date::from_calendar_date(year, month, day).unwrap();
        date.midnight().assume_utc().unix_timestamp() * 1000
    };
    let Some(month) = month else {
        return (midnight(year, 1, 1), midnight(year + 1, 1, 1) - 1);
    };
    let Some(day) = day else {
        let (next_year, next) = if month == 12 { (year + 1, 1) } else { (year, month + 1) };
        return (midnight(year, month, 1), midnight(next_year, next, 1) - 1);
    };
    let start = midnight(year, month, day);
    let Some((_, clock)) = text.split_once('T') else { return (start, start + 86_399_999) };
    let zone = clock.find(['Z', '+', '-']).unwrap();
    let (clock, zone) = clock.split_at(zone);
    let fields: Vec<&str> = clock.split(':').collect();
    let minutes = fields[0].parse::<i64>().unwrap() * 60 + fields[1].parse::<i64>().unwrap();
    let (mut millis, mut width) = (minutes * 60_000, 60_000);
    if let Some(second) = fields.get(2) {
        let (whole, fraction) = second.split_once('.').unwrap_or((second, ""));
        millis += whole.parse::<i64>().unwrap() * 1000;
        width = 1000;
        if !fraction.is_empty() {
            assert_eq!(fraction.len(), 3, "the clinic has whole milliseconds");
            millis += fraction.parse::<i64>().unwrap();
            width = 1;
        }
    }
    let offset = match zone {
        "Z" => 0,
        zone => {
            let sign = if zone.starts_with('-') { -1 } else { 1 };
            let (hours, minutes) = zone[1..].split_once(':').unwrap();
            sign * (hours.parse::<i64>().unwrap() * 60 + minutes.parse::<i64>().unwrap())
        }
    };
    let from = start + millis - offset * 60_000;
    (from, from + width - 1)
}

pub(crate) fn date(value: &Value, asked: &str, now: i64) -> bool {
    let (prefix, text) = prefix(asked);
    let (mut from, mut to) = interval(text);
    if prefix == "ap" {
        // A tenth of the time between now and then, as the page suggests.
        let margin = (now - i64::midpoint(from, to)).abs() / 10;
        (from, to) = (from - margin, to + margin);
    }
    let (low, high) = bounds(value);
    relation(prefix, low.as_ref(), high.as_ref(), &from, &to)
}

/// The first and the last millisecond of a date or Period, where it is not open.
pub(crate) fn bounds(value: &Value) -> (Option<i64>, Option<i64>) {
    match value {
        Value::String(text) => {
            let (low, high) = interval(text);
            (Some(low), Some(high))
        }
        _ => (
            value["start"].as_str().map(|text| interval(text).0),
            value["end"].as_str().map(|text| interval(text).1),
        ),
    }
}

// ---- numbers and quantities: #number, #quantity

/// A number with the values that round to it: from the second, up to and without the third.
fn window(text: &str, prefix: &str) -> [Decimal; 3] {
    let number = Decimal::from_str_exact(text).unwrap();
    let half = Decimal::new(5, number.scale() + 1);
    let margin = if prefix == "ap" { (number.abs() / Decimal::TEN).max(half) } else { half };
    [number, number - margin, number + margin]
}

fn numeric(prefix: &str, low: Option<Decimal>, high: Option<Decimal>, asked: [Decimal; 3]) -> bool {
    let [exact, from, beyond] = asked;
    let contained = low.is_some_and(|low| low >= from) && high.is_some_and(|high| high < beyond);
    match prefix {
        "eq" => contained,
        "ne" => !contained,
        "ap" => low.is_none_or(|low| low < beyond) && high.is_none_or(|high| high >= from),
        _ => relation(prefix, low.as_ref(), high.as_ref(), &exact, &exact),
    }
}

pub(crate) fn decimal(value: &Value) -> Decimal {
    Decimal::from_str_exact(&value.to_string()).unwrap()
}

pub(crate) fn number(value: &Value, asked: &str) -> bool {
    let (prefix, text) = prefix(asked);
    let own = decimal(value);
    numeric(prefix, Some(own), Some(own), window(text, prefix))
}

/// What the units of the clinic are in the base units of their kind (UCUM, tables 1 to 5).
fn base(unit: &str) -> (&'static str, Decimal) {
    match unit {
        "mm" => ("length", Decimal::new(1, 3)),
        "cm" => ("length", Decimal::new(1, 2)),
        "m" => ("length", Decimal::ONE),
        "mg" => ("mass", Decimal::new(1, 3)),
        "g" => ("mass", Decimal::ONE),
        "min" => ("time", Decimal::from(60)),
        "h" => ("time", Decimal::from(3600)),
        "{score}" => ("one", Decimal::ONE),
        "%" => ("one", Decimal::new(1, 2)),
        "deg" => ("angle", Decimal::ONE),
        _ => ("unknown", Decimal::ONE),
    }
}

/// The number in the base units of its kind: what the order of quantities goes by. A degree is
/// pi / 180 rad (UCUM, table 4).
pub(crate) fn in_base_units(value: &Value) -> Decimal {
    let own = decimal(&value["value"]);
    let code = value["code"].as_str().or(value["unit"].as_str()).unwrap_or_default();
    let factor = match code {
        _ if value["system"] != "http://unitsofmeasure.org" => Decimal::ONE,
        "deg" => Decimal::from_str_exact("0.0174532925199432957692369077").unwrap(),
        code => base(code).1,
    };
    own * factor
}

pub(crate) fn quantity(value: &Value, asked: &[String]) -> bool {
    const UCUM: &str = "http://unitsofmeasure.org";
    let (prefix, text) = prefix(&asked[0]);
    let mut sought = window(text, prefix);
    let member = |name: &str| value[name].as_str().unwrap_or_default();
    let mut own = decimal(&value["value"]);
    match asked {
        [_] => {}
        [_, system, code] if system.is_empty() => {
            if member("code") != code && member("unit") != code {
                return false;
            }
        }
        [_, system, code] => {
            if member("system") != system {
                return false;
            }
            if member("code") != code {
                let ((kind, factor), (own_kind, own_factor)) = (base(code), base(member("code")));
                if system != UCUM || kind != own_kind || kind == "unknown" {
                    return false;
                }
                sought = sought.map(|number| number * factor);
                own *= own_factor;
            }
        }
        _ => panic!("{asked:?} is no quantity"),
    }
    let (low, high) = match member("comparator") {
        "<" => (None, Some(own)),
        ">" => (Some(own), None),
        _ => (Some(own), Some(own)),
    };
    numeric(prefix, low, high, sought)
}

// ---- uris: #uri

pub(crate) fn uri(value: &Value, modifier: &str, asked: &str) -> bool {
    let own = value.as_str().unwrap();
    // Versions of a canonical: 1 is above 1.2 (http://hl7.org/fhir/R4/search.html#canonical).
    if let Some((asked, asked_version)) = asked.split_once('|').filter(|_| !modifier.is_empty()) {
        let goes_on = |long: &str, short: &str| {
            long.strip_prefix(short).is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
        };
        return own.split_once('|').is_some_and(|(own, version)| {
            own == asked
                && match modifier {
                    "below" => goes_on(version, asked_version),
                    _ => goes_on(asked_version, version),
                }
        });
    }
    let own = own.split('|').next().unwrap();
    match modifier {
        "below" => own.starts_with(asked),
        "above" => {
            let rest = asked.strip_prefix(own);
            let whole = own.split_once("://").is_some_and(|(_, rest)| !rest.is_empty());
            whole && rest.is_some_and(|r| r.is_empty() || r.starts_with('/') || own.ends_with('/'))
        }
        _ => own == asked || value == asked,
    }
}

// ---- positions: https://hl7.org/fhir/R4/location.html#search

/// Whether a `Location.position` is not farther than asked: `latitude|longitude|distance|unit`, on a
/// sphere of the earth's mean radius (IUGG, R1), by the chord between the two.
pub(crate) fn near(value: &Value, asked: &[String]) -> bool {
    const RADIUS_KM: f64 = 6_371.008_8;
    let number = |text: &str| text.parse::<f64>().unwrap();
    let place = |latitude: f64, longitude: f64| {
        let (north, east) = (latitude.to_radians(), longitude.to_radians());
        [north.cos() * east.cos(), north.cos() * east.sin(), north.sin()]
    };
    let degrees = |name: &str| value[name].to_string().parse::<f64>().unwrap();
    let own = place(degrees("latitude"), degrees("longitude"));
    let from = place(number(&asked[0]), number(&asked[1]));
    let chord = own.iter().zip(from).map(|(a, b)| (a - b) * (a - b)).sum::<f64>().sqrt();
    let limit = match asked[3].as_str() {
        "km" => number(&asked[2]),
        "m" => number(&asked[2]) / 1000.0,
        other => panic!("{other} is not asked"),
    };
    2.0 * RADIUS_KM * (chord / 2.0).asin() <= limit
}
