//! LOINC from the files of its release: the table of terms and, if wanted, the hierarchy.
//!
//! Columns are found by their names in the header, so that a release that adds one still loads.
//! Answer lists and names in other languages are not read.
//! Source: <http://hl7.org/fhir/R4/loinc.html>; columns of `LoincTable/Loinc.csv` and of
//! `ComponentHierarchyBySystem.csv` (formerly `MultiAxialHierarchy.csv`) as in the LOINC Users'
//! Guide, <https://loinc.org/kb/users-guide/loinc-database-structure/>.

use std::collections::HashSet;
use std::io::Read;

use csv::{Reader, ReaderBuilder, StringRecord};
use serde_json::json;

use crate::terminology::concepts::{Builder, PropertyType};
use crate::terminology::{CodeSystem, TerminologyError, implicit};

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

/// LOINC of that version (`2.77`). `hierarchy` is the multi-axial one; without it there are no
/// parents.
///
/// # Errors
/// [`TerminologyError`] naming the row or the column that is wrong.
pub fn load(
    table: impl Read,
    hierarchy: Option<impl Read>,
    version: &str,
) -> Result<CodeSystem, TerminologyError> {
    let mut builder = Builder::default();
    let mut codes = HashSet::new();
    terms(&mut builder, &mut codes, table)?;
    if let Some(hierarchy) = hierarchy {
        parts(&mut builder, &mut codes, hierarchy)?;
    }
    let version = Some(version).filter(|version| !version.is_empty());
    let mut system = CodeSystem::of(implicit::LOINC, "LOINC", version, builder.finish()?);
    system.language = Some("en".to_owned());
    Ok(system)
}

fn terms(
    builder: &mut Builder,
    codes: &mut HashSet<String>,
    table: impl Read,
) -> Result<(), TerminologyError> {
    let mut sheet = Sheet::open("Loinc.csv", table)?;
    let code = sheet.column("LOINC_NUM")?;
    let display = sheet.column("LONG_COMMON_NAME")?;
    let status = sheet.column("STATUS")?;
    let properties: Vec<(&str, Option<usize>)> =
        PROPERTIES.iter().map(|name| (*name, sheet.column(name).ok())).collect();
    let names: Vec<(&str, Option<usize>)> =
        NAMES.iter().map(|name| (*name, sheet.column(name).ok())).collect();
    while let Some(row) = sheet.next()? {
        let text = |column: usize| row.get(column).map(str::trim).unwrap_or_default();
        if text(code).is_empty() {
            return Err(sheet.fault("LOINC_NUM is empty"));
        }
        if !codes.insert(text(code).to_owned()) {
            return Err(sheet.fault("LOINC_NUM comes a second time"));
        }
        builder.concept(text(code));
        builder.display(text(display));
        if text(status) == "DEPRECATED" {
            builder.inactive();
        }
        let filled = |list: &[(&'static str, Option<usize>)]| {
            let filled = list.iter().filter_map(|(name, column)| Some((*name, text((*column)?))));
            filled.filter(|(_, value)| !value.is_empty()).collect::<Vec<_>>()
        };
        for (name, value) in filled(&properties) {
            builder.property(name, PropertyType::String, value);
        }
        for (name, value) in filled(&names) {
            let usage = json!({ "system": implicit::LOINC, "code": name });
            builder.designation(Some("en"), Some(&usage), value);
        }
    }
    Ok(())
}

/// Parts (`LP…`) that group terms, and who is below whom.
fn parts(
    builder: &mut Builder,
    codes: &mut HashSet<String>,
    hierarchy: impl Read,
) -> Result<(), TerminologyError> {
    let mut sheet = Sheet::open("the hierarchy", hierarchy)?;
    let parent = sheet.column("IMMEDIATE_PARENT")?;
    let code = sheet.column("CODE")?;
    let text = sheet.column("CODE_TEXT")?;
    while let Some(row) = sheet.next()? {
        let cell = |column: usize| row.get(column).map(str::trim).unwrap_or_default();
        if cell(code).is_empty() {
            return Err(sheet.fault("CODE is empty"));
        }
        if codes.insert(cell(code).to_owned()) {
            builder.concept(cell(code));
            builder.display(cell(text));
        }
        if !cell(parent).is_empty() {
            builder.edge(cell(code), cell(parent));
        }
    }
    Ok(())
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
