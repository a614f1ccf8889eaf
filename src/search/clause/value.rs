//! One value of a query, by the type of its parameter.
//!
//! Source: <http://hl7.org/fhir/R4/search.html#ptypes>.

use std::borrow::Cow;
use std::collections::BTreeSet;

use super::terms::{self, Implied};
use super::{Name, Reader};
use crate::definitions::search_parameter::ParameterType;
use crate::fhir::{Id, Reference, ResourceType};
use crate::index::date::Interval;
use crate::index::near::{self, Position};
use crate::index::{Form, Parameter, composite, reference, string, uri};
use crate::search::Error;
use crate::search::condition::{
    Amount, Composite, Mode, Moment, Near, Quantity, Target, Test, Text, Token, Unit, Uri, Window,
};
use crate::search::value::{Prefix, split, unescape};
use crate::terminology::expand::ValueSetSource;

/// What is wrong with a value or its modifier.
#[derive(Debug)]
pub enum Fault {
    /// There is no such modifier.
    Modifier,
    /// The value has another form, or names what is not held.
    Value(Cow<'static, str>),
    /// It is legal and cannot be answered.
    NotSupported(Cow<'static, str>),
    /// It would take too much.
    TooCostly(Cow<'static, str>),
}

impl Fault {
    pub(super) const fn value(message: &'static str) -> Self {
        Self::Value(Cow::Borrowed(message))
    }

    pub(super) const fn unsupported(message: &'static str) -> Self {
        Self::NotSupported(Cow::Borrowed(message))
    }

    /// The error about the parameter that the query names so.
    pub fn into_error(self, label: &str) -> Error {
        match self {
            Self::Modifier => Name::parse(label).unknown_modifier(),
            Self::Value(message) => Error::bad(label, &message),
            Self::NotSupported(message) => Error::unsupported(label, &message),
            Self::TooCostly(message) => Error::costly(Some(label), &message),
        }
    }
}

/// The tests of which one must hold for the value.
pub(super) fn tests(
    reader: &Reader<'_>,
    parameter: &Parameter,
    modifier: Option<&str>,
    text: &str,
) -> Result<Vec<Test>, Fault> {
    let kind = parameter.definition.kind;
    let plain = || match modifier {
        None => Ok(()),
        Some(_) => Err(Fault::Modifier),
    };
    match kind {
        ParameterType::Token => token(reader, parameter, modifier, text),
        ParameterType::String => self::text(modifier, text).map(|test| vec![test]),
        ParameterType::Reference => target(reader, parameter, modifier, text),
        ParameterType::Uri => uris(modifier, text),
        ParameterType::Date => {
            plain()?;
            let instants = parameter.definition.code == "_lastUpdated";
            moment(reader, text, instants).map(|test| vec![test])
        }
        ParameterType::Number => {
            plain()?;
            let (prefix, number) = Prefix::take(text);
            let sought = Window::parse(number, prefix).ok_or(NOT_A_NUMBER)?;
            Ok(vec![Test::Amount(Amount { prefix, sought })])
        }
        ParameterType::Quantity => {
            plain()?;
            quantity(text).map(|test| vec![test])
        }
        ParameterType::Composite => {
            plain()?;
            composites(reader, parameter, text)
        }
        ParameterType::Special => {
            plain()?;
            position(text).map(|test| vec![test])
        }
    }
}

const NOT_A_NUMBER: Fault = Fault::value("it is a decimal number, with a prefix if need be");
const NO_TERMINOLOGY: Fault = Fault::unsupported("no terminology is at hand");
const BACKSLASH: Fault = Fault::value("a backslash may only stand before , | $ or \\");

fn plain(text: &str) -> Result<String, Fault> {
    unescape(text).ok_or(BACKSLASH)
}

/// The parts between bars.
fn bars(text: &str) -> Result<Vec<String>, Fault> {
    split(text, '|').into_iter().map(plain).collect()
}

fn token(
    reader: &Reader<'_>,
    parameter: &Parameter,
    modifier: Option<&str>,
    text: &str,
) -> Result<Vec<Test>, Fault> {
    let parts = bars(text)?;
    match modifier {
        None => {}
        Some("text") => {
            let start = string::fold(&plain(text)?);
            return Ok(vec![Test::Token(Token::Text(start))]);
        }
        Some("of-type") => {
            let [system, code, value] = parts.as_slice() else {
                return Err(Fault::value("it has three parts: system|code|value"));
            };
            let kind = format!("{system}|{code}");
            return Ok(vec![Test::Token(Token::OfType { kind, value: value.clone() })]);
        }
        Some("in" | "not-in") => {
            let terminology = reader.rules.terminology().ok_or(NO_TERMINOLOGY)?;
            let (set, implied) = (plain(text)?, Implied::of(parameter));
            let set = ValueSetSource::Canonical(&set);
            return Ok(vec![Test::Token(terms::in_value_set(terminology, set, &implied)?)]);
        }
        Some(modifier @ ("above" | "below")) => {
            let terminology = reader.rules.terminology().ok_or(NO_TERMINOLOGY)?;
            let above = modifier == "above";
            let set = terms::in_hierarchy(terminology, &parts, parameter, above)?;
            return Ok(vec![Test::Token(set)]);
        }
        Some(_) => return Err(Fault::Modifier),
    }
    Ok(codes(parameter, &parts)?.into_iter().map(Test::Token).collect())
}

fn codes(parameter: &Parameter, parts: &[String]) -> Result<Vec<Token>, Fault> {
    let only = |forms: &[Form]| parameter.forms.iter().all(|form| forms.contains(form));
    let boolean = !parameter.forms.is_empty() && only(&[Form::Boolean]);
    let bare = !parameter.forms.is_empty()
        && only(&[Form::Boolean, Form::Uri, Form::Canonical, Form::ContactPoint]);
    match parts {
        [code] if boolean && !["true", "false"].contains(&code.as_str()) => {
            Err(Fault::value("it is true or false"))
        }
        [code] => Ok(vec![Token::Code { code: code.clone(), system: None }]),
        [_, _] if bare => Err(Fault::value("the values of this parameter have no system")),
        [system, code] if code.is_empty() => {
            let implied = parameter.systems.contains(system).then(|| Token::System(String::new()));
            Ok(std::iter::once(Token::System(system.clone())).chain(implied).collect())
        }
        [system, code] => {
            let code_in = |system: &str| {
                let system = Some(system.to_owned());
                Token::Code { code: code.clone(), system }
            };
            // The system of a code element goes without saying, and so is not in the index.
            let implied = parameter.systems.contains(system).then(|| code_in(""));
            Ok(std::iter::once(code_in(system)).chain(implied).collect())
        }
        _ => Err(Fault::value("it has at most two parts: system|code")),
    }
}

fn text(modifier: Option<&str>, text: &str) -> Result<Test, Fault> {
    let sent = plain(text)?;
    let (mode, sought) = match modifier {
        None => (Mode::Start, string::fold(&sent)),
        Some("contains") => (Mode::Contains, string::fold(&sent)),
        Some("exact") => (Mode::Exact, sent),
        Some(_) => return Err(Fault::Modifier),
    };
    if sought.is_empty() {
        return Err(Fault::value("it has no letter or digit to search by"));
    }
    Ok(Test::Text(Text { sought, mode }))
}

fn moment(reader: &Reader<'_>, text: &str, instants: bool) -> Result<Test, Fault> {
    const FORM: Fault = Fault::value(
        "it is a date or time such as 2026-03, 2026-03-02 or \
        2026-03-02T09:10:00Z, with a prefix if need be",
    );
    let text = plain(text)?;
    let (prefix, date) = Prefix::take(&text);
    let mut sought = Interval::parse(&mend_zone(date)).ok_or(FORM)?;
    if prefix == Prefix::Approximately {
        // A tenth of the time between then and now, as the page suggests.
        let middle = sought.start.midpoint(sought.end);
        let margin = reader.now.millis().abs_diff(middle).cast_signed() / 10;
        sought.start = sought.start.saturating_sub(margin);
        sought.end = sought.end.saturating_add(margin);
    }
    Ok(Test::Moment(Moment { prefix, sought, instants }))
}

/// A plus sign that was not percent-encoded arrives as a blank.
fn mend_zone(date: &str) -> String {
    match date.rsplit_once(' ') {
        Some((time, zone)) if time.contains('T') => format!("{time}+{zone}"),
        _ => date.to_owned(),
    }
}

fn target(
    reader: &Reader<'_>,
    parameter: &Parameter,
    modifier: Option<&str>,
    text: &str,
) -> Result<Vec<Test>, Fault> {
    let mut kind = match parameter.definition.target.as_slice() {
        _ if parameter.target.is_some() => parameter.target,
        [only] => ResourceType::parse(only),
        _ => None,
    };
    match modifier {
        None => {}
        Some("identifier") => {
            let tests = codes_of_identifier(&bars(text)?)?;
            return Ok(vec![Test::Token(tests)]);
        }
        Some(modifier @ ("above" | "below")) => {
            return versions(&plain(text)?, modifier == "above");
        }
        Some(name) => kind = Some(ResourceType::parse(name).ok_or(Fault::Modifier)?),
    }
    let text = plain(text)?;
    if let Some(id) = Id::parse(&text) {
        let place = kind.map(|kind| kind.to_string());
        let target = Target { id: id.to_string(), place, version: None };
        return Ok(vec![Test::Target(target)]);
    }
    match Reference::parse(&text) {
        Reference::Malformed(_) | Reference::Contained(_) | Reference::Conditional { .. } => {
            return Err(Fault::value("it is an id, Type/id, or an absolute URL"));
        }
        _ => {}
    }
    let key = reference::key(&text, reader.rules.own_base());
    let part = |at: usize| {
        let part = key.parts.get(at).cloned().unwrap_or_default();
        String::from_utf8(part).unwrap_or_default()
    };
    let version = String::from_utf8(key.value.clone()).ok().filter(|version| !version.is_empty());
    let place = Some(part(1)).filter(|place| !place.is_empty());
    Ok(vec![Test::Target(Target { id: part(0), place, version })])
}

/// Canonicals by version: `:below=url|1` is met by 1, 1.0 and 1.2.3, `:above=url|1.2` by 1.2 and 1.
/// (Hierarchies of resources have been told apart before.)
fn versions(text: &str, above: bool) -> Result<Vec<Test>, Fault> {
    let (uri, version) = uri::split(text);
    if !text.contains(':') || version.is_empty() {
        return Err(Fault::unsupported("it is about a hierarchy that the definitions do not have"));
    }
    let uri = uri.to_owned();
    if !above {
        return Ok(vec![Test::Uri(Uri::VersionBelow { uri, version: version.to_owned() })]);
    }
    let shorter = version.match_indices('.').filter_map(|(at, _)| version.get(..at));
    let is = |version: &str| Uri::Is { uri: uri.clone(), version: Some(version.to_owned()) };
    Ok(shorter.chain([version]).map(|version| Test::Uri(is(version))).collect())
}

fn codes_of_identifier(parts: &[String]) -> Result<Token, Fault> {
    match parts {
        [code] => Ok(Token::Code { code: code.clone(), system: None }),
        [system, value] if value.is_empty() => Ok(Token::System(system.clone())),
        [system, value] => Ok(Token::Code { code: value.clone(), system: Some(system.clone()) }),
        _ => Err(Fault::value("it has at most two parts: system|value")),
    }
}

fn uris(modifier: Option<&str>, text: &str) -> Result<Vec<Test>, Fault> {
    let text = plain(text)?;
    let is = |uri: &str, version: Option<&str>| {
        Test::Uri(Uri::Is { uri: uri.to_owned(), version: version.map(str::to_owned) })
    };
    let url = text.contains("://");
    match modifier {
        None => {
            let (bare, version) = uri::split(&text);
            let canonical = (!version.is_empty()).then(|| is(bare, Some(version)));
            Ok(std::iter::once(is(&text, None)).chain(canonical).collect())
        }
        Some("below" | "above") if !url => {
            Err(Fault::value("above and below are for URLs, not for other URIs"))
        }
        Some(modifier @ ("below" | "above")) if !uri::split(&text).1.is_empty() => {
            versions(&text, modifier == "above")
        }
        Some("below") => Ok(vec![Test::Uri(Uri::Below(text))]),
        Some("above") => {
            let mut above = BTreeSet::from([text.as_str()]);
            let path = text.find("://").map_or(0, |at| at + 3);
            for (at, _) in text.match_indices('/').filter(|(at, _)| *at >= path) {
                above.extend(text.get(..at));
                above.extend(text.get(..=at));
            }
            Ok(above.into_iter().map(|uri| is(uri, None)).collect())
        }
        Some(_) => Err(Fault::Modifier),
    }
}

fn quantity(text: &str) -> Result<Test, Fault> {
    let parts = bars(text)?;
    let (prefix, number) = Prefix::take(parts.first().map_or("", String::as_str));
    let sought = Window::parse(number, prefix).ok_or(NOT_A_NUMBER)?;
    let unit = match parts.as_slice() {
        [_] => Unit::Any,
        [_, _] => return Err(Fault::value("it has one part or three: number|system|code")),
        [_, system, code] if system.is_empty() && code.is_empty() => Unit::Any,
        [_, system, code] if system.is_empty() => Unit::Named(code.clone()),
        [_, system, code] => {
            let base = sought.in_base_units(code, system);
            let code = (!code.is_empty()).then(|| code.clone());
            Unit::Coded { system: system.clone(), code, base }
        }
        _ => return Err(Fault::value("it has at most three parts: number|system|code")),
    };
    Ok(Test::Quantity(Box::new(Quantity { prefix, sought, unit })))
}

/// `latitude|longitude|distance|units`, the one special parameter of R4 that has an index.
fn position(text: &str) -> Result<Test, Fault> {
    const FORM: Fault = Fault::value(
        "it is latitude|longitude, with |distance and |units if need be, in degrees and km",
    );
    let parts = bars(text)?;
    let (place, rest) = parts.split_at_checked(2).ok_or(FORM)?;
    let [latitude, longitude] = place else { return Err(FORM) };
    let degrees = |text: &String| text.parse::<f64>().ok().filter(|number| number.is_finite());
    let (latitude, longitude) = (degrees(latitude).ok_or(FORM)?, degrees(longitude).ok_or(FORM)?);
    let from = Position::new(latitude, longitude)
        .ok_or(Fault::value("latitudes are within 90 degrees, longitudes within 180"))?;
    let (distance, unit) = match rest {
        [] => (Near::DEFAULT_KM, "km"),
        [distance] => (distance.as_str(), "km"),
        [distance, unit] => (distance.as_str(), unit.as_str()),
        _ => return Err(FORM),
    };
    let metres = near::metres(distance, unit)
        .ok_or(Fault::value("the distance is not negative, and its units are a UCUM length"))?;
    Ok(Test::Near(Near { from, metres }))
}

/// All combinations of what the parts may mean.
fn composites(reader: &Reader<'_>, parameter: &Parameter, text: &str) -> Result<Vec<Test>, Fault> {
    let parts = split(text, '$');
    let definitions = &parameter.definition.components;
    if parts.len() != definitions.len() {
        return Err(Fault::value("it has one part for each component, joined by $"));
    }
    let mut combined = vec![Vec::new()];
    for ((part, kind), component) in parts.iter().zip(&parameter.components).zip(definitions) {
        let definition = reader.rules.definitions().by_url(&component.definition);
        let definition = definition.ok_or(Fault::unsupported("a component has no definition"))?;
        let simple = Parameter::for_component(definition);
        let arity = composite::arity(*kind).unwrap_or_default();
        let tests = tests(reader, &simple, None, part)?;
        combined = combined
            .iter()
            .flat_map(|head: &Vec<(usize, Test)>| {
                tests.iter().map(|test| {
                    let mut longer = head.clone();
                    longer.push((arity, test.clone()));
                    longer
                })
            })
            .collect();
    }
    Ok(combined.into_iter().map(|parts| Test::Composite(Composite(parts))).collect())
}
