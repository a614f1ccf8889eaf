//! A signed letter as the resources that are stored of it.
//!
//! Composition (final, attested), document Bundle, the pages and the PDF as Binary, a
//! `DocumentReference` for each form, Provenance. Their ids follow from their content, so that the
//! same letter signed again is the same resources; a letter that changed is a new one that says what
//! it replaces. Each carries the tag of what is signed; who stores them keeps them as they are. Not
//! done here: the older
//! `DocumentReference`s stay as they are; to mark them superseded is for who stores the new ones.
//! Sources: <http://hl7.org/fhir/R4/composition.html>, <http://hl7.org/fhir/R4/documentreference.html>,
//! <http://hl7.org/fhir/R4/datatypes.html#Attachment> (`hash`: SHA-1 in base64).

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};
use sha1_smol::Sha1;

use crate::clinical::element::{Target, text};
use crate::clinical::{Record, Summary};
use crate::letter::catalogue::Catalogue;
use crate::letter::document::{self, without_null};
use crate::letter::kind::Kind;
use crate::letter::{Context, Letter, PdfError, Signature, digest, provenance};

/// How a letter is made final.
#[derive(Clone, Copy, Debug)]
pub struct Finalising<'a> {
    /// The server's base, without a slash at its end.
    pub base: &'a str,
    /// Who signs, and when.
    pub signature: &'a Signature,
    /// The letters that it replaces: Compositions, and `DocumentReference`s of their forms.
    pub replaces: &'a [Target],
    /// Its kind; by default the one that the state of the episode calls for.
    pub kind: Option<Kind>,
    /// Its language.
    pub words: &'a Catalogue,
    /// What the signer adds in own words.
    pub added: Option<&'a str>,
}

/// The resources of a signed letter, in an order in which each names only earlier ones.
///
/// # Errors
/// [`PdfError`] where the pages cannot be typeset, which no content should cause.
pub fn finalise(
    summary: &Summary,
    record: &Record<'_>,
    how: &Finalising<'_>,
) -> Result<Vec<Value>, PdfError> {
    let letter = Letter {
        summary,
        kind: how.kind.unwrap_or_else(|| Kind::of(summary)),
        words: how.words,
        signed: Some(how.signature),
        replaces: how.replaces,
        added: how.added,
    };
    let bundle = letter.document(record, Context { base: how.base, bundle_id: None });
    let composition = bundle.pointer("/entry/0/resource").cloned().unwrap_or_default();
    let pdf = Form::bytes("application/pdf", &letter.pdf()?, &letter);
    let page = Form::bytes("text/html; charset=utf-8", letter.html().as_bytes(), &letter);
    let whole = Form {
        media_type: "application/fhir+json",
        url: format!("Bundle/{}", text(&bundle, "/id").unwrap_or_default()),
        // The store adds version and time to the Bundle, so its bytes are not known here.
        digest: None,
        resource: bundle,
    };
    let forms = [pdf, page, whole];
    let references: Vec<Value> =
        forms.iter().map(|form| document_reference(&letter, &composition, form)).collect();
    let made = forms.map(|form| form.resource).into_iter().chain([composition]).chain(references);
    let mut resources: Vec<Value> = [document::device()].into_iter().chain(made).collect();
    let targets: Vec<String> = resources.iter().skip(1).map(reference).collect();
    resources.push(provenance(&letter, record, &targets));
    Ok(resources)
}

fn reference(resource: &Value) -> String {
    let part = |pointer| text(resource, pointer).unwrap_or_default();
    format!("{}/{}", part("/resourceType"), part("/id"))
}

/// One form of the letter, and the resource that holds it.
struct Form {
    media_type: &'static str,
    url: String,
    /// Size in bytes, and SHA-1 in base64.
    digest: Option<(usize, String)>,
    resource: Value,
}

impl Form {
    fn bytes(media_type: &'static str, bytes: &[u8], letter: &Letter<'_>) -> Self {
        let data = STANDARD.encode(bytes);
        let id = digest::identifier([media_type, data.as_str()]).to_string();
        let patient = letter.summary.patient.as_ref();
        let patient =
            patient.map(|party| json!({ "reference": party.source.target().to_string() }));
        Self {
            media_type,
            url: format!("Binary/{id}"),
            digest: Some((bytes.len(), STANDARD.encode(Sha1::from(bytes).digest().bytes()))),
            resource: without_null(json!({
                "resourceType": "Binary",
                "id": id,
                "meta": { "tag": letter.tag() },
                "contentType": media_type,
                "securityContext": patient,
                "data": data,
            })),
        }
    }
}

fn document_reference(letter: &Letter<'_>, composition: &Value, form: &Form) -> Value {
    let reference = |target: &Target| json!({ "reference": target.to_string() });
    let moment = letter.moment();
    let id = digest::identifier([form.url.as_str(), moment.as_str(), "DocumentReference"]);
    let replaces = letter.replaces.iter().filter(|target| target.is("DocumentReference"));
    let replaces: Vec<Value> =
        replaces.map(|target| json!({ "code": "replaces", "target": reference(target) })).collect();
    let (size, hash) = form.digest.clone().unzip();
    let taken = |name: &str| composition.get(name).cloned();
    let episode = letter.summary.episode.iter().map(|source| reference(source.target()));
    let attachment = without_null(json!({
        "contentType": form.media_type,
        "language": letter.words.language(),
        "url": form.url,
        "size": size,
        "hash": hash,
        "title": taken("title"),
        "creation": moment,
    }));
    without_null(json!({
        "resourceType": "DocumentReference",
        "id": id.to_string(),
        "meta": { "tag": letter.tag() },
        "language": letter.words.language(),
        "masterIdentifier": taken("identifier"),
        "status": "current",
        "docStatus": "final",
        "type": taken("type"),
        "category": taken("category"),
        "subject": taken("subject"),
        "date": moment,
        "author": taken("author"),
        "authenticator": letter.signed.map(|signed| reference(&signed.by)),
        "custodian": taken("custodian"),
        "relatesTo": (!replaces.is_empty()).then_some(replaces),
        "description": taken("title"),
        "content": [{ "attachment": attachment }],
        "context": { "encounter": episode.collect::<Vec<_>>() },
    }))
}
