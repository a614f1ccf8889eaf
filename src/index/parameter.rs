//! A search parameter compiled for one resource type.
//!
//! Many of the standard's parameters find a part of what another finds, or several others together:
//! `patient` is `subject` where it is a Patient, `combo-code` is `code` and `component-code`. Those
//! get no rows of their own; they are searched through the rows of the others.

use std::collections::BTreeSet;
use std::sync::Arc;

use serde_json::Value;

use super::form::Form;
use super::key::Key;
use super::route::{Compiler, Route};
use super::truth::Truth;
use super::{
    Rules, composite, date, fhirpath, near, number, quantity, reference, string, token, uri, words,
};
use crate::definitions::model::Model;
use crate::definitions::search_parameter::{ParameterType, SearchParameter, SearchParameters};
use crate::fhir::ResourceType;

/// A parameter as a query meets it.
#[derive(Clone, Debug)]
pub struct Parameter {
    /// The definition.
    pub definition: Arc<SearchParameter>,
    /// The parameters in whose rows its values stand; itself, if it has rows of its own. Empty when
    /// no index serves it.
    pub sources: Vec<String>,
    /// Only rows that point to this type count.
    pub target: Option<ResourceType>,
    /// For composites: the types of the components.
    pub components: Vec<ParameterType>,
    /// The data types among which its values are.
    pub forms: BTreeSet<Form>,
    /// For codes: the code systems that the definition of the element implies.
    pub systems: BTreeSet<String>,
    pub(super) program: Program,
}

/// How the values are found.
#[derive(Clone, Debug)]
pub(super) enum Program {
    /// No expression describes them.
    Nothing,
    Routes(Vec<(Route, Form)>),
    Truth(Truth),
    FhirPath(rh_fhirpath::FhirPathExpression),
    Composite(Vec<Whole>),
    /// `Location.position`.
    Position,
    /// The words of the narrative, or of all else.
    Words {
        narrative: bool,
    },
}

/// The one special parameter that names an element.
const NEAR: &str = "http://hl7.org/fhir/SearchParameter/Location-near";

/// The parameters whose values are the words of texts, with those whose rows have them.
const WORDS: [(&str, &[&str]); 2] = [
    ("http://hl7.org/fhir/SearchParameter/DomainResource-text", &[words::TEXT]),
    ("http://hl7.org/fhir/SearchParameter/Resource-content", &[words::CONTENT, words::TEXT]),
];

/// The values of a composite, and from each of them its parts.
#[derive(Clone, Debug)]
pub(super) struct Whole {
    pub(super) route: Route,
    pub(super) parts: Vec<Vec<(Route, Form)>>,
}

/// Compiles a definition for one type.
///
/// # Errors
/// A sentence for an expression that is no FHIRPath, or a composite that cannot be indexed.
pub(super) fn compile(
    definition: &Arc<SearchParameter>,
    all: &SearchParameters,
    model: &Model,
    resource: ResourceType,
) -> Result<Parameter, String> {
    let compiler = Compiler { model, resource: resource.as_str() };
    let mut parameter = Parameter::for_component(definition);
    let kind = definition.kind;
    if definition.url == NEAR {
        parameter.sources.push(definition.code.clone());
        parameter.program = Program::Position;
        return Ok(parameter);
    }
    if let Some((_, sources)) = WORDS.iter().find(|(url, _)| *url == definition.url) {
        parameter.sources = sources.iter().map(|&source| source.to_owned()).collect();
        parameter.program = Program::Words { narrative: definition.code == words::TEXT };
        return Ok(parameter);
    }
    let text = definition.expression.as_deref();
    let Some(text) = text.filter(|_| kind != ParameterType::Special && definition.code != "_id")
    else {
        return Ok(parameter);
    };
    parameter.sources.push(definition.code.clone());
    let expression = fhirpath::parse(text)?;
    let routes = compiler.routes(&expression.root, resource.as_str());
    parameter.program = match routes {
        Some(routes) if kind == ParameterType::Composite => {
            parameter.components = component_types(definition, all)?;
            Program::Composite(wholes(&compiler, definition, &parameter.components, routes)?)
        }
        None if kind == ParameterType::Composite => {
            return Err("the expression of a composite must name elements".to_owned());
        }
        Some(routes) => Program::Routes(with_forms(model, kind, routes)),
        None => match Truth::compile(&compiler, &expression.root) {
            Some(truth) => {
                parameter.forms.insert(Form::Boolean);
                Program::Truth(truth)
            }
            None => Program::FhirPath(fhirpath::prepare(expression)),
        },
    };
    if let Program::Routes(routes) = &parameter.program {
        parameter.forms = routes.iter().map(|(_, form)| *form).collect();
        parameter.systems = routes.iter().flat_map(|(route, _)| route.systems.clone()).collect();
    }
    Ok(parameter)
}

fn with_forms(model: &Model, kind: ParameterType, routes: Vec<Route>) -> Vec<(Route, Form)> {
    let formed = routes.into_iter().map(|route| {
        let form = Form::of(model, &route.kind);
        (route, form)
    });
    formed.filter(|(_, form)| form.suits(kind)).collect()
}

fn component_types(
    definition: &SearchParameter,
    all: &SearchParameters,
) -> Result<Vec<ParameterType>, String> {
    let kind = |url: &str| all.by_url(url).map(|found| found.kind);
    let kinds = definition.components.iter().map(|part| {
        let found = kind(&part.definition).filter(|kind| composite::arity(*kind).is_some());
        found.ok_or_else(|| format!("there is no component parameter {}", part.definition))
    });
    kinds.collect()
}

fn wholes(
    compiler: &Compiler<'_>,
    definition: &SearchParameter,
    kinds: &[ParameterType],
    routes: Vec<Route>,
) -> Result<Vec<Whole>, String> {
    let whole = |route: Route| {
        let parts = definition.components.iter().zip(kinds).map(|(part, kind)| {
            let expression = fhirpath::parse(&part.expression)?;
            let found = compiler.routes(&expression.root, &route.kind);
            let found = found.ok_or_else(|| {
                format!("the component expression {} must name elements", part.expression)
            })?;
            Ok(with_forms(compiler.model, *kind, found))
        });
        Ok(Whole { parts: parts.collect::<Result<_, String>>()?, route })
    };
    routes.into_iter().map(whole).collect()
}

/// What the two sets of parameters are compared by: where values come from.
type Origin = (Route, Vec<Vec<(Route, Form)>>);

impl Parameter {
    fn origins(&self) -> Option<BTreeSet<Origin>> {
        match &self.program {
            Program::Routes(routes) if !routes.is_empty() => {
                Some(routes.iter().map(|(route, _)| (route.clone(), Vec::new())).collect())
            }
            Program::Composite(wholes) => Some(
                wholes.iter().map(|whole| (whole.route.clone(), whole.parts.clone())).collect(),
            ),
            _ => None,
        }
    }

    /// A parameter as a part of a composite asks of it: its values stand in the composite's rows.
    pub fn for_component(definition: &Arc<SearchParameter>) -> Self {
        Self {
            definition: Arc::clone(definition),
            sources: Vec::new(),
            target: None,
            components: Vec::new(),
            forms: BTreeSet::new(),
            systems: BTreeSet::new(),
            program: Program::Nothing,
        }
    }

    /// Whether it has rows of its own.
    pub fn is_stored(&self) -> bool {
        self.sources.iter().any(|source| *source == self.definition.code)
    }

    /// Whether its values are the words of texts, which have no order.
    pub fn is_of_words(&self) -> bool {
        matches!(self.program, Program::Words { .. })
    }

    /// Finds parameters that have rows of their own in which all its values stand.
    pub(super) fn derive(&mut self, stored: &[Parameter]) {
        let Some(own) = self.origins() else { return };
        let kind = self.definition.kind;
        let alike: Vec<(&Parameter, BTreeSet<Origin>)> = stored
            .iter()
            .filter(|other| other.definition.kind == kind && other.components == self.components)
            .filter_map(|other| other.origins().map(|origins| (other, origins)))
            .collect();
        if let Some((target, wider)) = without_target(&own)
            && let Some((other, _)) = alike.iter().find(|(_, origins)| *origins == wider)
        {
            self.target = ResourceType::parse(&target);
            if self.target.is_some() {
                self.sources.clone_from(&other.sources);
                return;
            }
        }
        let within: Vec<_> = alike.iter().filter(|(_, origins)| origins.is_subset(&own)).collect();
        let covered: BTreeSet<Origin> =
            within.iter().flat_map(|(_, origins)| origins.iter().cloned()).collect();
        if covered != own {
            return;
        }
        // One that is the same is enough; else all of the smaller ones.
        let same = within.iter().find(|(_, origins)| *origins == own);
        let chosen = same.map_or_else(|| within.iter().collect(), |one| vec![one]);
        self.sources = chosen.iter().map(|(other, _)| other.definition.code.clone()).collect();
    }

    /// How many origins the values have, for an order in which smaller ones come first.
    pub(super) fn size(&self) -> usize {
        let targets = self.origins().as_ref().and_then(without_target).is_some();
        self.origins().map_or(0, |origins| origins.len() * 2 + usize::from(targets))
    }

    /// The keys of the values of a resource.
    pub(super) fn keys(&self, rules: &Rules, resource: &Value) -> Vec<Key> {
        let own_base = rules.own_base();
        let kind = self.definition.kind;
        let mut found = Vec::new();
        match &self.program {
            Program::Nothing => {}
            Program::Position => {
                if let Some(position) = resource.get("position") {
                    near::keys(position, &mut found);
                }
            }
            Program::Words { narrative } => {
                words::keys(rules.model(), resource, *narrative, &mut found);
            }
            Program::Routes(routes) => {
                for (route, form) in routes {
                    route.walk(resource, resource, &mut |value| {
                        keys_of(kind, *form, value, own_base, &mut found);
                    });
                    let wider = route.without_target().filter(|_| kind == ParameterType::Reference);
                    if let Some((_, wider)) = wider {
                        // A logical reference does not say what it points to, and is found by its
                        // identifier all the same.
                        wider.walk(resource, resource, &mut |value| {
                            reference::logical(value, &mut found);
                        });
                    }
                }
            }
            Program::Truth(truth) => {
                if let Some(answer) = truth.answer(resource) {
                    keys_of(kind, Form::Boolean, &Value::Bool(answer), own_base, &mut found);
                }
            }
            Program::FhirPath(expression) => {
                for (type_name, value) in fhirpath::values(expression, resource) {
                    let form = Form::of(rules.model(), &type_name);
                    if form.suits(kind) {
                        keys_of(kind, form, &value, own_base, &mut found);
                    }
                }
            }
            Program::Composite(wholes) => {
                for whole in wholes {
                    whole.route.walk(resource, resource, &mut |value| {
                        found.extend(self.combined(whole, resource, value, own_base));
                    });
                }
            }
        }
        found
    }

    fn combined(
        &self,
        whole: &Whole,
        resource: &Value,
        value: &Value,
        own_base: Option<&str>,
    ) -> Vec<Key> {
        let parts = whole.parts.iter().zip(&self.components).map(|(routes, kind)| {
            let mut keys = Vec::new();
            for (route, form) in routes {
                route.walk(resource, value, &mut |part| {
                    keys_of(*kind, *form, part, own_base, &mut keys);
                });
            }
            keys
        });
        composite::combine(&parts.collect::<Vec<_>>())
    }
}

/// The type that all the origins ask references to point to, and the origins without that.
fn without_target(origins: &BTreeSet<Origin>) -> Option<(String, BTreeSet<Origin>)> {
    let mut target = None;
    let mut wider = BTreeSet::new();
    for (route, _) in origins {
        let (own, route) = route.without_target()?;
        if target.get_or_insert_with(|| own.to_owned()) != own {
            return None;
        }
        wider.insert((route, Vec::new()));
    }
    target.map(|target| (target, wider))
}

fn keys_of(
    kind: ParameterType,
    form: Form,
    value: &Value,
    own_base: Option<&str>,
    keys: &mut Vec<Key>,
) {
    match kind {
        ParameterType::Number => number::keys(value, keys),
        ParameterType::Date => date::keys(form, value, keys),
        ParameterType::String => string::keys(form, value, keys),
        ParameterType::Token => token::keys(form, value, keys),
        ParameterType::Reference => reference::keys(form, value, own_base, keys),
        ParameterType::Quantity => quantity::keys(form, value, keys),
        ParameterType::Uri => uri::keys(form, value, keys),
        ParameterType::Composite | ParameterType::Special => {}
    }
}
