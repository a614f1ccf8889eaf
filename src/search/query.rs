//! Queries: the names and values of a search, read against the definitions.
//!
//! Pure. Every parameter ends up in one of three ways: used (and told in `used`, for the self
//! link), ignored with a warning, or refused.
//! Source: <http://hl7.org/fhir/R4/search.html#Summary>, <http://hl7.org/fhir/R4/search.html#errors>.

use crate::definitions::search_parameter::ParameterType;
use crate::fhir::{Instant, Issue, IssueType, ResourceType};
use crate::index::{Parameter, Rules};
use crate::search::clause::{Clause, Reader};
use crate::search::include::Include;
use crate::search::{Error, contained};

/// What reading a query needs beside the query.
#[derive(Clone, Copy)]
pub struct Setting<'a> {
    /// The search parameters.
    pub rules: &'a Rules,
    /// The time of the request.
    pub now: Instant,
    /// Whether unknown parameters are refused (`Prefer: handling=strict`).
    pub strict: bool,
    /// What may be spent.
    pub limits: Limits,
}

/// What a search may spend. Beyond each the search is refused as too costly, but for `counted`,
/// `told`, `joined`, `page` and `most`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Limits {
    /// Values of one parameter.
    pub values: usize,
    /// Links of a chain.
    pub links: usize,
    /// Resources that a link of a chain may come down to for it to be answered before the rest.
    pub joined: usize,
    /// Resources of a hierarchy.
    pub listed: usize,
    /// What may be touched of the store: look-ups, ranges begun, rows.
    pub rows: u64,
    /// Rows that are counted of each clause before candidates are chosen; what has more is long, and
    /// no total is told of it unasked.
    pub counted: usize,
    /// The same where there is one clause only, so that nothing is to be chosen.
    pub told: usize,
    /// Matches that may be sorted.
    pub sorted: usize,
    /// Matches on a page when the query does not say.
    pub page: usize,
    /// Matches on a page at most; asking for more gets as many.
    pub most: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            values: 1000,
            links: 4,
            joined: 20_000,
            listed: 20_000,
            rows: 2_000_000,
            counted: 1000,
            told: 64,
            sorted: 100_000,
            page: 20,
            most: 1000,
        }
    }
}

/// Whether the total is to be told (<http://hl7.org/fhir/R4/search.html#total>).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Total {
    /// Not at all.
    None,
    /// If it is cheap: the standard leaves it to the server.
    IfCheap,
    /// As it is.
    Accurate,
}

/// Which parts of the matches are wanted (<http://hl7.org/fhir/R4/search.html#summary>).
#[derive(Clone, Copy, PartialEq, Eq, Default, Debug)]
pub enum Summary {
    /// `true`: the elements marked as summary.
    True,
    /// `text`: narrative, id, meta and mandatory elements.
    Text,
    /// `data`: all but the narrative.
    Data,
    /// `count`: only how many there are.
    Count,
    /// `false`: everything.
    #[default]
    False,
}

/// Whether resources that stand in others come into question
/// (<http://hl7.org/fhir/R4/search.html#contained>).
#[derive(Clone, Copy, PartialEq, Eq, Default, Debug)]
pub enum Contained {
    /// `false`: only those that stand alone.
    #[default]
    False,
    /// `true`: only those that stand in others.
    True,
    /// `both`.
    Both,
}

/// One key of the order.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SortKey {
    /// The parameter.
    pub name: String,
    /// Whether the greatest comes first.
    pub descending: bool,
    /// Where its values stand; none: it is the id.
    pub sources: Vec<String>,
    /// The parameter's type.
    pub kind: ParameterType,
    /// Only references to this type count.
    pub target: Option<ResourceType>,
}

/// A query over one type.
#[derive(Clone, Debug)]
pub struct Query {
    /// The type.
    pub kind: ResourceType,
    /// What must hold, all of it.
    pub clauses: Vec<Clause>,
    /// The order; by id where it leaves ties, or is empty.
    pub sort: Vec<SortKey>,
    /// How many matches a page holds; 0 asks for the total only.
    pub count: usize,
    /// Whether the total is to be told.
    pub total: Total,
    /// What is to be told along with the matches.
    pub includes: Vec<Include>,
    /// Whether contained resources come into question.
    pub contained: Contained,
    /// Whether containers are told in place of what they contain.
    pub containers: bool,
    /// Whether matches are to be merged with those of other types, by their places in the order.
    pub merged: bool,
    /// Which parts of the matches are wanted.
    pub summary: Summary,
    /// The elements that are wanted; empty: all.
    pub elements: Vec<String>,
    /// The parameters as they were used, defaults included, for the self link.
    pub used: Vec<(String, String)>,
    /// Warnings about parameters that were not used.
    pub ignored: Vec<Issue>,
    /// What may be spent.
    pub limits: Limits,
}

/// Parameters that say how to answer, and are the business of HTTP.
const TRANSPORT: [&str; 2] = ["_format", "_pretty"];

/// Parameters of the standard that are refused rather than ignored, as ignoring them would answer
/// another question.
const REFUSED: [&str; 5] = ["_query", "_filter", "_type", "_score", "_graph"];

impl Query {
    /// Reads the decoded names and values of a search.
    ///
    /// # Errors
    /// All of [`Error`] but those of cursor and store.
    pub fn parse(
        setting: &Setting<'_>,
        kind: ResourceType,
        pairs: &[(String, String)],
    ) -> Result<Self, Error> {
        let limits = setting.limits;
        let mut query = Self {
            kind,
            clauses: Vec::new(),
            sort: Vec::new(),
            count: limits.page,
            total: Total::IfCheap,
            includes: Vec::new(),
            contained: Contained::False,
            containers: true,
            merged: false,
            summary: Summary::False,
            elements: Vec::new(),
            used: Vec::new(),
            ignored: Vec::new(),
            limits,
        };
        for (name, value) in pairs.iter().filter(|(_, value)| !value.is_empty()) {
            if TRANSPORT.contains(&name.as_str()) {
                continue;
            }
            match query.add(setting, name, value) {
                Err(Error::UnknownParameter { .. }) if !setting.strict => query.ignore(name),
                other => other?,
            }
        }
        if query.summary == Summary::Text && !query.includes.is_empty() {
            return Err(Error::bad("_summary", "text cannot be combined with includes"));
        }
        contained::check(setting.rules, &query)?;
        if query.summary == Summary::Count {
            query.count = 0;
        }
        if query.count > 0 && !query.has_used("_count") {
            query.used.push(("_count".to_owned(), query.count.to_string()));
        }
        Ok(query)
    }

    fn has_used(&self, name: &str) -> bool {
        self.used.iter().any(|(used, _)| used == name)
    }

    fn ignore(&mut self, name: &str) {
        let message =
            format!("There is no search parameter {name} for {}; it is ignored.", self.kind);
        let issue = Issue::warning(IssueType::NotSupported, message);
        self.ignored.push(issue.at(format!("http.{name}")));
    }

    fn add(&mut self, setting: &Setting<'_>, name: &str, value: &str) -> Result<(), Error> {
        let bare = name.split([':', '.']).next().unwrap_or(name);
        if REFUSED.contains(&bare) {
            return Err(Error::unsupported(name, "this server does not offer it"));
        }
        match bare {
            "_sort" | "_count" | "_total" | "_summary" | "_elements" | "_contained"
            | "_containedType" => {
                if name != bare {
                    let (name, modifier) = (name.to_owned(), name.replacen(bare, "", 1));
                    return Err(Error::UnknownModifier { name, modifier });
                }
                if self.has_used(name) {
                    return Err(Error::bad(name, "it is given more than once"));
                }
                let used = self.control(setting, name, value)?;
                self.used.extend(used.map(|value| (name.to_owned(), value)));
            }
            "_include" | "_revinclude" => {
                self.includes.push(Include::parse(setting.rules, name, value)?);
                self.used.push((name.to_owned(), value.to_owned()));
            }
            _ => {
                let reader = Reader {
                    rules: setting.rules,
                    now: setting.now,
                    most_values: self.limits.values,
                    most_links: self.limits.links,
                };
                let (value_of, version) = self.canonical(setting, name, value);
                if let Some(clause) = reader.read(self.kind, name, value_of)? {
                    self.clauses.push(clause);
                    if let Some(version) = version {
                        self.clauses.extend(reader.read(self.kind, "version", version)?);
                    }
                    self.used.push((name.to_owned(), value.to_owned()));
                }
            }
        }
        Ok(())
    }

    /// The canonical of a resource of its own, and the version that stands behind a bar
    /// (<http://hl7.org/fhir/R4/search.html#uri>).
    fn canonical<'v>(
        &self,
        setting: &Setting<'_>,
        name: &str,
        value: &'v str,
    ) -> (&'v str, Option<&'v str>) {
        let has_versions = || setting.rules.parameter(self.kind, "version").is_some();
        match value.split_once('|') {
            Some((url, version)) if name == "url" && !value.contains(',') && has_versions() => {
                (url, Some(version))
            }
            _ => (value, None),
        }
    }

    /// A parameter that says what to answer with, and the value as it is used.
    fn control(
        &mut self,
        setting: &Setting<'_>,
        name: &str,
        value: &str,
    ) -> Result<Option<String>, Error> {
        match name {
            "_count" => {
                let digits = value.bytes().all(|byte| byte.is_ascii_digit());
                let count = digits.then(|| value.parse().unwrap_or(usize::MAX));
                let count = count.ok_or_else(|| Error::bad(name, "it is a whole number from 0"))?;
                self.count = count.min(self.limits.most);
                return Ok(Some(self.count.to_string()));
            }
            "_total" => {
                self.total = match value {
                    "none" => Total::None,
                    "estimate" => Total::IfCheap,
                    "accurate" => Total::Accurate,
                    _ => return Err(Error::bad(name, "it is none, estimate or accurate")),
                };
            }
            "_summary" => {
                self.summary = match value {
                    "true" => Summary::True,
                    "text" => Summary::Text,
                    "data" => Summary::Data,
                    "count" => Summary::Count,
                    "false" => Summary::False,
                    _ => return Err(Error::bad(name, "it is true, text, data, count or false")),
                };
            }
            "_contained" => {
                self.contained = match value {
                    "false" => Contained::False,
                    "true" => Contained::True,
                    "both" => Contained::Both,
                    _ => return Err(Error::bad(name, "it is false, true or both")),
                };
            }
            "_containedType" => {
                self.containers = match value {
                    "container" => true,
                    "contained" => false,
                    _ => return Err(Error::bad(name, "it is container or contained")),
                };
            }
            "_elements" => {
                let names = value.split(',').filter(|name| !name.is_empty());
                self.elements = names.map(str::to_owned).collect();
            }
            _ => return self.order(setting, value),
        }
        Ok(Some(value.to_owned()))
    }

    fn order(&mut self, setting: &Setting<'_>, value: &str) -> Result<Option<String>, Error> {
        let mut used = Vec::new();
        for text in value.split(',').filter(|text| !text.is_empty()) {
            let (descending, name) = text.strip_prefix('-').map_or((false, text), |n| (true, n));
            if setting.rules.is_pending(self.kind, name) {
                return Err(Error::pending("_sort"));
            }
            let parameter = setting.rules.parameter(self.kind, name);
            let kind = parameter.map_or(ParameterType::Special, |found| found.definition.kind);
            let sources = parameter.map(|found| found.sources.clone()).unwrap_or_default();
            let sortable = kind != ParameterType::Composite
                && !sources.is_empty()
                && !parameter.is_some_and(Parameter::is_of_words);
            if !(name == "_id" || sortable) {
                if setting.strict || parameter.is_some() {
                    return Err(Error::bad(
                        "_sort",
                        "it names a parameter that cannot be sorted by",
                    ));
                }
                let message = format!("There is no search parameter {name} to sort by.");
                let issue = Issue::warning(IssueType::NotSupported, message);
                self.ignored.push(issue.at("http._sort"));
                continue;
            }
            used.push(text);
            let target = parameter.and_then(|found| found.target);
            self.sort.push(SortKey { name: name.to_owned(), descending, sources, kind, target });
        }
        Ok((!used.is_empty()).then(|| used.join(",")))
    }
}
