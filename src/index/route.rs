//! Routes: search expressions compiled to walks over JSON.
//!
//! Most expressions name elements, cast choices, filter by a constant or by the type that a
//! reference points to. Those become [`Route`]s, checked against the element model once, when
//! loaded, and walked for a few hundred nanoseconds at each write. What does not fit gives `None`
//! and is left to the FHIRPath engine (`super::fhirpath`).
//! Source: <http://hl7.org/fhir/R4/searchparameter.html>, <http://hl7.org/fhirpath/N1/>.

use rh_fhirpath::ast::TypeOperator;
use rh_fhirpath::{EqualityOperator, Expression, Invocation, Literal, Term, TypeSpecifier};
use serde_json::Value;

use crate::definitions::model::{Kind, Model};
use crate::fhir::Reference;

/// A way from a JSON object to values of one type.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Route {
    /// The steps from the start.
    pub steps: Vec<Step>,
    /// The type of the values: a key of the model.
    pub kind: String,
    /// For codes: the code systems that a required binding implies.
    pub systems: Vec<String>,
}

/// One step.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Step {
    /// Back to the resource (`%resource`).
    Resource,
    /// To the member of that JSON name.
    Member(String),
    /// To one item of the array.
    Nth(usize),
    /// Stay, if the test holds.
    Where(Test),
}

/// A condition on a value.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Test {
    /// The element at that path has that value, as text.
    Equals(Vec<String>, String),
    /// The reference points to a resource of that type.
    RefersTo(String),
}

impl Route {
    /// The route that goes nowhere: the value of that type itself.
    pub fn start(kind: &str) -> Self {
        Self { steps: Vec::new(), kind: kind.to_owned(), systems: Vec::new() }
    }

    /// Hands every value at the end of the route to `found`; nulls and missing ones are no values.
    pub fn walk<'v>(&self, resource: &'v Value, from: &'v Value, found: &mut dyn FnMut(&'v Value)) {
        walk(resource, from, &self.steps, found);
    }

    /// The type that the last step asks a reference to point to, with the route without that step.
    pub fn without_target(&self) -> Option<(&str, Self)> {
        let Some((Step::Where(Test::RefersTo(target)), steps)) = self.steps.split_last() else {
            return None;
        };
        Some((target, Self { steps: steps.to_vec(), ..self.clone() }))
    }

    fn then(&self, step: Step) -> Self {
        let mut longer = self.clone();
        longer.steps.push(step);
        longer
    }
}

fn walk<'v>(
    resource: &'v Value,
    value: &'v Value,
    steps: &[Step],
    found: &mut dyn FnMut(&'v Value),
) {
    match (steps.split_first(), value) {
        (_, Value::Null) => {}
        (Some((Step::Nth(at), rest)), Value::Array(items)) => {
            if let Some(item) = items.get(*at) {
                walk(resource, item, rest, found);
            }
        }
        (_, Value::Array(items)) => {
            for item in items {
                walk(resource, item, steps, found);
            }
        }
        (None, _) => found(value),
        (Some((step, rest)), _) => match step {
            Step::Resource => walk(resource, resource, rest, found),
            Step::Member(name) => {
                if let Some(member) = value.get(name) {
                    walk(resource, member, rest, found);
                }
            }
            Step::Nth(at) if *at > 0 => {}
            Step::Where(test) if !test.holds(value) => {}
            Step::Nth(_) | Step::Where(_) => walk(resource, value, rest, found),
        },
    }
}

impl Test {
    fn holds(&self, value: &Value) -> bool {
        match self {
            Self::Equals(path, expected) => {
                let mut at = Some(value);
                for name in path {
                    at = at.and_then(|value| value.get(name));
                }
                at.is_some_and(|value| plain_text(value).is_some_and(|text| &*text == expected))
            }
            Self::RefersTo(kind) => {
                let literal = match value {
                    Value::String(text) => Some(text.as_str()),
                    _ => value.get("reference").and_then(Value::as_str),
                };
                let target = literal.map(Reference::parse);
                match target.as_ref().and_then(Reference::target) {
                    Some((target, _)) => target.as_str() == kind,
                    None => value.get("type").and_then(Value::as_str) == Some(kind),
                }
            }
        }
    }
}

/// A primitive as the text that a query would give for it.
pub fn plain_text(value: &Value) -> Option<std::borrow::Cow<'_, str>> {
    match value {
        Value::String(text) => Some(text.into()),
        Value::Bool(flag) => Some(if *flag { "true".into() } else { "false".into() }),
        Value::Number(number) => Some(number.to_string().into()),
        _ => None,
    }
}

/// Compiles expressions over one type.
pub struct Compiler<'a> {
    /// The element model.
    pub model: &'a Model,
    /// The resource type.
    pub resource: &'a str,
}

impl Compiler<'_> {
    /// The routes of an expression that starts from values of `start`; an empty list when it is
    /// about other types; `None` when it is more than routes can say.
    pub fn routes(&self, expression: &Expression, start: &str) -> Option<Vec<Route>> {
        let mut routes = match expression {
            Expression::Term(term) => self.term(term, start)?,
            Expression::Invocation { left, invocation } => {
                let left = self.routes(left, start)?;
                self.invoke(&left, invocation)?
            }
            Expression::Indexer { left, index } => {
                let Expression::Term(Term::Literal(Literal::Integer(at))) = &**index else {
                    return None;
                };
                let left = self.routes(left, start)?;
                self.nth(&left, usize::try_from(*at).ok()?)?
            }
            Expression::Type { left, operator: TypeOperator::As, type_specifier } => {
                self.cast(self.routes(left, start)?, &type_specifier.qualified_name)?
            }
            Expression::Union { left, right } => {
                let mut all = self.routes(left, start)?;
                all.extend(self.routes(right, start)?);
                all
            }
            _ => return None,
        };
        let mut seen = Vec::new();
        routes.retain(|route| {
            !seen.contains(route) && {
                seen.push(route.clone());
                true
            }
        });
        Some(routes)
    }

    fn term(&self, term: &Term, start: &str) -> Option<Vec<Route>> {
        match term {
            Term::Parenthesized(inner) => self.routes(inner, start),
            Term::ExternalConstant(name) if name == "resource" => {
                Some(vec![Route::start(self.resource).then(Step::Resource)])
            }
            Term::Invocation(Invocation::This) => Some(vec![Route::start(start)]),
            Term::Invocation(Invocation::Member(name)) => {
                let kind = self.model.get(name).map(|found| found.kind);
                match kind.filter(|_| name.starts_with(|c: char| c.is_ascii_uppercase())) {
                    Some(_) if self.model.is_a(start, name) => Some(vec![Route::start(start)]),
                    Some(_) => Some(Vec::new()),
                    None => self.member(&Route::start(start), name),
                }
            }
            Term::Invocation(invocation) => self.invoke(&[Route::start(start)], invocation),
            _ => None,
        }
    }

    fn invoke(&self, from: &[Route], invocation: &Invocation) -> Option<Vec<Route>> {
        let each = |step: &dyn Fn(&Route) -> Option<Vec<Route>>| {
            Some(from.iter().map(step).collect::<Option<Vec<_>>>()?.concat())
        };
        match invocation {
            Invocation::Member(name) => each(&|route| self.member(route, name)),
            Invocation::Function { name, parameters } => {
                match (name.as_str(), parameters.as_slice()) {
                    ("as" | "ofType", [kind]) => self.cast(from.to_vec(), &type_name(kind)?),
                    ("where", [condition]) => each(&|route| filter(route, condition)),
                    ("extension", [Expression::Term(Term::Literal(Literal::String(url)))]) => {
                        let test = Test::Equals(vec!["url".to_owned()], url.clone());
                        let extensions = each(&|route| self.member(route, "extension"))?;
                        let step = Step::Where(test);
                        Some(extensions.iter().map(|route| route.then(step.clone())).collect())
                    }
                    ("first", []) => self.nth(from, 0),
                    _ => None,
                }
            }
            _ => None,
        }
    }

    /// `None` for an element that the type does not have: left to the engine, where it is empty.
    fn member(&self, route: &Route, name: &str) -> Option<Vec<Route>> {
        let primitive = self.model.get(&route.kind).is_some_and(|t| t.kind == Kind::Primitive);
        if primitive && name == "extension" {
            let mut sibling = route.clone();
            let Some(Step::Member(last)) = sibling.steps.last_mut() else { return None };
            *last = format!("_{last}");
            "Extension".clone_into(&mut sibling.kind);
            return Some(vec![sibling.then(Step::Member("extension".to_owned()))]);
        }
        let element = self.model.element(&route.kind, name)?;
        let routes = element.json_names().map(|(json_name, kind)| Route {
            kind: kind.code.clone(),
            systems: element.systems.clone(),
            ..route.then(Step::Member(json_name))
        });
        Some(routes.collect())
    }

    /// One item of all that `from` gives: only where each step before gives one value at most, and
    /// there is one route.
    fn nth(&self, from: &[Route], at: usize) -> Option<Vec<Route>> {
        let [route] = from else { return from.is_empty().then(Vec::new) };
        let (_, before) = route.steps.split_last()?;
        let mut kind = self.resource.to_owned();
        for step in before {
            let Step::Member(name) = step else { return None };
            let (element, member) = self.model.member(&kind, name)?;
            if element.array {
                return None;
            }
            kind.clone_from(&member.code);
        }
        Some(vec![route.then(Step::Nth(at))])
    }

    /// The published expressions write `as(DateTime)` for `as(dateTime)` at times.
    fn cast(&self, from: Vec<Route>, name: &[String]) -> Option<Vec<Route>> {
        let name = name.last()?;
        let mut target = name.clone();
        if !self.model.contains(name) {
            let mut letters = name.chars();
            target = format!("{}{}", letters.next()?.to_ascii_lowercase(), letters.as_str());
        }
        if !self.model.contains(&target) {
            return None;
        }
        Some(from.into_iter().filter(|route| self.model.is_a(&route.kind, &target)).collect())
    }
}

/// The route with the condition as a step; `None` for a condition that no [`Test`] is.
fn filter(route: &Route, condition: &Expression) -> Option<Vec<Route>> {
    match condition {
        Expression::And { left, right } => {
            let kept = filter(route, left)?;
            let both = kept.iter().map(|route| filter(route, right));
            Some(both.collect::<Option<Vec<_>>>()?.concat())
        }
        Expression::Term(Term::Parenthesized(inner)) => filter(route, inner),
        Expression::Type { left, operator: TypeOperator::Is, type_specifier } => {
            is_resolve(left).then(|| vec![route.then(refers_to(type_specifier))])
        }
        Expression::Equality { left, operator: EqualityOperator::Equal, right } => {
            let path = plain_path(left)?;
            let expected = match &**right {
                Expression::Term(Term::Literal(Literal::String(text))) => text.clone(),
                Expression::Term(Term::Literal(Literal::Boolean(flag))) => flag.to_string(),
                _ => return None,
            };
            Some(vec![route.then(Step::Where(Test::Equals(path, expected)))])
        }
        _ => None,
    }
}

fn refers_to(kind: &TypeSpecifier) -> Step {
    let name = kind.qualified_name.last().cloned().unwrap_or_default();
    Step::Where(Test::RefersTo(name))
}

/// Whether the expression is `resolve()`.
pub fn is_resolve(expression: &Expression) -> bool {
    let Expression::Term(Term::Invocation(Invocation::Function { name, parameters })) = expression
    else {
        return false;
    };
    name == "resolve" && parameters.is_empty()
}

fn plain_path(expression: &Expression) -> Option<Vec<String>> {
    match expression {
        Expression::Term(Term::Invocation(Invocation::Member(name))) => Some(vec![name.clone()]),
        Expression::Invocation { left, invocation: Invocation::Member(name) } => {
            let mut path = plain_path(left)?;
            path.push(name.clone());
            Some(path)
        }
        _ => None,
    }
}

fn type_name(expression: &Expression) -> Option<Vec<String>> {
    plain_path(expression)
}
