//! FHIRPath Patch: operations on the elements that expressions select.
//!
//! Operations are carried out in order, each on what the one before left; where one does not fit,
//! none counts. An element that loses its last child is gone too, for the standard has no empty
//! elements. Source: <http://hl7.org/fhir/R4/fhirpatch.html>.

use serde_json::{Map, Value};

use crate::definitions::model::{Element, Kind, Model};
use crate::error::Error;
use crate::fhir::json::compare::is_deeper;
use crate::fhir::json::{At, MAX_DEPTH};
use crate::fhir::{Issue, IssueType, Resource};
use crate::validation::locate::{Place, Step, locate};

/// One operation.
#[derive(Clone, PartialEq, Debug)]
pub struct Operation {
    action: Action,
    path: String,
}

#[derive(Clone, PartialEq, Debug)]
enum Action {
    Add { name: String, value: Content },
    Insert { index: usize, value: Content },
    Delete,
    Replace { value: Content },
    Move { source: usize, destination: usize },
}

/// What is put somewhere: the value of a parameter.
#[derive(Clone, PartialEq, Debug)]
enum Content {
    /// A value of a type that has a name: the capitalised name, the value, what is said beside it.
    Typed { kind: String, value: Value, beside: Value },
    /// The elements of a type without a name.
    Parts(Vec<(String, Content)>),
}

/// A value, and what is said beside it where it is a primitive.
type Pair = (Value, Value);

/// Reads the operations of a Parameters resource.
///
/// # Errors
/// [`Error::Request`] with the place in the Parameters.
pub(super) fn read(parameters: &Resource) -> Result<Vec<Operation>, Error> {
    if parameters.kind().as_str() != "Parameters" {
        let text = "A FHIRPath Patch is a Parameters resource.";
        return Err(Error::request("resourceType", text));
    }
    let list = parameters.value().at("parameter").as_array().into_iter().flatten();
    let read = |(at, parameter): (usize, &Value)| {
        let fault = |text: &str| Error::request(format!("Parameters.parameter[{at}]"), text);
        if parameter.at("name") != "operation" {
            return Err(fault("Each parameter of a FHIRPath Patch is named operation."));
        }
        operation(parameter).map_err(fault)
    };
    list.enumerate().map(read).collect()
}

fn operation(parameter: &Value) -> Result<Operation, &'static str> {
    let parts: Vec<&Value> = parameter.at("part").as_array().into_iter().flatten().collect();
    let part = |name: &str| parts.iter().find(|part| part.at("name") == name).copied();
    let text = |name: &str, kinds: [&str; 2]| {
        part(name).and_then(|part| kinds.iter().find_map(|kind| part.at(kind).as_str()))
    };
    let number = |name: &str, missing| {
        let number = part(name).and_then(|part| part.at("valueInteger").as_u64());
        number.and_then(|number| usize::try_from(number).ok()).ok_or(missing)
    };
    let value = || content(part("value").ok_or("The operation needs a value.")?);
    let action = match text("type", ["valueCode", "valueString"]) {
        Some("add") => {
            let name = text("name", ["valueString", "valueCode"]);
            let name = name.ok_or("An add needs the name of the element.")?.to_owned();
            Action::Add { name, value: value()? }
        }
        Some("insert") => {
            let index = number("index", "An insert needs an index, from 0.")?;
            Action::Insert { index, value: value()? }
        }
        Some("delete") => Action::Delete,
        Some("replace") => Action::Replace { value: value()? },
        Some("move") => Action::Move {
            source: number("source", "A move needs a source, from 0.")?,
            destination: number("destination", "A move needs a destination, from 0.")?,
        },
        _ => return Err("The type of an operation is add, insert, delete, replace or move."),
    };
    let path = text("path", ["valueString", "valueString"]);
    Ok(Operation { action, path: path.ok_or("The operation needs a path.")?.to_owned() })
}

fn content(parameter: &Value) -> Result<Content, &'static str> {
    let members = parameter.as_object().into_iter().flatten();
    for (name, value) in members {
        if let Some(kind) = name.strip_prefix("value") {
            let beside = parameter.at(&format!("_{name}")).clone();
            return Ok(Content::Typed { kind: kind.to_owned(), value: value.clone(), beside });
        }
        if let Some(kind) = name.strip_prefix("_value")
            && parameter.get(format!("value{kind}")).is_none()
        {
            let kind = kind.to_owned();
            return Ok(Content::Typed { kind, value: Value::Null, beside: value.clone() });
        }
    }
    let parts = parameter.at("part").as_array().ok_or("The value has neither value nor parts.")?;
    let named = parts.iter().map(|part| {
        let name = part.at("name").as_str().ok_or("A part has no name.")?;
        Ok((name.to_owned(), content(part)?))
    });
    Ok(Content::Parts(named.collect::<Result<_, &'static str>>()?))
}

/// How many operations a patch may have; each may look at all of the resource.
const MOST_OPERATIONS: usize = 1000;

/// The resource as the operations leave it.
///
/// # Errors
/// [`Error::Patch`] at the operation that does not fit.
pub(super) fn apply(
    operations: &[Operation],
    model: &Model,
    mut resource: Value,
) -> Result<Value, Error> {
    let costly = |text: String, place: String| {
        Err(Error::Patch(Issue::error(IssueType::TooCostly, text).at(place)))
    };
    if operations.len() > MOST_OPERATIONS {
        let text = format!("A patch has {MOST_OPERATIONS} operations at most.");
        return costly(text, "Parameters.parameter".to_owned());
    }
    for (at, operation) in operations.iter().enumerate() {
        let place = format!("Parameters.parameter[{at}]");
        one(operation, model, &mut resource).map_err(|text| {
            Error::Patch(Issue::error(IssueType::Processing, text).at(place.clone()))
        })?;
        if is_deeper(&resource, MAX_DEPTH) {
            let text = format!("Arrays and objects nest {MAX_DEPTH} deep at most.");
            return costly(text, place);
        }
    }
    Ok(resource)
}

fn one(operation: &Operation, model: &Model, resource: &mut Value) -> Result<(), String> {
    let mut places = locate(resource, &operation.path)?;
    let several = || format!("{} elements are selected; it must be one.", places.len());
    match &operation.action {
        Action::Delete => match places.len() {
            0 => Ok(()),
            1 => delete(resource, &Spot::of(&places.remove(0))?),
            _ => Err(several()),
        },
        Action::Add { name, value } => match places.len() {
            1 => add(model, resource, &places.remove(0), name, value),
            0 => Err(NOTHING.to_owned()),
            _ => Err(several()),
        },
        Action::Replace { value } => match places.len() {
            1 => replace(model, resource, &Spot::of(&places.remove(0))?, value),
            0 => Err(NOTHING.to_owned()),
            _ => Err(several()),
        },
        Action::Insert { index, value } => {
            let Some(list) = List::of(&places)? else {
                return add_first(model, resource, &operation.path, *index, value);
            };
            let pair = list.element(model, resource)?.pair(model, value)?;
            list.edit(resource, |pairs| {
                if *index > pairs.len() {
                    return Err(format!("The list has {} items only.", pairs.len()));
                }
                pairs.insert(*index, pair);
                Ok(())
            })
        }
        Action::Move { source, destination } => {
            let list = List::of(&places)?.ok_or(NOTHING)?;
            list.edit(resource, |pairs| {
                if *source >= pairs.len() || *destination >= pairs.len() {
                    return Err(format!("The list has {} items only.", pairs.len()));
                }
                let moved = pairs.remove(*source);
                pairs.insert(*destination, moved);
                Ok(())
            })
        }
    }
}

const NOTHING: &str = "The path selects nothing.";

/// Where one element stands: in the object at `parent`, under `name`, where it repeats at `index`.
struct Spot {
    parent: Vec<Step>,
    name: String,
    index: Option<usize>,
}

impl Spot {
    fn of(place: &Place) -> Result<Self, String> {
        let (parent, name, index) = match place.steps.as_slice() {
            [parent @ .., Step::Member(name)] => (parent, name, None),
            [parent @ .., Step::Member(name), Step::Item(at)] => (parent, name, Some(*at)),
            _ => return Err("The resource itself cannot be changed; name an element.".to_owned()),
        };
        Ok(Self { parent: parent.to_vec(), name: name.clone(), index })
    }
}

/// The repeats of one element.
struct List {
    parent: Vec<Step>,
    name: String,
}

impl List {
    /// The list that all the places are in; none where there is no place.
    fn of(places: &[Place]) -> Result<Option<Self>, String> {
        let mut list: Option<Self> = None;
        for place in places {
            let spot = Spot::of(place)?;
            if spot.index.is_none() {
                return Err("The element does not repeat.".to_owned());
            }
            match &list {
                Some(known) if known.parent != spot.parent || known.name != spot.name => {
                    return Err("The path selects elements of several lists.".to_owned());
                }
                _ => list = Some(Self { parent: spot.parent, name: spot.name }),
            }
        }
        Ok(list)
    }

    fn element<'m>(&self, model: &'m Model, resource: &Value) -> Result<Target<'m>, String> {
        let kind = kind_at(model, resource, &self.parent)?;
        Target::named(model, &kind, &self.name)
    }

    fn edit(
        &self,
        resource: &mut Value,
        change: impl FnOnce(&mut Vec<Pair>) -> Result<(), String>,
    ) -> Result<(), String> {
        let object = object_at(resource, &self.parent)?;
        let mut pairs = take(object, &self.name);
        change(&mut pairs)?;
        put(object, &self.name, pairs, true);
        Ok(())
    }
}

/// An element of a type, as content is to be written into it.
struct Target<'m> {
    element: &'m Element,
}

impl<'m> Target<'m> {
    /// By the element's name, or the member's in JSON.
    fn named(model: &'m Model, kind: &str, name: &str) -> Result<Self, String> {
        let element = model.element(kind, name);
        let element = element.or_else(|| model.member(kind, name).map(|(element, _)| element));
        element.map(|element| Self { element }).ok_or(format!("{kind} has no element {name}."))
    }

    /// The member's name in JSON for such content.
    fn json_name(&self, content: &Content) -> Result<String, String> {
        let name = &self.element.name;
        match content {
            Content::Typed { kind, .. } if self.element.choice => {
                let mut names = self.element.json_names().map(|(name, _)| name);
                let wanted = format!("{name}{kind}");
                names
                    .find(|name| *name == wanted)
                    .ok_or(format!("{name} cannot have a value of that type."))
            }
            _ => Ok(name.clone()),
        }
    }

    fn pair(&self, model: &Model, content: &Content) -> Result<Pair, String> {
        match content {
            Content::Typed { value, beside, .. } => Ok((value.clone(), beside.clone())),
            Content::Parts(parts) => {
                let kind = self.element.types.first().map(|kind| kind.code.as_str());
                let kind = kind.ok_or("The element has no type.")?;
                let mut object = Map::new();
                for (name, part) in parts {
                    let target = Target::named(model, kind, name)?;
                    let json_name = target.json_name(part)?;
                    let pair = target.pair(model, part)?;
                    let mut pairs = take(&mut object, &json_name);
                    pairs.push(pair);
                    put(&mut object, &json_name, pairs, target.element.array);
                }
                Ok((Value::Object(object), Value::Null))
            }
        }
    }
}

fn add(
    model: &Model,
    resource: &mut Value,
    parent: &Place,
    name: &str,
    content: &Content,
) -> Result<(), String> {
    let kind = kind_at(model, resource, &parent.steps)?;
    let target = Target::named(model, &kind, name)?;
    let json_name = target.json_name(content)?;
    let pair = target.pair(model, content)?;
    let object = object_at(resource, &parent.steps)?;
    let is_there = |(name, _): (String, _)| {
        object.contains_key(&name) || object.contains_key(&format!("_{name}"))
    };
    if !target.element.array && target.element.json_names().any(is_there) {
        return Err("The element is there already, and does not repeat.".to_owned());
    }
    let mut pairs = take(object, &json_name);
    pairs.push(pair);
    put(object, &json_name, pairs, target.element.array);
    Ok(())
}

/// An insert into a list that has nothing yet: the last name of the path is the element.
fn add_first(
    model: &Model,
    resource: &mut Value,
    path: &str,
    index: usize,
    content: &Content,
) -> Result<(), String> {
    let (parent, name) = path.rsplit_once('.').ok_or(NOTHING)?;
    let places = locate(resource, parent)?;
    match places.as_slice() {
        [parent] if index == 0 => add(model, resource, parent, name, content),
        [_] => Err("The list is empty; the index must be 0.".to_owned()),
        _ => Err(NOTHING.to_owned()),
    }
}

fn replace(
    model: &Model,
    resource: &mut Value,
    spot: &Spot,
    content: &Content,
) -> Result<(), String> {
    let kind = kind_at(model, resource, &spot.parent)?;
    let target = Target::named(model, &kind, &spot.name)?;
    let json_name = target.json_name(content)?;
    let pair = target.pair(model, content)?;
    let object = object_at(resource, &spot.parent)?;
    let mut pairs = take(object, &spot.name);
    if json_name != spot.name {
        put(object, &json_name, vec![pair], false);
        return Ok(());
    }
    if let Some(there) = pairs.get_mut(spot.index.unwrap_or_default()) {
        *there = pair;
    }
    put(object, &json_name, pairs, spot.index.is_some());
    Ok(())
}

fn delete(resource: &mut Value, spot: &Spot) -> Result<(), String> {
    let object = object_at(resource, &spot.parent)?;
    let mut pairs = take(object, &spot.name);
    let at = spot.index.unwrap_or_default();
    if at < pairs.len() {
        pairs.remove(at);
    }
    put(object, &spot.name, pairs, spot.index.is_some());
    let is_empty = object.is_empty();
    let parent = Place { steps: spot.parent.clone() };
    match Spot::of(&parent) {
        Ok(parent) if is_empty => delete(resource, &parent),
        _ => Ok(()),
    }
}

/// Takes the values of a member out of its object.
fn take(object: &mut Map<String, Value>, name: &str) -> Vec<Pair> {
    let mut list = |name: &str| match object.shift_remove(name) {
        Some(Value::Array(list)) => list,
        Some(one) => vec![one],
        None => Vec::new(),
    };
    let (values, besides) = (list(name), list(&format!("_{name}")));
    let length = values.len().max(besides.len());
    let padded = |list: Vec<Value>| list.into_iter().chain(std::iter::repeat(Value::Null));
    padded(values).zip(padded(besides)).take(length).collect()
}

/// Puts the values of a member back.
fn put(object: &mut Map<String, Value>, name: &str, pairs: Vec<Pair>, repeats: bool) {
    let (values, besides): (Vec<Value>, Vec<Value>) = pairs.into_iter().unzip();
    for (name, list) in [(name.to_owned(), values), (format!("_{name}"), besides)] {
        if list.iter().all(Value::is_null) {
            continue;
        }
        let value =
            if repeats { Value::Array(list) } else { list.into_iter().next().unwrap_or_default() };
        object.insert(name, value);
    }
}

/// The object at that place; for a primitive, what is said beside it.
fn object_at<'v>(
    resource: &'v mut Value,
    steps: &[Step],
) -> Result<&'v mut Map<String, Value>, String> {
    let mut at = resource;
    for (position, step) in steps.iter().enumerate() {
        at = match step {
            Step::Item(index) => at.get_mut(*index),
            Step::Member(name) => {
                let beside = format!("_{name}");
                let goes_on = steps.get(position + 1).is_some();
                let is_object = |value: &Value| match value {
                    Value::Object(_) => true,
                    Value::Array(list) => goes_on && list.iter().any(Value::is_object),
                    _ => false,
                };
                let key = if at.get(name).is_some_and(is_object) { name } else { &beside };
                at.get_mut(key)
            }
        }
        .ok_or("The element has no elements of its own.")?;
    }
    at.as_object_mut().ok_or("The element has no elements of its own.".to_owned())
}

/// The type of the object at that place.
fn kind_at(model: &Model, resource: &Value, steps: &[Step]) -> Result<String, String> {
    let name = |value: &Value| value.at("resourceType").as_str().map(str::to_owned);
    let mut kind = name(resource).ok_or("The resource has no type.")?;
    let mut at = resource;
    for step in steps {
        match step {
            Step::Member(member) => {
                let found = model.member(&kind, member);
                kind = found.map(|(_, kind)| kind.code.clone()).ok_or("The element is unknown.")?;
                at = at.at(member);
            }
            Step::Item(index) => at = at.get(*index).unwrap_or(&Value::Null),
        }
        let is_resource = model.get(&kind).is_some_and(|found| found.kind == Kind::Resource);
        if let Some(name) = name(at).filter(|_| is_resource) {
            kind = name;
        }
    }
    Ok(kind)
}

#[cfg(test)]
mod tests;
