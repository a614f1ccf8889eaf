//! Generated queries: values that the clinic has, or nearly, with all prefixes and modifiers.

use std::collections::BTreeSet;

use serde_json::Value;
use spondyl::definitions::search_parameter::ParameterType;

use crate::clinic::{BASE, Dice};
use crate::compare;
use crate::world::{World, id};

/// The parameters that are asked of each type; a name twice is asked twice as often.
const PARAMETERS: [(&str, &str); 13] = [
    (
        "Patient",
        "name family given birthdate gender active identifier telecom phone address address-city \
         general-practitioner organization organization deceased death-date _id _lastUpdated _tag \
         _security _profile _source _list",
    ),
    (
        "Observation",
        "code code status category subject patient encounter performer date date value-quantity \
         value-quantity value-concept combo-code component-code combo-value-quantity \
         component-value-quantity code-value-quantity component-code-value-quantity \
         combo-code-value-quantity has-member identifier method data-absent-reason value-string \
         body-site body-site laterality episode-of-care _id _lastUpdated _tag _list",
    ),
    (
        "Procedure",
        "code status date patient subject encounter reason-code body-site laterality \
         episode-of-care _profile",
    ),
    (
        "Encounter",
        "class status date patient subject episode-of-care location location length type",
    ),
    ("EpisodeOfCare", "status date patient care-manager organization"),
    ("Condition", "code onset-date severity subject patient onset-info"),
    ("ServiceRequest", "code status intent authored requester patient"),
    ("RiskAssessment", "probability patient"),
    ("ChargeItem", "factor-override factor-override quantity patient"),
    ("ValueSet", "url url version name status"),
    ("Organization", "name partof"),
    ("Location", "name partof near near near"),
    ("Practitioner", "name family"),
];

/// Chains and reverse chains: type, how the name begins, and the type on the other side.
const LINKS: [(&str, &str, &str); 13] = [
    ("Observation", "patient.", "Patient"),
    ("Observation", "subject:Patient.", "Patient"),
    ("Observation", "encounter:Encounter.", "Encounter"),
    ("Observation", "has-member:Observation.", "Observation"),
    ("Observation", "subject:Patient.general-practitioner:Practitioner.", "Practitioner"),
    ("Procedure", "encounter:Encounter.", "Encounter"),
    ("Procedure", "encounter:Encounter.episode-of-care:EpisodeOfCare.", "EpisodeOfCare"),
    ("Encounter", "episode-of-care:EpisodeOfCare.", "EpisodeOfCare"),
    ("Patient", "_has:Observation:patient:", "Observation"),
    ("Patient", "_has:Procedure:subject:", "Procedure"),
    ("EpisodeOfCare", "_has:Encounter:episode-of-care:", "Encounter"),
    ("Encounter", "_has:Observation:encounter:", "Observation"),
    ("Patient", "_has:Encounter:patient:_has:Observation:encounter:", "Observation"),
];

/// A search.
pub(crate) struct Asked {
    /// The type.
    pub(crate) kind: &'static str,
    /// The parameters, not yet percent-encoded.
    pub(crate) pairs: Vec<(String, String)>,
    /// The keys of the order.
    pub(crate) sort: Vec<String>,
    /// In whose compartment, if not everywhere.
    pub(crate) patient: Option<String>,
    /// How many matches make a page.
    pub(crate) count: usize,
}

/// The types whose searches may be kept to a patient's compartment.
const OF_PATIENTS: [&str; 4] = ["Patient", "Observation", "Procedure", "Encounter"];

pub(crate) fn query(world: &World, dice: &mut Dice) -> Asked {
    let (kind, pairs) = criteria(world, dice);
    let keys = if dice.chance(3) { 1 + dice.below(2) } else { 0 };
    let sort = (0..keys).map(|_| key(world, dice, kind)).collect();
    let within = dice.chance(1) && OF_PATIENTS.contains(&kind);
    let all = &world.by_kind["Patient"];
    let patient = within.then(|| id(&all[dice.below(all.len())]));
    Asked { kind, pairs, sort, patient, count: [7, 50, 1000][dice.below(3)] }
}

/// All types with parameters that are evaluated.
pub(crate) fn all() -> Vec<(&'static str, &'static str)> {
    let of_kind = |kind: &'static str| {
        let codes = names(kind).into_iter().filter(|code| !["_id", "_list"].contains(code));
        codes.map(move |code| (kind, code))
    };
    let all: BTreeSet<_> = PARAMETERS.iter().flat_map(|(kind, _)| of_kind(kind)).collect();
    all.into_iter().collect()
}

/// One key of an order.
fn key(world: &World, dice: &mut Dice, kind: &str) -> String {
    let names = names(kind).into_iter().filter(|code| {
        let own = ["_id", "_list"].contains(code) || {
            let kind = world.parameter(kind, code).kind;
            matches!(kind, ParameterType::Composite | ParameterType::Special)
        };
        !own
    });
    let names: Vec<&str> = names.collect();
    format!("{}{}", dice.pick(&["", "-"]), dice.pick(&names))
}

fn names(kind: &str) -> Vec<&'static str> {
    let (_, names) = PARAMETERS.iter().find(|(own, _)| *own == kind).unwrap();
    names.split_whitespace().collect()
}

fn criteria(world: &World, dice: &mut Dice) -> (&'static str, Vec<(String, String)>) {
    if dice.chance(2) {
        let (kind, head, other) = LINKS[dice.below(LINKS.len())];
        let (name, value) = criterion(world, dice, other);
        let mut pairs = vec![(format!("{head}{name}"), value)];
        if dice.chance(3) {
            pairs.push(criterion(world, dice, kind));
        }
        return (kind, pairs);
    }
    let (kind, _) = PARAMETERS[[0, 1, 1, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12][dice.below(15)]];
    let count = 1 + dice.below(2) + usize::from(dice.chance(2));
    (kind, (0..count).map(|_| criterion(world, dice, kind)).collect())
}

fn criterion(world: &World, dice: &mut Dice, kind: &str) -> (String, String) {
    let code = dice.pick(&names(kind));
    let any = |dice: &mut Dice, kind: &str| {
        id(&world.by_kind[kind][dice.below(world.by_kind[kind].len())])
    };
    if code == "_id" {
        let ids = (0..=dice.below(3)).map(|_| any(dice, kind)).collect::<Vec<_>>().join(",");
        return (dice.pick(&["_id", "_id", "_id:not"]).to_owned(), ids);
    }
    if code == "_list" {
        return (code.to_owned(), format!("{},{}", any(dice, "List"), any(dice, "List")));
    }
    let parameter = world.parameter(kind, code);
    if dice.chance(1) && parameter.kind != ParameterType::Composite {
        return (format!("{code}:missing"), dice.pick(&["true", "false"]).to_owned());
    }
    let modifier = modifier(dice, code, parameter.kind);
    let alternatives = if dice.chance(2) { 2 } else { 1 };
    let values: Vec<String> =
        (0..alternatives).map(|_| value(world, dice, kind, code, modifier)).collect();
    let name = if modifier.is_empty() { code.to_owned() } else { format!("{code}:{modifier}") };
    (name, values.join(","))
}

/// References to what has parts of its own kind.
const NESTED: [&str; 3] = ["organization", "location", "partof"];

fn modifier(dice: &mut Dice, code: &str, kind: ParameterType) -> &'static str {
    match kind {
        _ if dice.chance(5) => "",
        ParameterType::String => dice.pick(&["exact", "contains"]),
        ParameterType::Token if code == "identifier" => dice.pick(&["not", "of-type", "text"]),
        ParameterType::Token if code == "body-site" => {
            dice.pick(&["in", "not-in", "below", "above", "not"])
        }
        ParameterType::Token => dice.pick(&["not", "text"]),
        ParameterType::Reference if NESTED.contains(&code) => dice.pick(&["below", "above"]),
        ParameterType::Reference => dice.pick(&["", "identifier", "Patient"]),
        ParameterType::Uri if ["url", "_profile"].contains(&code) => dice.pick(&["below", "above"]),
        _ => "",
    }
}

/// A value that one of the resources has, if any.
fn some(world: &World, dice: &mut Dice, kind: &str, code: &str) -> Option<Value> {
    let values = world.values(kind, code);
    (0..20).find_map(|_| {
        let own = &values[dice.below(values.len())];
        (!own.is_empty()).then(|| own[dice.below(own.len())].clone())
    })
}

fn escape(text: &str) -> String {
    text.chars().flat_map(|c| ",|$\\".contains(c).then_some('\\').into_iter().chain([c])).collect()
}

fn value(world: &World, dice: &mut Dice, kind: &str, code: &str, modifier: &str) -> String {
    let parameter = world.parameter(kind, code);
    let found = some(world, dice, kind, code).unwrap_or_default();
    match parameter.kind {
        ParameterType::String => string(dice, &found, modifier),
        ParameterType::Token => token(dice, &found, code, modifier),
        ParameterType::Reference if ["above", "below"].contains(&modifier) => {
            hierarchy(&found, if code == "location" { "Location" } else { "Organization" })
        }
        ParameterType::Reference => reference(dice, &found, modifier),
        ParameterType::Date => date(dice, &found),
        ParameterType::Number => number(dice, &found),
        ParameterType::Quantity => quantity(dice, &found),
        ParameterType::Uri => escape(found.as_str().unwrap_or("https://p.example/one")),
        ParameterType::Composite => {
            let parts = if code.starts_with("component") {
                (found["code"].clone(), found["valueQuantity"].clone())
            } else {
                let whole = found.get("code").is_some();
                let own = if whole { found } else { Value::Null };
                (own["code"].clone(), own["valueQuantity"].clone())
            };
            format!("{}${}", token(dice, &parts.0, "code", ""), quantity(dice, &parts.1))
        }
        ParameterType::Special => near(dice, &found),
    }
}

fn string(dice: &mut Dice, found: &Value, modifier: &str) -> String {
    let all = compare::strings(found);
    let text = if all.is_empty() { "Eve".to_owned() } else { all[dice.below(all.len())].clone() };
    let letters: Vec<char> = text.chars().collect();
    let text: String = match (modifier, dice.below(3)) {
        ("exact", 0 | 1) | (_, 0) => text,
        ("contains", _) => letters.iter().skip(letters.len() / 3).take(3).collect(),
        _ => letters.iter().take(1 + dice.below(4)).collect(),
    };
    let text = if dice.chance(3) { text.to_uppercase() } else { text };
    if compare::fold(&text).is_empty() { "li".to_owned() } else { escape(&text) }
}

fn token(dice: &mut Dice, found: &Value, code: &str, modifier: &str) -> String {
    const SEGMENTS: &str = "https://spondyl.example/fhir/CodeSystem/motion-segment";
    match modifier {
        "text" => {
            return dice.pick(&["pain", "Display of", "display of li", "rec", "SCORE"]).into();
        }
        "of-type" => {
            let kind = dice.pick(&["MR", "SS", "XX"]);
            let value = found["value"].as_str().unwrap_or("A-1");
            return format!("http://terminology.hl7.org/CodeSystem/v2-0203|{kind}|{value}");
        }
        "in" | "not-in" => return "https://spondyl.example/fhir/ValueSet/motion-segment".into(),
        "below" | "above" => {
            let code = dice.pick(&["cervical", "C4-C5", "L5-S1"]);
            return format!("{SEGMENTS}|{code}");
        }
        _ => {}
    }
    let own = compare::tokens(found, code);
    if own.is_empty() {
        return "pain".to_owned();
    }
    let own = &own[dice.below(own.len())];
    let spelt = if dice.chance(3) { own.code.to_uppercase() } else { own.code.clone() };
    let bare = ["active", "deceased", "telecom", "phone"].contains(&code);
    let spelt = escape(if bare { &own.code } else { &spelt });
    match dice.below(5) {
        _ if bare => spelt,
        0 if code == "gender" => format!("http://hl7.org/fhir/administrative-gender|{spelt}"),
        1 if !own.system.is_empty() => format!("{}|", own.system),
        2 => format!("|{spelt}"),
        0 | 3 if !own.system.is_empty() => format!("{}|{spelt}", own.system),
        _ => spelt,
    }
}

fn hierarchy(found: &Value, kind: &str) -> String {
    match compare::points(found["reference"].as_str()) {
        compare::Points::Here(kind, id, _) => format!("{kind}/{id}"),
        _ => format!("{kind}/{}1", kind[..1].to_lowercase()),
    }
}

fn reference(dice: &mut Dice, found: &Value, modifier: &str) -> String {
    if modifier == "identifier" {
        let value = found["identifier"]["value"].as_str().unwrap_or("pain");
        let system = dice.pick(&["", "urn:s|"]);
        return format!("{system}{}", escape(value));
    }
    let text = found["reference"].as_str().unwrap_or("Patient/p1");
    let bare = text.split("/_history/").next().unwrap().to_owned();
    let id = bare.rsplit('/').next().unwrap().to_owned();
    if modifier == "Patient" {
        return id;
    }
    match (compare::points(Some(text)), dice.below(5)) {
        (compare::Points::Elsewhere(url), _) => url,
        (_, 0) => id,
        (compare::Points::Here(kind, id, _), 1) => format!("{BASE}/{kind}/{id}"),
        (compare::Points::Here(kind, id, _), 2) => format!("{kind}/{id}/_history/1"),
        (compare::Points::Here(kind, id, _), _) => format!("{kind}/{id}"),
        (compare::Points::Nowhere, _) => "p1".to_owned(),
    }
}

fn prefix(dice: &mut Dice) -> &'static str {
    dice.pick(&["", "eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"])
}

fn date(dice: &mut Dice, found: &Value) -> String {
    let text = found.as_str().or(found["start"].as_str()).or(found["end"].as_str());
    let text = text.unwrap_or("2024-06");
    let cut = [4, 7, 10, text.len()][dice.below(4)].min(text.len());
    format!("{}{}", prefix(dice), &text[..cut])
}

fn digits(dice: &mut Dice, found: &Value) -> String {
    let text = if found.is_number() { found.to_string() } else { "5".to_owned() };
    match dice.below(4) {
        0 => text.split('.').next().unwrap().to_owned(),
        1 if text.contains('.') => format!("{text}0"),
        1 => format!("{text}.0"),
        _ => text,
    }
}

fn number(dice: &mut Dice, found: &Value) -> String {
    format!("{}{}", prefix(dice), digits(dice, found))
}

fn quantity(dice: &mut Dice, found: &Value) -> String {
    let number = format!("{}{}", prefix(dice), digits(dice, &found["value"]));
    let text = |name: &str| found[name].as_str().unwrap_or_default();
    match dice.below(4) {
        0 => number,
        1 => {
            let unit = if text("code").is_empty() { text("unit") } else { text("code") };
            if unit.is_empty() { number } else { format!("{number}||{unit}") }
        }
        2 if text("system").starts_with("http") => {
            // Another unit, of the same kind or not.
            let unit = dice.pick(&["mm", "cm", "m", "mg", "g", "min", "h", "{score}", "%"]);
            format!("{number}|{}|{unit}", text("system"))
        }
        _ if text("code").is_empty() => number,
        _ => format!("{number}|{}|{}", text("system"), text("code")),
    }
}

fn near(dice: &mut Dice, found: &Value) -> String {
    let degrees = |name: &str, other: &str| match &found[name] {
        Value::Number(number) => number.to_string(),
        _ => other.to_owned(),
    };
    let (latitude, longitude) = (degrees("latitude", "51.5"), degrees("longitude", "7.5"));
    let distance = dice.pick(&["0", "3.5", "20", "60", "150"]);
    match dice.below(3) {
        0 => format!("{latitude}|{longitude}|{distance}000|m"),
        _ => format!("{latitude}|{longitude}|{distance}|km"),
    }
}
