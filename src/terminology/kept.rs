//! The terminology that a site has loaded, in a directory of its own.
//!
//! One file for each thing and version. Code systems are in a compact form that is read in one go
//! ([`CodeSystem::to_bytes`]), everything else is the resource as JSON. A file is written beside its
//! place, synced and renamed, so that it is there whole or not at all. A damaged file is an error
//! that names it: codes would be judged wrongly without it. Of several versions of a thing, its bare
//! canonical means the newest.

use std::fs::{self, File};
use std::io::{self, BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};

use serde_json::Value;
use sha2::{Digest, Sha256};

use super::{CodeSystem, Terminology, TerminologyError, code_system, version};

/// A directory of loaded terminology.
#[derive(Clone, Debug)]
pub struct Kept {
    directory: PathBuf,
}

/// Something that can be kept.
pub enum Item {
    /// A code system.
    System(Box<CodeSystem>),
    /// A value set, a concept map or a supplement.
    Resource(Value),
}

/// What is known of a kept thing without reading it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Entry {
    /// The resource type.
    pub kind: String,
    /// The canonical URL.
    pub url: String,
    /// The version, if it has one.
    pub version: Option<String>,
    /// The name for people.
    pub name: String,
    /// How many concepts, of a code system.
    pub concepts: Option<u64>,
    /// The size of the file in bytes.
    pub size: u64,
    path: PathBuf,
}

/// Why the directory could not be read or written.
#[derive(Debug, thiserror::Error)]
pub enum Fault {
    /// The file system said no.
    #[error("{path}")]
    Io {
        /// The file or directory.
        path: String,
        /// What the file system said.
        source: io::Error,
    },
    /// A file is not what was written.
    #[error("{path} cannot be used; remove it, and load what it held again")]
    Damaged {
        /// The file.
        path: String,
        /// What is wrong with it.
        source: TerminologyError,
    },
}

impl Item {
    fn key(&self) -> Option<(String, String, Option<String>)> {
        match self {
            Self::System(held) => {
                Some(("CodeSystem".to_owned(), held.url.clone(), held.version.clone()))
            }
            Self::Resource(value) => {
                let text = |key: &str| value[key].as_str().map(str::to_owned);
                Some((text("resourceType")?, text("url")?, text("version")))
            }
        }
    }
}

impl Kept {
    /// What is kept in that directory, which need not be there.
    pub fn new(directory: impl Into<PathBuf>) -> Self {
        Self { directory: directory.into() }
    }

    /// Keeps a thing, in the place of the same version of it. Returns its file.
    ///
    /// # Errors
    /// [`Fault`] for a disk that cannot be written, and a resource without type or URL.
    pub fn put(&self, item: &Item) -> Result<PathBuf, Fault> {
        let (kind, url, version) = item.key().ok_or_else(|| Fault::Damaged {
            path: "the resource".to_owned(),
            source: TerminologyError::invalid("it has no resourceType or no url"),
        })?;
        let (end, bytes) = match item {
            Item::System(system) => ("codes", system.to_bytes()),
            Item::Resource(value) => ("json", format!("{value}\n").into_bytes()),
        };
        fs::create_dir_all(&self.directory).map_err(|error| at(&self.directory, error))?;
        let digest = Sha256::digest(format!("{url}|{}", version.unwrap_or_default()));
        let digest = digest.first_chunk::<8>().map_or(0, |bytes| u64::from_be_bytes(*bytes));
        let digest = format!("{digest:016x}");
        let path = self.directory.join(format!("{kind}-{digest}.{end}"));
        let beside = self.directory.join(format!(".{kind}-{digest}.{}", std::process::id()));
        let write = || -> io::Result<()> {
            let mut file = File::create(&beside)?;
            file.write_all(&bytes)?;
            file.sync_all()?;
            fs::rename(&beside, &path)?;
            File::open(&self.directory)?.sync_all()
        };
        write().map_err(|error| at(&path, error))?;
        Ok(path)
    }

    /// What there is, by canonical and version, older ones first.
    ///
    /// # Errors
    /// [`Fault`], naming the file.
    pub fn list(&self) -> Result<Vec<Entry>, Fault> {
        let files = match fs::read_dir(&self.directory) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            files => files.map_err(|error| at(&self.directory, error))?,
        };
        let mut entries = Vec::new();
        for file in files {
            let path = file.map_err(|error| at(&self.directory, error))?.path();
            let name = path.file_name().and_then(|name| name.to_str()).unwrap_or_default();
            let end = Path::new(name).extension().and_then(|end| end.to_str());
            // What a crash left beside its place starts with a dot.
            if !name.starts_with('.') && end.is_some_and(|end| ["codes", "json"].contains(&end)) {
                entries.push(entry(path)?);
            }
        }
        entries.sort_by(|a, b| {
            let text = |entry: &Entry| entry.version.clone().unwrap_or_default();
            (&a.kind, &a.url).cmp(&(&b.kind, &b.url)).then(version::order(&text(a), &text(b)))
        });
        Ok(entries)
    }

    /// Adds all that is kept to the terminology. Returns how many things that were.
    ///
    /// # Errors
    /// [`Fault`], naming the file.
    pub fn add_to(&self, terminology: &mut Terminology) -> Result<usize, Fault> {
        let entries = self.list()?;
        for entry in &entries {
            let bytes = fs::read(&entry.path).map_err(|error| at(&entry.path, error))?;
            let added = if is_codes(&entry.path) {
                CodeSystem::from_bytes(&bytes).and_then(|held| terminology.add_code_system(held))
            } else {
                resource(&bytes).and_then(|resource| terminology.add(&resource))
            };
            added.map_err(|error| damaged(&entry.path, error))?;
        }
        Ok(entries.len())
    }

    /// Removes what has that canonical: one version, or all where it names none. Returns what is
    /// gone.
    ///
    /// # Errors
    /// [`Fault`], naming the file.
    pub fn remove(&self, canonical: &str) -> Result<Vec<Entry>, Fault> {
        let is_meant = |entry: &Entry| match &entry.version {
            Some(version) => {
                entry.url == canonical || format!("{}|{version}", entry.url) == canonical
            }
            None => entry.url == canonical,
        };
        let entries: Vec<Entry> = self.list()?.into_iter().filter(is_meant).collect();
        for entry in &entries {
            fs::remove_file(&entry.path).map_err(|error| at(&entry.path, error))?;
        }
        Ok(entries)
    }
}

fn is_codes(path: &Path) -> bool {
    path.extension().is_some_and(|end| end == "codes")
}

fn entry(path: PathBuf) -> Result<Entry, Fault> {
    let (header, size) = header(&path)?;
    let header = &header;
    let text = |key: &str| header[key].as_str().map(str::to_owned);
    let broken = || {
        let source = TerminologyError::invalid("it has no url");
        damaged(&path, source)
    };
    let url = text("url").ok_or_else(broken)?;
    Ok(Entry {
        kind: text("resourceType").unwrap_or_else(|| "CodeSystem".to_owned()),
        version: text("version"),
        name: text("name").or_else(|| text("title")).unwrap_or_else(|| url.clone()),
        concepts: header["count"].as_u64(),
        url,
        size,
        path,
    })
}

/// The header of a code system, or the resource; and the size of the file.
fn header(path: &Path) -> Result<(Value, u64), Fault> {
    let file = File::open(path).map_err(|error| at(path, error))?;
    let size = file.metadata().map_err(|error| at(path, error))?.len();
    let mut file = BufReader::new(file);
    let mut line = Vec::new();
    if is_codes(path) {
        file.read_until(b'\n', &mut line).map_err(|error| at(path, error))?;
        if line != code_system::KEPT.as_bytes() {
            let text = "it is no code system in the kept form of this version";
            return Err(damaged(path, TerminologyError::invalid(text)));
        }
        line.clear();
        file.read_until(b'\n', &mut line).map_err(|error| at(path, error))?;
    } else {
        file.read_to_end(&mut line).map_err(|error| at(path, error))?;
    }
    Ok((resource(&line).map_err(|error| damaged(path, error))?, size))
}

fn resource(bytes: &[u8]) -> Result<Value, TerminologyError> {
    serde_json::from_slice(bytes).map_err(|error| TerminologyError::invalid(error.to_string()))
}

fn at(path: &Path, source: io::Error) -> Fault {
    Fault::Io { path: path.display().to_string(), source }
}

fn damaged(path: &Path, source: TerminologyError) -> Fault {
    Fault::Damaged { path: path.display().to_string(), source }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use serde_json::json;

    use super::super::tests::system;
    use super::*;
    use crate::definitions::Definitions;

    fn empty() -> Terminology {
        Terminology::new(Arc::new(Definitions::default()))
    }

    fn of(version: &str, code: &str) -> Item {
        let system = json!({ "resourceType": "CodeSystem", "url": "s", "version": version,
            "name": "S", "content": "complete", "concept": [{ "code": code }] });
        Item::System(Box::new(CodeSystem::read(&system).unwrap()))
    }

    /// Everything that a code system says is the same after a stay on disk.
    #[test]
    fn a_code_system_comes_back_as_it_was() {
        let small = CodeSystem::read(&system()).unwrap();
        let back = CodeSystem::from_bytes(&small.to_bytes()).unwrap();
        assert_eq!(
            (&back.url, &back.name, &back.version),
            (&small.url, &small.name, &small.version)
        );
        assert_eq!(back.property_names(), small.property_names());
        let told = |system: &CodeSystem| -> Vec<String> {
            let concepts = system.concepts().iter().map(|concept| {
                let up: Vec<_> = concept.parents().map(|parent| parent.code()).collect();
                let below: Vec<_> = concept.below().map(|child| child.code()).collect();
                let names: Vec<_> = concept.designations().map(|name| name.to_value()).collect();
                let own: Vec<_> = concept.properties().map(|p| (p.name, p.value())).collect();
                format!(
                    "{} {:?} {:?} {} {} {up:?} {below:?} {names:?} {own:?}",
                    concept.code(),
                    concept.display(),
                    concept.definition(),
                    concept.is_inactive(),
                    concept.is_abstract()
                )
            });
            concepts.collect()
        };
        assert_eq!(told(&back), told(&small));
        assert!(back.contains("a1") && !back.contains("none"));
    }

    #[test]
    fn damage_is_found_wherever_it_is() {
        let bytes = CodeSystem::read(&system()).unwrap().to_bytes();
        for at in 0..bytes.len() {
            let mut damaged = bytes.clone();
            damaged[at] ^= 1;
            assert!(CodeSystem::from_bytes(&damaged).is_err(), "{at}");
            assert!(CodeSystem::from_bytes(&bytes[..at]).is_err(), "{at}");
        }
    }

    #[test]
    fn versions_stay_apart_and_the_newest_is_meant() {
        let folder = tempfile::tempdir().unwrap();
        let kept = Kept::new(folder.path().join("terminology"));
        assert_eq!(kept.list().unwrap(), []);
        for (version, code) in [("2.77", "new"), ("2.8", "old"), ("2.8", "older")] {
            kept.put(&of(version, code)).unwrap();
        }
        kept.put(&Item::Resource(json!({ "resourceType": "ValueSet", "url": "v" }))).unwrap();
        let versions: Vec<_> =
            kept.list().unwrap().into_iter().map(|e| (e.url, e.version)).collect();
        let text = |text: &str| Some(text.to_owned());
        let s = "s".to_owned();
        assert_eq!(versions, [(s.clone(), text("2.8")), (s, text("2.77")), ("v".into(), None)]);
        let mut held = empty();
        assert_eq!(kept.add_to(&mut held).unwrap(), 3);
        assert!(held.code_system("s").unwrap().contains("new"));
        assert!(held.find_system("s", Some("2.8")).unwrap().contains("older"));
        assert!(held.value_set("v").is_some());
        assert_eq!(kept.remove("s|2.77").unwrap().len(), 1);
        assert_eq!(kept.remove("none").unwrap().len(), 0);
        let mut held = empty();
        kept.add_to(&mut held).unwrap();
        assert!(held.code_system("s").unwrap().contains("older"));
    }

    /// What is stored over what was loaded and then removed leaves what was loaded.
    #[test]
    fn what_was_loaded_stays_below_what_is_stored() {
        let mut loaded = empty();
        let Item::System(system) = of("1", "loaded") else { panic!("it is a system") };
        loaded.add_code_system(*system).unwrap();
        let mut held = Terminology::over(Arc::new(loaded));
        held.add(&json!({ "resourceType": "CodeSystem", "url": "s", "version": "2",
            "content": "complete", "concept": [{ "code": "stored" }] }))
            .unwrap();
        assert!(held.code_system("s").unwrap().contains("stored"));
        held.remove("s");
        assert!(held.code_system("s").unwrap().contains("loaded"));
        assert!(held.find_system("s", Some("2")).is_err());
    }

    #[test]
    fn a_damaged_file_is_named() {
        let folder = tempfile::tempdir().unwrap();
        let kept = Kept::new(folder.path());
        let path = kept.put(&of("1", "a")).unwrap();
        let mut bytes = fs::read(&path).unwrap();
        let last = bytes.len() - 40;
        bytes[last] ^= 1;
        fs::write(&path, bytes).unwrap();
        let fault = kept.add_to(&mut empty()).unwrap_err();
        let name = path.file_name().unwrap().to_str().unwrap();
        assert!(matches!(&fault, Fault::Damaged { path, .. } if path.contains(name)), "{fault}");
        fs::write(folder.path().join(".CodeSystem-left.1"), "half").unwrap();
        fs::write(&path, "").unwrap();
        assert!(matches!(kept.list(), Err(Fault::Damaged { .. })));
    }
}
