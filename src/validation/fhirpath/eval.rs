//! The evaluation of expressions.

use std::borrow::Cow;

use super::function::Call;
use super::item::Item;
use super::{Answer, Env, Fault, Node, Operator, TypeName, TypeTest};
use crate::terminology::ucum;

/// What changes from step to step.
#[derive(Clone, Copy)]
pub(super) struct Frame<'f, 'v> {
    /// None where a function is called on nothing.
    pub(super) this: Option<&'f Item<'v>>,
    pub(super) index: Option<usize>,
    pub(super) total: Option<&'f [Item<'v>]>,
}

impl<'f, 'v> Frame<'f, 'v> {
    pub(super) fn of(this: &'f Item<'v>) -> Self {
        Self { this: Some(this), index: None, total: None }
    }
}

impl Node {
    pub(super) fn eval<'v>(&'v self, env: &Env<'v>, frame: &Frame<'_, 'v>) -> Answer<'v> {
        let found = self.find(env, frame)?;
        env.account(&found)?;
        Ok(found)
    }

    fn find<'v>(&'v self, env: &Env<'v>, frame: &Frame<'_, 'v>) -> Answer<'v> {
        match self {
            Self::This => Ok(frame.this.cloned().into_iter().collect()),
            Self::Index => {
                let index = frame.index.and_then(|at| i64::try_from(at).ok());
                Ok(index.map(Item::Integer).into_iter().collect())
            }
            Self::Total => Ok(frame.total.unwrap_or_default().to_vec()),
            Self::Nothing => Ok(Vec::new()),
            Self::Literal(Item::Text(text)) => Ok(vec![Item::Text(Cow::Borrowed(text))]),
            Self::Literal(item) => Ok(vec![item.clone()]),
            Self::Constant(name) => constant(name, env),
            Self::Head(name) => Ok(frame.this.map(|this| head(name, this)).unwrap_or_default()),
            Self::Member(left, name) => {
                let mut found = Vec::new();
                for item in left.eval(env, frame)? {
                    item.members(name, &mut found);
                }
                Ok(found)
            }
            Self::At(left, index) => {
                let left = left.eval(env, frame)?;
                let Some(at) = integer(&index.eval(env, frame)?)? else { return Ok(Vec::new()) };
                let at = usize::try_from(at).ok();
                Ok(at.and_then(|at| left.into_iter().nth(at)).into_iter().collect())
            }
            Self::Call(left, entry, arguments) => {
                let left = left.eval(env, frame)?;
                (entry.run)(&Call { env, frame, arguments }, left)
            }
            Self::Type(left, test, kind) => kind.test(*test, left.eval(env, frame)?),
            Self::Negate(inner) => negate(inner.eval(env, frame)?),
            Self::Pair(left, operator, right) => {
                let left = left.eval(env, frame)?;
                if operator.is_logic() {
                    return operator.connect(truth(&left)?, || right.eval(env, frame));
                }
                operator.apply(left, right.eval(env, frame)?)
            }
        }
    }
}

impl Operator {
    fn is_logic(self) -> bool {
        matches!(self, Self::And | Self::Or | Self::Xor | Self::Implies)
    }

    /// Three-valued logic (<http://hl7.org/fhirpath/N1/#boolean-logic>); what decides alone is not
    /// asked further.
    fn connect<'v>(self, left: Option<bool>, right: impl FnOnce() -> Answer<'v>) -> Answer<'v> {
        let decided = match (self, left) {
            (Self::And, Some(false)) => Some(false),
            (Self::Or, Some(true)) | (Self::Implies, Some(false)) => Some(true),
            _ => None,
        };
        if let Some(value) = decided {
            return Ok(vec![Item::Bool(value)]);
        }
        let right = truth(&right()?)?;
        let value = match (self, left, right) {
            (Self::And, _, Some(false)) | (Self::Or, Some(false), Some(false)) => Some(false),
            (Self::And, Some(true), Some(true)) | (Self::Or | Self::Implies, _, Some(true)) => {
                Some(true)
            }
            (Self::Implies, Some(true), right) => right,
            (Self::Xor, Some(a), Some(b)) => Some(a != b),
            _ => None,
        };
        Ok(value.map(Item::Bool).into_iter().collect())
    }
}

/// A name at the start of a path: that of the type of `$this`, or of an element.
fn head<'v>(name: &str, this: &Item<'v>) -> Vec<Item<'v>> {
    let is_type = name.starts_with(|c: char| c.is_ascii_uppercase());
    if is_type && this.element().is_some_and(|element| element.is(name)) {
        return vec![this.clone()];
    }
    let mut found = Vec::new();
    this.members(name, &mut found);
    found
}

fn constant<'v>(name: &str, env: &Env<'v>) -> Answer<'v> {
    let text = |text: &'static str| Ok(vec![Item::Text(Cow::Borrowed(text))]);
    let of_resource = |resource: &Option<Item<'v>>| match resource {
        Some(resource) => Ok(vec![resource.clone()]),
        None => Err(Fault::new(format!("there is no %{name} here"))),
    };
    if let ("previous" | "current", Some([before, after])) = (name, &env.change) {
        let side = if name == "previous" { before } else { after };
        return Ok(side.iter().cloned().collect());
    }
    match name {
        "context" => Ok(vec![env.focus.clone()]),
        "rowIndex" if env.row.is_some() => {
            let row = env.row.and_then(|row| i64::try_from(row).ok());
            Ok(row.map(Item::Integer).into_iter().collect())
        }
        "resource" => of_resource(&env.resource),
        "rootResource" => of_resource(&env.root_resource),
        "ucum" => text(ucum::SYSTEM),
        "sct" => text("http://snomed.info/sct"),
        "loinc" => text("http://loinc.org"),
        _ => {
            if let Some(constant) = env.constants.iter().find(|constant| constant.is(name)) {
                return Ok(vec![constant.item()]);
            }
            let url = name
                .strip_prefix("vs-")
                .map(|set| format!("http://hl7.org/fhir/ValueSet/{set}"))
                .or_else(|| {
                    let extension = name.strip_prefix("ext-")?;
                    Some(format!("http://hl7.org/fhir/StructureDefinition/{extension}"))
                });
            let url = url.ok_or_else(|| Fault::new(format!("there is no constant %{name}")))?;
            Ok(vec![Item::Text(Cow::Owned(url))])
        }
    }
}

fn negate(items: Vec<Item<'_>>) -> Answer<'_> {
    let Some(item) = single(&items)? else { return Ok(items) };
    let number = match item.atom() {
        Some(super::item::Atom::Integer(number)) => number.checked_neg().map(Item::Integer),
        Some(super::item::Atom::Decimal(number)) => Some(Item::Decimal(-number)),
        Some(super::item::Atom::Quantity(quantity)) => {
            let value = -quantity.value;
            let unit = quantity.unit.owned();
            Some(Item::Quantity(super::quantity::Quantity { value, unit }))
        }
        _ => return Err(Fault::new("a sign stands before something that is no number")),
    };
    Ok(number.into_iter().collect())
}

impl TypeName {
    fn test<'v>(&self, test: TypeTest, items: Vec<Item<'v>>) -> Answer<'v> {
        if test == TypeTest::OfType {
            return Ok(items.into_iter().filter(|item| self.is_of(item)).collect());
        }
        match (test, single(&items)) {
            // `as` on several items is used by published expressions, and means ofType there.
            (TypeTest::As, Ok(_) | Err(_)) => {
                Ok(items.into_iter().filter(|item| self.is_of(item)).collect())
            }
            (_, Ok(None)) => Ok(Vec::new()),
            (_, Ok(Some(item))) => Ok(vec![Item::Bool(self.is_of(item))]),
            (_, Err(fault)) => Err(fault),
        }
    }

    fn is_of(&self, item: &Item<'_>) -> bool {
        match item {
            Item::Element(element) => !self.system && element.is(&self.name),
            _ => self.system && (self.name == "Any" || item.type_name().1 == self.name),
        }
    }
}

/// The only item; none for nothing.
pub(super) fn single<'i, 'v>(items: &'i [Item<'v>]) -> Result<Option<&'i Item<'v>>, Fault> {
    match items {
        [] => Ok(None),
        [only] => Ok(Some(only)),
        _ => Err(Fault::new("one value is expected and there are several")),
    }
}

/// The boolean that a collection stands for; none for nothing.
pub(super) fn truth(items: &[Item<'_>]) -> Result<Option<bool>, Fault> {
    Ok(single(items)?.map(Item::truth))
}

/// The integer of a collection; none for nothing.
pub(super) fn integer(items: &[Item<'_>]) -> Result<Option<i64>, Fault> {
    match single(items)?.map(Item::atom) {
        None => Ok(None),
        Some(Some(super::item::Atom::Integer(number))) => Ok(Some(number)),
        Some(_) => Err(Fault::new("an integer is expected")),
    }
}

/// The text of a collection; none for nothing.
pub(super) fn text<'i>(items: &'i [Item<'_>]) -> Result<Option<&'i str>, Fault> {
    match single(items)? {
        None => Ok(None),
        Some(item) => match item.text() {
            Some(text) => Ok(Some(text)),
            // An element that says only why there is no value.
            None if item.element().is_some_and(|element| element.value.is_none()) => Ok(None),
            None => Err(Fault::new("a text is expected")),
        },
    }
}
