//! Clauses: what each parameter of a query asks, read from its name and value.
//!
//! Pure: no store is asked. Chains and reverse chains keep the clause on the other side until
//! `super::join` asks the store for it.
//! Source: <http://hl7.org/fhir/R4/search.html#modifiers>,
//! <http://hl7.org/fhir/R4/search.html#chaining>, <http://hl7.org/fhir/R4/search.html#has>.

pub mod terms;
mod value;

use std::collections::BTreeSet;

use crate::definitions::search_parameter::ParameterType;
use crate::fhir::{Id, Instant, Reference, ResourceType};
use crate::index::{Parameter, Rules, composite, reference};
use crate::search::Error;
use crate::search::condition::{Condition, Target, Test};
use crate::search::tree;
use crate::search::value::{split, unescape};
use crate::search::words::Words;

use terms::Implied;

/// What is asked of resources of one type; all clauses of a query must hold.
#[derive(Clone, PartialEq, Debug)]
pub enum Clause {
    /// The id is (or is not) one of these.
    Ids {
        /// The ids.
        ids: BTreeSet<Id>,
        /// Whether it must not be one.
        negated: bool,
    },
    /// One of the conditions holds for a row of the resource, or none does.
    Index {
        /// The parameter as the query names it.
        label: String,
        /// Whether no row may meet any of the conditions.
        negated: bool,
        /// The conditions.
        any: Vec<Condition>,
    },
    /// A reference points to a resource for which the inner clause holds.
    Chain {
        /// The parameter as the query names it.
        label: String,
        /// The names under which the rows of the reference stand.
        sources: Vec<String>,
        /// For each type that may be pointed to, what is asked of it.
        targets: Vec<(ResourceType, Clause)>,
    },
    /// A resource of that type for which the inner clause holds points here.
    Has {
        /// The parameter as the query names it.
        label: String,
        /// The type of the resources that point here.
        kind: ResourceType,
        /// The names under which the rows of their reference stand.
        sources: Vec<String>,
        /// What is asked of them.
        inner: Box<Clause>,
    },
    /// One of the values of a token is in a value set that is stored here.
    ValueSet {
        /// The parameter as the query names it.
        label: String,
        /// Whether none may be.
        negated: bool,
        /// The rows; the test is still to be made.
        condition: Box<Condition>,
        /// The value set.
        id: Id,
        /// The systems of codes without one.
        implied: Box<Implied>,
    },
    /// A reference points to one of these resources, or to one below or above it.
    Hierarchy {
        /// The parameter as the query names it.
        label: String,
        /// The names under which the rows of the reference stand.
        sources: Vec<String>,
        /// From where the hierarchy is walked.
        starts: BTreeSet<(ResourceType, Id)>,
        /// Whether upward.
        above: bool,
    },
    /// One of these Lists has the resource as an item.
    Listed {
        /// The parameter as the query names it.
        label: String,
        /// The Lists.
        lists: BTreeSet<Id>,
    },
    /// One of the expressions holds for the resource's words.
    Words {
        /// The parameter as the query names it.
        label: String,
        /// Whether only the narrative is read.
        narrative: bool,
        /// The expressions.
        any: Vec<Words>,
    },
    /// One of the clauses holds.
    Either(Vec<Clause>),
}

impl Clause {
    /// That the resource belongs to the compartment of a resource, by one of these parameters of
    /// its type ([`Compartments::parameters`]). The resource that the compartment is of belongs to
    /// it too.
    ///
    /// [`Compartments::parameters`]: crate::definitions::compartment::Compartments::parameters
    pub fn within(
        rules: &Rules,
        kind: ResourceType,
        parameters: &[String],
        (of, id): (ResourceType, &Id),
    ) -> Self {
        let found = parameters.iter().filter_map(|code| rules.parameter(kind, code));
        let conditions = found.filter(|parameter| !parameter.sources.is_empty()).map(|parameter| {
            let (id, place) = (id.to_string(), Some(of.to_string()));
            let test = Test::Target(Target { id, place, version: None });
            let (sources, target) = (parameter.sources.clone(), parameter.target);
            Condition { sources, target, arity: 2, test }
        });
        let label = format!("{of} compartment");
        let linked = Self::Index { label, negated: false, any: conditions.collect() };
        if kind != of {
            return linked;
        }
        let own = Self::Ids { ids: BTreeSet::from([id.clone()]), negated: false };
        Self::Either(vec![own, linked])
    }
}

/// What reading a clause needs to know.
#[derive(Clone, Copy)]
pub struct Reader<'a> {
    /// The search parameters.
    pub rules: &'a Rules,
    /// The time that `ap` measures from.
    pub now: Instant,
    /// How many values one parameter may list.
    pub most_values: usize,
    /// How many chains may follow each other.
    pub most_links: usize,
}

/// A parameter name taken apart at its colon.
struct Name<'a> {
    whole: &'a str,
    code: &'a str,
    modifier: Option<&'a str>,
}

impl<'a> Name<'a> {
    fn parse(whole: &'a str) -> Self {
        let (code, modifier) = whole.split_once(':').map_or((whole, None), |(c, m)| (c, Some(m)));
        Self { whole, code, modifier }
    }

    fn unknown_modifier(&self) -> Error {
        let (name, modifier) =
            (self.whole.to_owned(), self.modifier.unwrap_or_default().to_owned());
        Error::UnknownModifier { name, modifier }
    }
}

impl Reader<'_> {
    /// The clause of a parameter; none when its values are all empty.
    ///
    /// # Errors
    /// [`Error::UnknownParameter`], [`Error::UnknownModifier`], [`Error::BadValue`],
    /// [`Error::NotSupported`], [`Error::TooCostly`].
    pub fn read(
        &self,
        kind: ResourceType,
        name: &str,
        text: &str,
    ) -> Result<Option<Clause>, Error> {
        self.link(kind, name, name, text, 0)
    }

    fn link(
        &self,
        kind: ResourceType,
        label: &str,
        name: &str,
        text: &str,
        depth: usize,
    ) -> Result<Option<Clause>, Error> {
        if depth > self.most_links {
            return Err(Error::costly(Some(label), "the chain has too many links"));
        }
        if let Some(rest) = name.strip_prefix("_has:") {
            return self.has(kind, label, rest, text, depth);
        }
        if let Some((head, rest)) = name.split_once('.') {
            return self.chain(kind, label, (head, rest), text, depth);
        }
        let name = Name { whole: label, ..Name::parse(name) };
        let values: Vec<&str> = split(text, ',').into_iter().filter(|v| !v.is_empty()).collect();
        if values.is_empty() {
            return Ok(None);
        }
        if values.len() > self.most_values {
            let message = format!("at most {} values may be listed", self.most_values);
            return Err(Error::costly(Some(label), &message));
        }
        match name.code {
            "_id" => return ids(&name, &values).map(Some),
            "_list" => return lists(&name, &values).map(Some),
            "_text" if self.rules.parameter(kind, "_text").is_none() => {}
            "_text" | "_content" => return words(&name, &values).map(Some),
            _ => {}
        }
        let parameter = self.rules.parameter(kind, name.code);
        let parameter = parameter.ok_or_else(|| self.unknown(kind, name.code, label))?;
        match (name.modifier, parameter.definition.kind) {
            (Some("above" | "below"), ParameterType::Reference) => {
                if let Some(clause) = self.hierarchy(parameter, &name, &values)? {
                    return Ok(Some(clause));
                }
            }
            (Some("in" | "not-in"), ParameterType::Token) => {
                if let Some(clause) = self.stored_set(parameter, &name, &values)? {
                    return Ok(Some(clause));
                }
            }
            _ => {}
        }
        self.index(parameter, &name, &values).map(Some)
    }

    fn index(
        &self,
        parameter: &Parameter,
        name: &Name<'_>,
        values: &[&str],
    ) -> Result<Clause, Error> {
        let label = name.whole.to_owned();
        let kind = parameter.definition.kind;
        if parameter.sources.is_empty() {
            return Err(Error::unsupported(name.whole, "no index serves this parameter"));
        }
        let arity = match kind {
            // Latitude and longitude.
            ParameterType::Special => 2,
            _ => parameter.components.iter().filter_map(|kind| composite::arity(*kind)).sum(),
        };
        let mut condition = Condition {
            sources: parameter.sources.clone(),
            target: parameter.target,
            arity: composite::arity(kind).unwrap_or(arity),
            test: Test::Any,
        };
        if name.modifier == Some("missing") && kind != ParameterType::Composite {
            let negated = match values {
                ["true"] => true,
                ["false"] => false,
                _ => return Err(Error::bad(name.whole, "it is true or false")),
            };
            return Ok(Clause::Index { label, negated, any: vec![condition] });
        }
        let mut negated = false;
        let mut modifier = name.modifier;
        if kind == ParameterType::Token && matches!(modifier, Some("not" | "not-in")) {
            negated = true;
            modifier = modifier.filter(|modifier| *modifier == "not-in");
        }
        if kind == ParameterType::Reference && modifier == Some("identifier") {
            for source in &mut condition.sources {
                source.push_str(reference::IDENTIFIER);
            }
            // The rows of identifiers do not say the type that is meant.
            condition.target = None;
        }
        let mut any = Vec::new();
        for text in values {
            let tests = value::tests(self, parameter, modifier, text)
                .map_err(|fault| fault.into_error(name.whole))?;
            any.extend(tests.into_iter().map(|test| Condition { test, ..condition.clone() }));
        }
        Ok(Clause::Index { label, negated, any })
    }

    /// `token:in=ValueSet/id`: a value set that is stored here.
    fn stored_set(
        &self,
        parameter: &Parameter,
        name: &Name<'_>,
        values: &[&str],
    ) -> Result<Option<Clause>, Error> {
        let own = self.rules.own_base().map(|base| format!("{base}/"));
        let local = |text: &&str| {
            let text = own.as_deref().and_then(|own| text.strip_prefix(own)).unwrap_or(text);
            text.strip_prefix("ValueSet/").and_then(Id::parse)
        };
        let (Some(id), [_]) = (values.iter().find_map(local), values) else { return Ok(None) };
        if parameter.sources.is_empty() {
            return Err(Error::unsupported(name.whole, "no index serves this parameter"));
        }
        let sources = parameter.sources.clone();
        let condition = Condition { sources, target: None, arity: 2, test: Test::Any };
        Ok(Some(Clause::ValueSet {
            label: name.whole.to_owned(),
            negated: name.modifier == Some("not-in"),
            condition: Box::new(condition),
            id,
            implied: Box::new(Implied::of(parameter)),
        }))
    }

    /// `reference:below=id`, where a type that it may point to is in a hierarchy with itself; none
    /// for canonicals.
    fn hierarchy(
        &self,
        parameter: &Parameter,
        name: &Name<'_>,
        values: &[&str],
    ) -> Result<Option<Clause>, Error> {
        let plain = values.iter().map(|value| unescape(value)).collect::<Option<Vec<_>>>();
        let plain = plain.ok_or_else(|| Error::bad(name.whole, BACKSLASH))?;
        let mut starts = BTreeSet::new();
        for text in &plain {
            let named = match Reference::parse(text) {
                Reference::Resource { base, kind, id, .. } => {
                    self.rules.is_own(base.as_deref()).then_some((Some(kind), id))
                }
                _ => Id::parse(text).map(|id| (None, id)),
            };
            let Some((kind, id)) = named else { return Ok(None) };
            let targets = targets_of(parameter).into_iter();
            let targets = targets.filter(|target| kind.is_none_or(|kind| kind == *target));
            let nested = targets.filter(|target| tree::parameter(self.rules, *target).is_some());
            starts.extend(nested.map(|target| (target, id.clone())));
        }
        if starts.is_empty() {
            let message = "nothing that it points to is in a hierarchy of its own type";
            return Err(Error::unsupported(name.whole, message));
        }
        Ok(Some(Clause::Hierarchy {
            label: name.whole.to_owned(),
            sources: parameter.sources.clone(),
            starts,
            above: name.modifier == Some("above"),
        }))
    }

    /// `reference[:Type].name`
    fn chain(
        &self,
        kind: ResourceType,
        label: &str,
        (head, rest): (&str, &str),
        text: &str,
        depth: usize,
    ) -> Result<Option<Clause>, Error> {
        let name = Name { whole: label, ..Name::parse(head) };
        let parameter = self.reference(kind, &name)?;
        let asked = match name.modifier {
            Some(kind) => Some(ResourceType::parse(kind).ok_or_else(|| name.unknown_modifier())?),
            None => None,
        };
        let mut targets = Vec::new();
        let mut fault = None;
        for target in targets_of(parameter).into_iter().filter(|t| asked.is_none_or(|a| a == *t)) {
            match self.link(target, label, rest, text, depth + 1) {
                Ok(Some(clause)) => targets.push((target, clause)),
                Ok(None) => return Ok(None),
                Err(error) => fault = Some(error),
            }
        }
        if targets.is_empty() {
            return Err(fault.unwrap_or_else(|| Error::UnknownParameter { name: label.to_owned() }));
        }
        let sources = parameter.sources.clone();
        Ok(Some(Clause::Chain { label: label.to_owned(), sources, targets }))
    }

    /// `_has:Type:reference:name`
    fn has(
        &self,
        kind: ResourceType,
        label: &str,
        rest: &str,
        text: &str,
        depth: usize,
    ) -> Result<Option<Clause>, Error> {
        let form = || Error::bad(label, "it is named _has:Type:reference:parameter");
        let (other, rest) = rest.split_once(':').ok_or_else(form)?;
        let (reference, rest) = rest.split_once(':').ok_or_else(form)?;
        let other = ResourceType::parse(other)
            .ok_or_else(|| Error::bad(label, "there is no resource type of that name"))?;
        let name = Name { whole: label, code: reference, modifier: None };
        let parameter = self.reference(other, &name)?;
        if !targets_of(parameter).contains(&kind) {
            return Err(Error::bad(label, "that reference never points to this type"));
        }
        let Some(inner) = self.link(other, label, rest, text, depth + 1)? else { return Ok(None) };
        Ok(Some(Clause::Has {
            label: label.to_owned(),
            kind: other,
            sources: parameter.sources.clone(),
            inner: Box::new(inner),
        }))
    }

    /// Why there is no such parameter to search by.
    fn unknown(&self, kind: ResourceType, code: &str, label: &str) -> Error {
        let name = label.to_owned();
        if self.rules.is_pending(kind, code) {
            let message = "the resources that were there before it are still being indexed for it; \
                           try again later";
            return Error::NotSupported { name, message: message.to_owned() };
        }
        Error::UnknownParameter { name }
    }

    fn reference(&self, kind: ResourceType, name: &Name<'_>) -> Result<&Parameter, Error> {
        let parameter = self.rules.parameter(kind, name.code);
        let parameter = parameter.ok_or_else(|| self.unknown(kind, name.code, name.whole))?;
        if parameter.definition.kind != ParameterType::Reference || parameter.sources.is_empty() {
            let message = format!("{} is not a reference that can be followed", name.code);
            return Err(Error::bad(name.whole, &message));
        }
        Ok(parameter)
    }
}

/// The types that the parameter's references may point to; all, where the definition does not say.
fn targets_of(parameter: &Parameter) -> Vec<ResourceType> {
    if let Some(target) = parameter.target {
        return vec![target];
    }
    let named = parameter.definition.target.iter();
    let named: Vec<_> = named.filter_map(|name| ResourceType::parse(name)).collect();
    if named.is_empty() { ResourceType::all().collect() } else { named }
}

const BACKSLASH: &str = "a backslash must escape something";

/// `_list`: the Lists by their ids. The functional ones, such as `$current-problems`, have no
/// definition that this server could compute them by.
fn lists(name: &Name<'_>, values: &[&str]) -> Result<Clause, Error> {
    if name.modifier.is_some() {
        return Err(name.unknown_modifier());
    }
    if values.iter().any(|value| value.starts_with('$')) {
        return Err(Error::unsupported(name.whole, "functional lists are not offered"));
    }
    let ids = values.iter().map(|value| value.strip_prefix("List/").unwrap_or(value));
    let lists = ids.filter_map(Id::parse).collect();
    Ok(Clause::Listed { label: name.whole.to_owned(), lists })
}

fn words(name: &Name<'_>, values: &[&str]) -> Result<Clause, Error> {
    if name.modifier.is_some() {
        return Err(name.unknown_modifier());
    }
    let read = |value: &&str| unescape(value).and_then(|text| Words::parse(&text));
    let any = values.iter().map(read).collect::<Option<Vec<_>>>();
    let message = "it is words, with AND, OR, NOT, quotes and parentheses if need be";
    let any = any.ok_or_else(|| Error::bad(name.whole, message))?;
    let narrative = name.code == "_text";
    Ok(Clause::Words { label: name.whole.to_owned(), narrative, any })
}

fn ids(name: &Name<'_>, values: &[&str]) -> Result<Clause, Error> {
    let negated = match name.modifier {
        None => false,
        Some("not") => true,
        Some(_) => return Err(name.unknown_modifier()),
    };
    let plain = values.iter().map(|value| unescape(value)).collect::<Option<Vec<_>>>();
    let plain = plain.ok_or_else(|| Error::bad(name.whole, BACKSLASH))?;
    // A text that no id can be matches nothing, which is no fault.
    Ok(Clause::Ids { ids: plain.iter().filter_map(|text| Id::parse(text)).collect(), negated })
}
