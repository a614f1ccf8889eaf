//! Files given on the command line, as JSON values with their places.
//!
//! A `.ndjson` file holds one value a line, an `.xml` file a resource in XML, any other file one
//! value; a directory stands for the files of these kinds in it and below, in order of name. `-` is the
//! standard input: one value, one a line, or a resource in XML.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::definitions::model::Model;
use crate::fhir::json::{self, Malformed};
use crate::xml;

/// One value of a file.
pub(super) struct Item {
    /// The line where it stands, from 1, in a file of lines.
    pub(super) line: Option<usize>,
    /// The value, or why there is none.
    pub(super) content: Result<Value, Malformed>,
    /// The text that was read.
    pub(super) text: Vec<u8>,
}

impl Item {
    fn new(line: Option<usize>, text: Vec<u8>) -> Self {
        Self { line, content: json::parse(&text, json::MAX_DEPTH), text }
    }

    /// A resource in XML.
    fn xml(text: Vec<u8>) -> io::Result<Self> {
        let model = Model::shared().map_err(io::Error::other)?;
        Ok(Self { line: None, content: xml::read(model, &text), text })
    }
}

/// The name of the standard input.
const STANDARD_INPUT: &str = "-";

/// The files that the paths stand for.
///
/// # Errors
/// When a path does not exist, or a directory cannot be read or has no such file.
pub(super) fn expand(paths: &[PathBuf]) -> io::Result<Vec<PathBuf>> {
    let mut files = Vec::new();
    for path in paths {
        if path.as_os_str() == STANDARD_INPUT {
            files.push(path.clone());
        } else if path.is_dir() {
            let before = files.len();
            inside(path, &mut files)?;
            if files.len() == before {
                let text = format!("{}: no .json, .ndjson or .xml in it", path.display());
                return Err(io::Error::new(io::ErrorKind::NotFound, text));
            }
        } else {
            std::fs::metadata(path).map_err(|error| named(path, &error))?;
            files.push(path.clone());
        }
    }
    Ok(files)
}

/// The files in a directory and in those below it; what links lead to is not followed.
fn inside(directory: &Path, files: &mut Vec<PathBuf>) -> io::Result<()> {
    let entries = std::fs::read_dir(directory).map_err(|error| named(directory, &error))?;
    let mut entries = entries.collect::<io::Result<Vec<_>>>()?;
    entries.sort_by_key(std::fs::DirEntry::path);
    for entry in entries {
        let path = entry.path();
        if entry.file_type()?.is_dir() {
            inside(&path, files)?;
        } else if is_lines(&path) || is_xml(&path) || has_extension(&path, "json") {
            files.push(path);
        }
    }
    Ok(())
}

/// The values of a file, read as they are asked for.
///
/// # Errors
/// When the file cannot be opened; while reading, when a line cannot be read.
pub(super) fn read(path: &Path) -> io::Result<Box<dyn Iterator<Item = io::Result<Item>>>> {
    if path.as_os_str() == STANDARD_INPUT {
        let mut bytes = Vec::new();
        io::stdin().lock().read_to_end(&mut bytes)?;
        if has_lines(&bytes) {
            return Ok(lines(io::Cursor::new(bytes)));
        }
        let item = match bytes.trim_ascii_start().first() {
            Some(b'<') => Item::xml(bytes),
            _ => Ok(Item::new(None, bytes)),
        };
        return Ok(Box::new(std::iter::once(item)));
    }
    if !is_lines(path) {
        let bytes = std::fs::read(path).map_err(|error| named(path, &error))?;
        let item = if is_xml(path) { Item::xml(bytes) } else { Ok(Item::new(None, bytes)) };
        return Ok(Box::new(std::iter::once(item)));
    }
    Ok(lines(BufReader::new(File::open(path).map_err(|error| named(path, &error))?)))
}

/// Whether the first of several lines is a value by itself.
fn has_lines(bytes: &[u8]) -> bool {
    let mut lines = bytes.split(|byte| *byte == b'\n').filter(|line| !line.trim_ascii().is_empty());
    let first = lines.next();
    first.is_some_and(|line| json::parse(line, json::MAX_DEPTH).is_ok()) && lines.next().is_some()
}

fn lines(reader: impl BufRead + 'static) -> Box<dyn Iterator<Item = io::Result<Item>>> {
    let lines = reader.split(b'\n').enumerate().filter_map(|(index, line)| {
        let line = match line {
            Ok(line) => line,
            Err(error) => return Some(Err(error)),
        };
        let blank = line.trim_ascii().is_empty();
        (!blank).then(|| Ok(Item::new(Some(index + 1), line)))
    });
    Box::new(lines)
}

/// Whether a file holds one value a line.
fn is_lines(path: &Path) -> bool {
    has_extension(path, "ndjson")
}

fn is_xml(path: &Path) -> bool {
    has_extension(path, "xml")
}

fn has_extension(path: &Path, extension: &str) -> bool {
    path.extension().is_some_and(|found| found.eq_ignore_ascii_case(extension))
}

fn named(path: &Path, error: &io::Error) -> io::Error {
    io::Error::new(error.kind(), format!("{}: {error}", path.display()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_directory_stands_for_its_files_in_order() {
        let directory = tempfile::tempdir().unwrap();
        for name in ["b.json", "a.ndjson", "c.txt"] {
            std::fs::write(directory.path().join(name), "{}").unwrap();
        }
        let files = expand(&[directory.path().to_owned()]).unwrap();
        let names: Vec<_> = files.iter().filter_map(|file| file.file_name()?.to_str()).collect();
        assert_eq!(names, ["a.ndjson", "b.json"]);
        assert!(expand(&[directory.path().join("missing")]).is_err());
    }

    #[test]
    fn lines_keep_their_numbers_and_faults() {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("x.ndjson");
        std::fs::write(&path, "{\"a\":1}\n\n{\"a\":\n[2]\n").unwrap();
        let items: Vec<Item> = read(&path).unwrap().map(Result::unwrap).collect();
        let seen: Vec<_> = items.iter().map(|item| (item.line, item.content.is_ok())).collect();
        assert_eq!(seen, [(Some(1), true), (Some(3), false), (Some(4), true)]);
    }
}
