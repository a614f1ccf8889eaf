//! Paths through the element model: which types an element of that path may have.

use crate::definitions::model::{Element, Kind, Model};

/// Where a path has come to.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Reached<'m> {
    /// At values of these types, each a key of the model; with the element, after the first step.
    Types(Vec<&'m str>, Option<&'m Element>),
    /// At values that may be anything: another resource.
    Anything,
}

/// Follows a path from a type; the first name that is not an element there is the error.
///
/// A choice is named with `[x]`, without it, or with its type appended.
pub(super) fn follow<'m, 'p>(
    model: &'m Model,
    kind: &'m str,
    steps: impl Iterator<Item = &'p str>,
) -> Result<Reached<'m>, &'p str> {
    let mut reached = Reached::Types(vec![kind], None);
    for step in steps {
        let Reached::Types(kinds, _) = &reached else { return Ok(reached) };
        reached = next(model, kinds, step).ok_or(step)?;
    }
    Ok(reached)
}

fn next<'m>(model: &'m Model, kinds: &[&'m str], step: &str) -> Option<Reached<'m>> {
    let name = step.trim_end_matches("[x]");
    kinds.iter().find_map(|kind| {
        let found = model.element(kind, name).map(|element| {
            let types = element.types.iter().map(|kind| kind.code.as_str());
            (types.collect::<Vec<_>>(), element)
        });
        let member = || {
            let (element, kind) = model.member(kind, step)?;
            Some((vec![kind.code.as_str()], element))
        };
        let (types, element) = found.or_else(member)?;
        let is_open = |name: &&str| {
            let abstract_type = ["Resource", "DomainResource"].contains(name);
            abstract_type && model.get(name).is_none_or(|held| held.kind == Kind::Resource)
        };
        Some(match types.iter().any(is_open) {
            true => Reached::Anything,
            false => Reached::Types(types, Some(element)),
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths() {
        let model = Model::standard().unwrap();
        let check = |path: &str, expected: Result<&str, &str>| {
            let mut steps = path.split('.');
            let kind = steps.next().unwrap();
            let reached = follow(&model, kind, steps).map(|reached| match reached {
                Reached::Types(kinds, _) => kinds.join(" "),
                Reached::Anything => "*".to_owned(),
            });
            assert_eq!(reached.as_deref().map_err(|name| *name), expected, "{path}");
        };
        check("Patient.name.given", Ok("string"));
        check("Patient.birthDate.extension", Ok("Extension"));
        check("Observation.component.code.coding.system", Ok("uri"));
        check("Observation.component.valueQuantity.unit", Ok("string"));
        check("Questionnaire.item.item.linkId", Ok("string"));
        check("Patient.deceased[x]", Ok("boolean dateTime"));
        check("Bundle.entry.resource.name", Ok("*"));
        check("Patient.contained.anything", Ok("*"));
        check("Patient.colour", Err("colour"));
        check("Patient.name.colour", Err("colour"));
        check("Patient.deceasedQuantity", Err("deceasedQuantity"));
    }
}
