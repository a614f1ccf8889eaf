//! LOINC from the files of its release: the table of terms and, where they are at hand, parts,
//! hierarchy and answer lists.
//!
//! Columns are found by their names in the header, so that a release that adds one still loads.
//! Names in other languages are not read.
//! Source: <http://hl7.org/fhir/R4/loinc.html>; columns of `LoincTable/Loinc.csv` and of
//! `ComponentHierarchyBySystem.csv` (formerly `MultiAxialHierarchy.csv`) as in the LOINC Users'
//! Guide, <https://loinc.org/kb/users-guide/loinc-database-structure/>.

use std::collections::HashMap;
use std::io::Read;

use csv::{Reader, ReaderBuilder, StringRecord};
use serde_json::json;

use crate::terminology::concepts::{Builder, PropertyType};
use crate::terminology::{CodeSystem, TerminologyError, implicit, version};

/// The properties that FHIR defines for LOINC, by the name of their column.
const PROPERTIES: &[&str] = &[
    "STATUS",
    "COMPONENT",
    "PROPERTY",
    "TIME_ASPCT",
    "SYSTEM",
    "SCALE_TYP",
    "METHOD_TYP",
    "CLASS",
    "CLASSTYPE",
    "ORDER_OBS",
    "VersionLastChanged",
];

/// Names beside the long common name, with their use.
const NAMES: &[&str] = &["SHORTNAME", "CONSUMER_NAME", "DisplayName"];

/// The files of a release.
pub struct Release<'a> {
    /// `Loinc.csv`.
    pub table: Box<dyn Read + 'a>,
    /// `ComponentHierarchyBySystem.csv`; without it there are no parents.
    pub hierarchy: Option<Box<dyn Read + 'a>>,
    /// `Part.csv`.
    pub parts: Option<Box<dyn Read + 'a>>,
    /// `AnswerList.csv`.
    pub answers: Option<Box<dyn Read + 'a>>,
    /// `LoincAnswerListLink.csv`.
    pub answer_links: Option<Box<dyn Read + 'a>>,
}

/// The concepts of LOINC in the making.
#[derive(Default)]
struct Loinc {
    builder: Builder,
    /// The number of each code that came.
    codes: HashMap<String, u32>,
    /// The newest version in which a term changed.
    newest: String,
}

/// LOINC of that version (`2.77`), by default the one in which the newest of its terms changed.
///
/// # Errors
/// [`TerminologyError`] naming the row or the column that is wrong.
pub fn load(release: Release<'_>, version: Option<&str>) -> Result<CodeSystem, TerminologyError> {
    let mut loinc = Loinc::default();
    loinc.terms(release.table)?;
    if let Some(parts) = release.parts {
        loinc.parts(parts)?;
    }
    if let Some(hierarchy) = release.hierarchy {
        loinc.hierarchy(hierarchy)?;
    }
    if let Some(answers) = release.answers {
        loinc.answers(answers)?;
    }
    if let Some(links) = release.answer_links {
        loinc.answer_links(links)?;
    }
    let newest = Some(loinc.newest.as_str()).filter(|newest| !newest.is_empty());
    let version = version.or(newest);
    let mut system = CodeSystem::of(implicit::LOINC, "LOINC", version, loinc.builder.finish()?);
    system.language = Some("en".to_owned());
    Ok(system)
}

impl Loinc {
    /// Opens a concept, once.
    fn open(&mut self, code: &str) -> bool {
        if self.codes.contains_key(code) {
            return false;
        }
        let number = self.builder.concept(code);
        self.codes.insert(code.to_owned(), number);
        true
    }

    fn terms(&mut self, table: impl Read) -> Result<(), TerminologyError> {
        let mut sheet = Sheet::open("Loinc.csv", table)?;
        let code = sheet.column("LOINC_NUM")?;
        let display = sheet.column("LONG_COMMON_NAME")?;
        let status = sheet.column("STATUS")?;
        let changed = sheet.column("VersionLastChanged").ok();
        let columns = |names: &[&'static str]| -> Vec<(&'static str, usize)> {
            names.iter().filter_map(|name| Some((*name, sheet.column(name).ok()?))).collect()
        };
        let (properties, names) = (columns(PROPERTIES), columns(NAMES));
        while let Some(row) = sheet.next()? {
            let text = |column: usize| row.get(column).map(str::trim).unwrap_or_default();
            if text(code).is_empty() {
                return Err(sheet.fault("LOINC_NUM is empty"));
            }
            if !self.open(text(code)) {
                return Err(sheet.fault("LOINC_NUM comes a second time"));
            }
            self.builder.display(text(display));
            if text(status) == "DEPRECATED" {
                self.builder.inactive();
            }
            let filled = |list: &[(&'static str, usize)]| {
                let filled = list.iter().map(|(name, column)| (*name, text(*column)));
                filled.filter(|(_, value)| !value.is_empty()).collect::<Vec<_>>()
            };
            for (name, value) in filled(&properties) {
                self.builder.property(name, PropertyType::String, value);
            }
            for (name, value) in filled(&names) {
                let usage = json!({ "system": implicit::LOINC, "code": name });
                self.builder.designation(Some("en"), Some(&usage), value);
            }
            let changed = changed.map(text).unwrap_or_default();
            if version::order(changed, &self.newest).is_gt() {
                changed.clone_into(&mut self.newest);
            }
        }
        Ok(())
    }

    /// Parts (`LP…`): what terms are made of.
    fn parts(&mut self, parts: impl Read) -> Result<(), TerminologyError> {
        let mut sheet = Sheet::open("Part.csv", parts)?;
        let code = sheet.column("PartNumber")?;
        let (name, display) = (sheet.column("PartName")?, sheet.column("PartDisplayName")?);
        let (kind, status) = (sheet.column("PartTypeName")?, sheet.column("Status")?);
        while let Some(row) = sheet.next()? {
            let text = |column: usize| row.get(column).map(str::trim).unwrap_or_default();
            if text(code).is_empty() {
                return Err(sheet.fault("PartNumber is empty"));
            }
            if !self.open(text(code)) {
                return Err(sheet.fault("PartNumber comes a second time"));
            }
            let shown = if text(display).is_empty() { text(name) } else { text(display) };
            self.builder.display(shown);
            self.builder.property("PartTypeName", PropertyType::String, text(kind));
            if text(status) == "DEPRECATED" {
                self.builder.inactive();
            }
        }
        Ok(())
    }

    /// Who is below whom; groups that are no parts of the release come here first.
    fn hierarchy(&mut self, hierarchy: impl Read) -> Result<(), TerminologyError> {
        let mut sheet = Sheet::open("the hierarchy", hierarchy)?;
        let parent = sheet.column("IMMEDIATE_PARENT")?;
        let code = sheet.column("CODE")?;
        let text = sheet.column("CODE_TEXT")?;
        while let Some(row) = sheet.next()? {
            let cell = |column: usize| row.get(column).map(str::trim).unwrap_or_default();
            if cell(code).is_empty() {
                return Err(sheet.fault("CODE is empty"));
            }
            if self.open(cell(code)) {
                self.builder.display(cell(text));
            }
            if !cell(parent).is_empty() {
                self.builder.edge(cell(code), cell(parent));
            }
        }
        Ok(())
    }

    /// Answers (`LA…`), each with the lists (`LL…`) that have it.
    fn answers(&mut self, answers: impl Read) -> Result<(), TerminologyError> {
        let mut sheet = Sheet::open("AnswerList.csv", answers)?;
        let list = sheet.column("AnswerListId")?;
        let code = sheet.column("AnswerStringId")?;
        let display = sheet.column("DisplayText")?;
        while let Some(row) = sheet.next()? {
            let cell = |column: usize| row.get(column).map(str::trim).unwrap_or_default();
            // A list whose answers are defined elsewhere has a row without any.
            if cell(code).is_empty() {
                continue;
            }
            if self.open(cell(code)) {
                self.builder.display(cell(display));
            }
            if let Some(number) = self.codes.get(cell(code)) {
                self.builder.property_of(*number, "LIST", PropertyType::Code, cell(list));
            }
        }
        Ok(())
    }

    /// Which list answers which term.
    fn answer_links(&mut self, links: impl Read) -> Result<(), TerminologyError> {
        let mut sheet = Sheet::open("LoincAnswerListLink.csv", links)?;
        let (code, list) = (sheet.column("LoincNumber")?, sheet.column("AnswerListId")?);
        while let Some(row) = sheet.next()? {
            let cell = |column: usize| row.get(column).map(str::trim).unwrap_or_default();
            let number = self.codes.get(cell(code)).copied();
            let number = number.ok_or_else(|| sheet.fault("LoincNumber is not in Loinc.csv"))?;
            self.builder.property_of(number, "answer-list", PropertyType::Code, cell(list));
        }
        Ok(())
    }
}

/// A CSV file with a header.
struct Sheet<R> {
    name: &'static str,
    reader: Reader<R>,
    header: StringRecord,
    row: StringRecord,
}

impl<R: Read> Sheet<R> {
    fn open(name: &'static str, reader: R) -> Result<Self, TerminologyError> {
        let mut reader = ReaderBuilder::new().from_reader(reader);
        let header = reader.headers().map_err(|error| broken(name, &error))?.clone();
        Ok(Self { name, reader, header, row: StringRecord::new() })
    }

    fn column(&self, name: &str) -> Result<usize, TerminologyError> {
        let plain = |cell: &str| cell.trim().trim_start_matches('\u{feff}') == name;
        self.header
            .iter()
            .position(plain)
            .ok_or_else(|| TerminologyError::invalid(format!("{} has no column {name}", self.name)))
    }

    fn next(&mut self) -> Result<Option<StringRecord>, TerminologyError> {
        let read = self.reader.read_record(&mut self.row);
        Ok(read.map_err(|error| broken(self.name, &error))?.then(|| self.row.clone()))
    }

    fn fault(&self, message: &str) -> TerminologyError {
        let line = self.row.position().map_or(0, csv::Position::line);
        TerminologyError::invalid(format!("{}, line {line}: {message}", self.name))
    }
}

/// The library's message names the line and not the content.
fn broken(name: &str, error: &csv::Error) -> TerminologyError {
    TerminologyError::invalid(format!("{name}: {error}"))
}
