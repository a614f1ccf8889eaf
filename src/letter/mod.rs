//! The letter of an episode: one content, three forms.
//!
//! A [`Letter`] is a summary, its kind, its language and, once signed, its signature.
//! [`Letter::document`] makes the FHIR document Bundle, [`Letter::html`] a self-contained page,
//! [`Letter::pdf`] typeset pages; all from the same words and numbers. [`finalise()`] makes what is
//! stored of a signed letter, [`detected_issues`] the consistency findings, [`explain()`] formula and
//! inputs of each number. Pure: no IO, no clock; the same input gives the same bytes. The letter
//! states what is recorded and computed and recommends nothing.
//! Source: <http://hl7.org/fhir/R4/documents.html>.

pub mod catalogue;
pub mod kind;
mod compose;
pub mod content;
mod digest;
mod document;
mod explain;
pub mod filed;
mod finalise;
pub(crate) mod html;
mod issue;
pub mod layout;
mod narrative;
mod pdf;
mod provenance;
mod svg;

use serde_json::{Value, json};

use crate::clinical::element::{Target, at, items};
use crate::clinical::{Record, Summary};
use crate::fhir::{Id, Instant};
use catalogue::Catalogue;
use content::Content;
use kind::Kind;

pub use digest::inputs as inputs_digest;
pub use document::device;
pub use explain::explain;
pub use finalise::{Finalising, finalise};
pub use issue::detected_issues;
pub use pdf::PdfError;
pub use provenance::provenance;

/// System and code of the tag that every part of a signed letter carries: legally authenticated.
/// Source: <http://terminology.hl7.org/CodeSystem/v3-DocumentCompletion>.
pub const SEAL: (&str, &str) =
    ("http://terminology.hl7.org/CodeSystem/v3-DocumentCompletion", "LA");

/// Whether a resource carries the tag of a part of a signed letter.
pub fn is_sealed(resource: &Value) -> bool {
    let (system, code) = SEAL;
    items(resource, "/meta/tag").any(|tag| at(tag, "/system") == system && at(tag, "/code") == code)
}

/// The types of the parts of a signed letter.
pub const SEALED_TYPES: [&str; 5] =
    ["Composition", "Bundle", "Binary", "DocumentReference", "Provenance"];

/// Where a letter is made.
#[derive(Clone, Copy, Debug)]
pub struct Context<'a> {
    /// The server's base, without a slash at its end, for the absolute URLs of entries.
    pub base: &'a str,
    /// The Bundle's id; by default one that follows from the letter's content.
    pub bundle_id: Option<&'a Id>,
}

/// Who signed a letter, and when.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Signature {
    /// The name, as the letter shows it.
    pub name: String,
    /// The Practitioner or the like.
    pub by: Target,
    /// When it was signed.
    pub at: Instant,
}

/// A letter before any form.
#[derive(Clone, Copy, Debug)]
pub struct Letter<'a> {
    /// What it says.
    pub summary: &'a Summary,
    /// Its kind.
    pub kind: Kind,
    /// Its language.
    pub words: &'a Catalogue,
    /// Its signature; without one it is a draft.
    pub signed: Option<&'a Signature>,
    /// The letters that it replaces: Compositions, and `DocumentReference`s of their forms.
    pub replaces: &'a [Target],
    /// What the signer adds in own words.
    pub added: Option<&'a str>,
}

impl<'a> Letter<'a> {
    /// The draft, in English, of the kind that the state of the episode calls for.
    pub fn new(summary: &'a Summary) -> Self {
        let (kind, words) = (Kind::of(summary), Catalogue::english());
        Self { summary, kind, words, signed: None, replaces: &[], added: None }
    }

    /// The moment that the letter is dated: of its signature, else of its summary.
    fn moment(&self) -> String {
        self.signed.map_or_else(|| self.summary.as_of.clone(), |signed| signed.at.to_string())
    }

    /// The tag of a part of a signed letter; none of a draft.
    fn tag(&self) -> Option<Value> {
        let (system, code) = SEAL;
        let display = "legally authenticated";
        self.signed.map(|_| json!([{ "system": system, "code": code, "display": display }]))
    }

    /// The words and numbers, before any form.
    pub fn content(&self) -> Content {
        compose::compose(self)
    }

    /// The FHIR document Bundle: the Composition first, then everything that it names.
    pub fn document(&self, record: &Record<'_>, context: Context<'_>) -> Value {
        document::bundle(self, record, &self.content(), context)
    }

    /// A self-contained HTML page.
    pub fn html(&self) -> String {
        html::page(&self.content())
    }

    /// PDF: tagged, fonts embedded, text selectable.
    ///
    /// # Errors
    /// [`PdfError`] where the pages cannot be typeset, which no content should cause.
    pub fn pdf(&self) -> Result<Vec<u8>, PdfError> {
        pdf::typeset(&self.content())
    }
}

/// The words and numbers of the letter in English, before any form.
pub fn content(summary: &Summary) -> Content {
    Letter::new(summary).content()
}

/// The letter in English as a FHIR document Bundle.
pub fn document(summary: &Summary, record: &Record<'_>, context: Context<'_>) -> Value {
    Letter::new(summary).document(record, context)
}

/// The letter in English as a self-contained HTML page.
pub fn html(summary: &Summary) -> String {
    Letter::new(summary).html()
}

/// The letter in English as PDF.
///
/// # Errors
/// [`PdfError`] where the pages cannot be typeset, which no content should cause.
pub fn pdf(summary: &Summary) -> Result<Vec<u8>, PdfError> {
    Letter::new(summary).pdf()
}
