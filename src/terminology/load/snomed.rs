//! SNOMED CT from the snapshot files of a release (RF2).
//!
//! Concepts, descriptions, relationships and, if given, the language reference set that says which
//! synonym is preferred; without it the fully specified name is the display. Several files of a kind
//! (international and national) are given one after the other as one reader. Expressions,
//! other reference sets and concrete values are not read.
//! Source: <http://hl7.org/fhir/R4/snomedct.html>; the files' columns:
//! <https://confluence.ihtsdotools.org/display/DOCRELFMT/4.2+File+Format+Specifications>.

use std::collections::{HashMap, HashSet};
use std::io::BufRead;

use serde_json::{Value, json};

use crate::terminology::concepts::{Builder, PropertyType};
use crate::terminology::{CodeSystem, TerminologyError, implicit};

const IS_A: &str = "116680003";
const FULLY_SPECIFIED: &str = "900000000000003001";
const SYNONYM: &str = "900000000000013009";
const PREFERRED: &str = "900000000000548007";
const STATED: &str = "900000000000010007";
const DEFINED: &str = "900000000000073002";

/// The files of a snapshot.
pub struct Snapshot<C, D, R, L> {
    /// `sct2_Concept_Snapshot_…`.
    pub concepts: C,
    /// `sct2_Description_Snapshot-…`.
    pub descriptions: D,
    /// `sct2_Relationship_Snapshot_…`.
    pub relationships: R,
    /// `der2_cRefset_LanguageSnapshot-…`, of one or several dialects.
    pub language: Option<L>,
    /// The reference set of the dialect to take displays from, where the file has several.
    pub dialect: Option<u64>,
}

/// The reference set of US English, which every international release has.
pub const US_ENGLISH: u64 = 900_000_000_000_509_007;

/// SNOMED CT of that version (`http://snomed.info/sct/900000000000207008/version/20260101`).
///
/// # Errors
/// [`TerminologyError`] naming the file and line that is wrong.
pub fn load<C: BufRead, D: BufRead, R: BufRead, L: BufRead>(
    snapshot: Snapshot<C, D, R, L>,
    version: &str,
) -> Result<CodeSystem, TerminologyError> {
    let preferred = match snapshot.language {
        Some(language) => preferred(language, snapshot.dialect)?,
        None => HashSet::new(),
    };
    let mut names = descriptions(snapshot.descriptions, &preferred)?;
    let mut builder = Builder::default();
    let mut order = HashMap::new();
    concepts(&mut builder, snapshot.concepts, &mut order, &mut names)?;
    relationships(&mut builder, snapshot.relationships, &order)?;
    let version = Some(version).filter(|version| !version.is_empty());
    Ok(CodeSystem::of(implicit::SNOMED, "SNOMED CT", version, builder.finish()?))
}

/// The names of a concept.
#[derive(Default)]
struct Names {
    display: Option<String>,
    fully_specified: Option<String>,
    /// Language, type and term.
    all: Vec<(String, &'static str, String)>,
}

/// Ids of the descriptions that the dialect prefers.
fn preferred(file: impl BufRead, dialect: Option<u64>) -> Result<HashSet<u64>, TerminologyError> {
    let mut ids = HashSet::new();
    let columns = ["active", "refsetId", "referencedComponentId", "acceptabilityId"];
    rows("the language reference set", file, &columns, |[active, set, id, acceptability]| {
        let of_dialect = dialect.is_none_or(|dialect| set.parse() == Ok(dialect));
        if active == "1" && of_dialect && acceptability == PREFERRED {
            ids.insert(number(id)?);
        }
        Ok(())
    })?;
    Ok(ids)
}

fn descriptions(
    file: impl BufRead,
    preferred: &HashSet<u64>,
) -> Result<HashMap<u64, Names>, TerminologyError> {
    let mut names: HashMap<u64, Names> = HashMap::new();
    let columns = ["id", "active", "conceptId", "languageCode", "typeId", "term"];
    rows("the description file", file, &columns, |[id, active, concept, language, kind, term]| {
        let kind = match kind {
            FULLY_SPECIFIED => FULLY_SPECIFIED,
            SYNONYM => SYNONYM,
            _ => return Ok(()),
        };
        if active != "1" {
            return Ok(());
        }
        let held = names.entry(number(concept)?).or_default();
        if kind == FULLY_SPECIFIED && held.fully_specified.is_none() {
            held.fully_specified = Some(term.to_owned());
        }
        if kind == SYNONYM && preferred.contains(&number(id)?) {
            held.display = Some(term.to_owned());
        }
        held.all.push((language.to_owned(), kind, term.to_owned()));
        Ok(())
    })?;
    Ok(names)
}

fn concepts(
    builder: &mut Builder,
    file: impl BufRead,
    order: &mut HashMap<u64, u32>,
    names: &mut HashMap<u64, Names>,
) -> Result<(), TerminologyError> {
    let uses = HashMap::from([
        (FULLY_SPECIFIED, usage(FULLY_SPECIFIED, "Fully specified name")),
        (SYNONYM, usage(SYNONYM, "Synonym")),
    ]);
    let columns = ["id", "effectiveTime", "active", "moduleId", "definitionStatusId"];
    rows("the concept file", file, &columns, |[id, time, active, module, status]| {
        let number = number(id)?;
        let opened = builder.concept(id);
        if order.insert(number, opened).is_some() {
            return Err("the concept comes a second time; a snapshot is needed".to_owned());
        }
        let held = names.remove(&number).unwrap_or_default();
        if let Some(display) = held.display.as_ref().or(held.fully_specified.as_ref()) {
            builder.display(display);
        }
        for (language, kind, term) in &held.all {
            builder.designation(Some(language), uses.get(kind), term);
        }
        if active != "1" {
            builder.inactive();
        }
        builder.property(
            "inactive",
            PropertyType::Boolean,
            if active == "1" { "false" } else { "true" },
        );
        let defined = if status == DEFINED { "true" } else { "false" };
        builder.property("sufficientlyDefined", PropertyType::Boolean, defined);
        builder.property("moduleId", PropertyType::Code, module);
        builder.property("effectiveTime", PropertyType::String, time);
        Ok(())
    })
}

fn usage(code: &str, display: &str) -> Value {
    json!({ "system": implicit::SNOMED, "code": code, "display": display })
}

/// Inferred relationships: parents, and attributes as properties of their type.
fn relationships(
    builder: &mut Builder,
    file: impl BufRead,
    order: &HashMap<u64, u32>,
) -> Result<(), TerminologyError> {
    let columns = ["active", "sourceId", "destinationId", "typeId", "characteristicTypeId"];
    rows("the relationship file", file, &columns, |[active, source, target, kind, how]| {
        if active != "1" || how == STATED {
            return Ok(());
        }
        let find = |id: &str| -> Result<u32, String> {
            let held = order.get(&number(id)?);
            held.copied().ok_or_else(|| format!("the concept {id} is not in the concept file"))
        };
        let (child, parent) = (find(source)?, find(target)?);
        if kind == IS_A {
            builder.nest(child, parent);
        } else {
            builder.property_of(child, kind, PropertyType::Code, target);
        }
        Ok(())
    })
}

fn number(id: &str) -> Result<u64, String> {
    id.parse().map_err(|_| "an identifier is not a number".to_owned())
}

/// Calls `each` with the cells of each row; columns by the names of the header.
fn rows<const N: usize>(
    name: &str,
    mut file: impl BufRead,
    columns: &[&str; N],
    mut each: impl FnMut([&str; N]) -> Result<(), String>,
) -> Result<(), TerminologyError> {
    let mut line = Vec::new();
    let mut places: Option<[usize; N]> = None;
    let mut count = 0_usize;
    loop {
        line.clear();
        count += 1;
        let fault =
            |message: &str| TerminologyError::invalid(format!("{name}, line {count}: {message}"));
        let read = file.read_until(b'\n', &mut line);
        if read.map_err(|error| fault(&error.to_string()))? == 0 {
            return Ok(());
        }
        let text = std::str::from_utf8(&line).map_err(|_| fault("not UTF-8"))?;
        let text = text.trim_end_matches(['\r', '\n']).trim_start_matches('\u{feff}');
        if text.is_empty() {
            continue;
        }
        let cells = text.split('\t');
        // Files that follow one another bring their headers.
        let is_header = cells.clone().any(|cell| cell == "effectiveTime");
        if is_header {
            let header: Vec<&str> = cells.collect();
            let mut found = [0; N];
            for (place, column) in found.iter_mut().zip(columns) {
                let at = header.iter().position(|cell| cell == column);
                *place = at.ok_or_else(|| fault(&format!("there is no column {column}")))?;
            }
            places = Some(found);
            continue;
        }
        let places = places.ok_or_else(|| fault("there is no header"))?;
        let mut row = [""; N];
        let mut filled = 0;
        for (at, cell) in cells.enumerate() {
            for (slot, _) in row.iter_mut().zip(&places).filter(|(_, place)| **place == at) {
                *slot = cell;
                filled += 1;
            }
        }
        if filled < N {
            return Err(fault("the row is too short"));
        }
        each(row).map_err(|message| fault(&message))?;
    }
}
