//! The operations of terminology, on what is held and on stored instances.
//!
//! What a call means is read by [`crate::terminology::call`]; here stands only where each can be
//! called, and how its parameters and the instance come together. A resource sent as the whole body
//! is the operation's one parameter that is a resource.
//! Source: <http://hl7.org/fhir/R4/terminology-service.html>,
//! <http://hl7.org/fhir/R4/operations.html#executing>.

use serde_json::{Value, json};

use crate::app::Held;
use crate::error::Error;
use crate::fhir::{Instant, ResourceType};
use crate::operation::episode::live;
use crate::operation::{Call, Level, Operation, Output};
use crate::terminology::call::{self, Operation as Name};
use crate::terminology::capabilities;
use crate::terminology::validate_code::DisplayPolicy;

const BOTH: &[Level] = &[Level::Type, Level::Instance];

pub(super) const EXPAND: Operation = Operation {
    name: "expand",
    definition: "http://hl7.org/fhir/OperationDefinition/ValueSet-expand",
    levels: BOTH,
    types: &["ValueSet"],
    by_get: true,
    document: false,
    run: |call| answer(call, Name::ValueSetExpand),
};

pub(super) const VALUE_SET_VALIDATE_CODE: Operation = Operation {
    name: "validate-code",
    definition: "http://hl7.org/fhir/OperationDefinition/ValueSet-validate-code",
    run: |call| answer(call, Name::ValueSetValidateCode),
    ..EXPAND
};

pub(super) const CODE_SYSTEM_VALIDATE_CODE: Operation = Operation {
    name: "validate-code",
    definition: "http://hl7.org/fhir/OperationDefinition/CodeSystem-validate-code",
    types: &["CodeSystem"],
    run: |call| answer(call, Name::CodeSystemValidateCode),
    ..EXPAND
};

pub(super) const LOOKUP: Operation = Operation {
    name: "lookup",
    definition: "http://hl7.org/fhir/OperationDefinition/CodeSystem-lookup",
    levels: &[Level::Type],
    types: &["CodeSystem"],
    run: |call| answer(call, Name::CodeSystemLookup),
    ..EXPAND
};

pub(super) const SUBSUMES: Operation = Operation {
    name: "subsumes",
    definition: "http://hl7.org/fhir/OperationDefinition/CodeSystem-subsumes",
    types: &["CodeSystem"],
    run: |call| answer(call, Name::CodeSystemSubsumes),
    ..EXPAND
};

pub(super) const TRANSLATE: Operation = Operation {
    name: "translate",
    definition: "http://hl7.org/fhir/OperationDefinition/ConceptMap-translate",
    types: &["ConceptMap"],
    run: |call| answer(call, Name::ConceptMapTranslate),
    ..EXPAND
};

fn answer(call: &Call<'_>, operation: Name) -> Result<Output, Error> {
    let parameters = parameters(call)?;
    let instance = instance(call)?;
    let timestamp = call.now.to_string();
    let named = call::Call {
        operation,
        parameters: &parameters,
        instance: instance.as_ref(),
        timestamp: &timestamp,
        display_policy: DisplayPolicy::Refuse,
    };
    let held = call.app.held();
    Ok(Output::Resource(call::call(&held.standard.terminology, named)?))
}

/// The names and values of the URL and the body, as one Parameters resource.
fn parameters(call: &Call<'_>) -> Result<Value, Error> {
    let pairs = call.parameters.pairs().iter();
    let of_url = call::parameters(pairs.map(|(name, value)| (name.as_str(), value.as_str())));
    let Some(body) = call.parameters.body() else { return Ok(of_url) };
    let mut body = if body.kind().as_str() == "Parameters" {
        body.value().clone()
    } else {
        let wrong = "The body of an operation is a Parameters resource.";
        let name = resource_parameter(call.kind()?, body.kind().as_str());
        let name = name.ok_or_else(|| Error::request("resourceType", wrong))?;
        json!({ "resourceType": "Parameters",
            "parameter": [{ "name": name, "resource": body.value() }] })
    };
    if let (Value::Object(body), Value::Object(mut more)) = (&mut body, of_url)
        && let Some(Value::Array(more)) = more.remove("parameter")
    {
        let list = body.entry("parameter").or_insert_with(|| json!([]));
        list.as_array_mut().into_iter().for_each(|list| list.extend(more.iter().cloned()));
    }
    Ok(body)
}

/// The parameter that a resource of that type, sent as the whole body, stands for.
fn resource_parameter(called_on: ResourceType, kind: &str) -> Option<&'static str> {
    match (called_on.as_str(), kind) {
        ("ValueSet", "ValueSet") => Some("valueSet"),
        ("CodeSystem", "CodeSystem") => Some("codeSystem"),
        ("ConceptMap", "ConceptMap") => Some("conceptMap"),
        _ => None,
    }
}

/// The stored resource that the URL names.
fn instance(call: &Call<'_>) -> Result<Option<Value>, Error> {
    let Some(id) = call.id() else { return Ok(None) };
    let view = call.app.store.view()?;
    Ok(Some(live(&*view, call.kind()?, id)?.into_value()))
}

/// The `TerminologyCapabilities`: which code systems are held, and what the operations take.
pub fn terminology_capabilities(held: &Held, base: &str, since: Instant) -> Value {
    capabilities::statement(&held.standard.terminology, base, &since.to_string())
}
