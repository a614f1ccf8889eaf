//! The files of terminology that a path stands for: resources, or a release of LOINC or SNOMED CT.
//!
//! A release is known by the names of its files, wherever in the folder they lie; what is not needed
//! is passed over. Reading them is for [`crate::terminology::load`].
//! Source: <https://loinc.org/kb/users-guide/loinc-database-structure/>,
//! <https://confluence.ihtsdotools.org/display/DOCRELFMT/3.3.2+Release+File+Naming+Convention>.

use std::fs::{self, File};
use std::io::{self, BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

use crate::terminology::load::{loinc, snomed};

/// How deep folders are looked into, and how many files are looked at.
const MAX_DEPTH: usize = 8;
const MAX_FILES: usize = 20_000;

/// What a path stands for.
#[derive(Debug)]
pub(super) enum Source {
    /// A resource or Bundle.
    Json(PathBuf),
    /// A resource a line.
    Lines(PathBuf),
    Loinc(Loinc),
    Snomed(Snomed),
}

/// The files of a release of LOINC.
#[derive(Debug)]
pub(super) struct Loinc {
    table: PathBuf,
    files: Vec<PathBuf>,
}

/// The snapshot files of a release of SNOMED CT, each kind in the order of the names.
#[derive(Debug)]
pub(super) struct Snomed {
    concepts: Vec<PathBuf>,
    descriptions: Vec<PathBuf>,
    relationships: Vec<PathBuf>,
    languages: Vec<PathBuf>,
}

fn name(path: &Path) -> &str {
    path.file_name().and_then(|name| name.to_str()).unwrap_or_default()
}

fn is_named(path: &Path, wanted: &str) -> bool {
    name(path).eq_ignore_ascii_case(wanted)
}

/// What the path stands for; several things where it is a folder of resources.
///
/// # Errors
/// When it cannot be read, or there is nothing in it that can be loaded.
pub(super) fn sources(path: &Path) -> io::Result<Vec<Source>> {
    if path.is_file() {
        return of_file(path).map(|source| vec![source]);
    }
    let mut files = Vec::new();
    collect(path, 0, &mut files)?;
    files.sort();
    let release = loinc_release(&files).or_else(|| snomed_release(&files));
    if let Some(release) = release {
        return Ok(vec![release?]);
    }
    let resources = files.iter().filter_map(|file| of_resource(file));
    let resources: Vec<Source> = resources.collect();
    if resources.is_empty() { Err(unknown()) } else { Ok(resources) }
}

fn unknown() -> io::Error {
    let text = "there is nothing here that can be loaded: CodeSystem, ValueSet or ConceptMap as \
                .json or .ndjson, Loinc.csv, or the Snapshot files of SNOMED CT (sct2_Concept_\
                Snapshot...); a release in a .zip is extracted first";
    io::Error::new(io::ErrorKind::InvalidInput, text)
}

fn of_file(path: &Path) -> io::Result<Source> {
    if let Some(resource) = of_resource(path) {
        return Ok(resource);
    }
    // A file of a release stands for the release around it.
    let folder = path.parent().unwrap_or(Path::new("."));
    let around = if ["LoincTable", "Terminology"].iter().any(|name| is_named(folder, name)) {
        folder.parent().unwrap_or(folder)
    } else {
        folder
    };
    let mut files = Vec::new();
    if is_named(path, "Loinc.csv") || name(path).contains("_Concept_Snapshot") {
        collect(around, 0, &mut files)?;
        files.sort();
    }
    let release = loinc_release(&files).or_else(|| snomed_release(&files));
    release.unwrap_or_else(|| Err(unknown()))
}

fn of_resource(path: &Path) -> Option<Source> {
    match path.extension()?.to_str()? {
        "json" => Some(Source::Json(path.to_owned())),
        "ndjson" => Some(Source::Lines(path.to_owned())),
        _ => None,
    }
}

fn collect(folder: &Path, depth: usize, files: &mut Vec<PathBuf>) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() && depth < MAX_DEPTH {
            collect(&path, depth + 1, files)?;
        } else if path.is_file() {
            files.push(path);
        }
        if files.len() > MAX_FILES {
            let text = format!("the folder has more than {MAX_FILES} files");
            return Err(io::Error::new(io::ErrorKind::InvalidInput, text));
        }
    }
    Ok(())
}

fn loinc_release(files: &[PathBuf]) -> Option<io::Result<Source>> {
    let table = files.iter().find(|file| is_named(file, "Loinc.csv"))?.clone();
    Some(Ok(Source::Loinc(Loinc { table, files: files.to_vec() })))
}

fn snomed_release(files: &[PathBuf]) -> Option<io::Result<Source>> {
    let of = |part: &str| -> Vec<PathBuf> {
        let is_it = |file: &&PathBuf| {
            let name = name(file);
            // A leading x marks a release for trial.
            let name = name.strip_prefix('x').unwrap_or(name);
            let is_text = file.extension().is_some_and(|end| end == "txt");
            name.starts_with(part) && is_text
        };
        files.iter().filter(is_it).cloned().collect()
    };
    let concepts = of("sct2_Concept_Snapshot");
    if concepts.is_empty() {
        return None;
    }
    let snomed = Snomed {
        concepts,
        descriptions: of("sct2_Description_Snapshot"),
        relationships: of("sct2_Relationship_Snapshot"),
        languages: of("der2_cRefset_LanguageSnapshot"),
    };
    let missing = [("Description", &snomed.descriptions), ("Relationship", &snomed.relationships)];
    let missing = missing.into_iter().find(|(_, files)| files.is_empty());
    Some(match missing {
        None => Ok(Source::Snomed(snomed)),
        Some((kind, _)) => {
            let text = format!("the release lacks its file sct2_{kind}_Snapshot...txt");
            Err(io::Error::new(io::ErrorKind::NotFound, text))
        }
    })
}

impl Loinc {
    /// The readers of its files.
    pub(super) fn open(&self) -> io::Result<loinc::Release<'static>> {
        let read = |path: &Path| -> io::Result<Box<dyn Read>> {
            Ok(Box::new(BufReader::with_capacity(1 << 20, File::open(path)?)))
        };
        let find = |names: &[&str]| {
            let found = names.iter().find_map(|n| self.files.iter().find(|f| is_named(f, n)));
            found.map(|path| read(path)).transpose()
        };
        Ok(loinc::Release {
            table: read(&self.table)?,
            hierarchy: find(&["ComponentHierarchyBySystem.csv", "MultiAxialHierarchy.csv"])?,
            parts: find(&["Part.csv"])?,
            answers: find(&["AnswerList.csv"])?,
            answer_links: find(&["LoincAnswerListLink.csv"])?,
        })
    }
}

/// The readers of a snapshot.
pub(super) type Readers =
    snomed::Snapshot<Box<dyn BufRead>, Box<dyn BufRead>, Box<dyn BufRead>, Box<dyn BufRead>>;

impl Snomed {
    /// The readers of its files, and the dialect to take displays from.
    pub(super) fn open(&self, dialect: u64) -> io::Result<Readers> {
        let language = (!self.languages.is_empty()).then(|| chain(&self.languages)).transpose()?;
        Ok(snomed::Snapshot {
            concepts: chain(&self.concepts)?,
            descriptions: chain(&self.descriptions)?,
            relationships: chain(&self.relationships)?,
            language,
            dialect: Some(dialect),
        })
    }

    /// The version by the names of the files; only the international edition tells its module.
    pub(super) fn version(&self) -> Option<String> {
        let parts = self.concepts.iter().filter_map(|file| {
            name(file).strip_suffix(".txt")?.split_once("Snapshot")?.1.rsplit_once('_')
        });
        let parts: Vec<(&str, &str)> = parts.collect();
        let date = parts.iter().map(|(_, date)| *date).max()?;
        let is_date = date.len() == 8 && date.bytes().all(|b| b.is_ascii_digit());
        let international = parts.iter().all(|(place, _)| place.ends_with("_INT"));
        (is_date && international)
            .then(|| format!("http://snomed.info/sct/900000000000207008/version/{date}"))
    }
}

/// The files one after the other, each starting on a line of its own.
fn chain(files: &[PathBuf]) -> io::Result<Box<dyn BufRead>> {
    let mut all: Box<dyn BufRead> = Box::new(io::empty());
    for path in files {
        let file = BufReader::with_capacity(1 << 20, File::open(path)?);
        all = Box::new(all.chain(&b"\n"[..]).chain(file));
    }
    Ok(all)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn make(folder: &Path, files: &[&str]) {
        for file in files {
            let path = folder.join(file);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, "").unwrap();
        }
    }

    #[test]
    fn what_a_path_stands_for() {
        let folder = tempfile::tempdir().unwrap();
        let at = |path: &str| folder.path().join(path);
        make(
            folder.path(),
            &[
                "l/LoincTable/Loinc.csv",
                "l/LoincTableCore/LoincTableCore.csv",
                "l/AccessoryFiles/AnswerFile/AnswerList.csv",
                "s/Snapshot/Terminology/sct2_Concept_Snapshot_INT_20260101.txt",
                "s/Snapshot/Terminology/sct2_Description_Snapshot-en_INT_20260101.txt",
                "s/Snapshot/Terminology/sct2_Relationship_Snapshot_INT_20260101.txt",
                "s/Snapshot/Refset/Language/der2_cRefset_LanguageSnapshot-en_INT_20260101.txt",
                "s/Full/Terminology/sct2_Concept_Full_INT_20260101.txt",
                "n/sct2_Concept_Snapshot_XX1000001_20260301.txt",
                "r/a.json",
                "r/b/c.ndjson",
                "e/readme.txt",
            ],
        );
        let loinc = |path: &str| match sources(&at(path)).unwrap().remove(0) {
            Source::Loinc(loinc) => loinc.open().unwrap().answers.is_some(),
            other => panic!("{other:?}"),
        };
        assert!(loinc("l") && loinc("l/LoincTable/Loinc.csv"));
        for path in ["s", "s/Snapshot/Terminology/sct2_Concept_Snapshot_INT_20260101.txt"] {
            let Source::Snomed(snomed) = sources(&at(path)).unwrap().remove(0) else { panic!() };
            assert_eq!((snomed.concepts.len(), snomed.languages.len()), (1, 1), "{path}");
            let version = "http://snomed.info/sct/900000000000207008/version/20260101";
            assert_eq!(snomed.version().as_deref(), Some(version));
        }
        assert_eq!(sources(&at("r")).unwrap().len(), 2);
        assert!(sources(&at("n")).unwrap_err().to_string().contains("sct2_Description"));
        assert!(sources(&at("e")).unwrap_err().to_string().contains("nothing here"));
        assert!(sources(&at("e/readme.txt")).is_err());
        assert!(sources(&at("none")).is_err());
    }
}
