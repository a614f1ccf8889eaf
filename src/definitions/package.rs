//! A published package of definitions: a gzipped tar with `package/package.json` and one resource a
//! file beside it.
//!
//! Read whole from bytes, within limits; nothing is written anywhere, and no name in it is ever a
//! path. Folders below `package/` (examples, other formats) are not read. What is told of the
//! layout is in <http://hl7.org/fhir/R4/packages.html>.

use std::collections::BTreeMap;
use std::io::{ErrorKind, Read};

use flate2::read::MultiGzDecoder;
use serde_json::Value;

use super::Fault;
use crate::fhir::json::{self, At};

/// The version of FHIR that a package must be for.
const FHIR: &str = "4.0.1";

/// How much a package may unpack to, so that a small file cannot fill the memory.
const MOST_BYTES: u64 = 1 << 30;
/// How much one file in it may have.
const MOST_IN_FILE: u64 = 64 << 20;
/// How many entries it may have.
const MOST_ENTRIES: usize = 100_000;

/// A package, read.
#[derive(Clone, Debug)]
pub struct Package {
    /// Its name, such as `hl7.fhir.uv.ips`.
    pub name: String,
    /// Its version.
    pub version: String,
    /// The packages that it needs, each with the version.
    pub dependencies: BTreeMap<String, String>,
    /// The resources, each with the name of its file, in the order of the names.
    pub resources: Vec<(String, Value)>,
}

impl Package {
    /// Reads the bytes of a `.tgz` file; `file` is its name, for messages.
    ///
    /// # Errors
    /// [`Fault`], naming the file and the file in it: no such archive, no or a broken
    /// `package.json`, another version of FHIR, a file that is not JSON, a name that leads out of
    /// the package, a link, or more than the limits allow.
    pub fn read(file: &str, bytes: &[u8]) -> Result<Self, Fault> {
        Self::within(file, bytes, MOST_BYTES)
    }

    fn within(file: &str, bytes: &[u8], most: u64) -> Result<Self, Fault> {
        let mut files = files(file, bytes, most)?;
        let manifest = files.remove("package.json").ok_or_else(|| {
            Fault::new(file, "has no package/package.json, so it is no package of definitions")
        })?;
        let place = format!("{file}: package/package.json");
        let manifest = parse(&place, &manifest)?;
        let text = |key: &str| {
            let text = manifest.at(key).as_str().filter(|text| !text.is_empty());
            text.map(str::to_owned).ok_or_else(|| Fault::new(&place, format!("has no {key}")))
        };
        let (name, version) = (text("name")?, text("version")?);
        let lists = ["fhirVersions", "fhir-version-list"].map(|key| manifest.at(key).as_array());
        let versions: Vec<&str> =
            lists.into_iter().flatten().flatten().filter_map(Value::as_str).collect();
        if !versions.contains(&FHIR) {
            let said = if versions.is_empty() { "none".to_owned() } else { versions.join(", ") };
            let message = format!("is for FHIR {said} (fhirVersions); this server is for {FHIR}");
            return Err(Fault::new(place, message));
        }
        let dependencies = manifest.at("dependencies").as_object().into_iter().flatten();
        let dependencies = dependencies
            .map(|(name, version)| (name.clone(), version.as_str().unwrap_or("*").to_owned()))
            .collect();
        let mut resources = Vec::new();
        for (name, content) in files {
            let is_json = name.rsplit_once('.').is_some_and(|(stem, end)| {
                end == "json" && !stem.is_empty() && !stem.starts_with('.')
            });
            if is_json {
                let place = format!("{file}: package/{name}");
                let value = parse(&place, &content)?;
                if value.at("resourceType").as_str().is_some() {
                    resources.push((format!("package/{name}"), value));
                }
            }
        }
        Ok(Self { name, version, dependencies, resources })
    }
}

fn parse(place: &str, bytes: &[u8]) -> Result<Value, Fault> {
    json::parse(bytes, json::MAX_DEPTH).map_err(|malformed| {
        let at = malformed.position.map(|(line, column)| format!(" ({line}:{column})"));
        Fault::new(place, format!("{}{}", malformed.message, at.unwrap_or_default()))
    })
}

/// The files that stand in `package/` itself, by name.
fn files(file: &str, bytes: &[u8], most: u64) -> Result<BTreeMap<String, Vec<u8>>, Fault> {
    // One byte more than is allowed tells that there is more.
    let unpacked = MultiGzDecoder::new(bytes).take(most.saturating_add(1));
    let mut archive = tar::Archive::new(unpacked);
    let broken = |error: std::io::Error| {
        let cause = match error.kind() {
            ErrorKind::UnexpectedEof => "it ends too early, or is larger than allowed".to_owned(),
            _ => error.to_string(),
        };
        Fault::new(file, format!("cannot be unpacked: {cause}"))
    };
    let mut files = BTreeMap::new();
    let mut total = 0;
    for (count, entry) in archive.entries().map_err(broken)?.enumerate() {
        let mut entry = entry.map_err(broken)?;
        let path = String::from_utf8_lossy(&entry.path_bytes()).into_owned();
        let place = || format!("{file}: {path}");
        total += entry.size();
        if count >= MOST_ENTRIES || total > most {
            return Err(Fault::new(file, "is larger than allowed"));
        }
        let out = path.starts_with(['/', '\\']) || path.split(['/', '\\']).any(|part| part == "..");
        if out {
            return Err(Fault::new(place(), "leads out of the package"));
        }
        let kind = entry.header().entry_type();
        if kind.is_symlink() || kind.is_hard_link() {
            return Err(Fault::new(place(), "is a link, which a package must not have"));
        }
        let Some(name) = path.strip_prefix("./").unwrap_or(&path).strip_prefix("package/") else {
            continue;
        };
        if !kind.is_file() || name.contains('/') || !has_json_end(name) {
            continue;
        }
        if entry.size() > MOST_IN_FILE {
            return Err(Fault::new(place(), "is larger than allowed"));
        }
        let mut content = Vec::new();
        entry.read_to_end(&mut content).map_err(broken)?;
        if files.insert(name.to_owned(), content).is_some() {
            return Err(Fault::new(place(), "is there twice"));
        }
    }
    Ok(files)
}

fn has_json_end(name: &str) -> bool {
    name.rsplit_once('.').is_some_and(|(_, end)| end == "json")
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use flate2::Compression;
    use flate2::write::GzEncoder;
    use serde_json::json;

    use super::*;

    const GOOD: &str = r#"{ "name": "a.b", "version": "1.0.0", "fhirVersions": ["4.0.1"],
        "dependencies": { "hl7.fhir.r4.core": "4.0.1" } }"#;

    /// A package of those files, packed as given, however unsound the names are.
    fn packed(files: &[(&str, &str)]) -> Vec<u8> {
        let mut archive = tar::Builder::new(GzEncoder::new(Vec::new(), Compression::fast()));
        for (name, content) in files {
            let mut header = tar::Header::new_gnu();
            header.as_old_mut().name[..name.len()].copy_from_slice(name.as_bytes());
            header.set_size(content.len() as u64);
            header.set_entry_type(match content.strip_prefix("->") {
                Some(_) => tar::EntryType::Symlink,
                None => tar::EntryType::Regular,
            });
            header.set_cksum();
            archive.append(&header, content.as_bytes()).unwrap();
        }
        archive.into_inner().unwrap().finish().unwrap()
    }

    #[test]
    fn resources_of_the_package_itself_are_read() {
        let bytes = packed(&[
            ("package/package.json", GOOD),
            ("package/.index.json", "{}"),
            ("package/ValueSet-a.json", r#"{ "resourceType": "ValueSet" }"#),
            ("package/example/Patient-p.json", "not JSON"),
            ("package/other/spec.internals", "{}"),
            ("package/notes.txt", "words"),
        ]);
        let package = Package::read("a.tgz", &bytes).unwrap();
        assert_eq!((package.name.as_str(), package.version.as_str()), ("a.b", "1.0.0"));
        assert_eq!(package.dependencies["hl7.fhir.r4.core"], "4.0.1");
        let expected =
            ("package/ValueSet-a.json".to_owned(), json!({ "resourceType": "ValueSet" }));
        assert_eq!(package.resources, [expected]);
    }

    #[test]
    fn bad_packages_are_refused_with_the_place() {
        let good = ("package/package.json", GOOD);
        let r5 = GOOD.replace("4.0.1\"]", "5.0.0\"]");
        for (files, expected) in [
            (vec![], "has no package/package.json"),
            (vec![("package/a.json", "{}")], "has no package/package.json"),
            (vec![("package/package.json", "{}")], "package/package.json: has no name"),
            (vec![("package/package.json", "{")], "package/package.json"),
            (vec![("package/package.json", r5.as_str())], "is for FHIR 5.0.0"),
            (vec![good, ("package/a.json", "{\n \"a\": }")], "package/a.json"),
            (vec![good, ("package/../../a.json", "{}")], "leads out of the package"),
            (vec![good, ("/etc/a.json", "{}")], "leads out of the package"),
            (vec![good, ("package/a.json", "->/etc/passwd")], "is a link"),
            (vec![good, good], "is there twice"),
        ] {
            let fault = Package::read("a.tgz", &packed(&files)).unwrap_err().to_string();
            assert!(fault.starts_with("a.tgz") && fault.contains(expected), "{expected}: {fault}");
        }
        for bytes in [&b"no gzip at all"[..], &[], &packed(&[good])[..40]] {
            let fault = Package::read("a.tgz", bytes).unwrap_err().to_string();
            assert!(fault.contains("cannot be unpacked"), "{fault}");
        }
    }

    #[test]
    fn a_small_file_cannot_fill_the_memory() {
        let zeros = "0".repeat(4 << 20);
        let bytes = packed(&[("package/package.json", GOOD), ("package/other/a", &zeros)]);
        assert!(bytes.len() < 100_000);
        let fault = Package::within("a.tgz", &bytes, 1 << 20).unwrap_err().to_string();
        assert!(fault.contains("larger than allowed"), "{fault}");
        // The same where no header tells the size: the stream itself is cut.
        let mut stream = GzEncoder::new(Vec::new(), Compression::fast());
        stream.write_all(&vec![1; 4 << 20]).unwrap();
        let bytes = stream.finish().unwrap();
        assert!(Package::within("a.tgz", &bytes, 1 << 20).is_err());
    }
}
