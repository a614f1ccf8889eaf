//! What a value set is composed of, as lists of codes.
//!
//! Source: <http://hl7.org/fhir/R4/valueset.html#compositions>.

use std::collections::HashSet;

use serde_json::Value;

use super::ExpandRequest;
use super::member::{Key, Listed, Member, SystemUsed};
use crate::terminology::concepts::Concept;
use crate::terminology::filter::{Filter, Test};
use crate::terminology::{CodeSystem, Terminology, TerminologyError, ucum};

/// How many codes may be looked at in all; nested sets could otherwise multiply without end.
const MAX_WORK: usize = 8_000_000;

/// What an include costs beside its codes.
const PART: usize = 100;

/// How deep value sets may include one another.
const MAX_DEPTH: usize = 32;

/// Systems whose codes are made by a grammar and cannot be listed.
const GRAMMARS: &[&str] =
    &[ucum::SYSTEM, "urn:ietf:bcp:13", "urn:ietf:bcp:47", "urn:ietf:rfc:3986"];

pub(super) struct Composer<'a> {
    terminology: &'a Terminology,
    request: &'a ExpandRequest<'a>,
    systems: Vec<SystemUsed<'a>>,
    /// The canonicals of the sets being composed, outermost first.
    open: Vec<String>,
    work: usize,
}

type Members<'a> = Vec<Member<'a>>;

impl<'a> Composer<'a> {
    pub(super) fn new(terminology: &'a Terminology, request: &'a ExpandRequest<'a>) -> Self {
        Self { terminology, request, systems: Vec::new(), open: Vec::new(), work: 0 }
    }

    pub(super) fn systems(&self) -> &[SystemUsed<'a>] {
        &self.systems
    }

    pub(super) fn is_excluded(&self, member: &Member<'a>) -> bool {
        let Some(system) = self.systems.get(member.system as usize) else { return false };
        self.request.exclude_system.iter().any(|excluded| match excluded.split_once('|') {
            Some((url, version)) => url == system.url && Some(version) == system.version.as_deref(),
            None => *excluded == system.url,
        })
    }

    /// The codes of a value set.
    pub(super) fn value_set(&mut self, resource: &Value) -> Result<Members<'a>, TerminologyError> {
        let url = resource["url"].as_str().unwrap_or_default().to_owned();
        if !url.is_empty() && self.open.contains(&url) {
            let message = format!("the value set {url} includes itself");
            return Err(TerminologyError::invalid(message));
        }
        if self.open.len() >= MAX_DEPTH {
            let message = format!("value sets include one another more than {MAX_DEPTH} deep");
            return Err(TerminologyError::too_costly(message));
        }
        self.open.push(url);
        let members = match resource.get("compose") {
            Some(compose) => self.compose(resource, compose).or_else(|error| {
                // What the publisher listed in full is as good as what cannot be computed here.
                self.whole_expansion(resource)?.ok_or(error)
            }),
            None => self.whole_expansion(resource)?.ok_or_else(|| {
                TerminologyError::invalid(
                    "the value set has no composition, and no expansion that is complete",
                )
            }),
        };
        self.open.pop();
        members
    }

    fn compose(&mut self, set: &Value, compose: &Value) -> Result<Members<'a>, TerminologyError> {
        let parts = |key: &str| compose.get(key).and_then(Value::as_array).into_iter().flatten();
        let mut seen = HashSet::new();
        let mut members = Vec::new();
        for part in parts("include") {
            let found = self.part(set, part)?;
            members.extend(found.into_iter().filter(|member| seen.insert(member.key())));
        }
        for part in parts("exclude") {
            self.exclude(set, part, &mut members)?;
        }
        if compose["inactive"] == false {
            members.retain(|member| !member.is_inactive());
        }
        Ok(members)
    }

    fn exclude(
        &mut self,
        set: &Value,
        part: &Value,
        members: &mut Members<'a>,
    ) -> Result<(), TerminologyError> {
        let whole = ["concept", "filter", "valueSet"].iter().all(|key| part.get(*key).is_none());
        if let (true, Some(url)) = (whole, part["system"].as_str()) {
            let systems = &self.systems;
            let is_of = |member: &Member<'_>| {
                systems.get(member.system as usize).is_some_and(|system| system.url == url)
            };
            members.retain(|member| !is_of(member));
            return Ok(());
        }
        let gone: HashSet<Key> = self.part(set, part)?.iter().map(Member::key).collect();
        members.retain(|member| !gone.contains(&member.key()));
        Ok(())
    }

    /// The codes of one include or exclude: all of its conditions must hold.
    fn part(&mut self, set: &Value, part: &Value) -> Result<Members<'a>, TerminologyError> {
        self.count(PART)?;
        let nested = self.nested(set, part)?;
        let Some(url) = part["system"].as_str() else {
            return nested.ok_or_else(|| {
                TerminologyError::invalid("an include has neither a system nor a value set (vsd-1)")
            });
        };
        let asked = self.asked_version(url, part["version"].as_str());
        let held = self.terminology.find_system(url, asked.as_deref());
        let has = |key: &str| part[key].as_array().is_some_and(|list| !list.is_empty());
        if has("concept") && has("filter") {
            let message = "an include has both codes and filters (vsd-3)";
            return Err(TerminologyError::invalid(message));
        }
        let own = if has("concept") {
            let system = self.system(url, asked, held.ok())?;
            self.listed(system, &part["concept"])
        } else {
            if let (Some(nested), false, true) = (&nested, has("filter"), held.is_err()) {
                return Ok(self.of_system(nested, url));
            }
            let held = complete(url, held)?;
            let system = self.system(url, asked, Some(held))?;
            selected(system, held, &part["filter"])?
        };
        self.count(own.len())?;
        Ok(match nested {
            Some(nested) => common(own, &nested),
            None => own,
        })
    }

    /// What all the value sets of an include have in common; none if it names none.
    fn nested(
        &mut self,
        set: &Value,
        part: &Value,
    ) -> Result<Option<Members<'a>>, TerminologyError> {
        let mut held: Option<Members<'a>> = None;
        let canonicals = part["valueSet"].as_array().into_iter().flatten();
        for canonical in canonicals.filter_map(Value::as_str) {
            let members = if let Some(id) = canonical.strip_prefix('#') {
                self.value_set(contained(set, id)?)?
            } else {
                self.value_set(&*self.terminology.find_value_set(canonical)?)?
            };
            held = Some(match held {
                Some(before) => common(before, &members),
                None => members,
            });
        }
        Ok(held)
    }

    fn of_system(&self, members: &[Member<'a>], url: &str) -> Members<'a> {
        let is_of = |member: &&Member<'a>| {
            self.systems.get(member.system as usize).is_some_and(|system| system.url == url)
        };
        members.iter().filter(is_of).cloned().collect()
    }

    fn listed(&self, system: u32, list: &Value) -> Members<'a> {
        let held = self.systems.get(system as usize).and_then(|system| system.held);
        let listed = list.as_array().into_iter().flatten().filter_map(Listed::read);
        listed
            .map(|listed| Member {
                system,
                concept: held.and_then(|held| held.concept(&listed.code)),
                listed: Some(Box::new(listed)),
            })
            .collect()
    }

    /// The version to take a system in, by the set and the request.
    fn asked_version(&self, url: &str, version: Option<&str>) -> Option<String> {
        let given = |list: &[&str]| {
            let found = list.iter().find_map(|canonical| {
                canonical.split_once('|').filter(|(system, _)| *system == url)
            });
            found.map(|(_, version)| version.to_owned())
        };
        given(&self.request.force_system_version)
            .or_else(|| version.map(str::to_owned))
            .or_else(|| given(&self.request.system_version))
            // All versions: the one that is held.
            .filter(|version| version != "*")
    }

    fn system(
        &mut self,
        url: &str,
        asked: Option<String>,
        held: Option<&'a CodeSystem>,
    ) -> Result<u32, TerminologyError> {
        let pinned = asked.is_some();
        let version = held.and_then(|held| held.version.clone()).or(asked);
        for check in &self.request.check_system_version {
            let wanted = check.split_once('|').filter(|(system, _)| *system == url);
            if wanted.is_some_and(|(_, wanted)| Some(wanted) != version.as_deref()) {
                let message = format!("the code system {url} is not in the version of {check}");
                return Err(TerminologyError::invalid(message));
            }
        }
        let same = |used: &SystemUsed<'_>| used.url == url && used.version == version;
        let at = self.systems.iter().position(same).unwrap_or_else(|| {
            self.systems.push(SystemUsed { url: url.to_owned(), version, pinned, held });
            self.systems.len() - 1
        });
        Ok(u32::try_from(at).unwrap_or(u32::MAX))
    }

    fn count(&mut self, codes: usize) -> Result<(), TerminologyError> {
        self.work = self.work.saturating_add(codes);
        if self.work <= MAX_WORK {
            return Ok(());
        }
        Err(TerminologyError::too_costly(format!(
            "the value set is composed of more than {MAX_WORK} codes"
        )))
    }

    /// The codes of the expansion that came with the set, if it has them all.
    fn whole_expansion(
        &mut self,
        resource: &Value,
    ) -> Result<Option<Members<'a>>, TerminologyError> {
        let Some(expansion) = resource.get("expansion") else { return Ok(None) };
        let mut members = Vec::new();
        self.contains(&expansion["contains"], &mut members)?;
        let total = expansion["total"].as_u64();
        let listed = u64::try_from(members.len()).unwrap_or(u64::MAX);
        Ok(total.is_none_or(|total| total == listed).then_some(members))
    }

    fn contains(
        &mut self,
        list: &Value,
        members: &mut Members<'a>,
    ) -> Result<(), TerminologyError> {
        for item in list.as_array().into_iter().flatten() {
            if let (Some(listed), Some(url)) = (Listed::read(item), item["system"].as_str()) {
                let asked = item["version"].as_str().map(str::to_owned);
                let held = self.terminology.find_system(url, asked.as_deref()).ok();
                let system = self.system(url, asked, held)?;
                let concept = held.and_then(|held| held.concept(&listed.code));
                members.push(Member { system, concept, listed: Some(Box::new(listed)) });
            }
            self.contains(&item["contains"], members)?;
        }
        Ok(())
    }
}

fn complete<'a>(
    url: &str,
    held: Result<&'a CodeSystem, TerminologyError>,
) -> Result<&'a CodeSystem, TerminologyError> {
    if GRAMMARS.contains(&url) {
        return Err(TerminologyError::too_costly(format!(
            "the codes of {url} are made by a grammar and cannot be listed"
        )));
    }
    let held = held?;
    if held.is_complete() { Ok(held) } else { Err(held.missing()) }
}

fn selected<'a>(
    system: u32,
    held: &'a CodeSystem,
    filters: &Value,
) -> Result<Members<'a>, TerminologyError> {
    let filters: Vec<Filter> = filters.as_array().into_iter().flatten().map(Filter::read).collect();
    let tests: Vec<Test<'_>> =
        filters.iter().map(|filter| filter.over(held)).collect::<Result<_, _>>()?;
    let narrow = tests.iter().find_map(Test::candidates);
    let passes = |concept: &Concept<'_>| tests.iter().all(|test| test.passes(*concept));
    // By place, since concepts that went through the tests live no longer than the tests.
    let places: Vec<u32> = match narrow {
        Some(concepts) => concepts.into_iter().filter(passes).map(Concept::place).collect(),
        None => held.concepts().iter().filter(passes).map(Concept::place).collect(),
    };
    let concepts = places.into_iter().filter_map(|place| held.concepts().at(place));
    Ok(concepts.map(|concept| Member::of(system, concept)).collect())
}

fn contained<'v>(set: &'v Value, id: &str) -> Result<&'v Value, TerminologyError> {
    let mut resources = set["contained"].as_array().into_iter().flatten();
    let found = resources.find(|resource| resource["id"] == id);
    found.ok_or_else(|| TerminologyError::not_found(format!("#{id} is not contained in the set")))
}

/// Those of the first list that the second has too.
fn common<'a>(first: Members<'a>, second: &[Member<'a>]) -> Members<'a> {
    let keys: HashSet<Key> = second.iter().map(Member::key).collect();
    first.into_iter().filter(|member| keys.contains(&member.key())).collect()
}
