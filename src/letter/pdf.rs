//! The letter as PDF, typeset by a template with the content as data.
//!
//! The template gets the content as a virtual JSON file, so no text of a record is ever taken for
//! markup. Fonts are those inside the program; there is no network, no file system, no clock. The
//! same content gives the same bytes.

use std::sync::LazyLock;

use serde::Serialize;
use typst::diag::{FileError, FileResult, SourceDiagnostic};
use typst::foundations::{Bytes, Datetime, Duration, Smart};
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt, World};
use typst_pdf::{PdfOptions, PdfStandard, PdfStandards};

use crate::letter::content::Content;

/// The template.
const TEMPLATE: &str = include_str!("letter.typ");

/// The font families that the template names.
const FAMILIES: [&str; 2] = ["Libertinus Serif", "DejaVu Sans Mono"];

/// Why a letter could not be typeset: a fault of the template, never of the record.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("the letter could not be typeset: {0}")]
pub struct PdfError(String);

impl PdfError {
    fn of(faults: &[SourceDiagnostic]) -> Self {
        let messages: Vec<String> = faults.iter().map(|fault| fault.message.to_string()).collect();
        Self(messages.join("; "))
    }
}

/// What every letter shares: fonts, library, the parsed template.
struct Shop {
    library: LazyHash<Library>,
    book: LazyHash<FontBook>,
    fonts: Vec<Font>,
    template: Source,
    data: FileId,
}

static SHOP: LazyLock<Result<Shop, PdfError>> = LazyLock::new(Shop::open);

impl Shop {
    fn open() -> Result<Self, PdfError> {
        let file = |name: &str| {
            let path = VirtualPath::new(name).map_err(|error| PdfError(error.to_string()))?;
            Ok(RootedPath::new(VirtualRoot::Project, path).intern())
        };
        let fonts: Vec<Font> =
            typst_assets::fonts().flat_map(|data| Font::iter(Bytes::new(data))).collect();
        Ok(Self {
            library: LazyHash::new(<Library as LibraryExt>::default()),
            book: LazyHash::new(FontBook::from_fonts(&fonts)),
            fonts,
            template: Source::new(file("letter.typ")?, TEMPLATE.to_owned()),
            data: file("letter.json")?,
        })
    }
}

impl Shop {
    /// Whether one of the fonts of the template has the character.
    fn has(&self, character: char) -> bool {
        let covers = |font: &Font| font.info().coverage.contains(u32::from(character));
        let used = |font: &&Font| FAMILIES.contains(&font.info().family.as_str());
        character.is_control() || self.fonts.iter().filter(used).any(covers)
    }
}

/// One letter in the shop.
struct Job<'a> {
    shop: &'a Shop,
    data: Bytes,
}

impl World for Job<'_> {
    fn library(&self) -> &LazyHash<Library> {
        &self.shop.library
    }

    fn book(&self) -> &LazyHash<FontBook> {
        &self.shop.book
    }

    fn main(&self) -> FileId {
        self.shop.template.id()
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        if id == self.shop.template.id() {
            return Ok(self.shop.template.clone());
        }
        Err(FileError::AccessDenied)
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        if id == self.shop.data {
            return Ok(self.data.clone());
        }
        Err(FileError::AccessDenied)
    }

    fn font(&self, index: usize) -> Option<Font> {
        self.shop.fonts.get(index).cloned()
    }

    fn today(&self, _offset: Option<Duration>) -> Option<Datetime> {
        None
    }
}

/// The content as the template takes it.
#[derive(Serialize)]
struct Data<'a> {
    #[serde(flatten)]
    content: &'a Content,
    /// Whether some character is in none of the fonts and shows as a box.
    boxes: bool,
}

/// The pages of a content. They conform to PDF/UA-1, unless a character is in none of the fonts:
/// then they are tagged pages without that claim, and say so.
pub(super) fn typeset(content: &Content) -> Result<Vec<u8>, PdfError> {
    let shop = SHOP.as_ref().map_err(Clone::clone)?;
    let fault = |error: serde_json::Error| PdfError(error.to_string());
    let text = serde_json::to_string(content).map_err(fault)?;
    let boxes = text.chars().any(|character| !shop.has(character));
    let data = serde_json::to_vec(&Data { content, boxes }).map_err(fault)?;
    let job = Job { shop, data: Bytes::new(data) };
    let document = typst::compile(&job).output.map_err(|faults| PdfError::of(&faults))?;
    let claims: &[PdfStandard] = if boxes { &[] } else { &[PdfStandard::Ua_1] };
    let options = PdfOptions {
        ident: Smart::Custom(content.foot.clone()),
        creator: Smart::Custom(Some("spondyl".to_owned())),
        standards: PdfStandards::new(claims)
            .map_err(|fault| PdfError(fault.message().to_string()))?,
        ..PdfOptions::default()
    };
    let pages = typst_pdf::pdf(&document, &options).map_err(|faults| PdfError::of(&faults));
    // What was remembered for this letter is of use to the next few only.
    typst::comemo::evict(5);
    pages
}
