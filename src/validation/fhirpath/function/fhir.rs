//! The functions that FHIR adds, and those that ask the world.
//!
//! Source: <http://hl7.org/fhir/R4/fhirpath.html#functions>.

use serde_json::Value;

use super::super::eval::{single, text};
use super::super::item::{Element, Item};
use super::super::operator::equal;
use super::super::temporal::{Form, Temporal};
use super::super::{Answer, Fault};
use super::{Call, Entry, bool, entry, maybe};
use crate::fhir::json::At;
use crate::terminology::Membership;

pub(super) const FUNCTIONS: &[Entry] = &[
    entry("hasValue", 0..=0, |_, left| bool(matches!(left.as_slice(), [only] if only.has_value()))),
    entry("getValue", 0..=0, get_value),
    entry("extension", 1..=1, extension),
    entry("resolve", 0..=0, resolve),
    entry("memberOf", 1..=1, member_of),
    entry("conformsTo", 1..=1, conforms_to),
    entry("subsumes", 1..=1, |call, left| subsumes(call, &left, false)),
    entry("subsumedBy", 1..=1, |call, left| subsumes(call, &left, true)),
    entry("htmlChecks", 0..=0, html_checks),
    entry("checkModifiers", 0..=64, check_modifiers),
    entry("elementDefinition", 0..=0, |_, _| Err(definitions())),
    entry("slice", 2..=2, |_, _| Err(definitions())),
    entry("type", 0..=0, type_of),
    entry("now", 0..=0, |call, _| now(call, Some)),
    entry("today", 0..=0, |call, _| now(call, |moment| moment.date())),
    entry("timeOfDay", 0..=0, time_of_day),
];

fn definitions() -> Fault {
    Fault::new("elements do not know their definitions here")
}

fn get_value<'v>(_: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    match left.as_slice() {
        [only] if only.has_value() => Ok(left),
        _ => Ok(Vec::new()),
    }
}

fn extension<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let Some(url) = call.text(0)? else { return Ok(Vec::new()) };
    let mut found = Vec::new();
    for item in &left {
        item.members("extension", &mut found);
    }
    found.retain(|item| {
        let value = item.element().and_then(|element| element.value);
        value.is_some_and(|value| value.at("url") == url.as_str())
    });
    Ok(found)
}

fn resolve<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let mut found = Vec::new();
    for item in &left {
        let Some(element) = item.element() else { continue };
        let text = match element.value {
            Some(Value::String(text)) => Some(text.as_str()),
            Some(value) => value.at("reference").as_str(),
            None => None,
        };
        let target = text.and_then(|text| call.env.host.resolve(element.resource, text));
        found.extend(target.map(|target| {
            Item::Element(Element { resource: Some(target), ..Element::resource(target) })
        }));
    }
    Ok(found)
}

fn codes<'i>(value: &'i Value) -> Vec<(Option<&'i str>, &'i str)> {
    let one = |coding: &'i Value| Some((coding.at("system").as_str(), coding.at("code").as_str()?));
    match value {
        Value::String(code) => vec![(None, code.as_str())],
        _ => match value.at("coding").as_array() {
            Some(list) => list.iter().filter_map(one).collect(),
            None => one(value).into_iter().collect(),
        },
    }
}

/// Whether a code of the value is in the set; nothing where that cannot be told.
fn member_of<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let (Some(item), Some(set)) = (single(&left)?, call.text(0)?) else { return Ok(Vec::new()) };
    let owned = item.text().unwrap_or_default().to_owned();
    let codes = if let Item::Element(element) = item {
        element.value.map(codes).unwrap_or_default()
    } else {
        vec![(None, owned.as_str())]
    };
    let found: Vec<Membership> =
        codes.iter().map(|(system, code)| call.env.host.member_of(&set, *system, code)).collect();
    if found.contains(&Membership::In) {
        return bool(true);
    }
    if found.contains(&Membership::Unknown) {
        return Ok(Vec::new());
    }
    bool(false)
}

fn conforms_to<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let (Some(item), Some(url)) = (single(&left)?, call.text(0)?) else { return Ok(Vec::new()) };
    let Some(value) = item.element().and_then(|element| element.value) else {
        return Err(Fault::new("only elements of resources conform to profiles"));
    };
    match call.env.host.conforms(value, &url) {
        Some(answer) => bool(answer),
        None => Err(Fault::new(format!("the profile {url} is not known here"))),
    }
}

/// Whether a code of the one subsumes a code of the other, in the same system.
fn subsumes<'v>(call: &Call<'_, 'v>, left: &[Item<'v>], is_turned: bool) -> Answer<'v> {
    let other = call.value(0)?;
    let value = |items: &[Item<'v>]| -> Result<Option<&'v Value>, Fault> {
        Ok(single(items)?.and_then(Item::element).and_then(|element| element.value))
    };
    let (Some(a), Some(b)) = (value(left)?, value(&other)?) else { return Ok(Vec::new()) };
    let (general, special) = if is_turned { (b, a) } else { (a, b) };
    let mut is_known = true;
    for (system, code) in codes(general) {
        for (_, other) in codes(special).into_iter().filter(|(known, _)| *known == system) {
            let answer = if code == other {
                Some(true)
            } else {
                system.and_then(|system| call.env.host.subsumes(system, code, other))
            };
            match answer {
                Some(true) => return bool(true),
                Some(false) => {}
                None => is_known = false,
            }
        }
    }
    if is_known { bool(false) } else { Ok(Vec::new()) }
}

fn html_checks<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    match text(&left)? {
        Some(text) => bool(call.env.host.is_narrative(text)),
        None => bool(true),
    }
}

/// Whether there is no modifier extension but those that are listed.
fn check_modifiers<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let mut known = Vec::new();
    for at in 0..call.arguments.len() {
        known.extend(call.value(at)?);
    }
    let mut found = Vec::new();
    for item in &left {
        item.members("modifierExtension", &mut found);
    }
    let mut urls = Vec::new();
    found.iter().for_each(|item| item.members("url", &mut urls));
    if urls.iter().all(|url| known.iter().any(|k| equal(k, url) == Some(true))) {
        return Ok(left);
    }
    Err(Fault::new("there is a modifier extension that the expression does not know"))
}

fn type_of<'v>(_: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let one = |item: &Item<'v>| {
        let (space, name) = item.type_name();
        Item::Type { space, name }
    };
    Ok(left.iter().map(one).collect())
}

fn now<'v>(call: &Call<'_, 'v>, part: impl Fn(Temporal) -> Option<Temporal>) -> Answer<'v> {
    let Some(now) = call.env.host.now() else {
        return Err(Fault::new("the time is not known here"));
    };
    let moment = Temporal::parse(&now.to_string(), Form::DateTime);
    maybe(moment.and_then(part).map(Item::Temporal))
}

fn time_of_day<'v>(call: &Call<'_, 'v>, _: Vec<Item<'v>>) -> Answer<'v> {
    let Some(now) = call.env.host.now() else {
        return Err(Fault::new("the time is not known here"));
    };
    let text = now.to_string();
    let clock = text.split_once('T').map(|(_, clock)| clock.trim_end_matches('Z'));
    maybe(clock.and_then(|clock| Temporal::parse(clock, Form::Time)).map(Item::Temporal))
}
