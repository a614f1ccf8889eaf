//! A letter as it is filed: what the stored Composition, its `DocumentReference`s and its Provenance
//! say of it.
//!
//! Read from resources as they are; nothing is computed but whether the bytes of a form still have
//! the size and hash that were signed. What a resource lacks is left out.
//! Sources: <http://hl7.org/fhir/R4/composition.html>, <http://hl7.org/fhir/R4/documentreference.html>,
//! <http://hl7.org/fhir/R4/datatypes.html#Attachment> (`hash`: SHA-1 in base64, of the data).

use std::collections::BTreeSet;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::Value;
use sha1_smol::Sha1;

use crate::clinical::element::{Target, at, items, target, text};
use crate::clinical::source::Source;
use crate::fhir::{Instant, Resource};

/// How a filed letter stands.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Standing {
    /// Stored without a signature.
    Draft,
    /// Signed, and not replaced.
    Signed,
    /// Signed, and replaced by a later one.
    Superseded,
    /// Entered in error.
    InError,
}

/// A letter as the store has it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Filed {
    /// The Composition.
    pub letter: Source,
    /// Its title.
    pub title: String,
    /// Its language, where it says.
    pub language: Option<String>,
    /// How it stands.
    pub standing: Standing,
    /// The moment of the signature; of the draft where there is none.
    pub moment: Option<Instant>,
    /// Who signed it.
    pub signer: Option<Target>,
    /// The name of who signed it, as the record has it now.
    pub name: Option<String>,
    /// The letters that it replaces.
    pub replaces: Vec<Target>,
    /// Its forms.
    pub forms: Vec<Form>,
    /// What says what it was made from.
    pub provenance: Option<Target>,
    /// The digest of everything that it was made from.
    pub digest: Option<String>,
    /// The versions that it was made from.
    pub inputs: BTreeSet<String>,
    /// The narrative of what the signer added.
    pub added: Option<String>,
}

/// One form of a filed letter.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Form {
    /// The `DocumentReference`.
    pub reference: Target,
    /// The media type, without parameters.
    pub media_type: String,
    /// What holds it: a Binary, or the document Bundle.
    pub held_by: Option<Target>,
    /// Size in bytes, where it is stated.
    pub size: Option<u64>,
    /// SHA-1 in base64, where it is stated.
    pub hash: Option<String>,
    /// Whether the stored bytes have that size and hash; none where there is nothing to compare.
    pub agrees: Option<bool>,
}

impl Filed {
    /// The letter of a Composition; `references` are its `DocumentReference`s, `provenances` those
    /// that have it as a target. None for a Composition without an id.
    pub fn of(
        composition: &Resource,
        references: &[Resource],
        provenances: &[Resource],
    ) -> Option<Self> {
        let value = composition.value();
        let own = |pointer: &str| text(value, pointer).map(str::to_owned);
        let signer = target(value, "/attester/0/party");
        let superseded =
            |reference: &Resource| text(reference.value(), "/status") == Some("superseded");
        let standing = match own("/status").as_deref() {
            Some("entered-in-error") => Standing::InError,
            Some("final" | "amended") if references.iter().any(superseded) => Standing::Superseded,
            Some("final" | "amended") => Standing::Signed,
            _ => Standing::Draft,
        };
        let provenance = provenances.iter().find(|one| digest(one.value()).is_some());
        let entities = provenance.into_iter().flat_map(|one| items(one.value(), "/entity"));
        let inputs = entities.filter_map(|one| text(one, "/what/reference"));
        Some(Self {
            letter: Source::of(composition)?,
            title: own("/title").unwrap_or_default(),
            language: own("/language"),
            standing,
            moment: own("/attester/0/time")
                .or_else(|| own("/date"))
                .and_then(|t| Instant::parse(&t)),
            name: None,
            replaces: replaced(value),
            forms: references.iter().filter_map(Form::of).collect(),
            provenance: provenance.and_then(Source::of).map(|source| source.target().clone()),
            digest: provenance.and_then(|one| digest(one.value())).map(str::to_owned),
            inputs: inputs.map(str::to_owned).collect(),
            added: added(value, signer.as_ref()),
            signer,
        })
    }

    /// Whether a letter that has just been made and not been stored says the same, signed by the same
    /// person on the same day, from the same inputs.
    pub fn says_the_same(&self, composition: &Value, provenance: &Value) -> bool {
        let own = |pointer: &str| text(composition, pointer);
        let day = |moment: Instant| moment.to_utc().date();
        let made = own("/attester/0/time").and_then(Instant::parse);
        let signer = target(composition, "/attester/0/party");
        self.standing == Standing::Signed
            && self.title == own("/title").unwrap_or_default()
            && self.language.as_deref() == own("/language")
            && self.moment.map(day) == made.map(day)
            && self.digest.as_deref() == digest(provenance)
            && self.replaces == replaced(composition)
            && self.added == added(composition, signer.as_ref())
            && self.signer == signer
    }

    /// The form of a media type.
    pub fn form(&self, media_type: &str) -> Option<&Form> {
        self.forms.iter().find(|form| form.media_type == media_type)
    }
}

/// The letters that a Composition replaces.
fn replaced(composition: &Value) -> Vec<Target> {
    let relations = items(composition, "/relatesTo");
    let replaces = relations.filter(|relation| text(relation, "/code") == Some("replaces"));
    replaces.filter_map(|relation| target(relation, "/targetReference")).collect()
}

/// The digest that a Provenance of ours names first; none for another's.
fn digest(provenance: &Value) -> Option<&str> {
    text(provenance, "/entity/0/what/identifier/value").filter(|digest| digest.starts_with("ni:"))
}

/// The narrative of the section whose author is the signer.
fn added(composition: &Value, signer: Option<&Target>) -> Option<String> {
    let of_signer =
        |section: &&Value| signer.is_some() && target(section, "/author/0").as_ref() == signer;
    let section = items(composition, "/section").find(of_signer)?;
    text(section, "/text/div").map(str::to_owned)
}

impl Form {
    fn of(reference: &Resource) -> Option<Self> {
        let value = reference.value();
        let attachment = at(value, "/content/0/attachment");
        let media_type = text(attachment, "/contentType").unwrap_or_default();
        let media_type = media_type.split(';').next().unwrap_or_default().trim();
        Some(Self {
            reference: Source::of(reference)?.target().clone(),
            media_type: media_type.to_owned(),
            held_by: text(attachment, "/url").and_then(Target::of),
            size: at(attachment, "/size").as_u64(),
            hash: text(attachment, "/hash").map(str::to_owned),
            agrees: None,
        })
    }

    /// Holds the Binary, as it is stored now, against the size and the hash that were signed.
    #[must_use]
    pub fn held_against(mut self, binary: Option<&Resource>) -> Self {
        let Some(hash) = &self.hash else { return self };
        let data = binary.and_then(|binary| text(binary.value(), "/data"));
        let bytes = data.and_then(|data| STANDARD.decode(data).ok());
        self.agrees = Some(bytes.is_some_and(|bytes| {
            let size = u64::try_from(bytes.len()).ok();
            *hash == STANDARD.encode(Sha1::from(&bytes).digest().bytes())
                && (self.size.is_none() || self.size == size)
        }));
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn resource(value: Value) -> Resource {
        Resource::from_value(value).unwrap()
    }

    fn form(hash: Option<&str>, size: Option<u64>) -> Form {
        let mut value = json!({ "resourceType": "DocumentReference", "id": "d", "status": "current",
            "content": [{ "attachment": { "contentType": "text/plain; charset=utf-8",
                "url": "Binary/b" } }] });
        let attachment = value.pointer_mut("/content/0/attachment").unwrap();
        if let Some(hash) = hash {
            attachment["hash"] = json!(hash);
        }
        if let Some(size) = size {
            attachment["size"] = json!(size);
        }
        Form::of(&resource(value)).unwrap()
    }

    /// SHA-1 of "abc" is a9993e36 4706816a ba3e2571 7850c26c 9cd0d89d (FIPS 180-2, appendix A.1).
    #[test]
    fn bytes_are_held_against_what_was_signed() {
        let hash = "qZk+NkcGgWq6PiVxeFDCbJzQ2J0=";
        let abc = resource(json!({ "resourceType": "Binary", "id": "b", "data": "YWJj" }));
        let other = resource(json!({ "resourceType": "Binary", "id": "b", "data": "YWJk" }));
        let check = |hash: Option<&str>, size, binary: Option<&Resource>, expected| {
            assert_eq!(form(hash, size).held_against(binary).agrees, expected, "{hash:?} {size:?}");
        };
        check(Some(hash), Some(3), Some(&abc), Some(true));
        check(Some(hash), None, Some(&abc), Some(true));
        check(Some(hash), Some(4), Some(&abc), Some(false));
        check(Some(hash), Some(3), Some(&other), Some(false));
        check(Some(hash), Some(3), None, Some(false));
        check(None, Some(3), Some(&abc), None);
        assert_eq!(form(None, None).media_type, "text/plain");
    }

    #[test]
    fn how_a_letter_stands() {
        let check = |status: &str, reference: &str, expected: Standing| {
            let composition =
                resource(json!({ "resourceType": "Composition", "id": "c", "status": status }));
            let reference = resource(
                json!({ "resourceType": "DocumentReference", "id": "d", "status": reference }),
            );
            let filed = Filed::of(&composition, &[reference], &[]).unwrap();
            assert_eq!(filed.standing, expected, "{status}");
        };
        check("preliminary", "current", Standing::Draft);
        check("final", "current", Standing::Signed);
        check("amended", "current", Standing::Signed);
        check("final", "superseded", Standing::Superseded);
        check("entered-in-error", "current", Standing::InError);
    }
}
