//! The letter of an episode: one content, three forms.
//!
//! [`document`] makes the FHIR document Bundle, [`html`] a self-contained page, [`pdf`] typeset
//! pages; all from the same words and numbers. Pure: no IO, no clock; the same input gives the same
//! bytes. The letter states what is recorded and computed and recommends nothing.
//! Source: <http://hl7.org/fhir/R4/documents.html>.

pub mod catalogue;
mod compose;
pub mod content;
mod digest;
mod document;
mod html;
pub mod layout;
mod narrative;
mod pdf;
mod svg;

use serde_json::Value;

use crate::clinical::{Record, Summary};
use crate::fhir::Id;
use catalogue::Catalogue;
use content::Content;

pub use pdf::PdfError;

/// Where a letter is made.
#[derive(Clone, Copy, Debug)]
pub struct Context<'a> {
    /// The server's base, without a slash at its end, for the absolute URLs of entries.
    pub base: &'a str,
    /// The Bundle's id; by default one that follows from the letter's content.
    pub bundle_id: Option<&'a Id>,
}

/// The words and numbers of the letter, before any form.
pub fn content(summary: &Summary) -> Content {
    compose::compose(summary, Catalogue::english())
}

/// The letter as a FHIR document Bundle: the Composition first, then everything that it names.
pub fn document(summary: &Summary, record: &Record<'_>, context: Context<'_>) -> Value {
    document::bundle(summary, record, &content(summary), context)
}

/// The letter as a self-contained HTML page.
pub fn html(summary: &Summary) -> String {
    html::page(&content(summary))
}

/// The letter as PDF: tagged, fonts embedded, text selectable.
///
/// # Errors
/// [`PdfError`] where the pages cannot be typeset, which no content should cause.
pub fn pdf(summary: &Summary) -> Result<Vec<u8>, PdfError> {
    pdf::typeset(&content(summary))
}
