//! Who is in a Group that lists its members.
//!
//! Members of member groups are members; who is no longer in a group is not. A group that is not
//! stored has nobody.
//! Source: <http://hl7.org/fhir/R4/group.html>.

use std::collections::BTreeSet;

use serde_json::Value;

use crate::fhir::{Id, Reference, ResourceType};
use crate::repository::{Error, read};
use crate::store::View;

/// The patients that are members of a group, and the groups, each once; both sets may have some
/// already, and groups that they have are not looked at again.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn members(
    view: &dyn View,
    first: (ResourceType, Id),
    patients: &mut BTreeSet<Id>,
    groups: &mut BTreeSet<(ResourceType, Id)>,
) -> Result<(), Error> {
    let mut open = vec![first];
    while let Some((kind, id)) = open.pop() {
        let stored = read::current(view, kind, &id)?;
        let content = stored.map(|stored| stored.content()).transpose()?.flatten();
        let Some(group) = content.filter(|_| groups.insert((kind, id))) else { continue };
        let listed = group.value().get("member").and_then(Value::as_array);
        for member in listed.into_iter().flatten() {
            if member.get("inactive").and_then(Value::as_bool) == Some(true) {
                continue;
            }
            let text = member.pointer("/entity/reference").and_then(Value::as_str);
            let Some(Reference::Resource { kind, id, .. }) = text.map(Reference::parse) else {
                continue;
            };
            match kind.as_str() {
                "Patient" => _ = patients.insert(id),
                "Group" => open.push((kind, id)),
                _ => {}
            }
        }
    }
    Ok(())
}
