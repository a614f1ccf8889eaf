//! A resource: a JSON object that says its type.
//!
//! The object is kept as it was sent (order of members, digits of decimals, unknown extensions);
//! only `id` and `meta` are ever set by the server.
//! Source: <http://hl7.org/fhir/R4/resource.html>.

use std::sync::Arc;

use serde_json::{Map, Value, json};

use crate::fhir::{Id, Instant, ResourceType, VersionId, json};

/// A resource of a known type.
#[derive(Clone, PartialEq, Debug)]
pub struct Resource {
    kind: ResourceType,
    value: Arc<Value>,
}

/// Why a JSON value is no resource.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum NotAResource {
    /// The value is an array or a primitive.
    #[error("a resource is a JSON object")]
    NotAnObject,
    /// The object has no `resourceType`, or one that is not text.
    #[error("a resource says its type in resourceType")]
    NoType,
    /// R4 has no such type.
    #[error("R4 has no resource type of that name")]
    UnknownType,
}

impl Resource {
    /// Takes a JSON value as a resource.
    ///
    /// # Errors
    /// [`NotAResource`] unless it is an object with the `resourceType` of a type of R4.
    pub fn from_value(value: Value) -> Result<Self, NotAResource> {
        let object = value.as_object().ok_or(NotAResource::NotAnObject)?;
        let name =
            object.get("resourceType").and_then(Value::as_str).ok_or(NotAResource::NoType)?;
        let kind = ResourceType::parse(name).ok_or(NotAResource::UnknownType)?;
        Ok(Self { kind, value: Arc::new(value) })
    }

    /// The resource's type.
    pub fn kind(&self) -> ResourceType {
        self.kind
    }

    /// The whole object.
    pub fn value(&self) -> &Value {
        &self.value
    }

    /// The whole object, given away.
    pub fn into_value(self) -> Value {
        Arc::unwrap_or_clone(self.value)
    }

    /// The whole object, shared with whoever looks at it for longer.
    pub fn shared(&self) -> Arc<Value> {
        Arc::clone(&self.value)
    }

    /// The whole object, to be changed in place; `resourceType` must stay as it is.
    pub fn value_mut(&mut self) -> &mut Value {
        Arc::make_mut(&mut self.value)
    }

    /// The text of `id`, whether or not it has the form of one.
    pub fn id_text(&self) -> Option<&str> {
        self.value.get("id").and_then(Value::as_str)
    }

    /// The canonicals of the profiles that the resource claims in `meta.profile`.
    pub fn profiles(&self) -> impl Iterator<Item = &str> {
        let profiles = self.value.pointer("/meta/profile").and_then(Value::as_array);
        profiles.into_iter().flatten().filter_map(Value::as_str)
    }

    /// Sets what the server owns: `id`, `meta.versionId`, `meta.lastUpdated`. Everything else in
    /// `meta` (tags, labels, profiles, source) stays as sent.
    pub fn stamp(&mut self, id: &Id, version: VersionId, last_updated: Instant) {
        let Some(object) = Arc::make_mut(&mut self.value).as_object_mut() else { return };
        let mut meta = Map::new();
        meta.insert("versionId".into(), json!(version.to_string()));
        meta.insert("lastUpdated".into(), json!(last_updated.to_string()));
        if let Some(Value::Object(sent)) = object.get("meta") {
            let kept = sent.iter().filter(|(name, _)| !SERVER_OWNED.contains(&name.as_str()));
            meta.extend(kept.map(|(name, value)| (name.clone(), value.clone())));
        }
        let mut stamped = Map::new();
        stamped.insert("resourceType".into(), json!(self.kind.as_str()));
        stamped.insert("id".into(), json!(id.as_str()));
        stamped.insert("meta".into(), Value::Object(meta));
        let rest = std::mem::take(object).into_iter();
        stamped.extend(rest.filter(|(name, _)| !["resourceType", "id", "meta"].contains(&&**name)));
        *object = stamped;
    }

    /// The resource as compact JSON.
    pub fn to_bytes(&self) -> Vec<u8> {
        json::bytes(&self.value)
    }
}

const SERVER_OWNED: [&str; 4] = ["versionId", "lastUpdated", "_versionId", "_lastUpdated"];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stamp_keeps_what_the_client_owns() {
        let value = json!({
            "resourceType": "Basic", "code": { "text": "x" }, "id": "sent",
            "meta": { "versionId": "9", "tag": [{ "code": "t" }] },
        });
        let mut resource = Resource::from_value(value).unwrap();
        let at = Instant::parse("2026-03-02T08:10:00Z").unwrap();
        resource.stamp(&Id::parse("new").unwrap(), VersionId(2), at);
        let expected = r#"{"resourceType":"Basic","id":"new","meta":{"versionId":"2","lastUpdated":"2026-03-02T08:10:00.000Z","tag":[{"code":"t"}]},"code":{"text":"x"}}"#;
        assert_eq!(String::from_utf8(resource.to_bytes()).unwrap(), expected);
    }

    #[test]
    fn what_is_no_resource() {
        let no = |value| Resource::from_value(value).unwrap_err();
        assert_eq!(no(json!([])), NotAResource::NotAnObject);
        assert_eq!(no(json!({ "resourceType": 1 })), NotAResource::NoType);
        assert_eq!(no(json!({ "resourceType": "Letter" })), NotAResource::UnknownType);
    }
}
