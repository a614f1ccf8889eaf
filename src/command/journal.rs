//! The journal of a load: which items of which file a server has taken.
//!
//! One line a note, the last one counts. A file is known by its bytes, so a changed file is a new one.

use std::collections::HashMap;
use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::path::Path;

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::Failure;

/// What has been taken so far.
pub(super) struct Journal {
    file: File,
    done: HashMap<String, usize>,
}

#[derive(Serialize, Deserialize)]
struct Note {
    key: String,
    done: usize,
}

impl Journal {
    /// Opens the journal, or begins one; `again` forgets what it says.
    pub(super) fn open(path: &Path, again: bool) -> Result<Self, Failure> {
        let fail = |error: io::Error| Failure::new(path.display().to_string(), error);
        let file = OpenOptions::new().create(true).append(true).read(true).open(path);
        let file = file.map_err(fail)?;
        if again {
            file.set_len(0).map_err(fail)?;
        }
        let text = std::fs::read_to_string(path).map_err(fail)?;
        // A line that was cut off when the power went tells of nothing: its items are sent again.
        let notes = text.lines().filter_map(|line| serde_json::from_str::<Note>(line).ok());
        Ok(Self { file, done: notes.map(|note| (note.key, note.done)).collect() })
    }

    /// The name under which a file is remembered for a server.
    pub(super) fn key(server: &str, path: &Path) -> io::Result<String> {
        let place = Uuid::new_v5(&Uuid::NAMESPACE_URL, server.as_bytes());
        Ok(Uuid::new_v5(&place, &std::fs::read(path)?).to_string())
    }

    /// How many items of that file have been taken.
    pub(super) fn done(&self, key: &str) -> usize {
        self.done.get(key).copied().unwrap_or_default()
    }

    /// Remembers that the first `done` items of that file have been taken or refused.
    pub(super) fn note(&mut self, key: &str, done: usize) -> Result<(), Failure> {
        let fail = |error: io::Error| Failure::new("the journal", error);
        let note = Note { key: key.to_owned(), done };
        let line = serde_json::to_string(&note).map_err(|error| fail(error.into()))?;
        writeln!(self.file, "{line}").and_then(|()| self.file.sync_data()).map_err(fail)?;
        self.done.insert(note.key, done);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_torn_line_is_forgotten() {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("journal");
        let mut journal = Journal::open(&path, false).unwrap();
        journal.note("a", 1).unwrap();
        journal.note("a", 2).unwrap();
        OpenOptions::new()
            .append(true)
            .open(&path)
            .unwrap()
            .write_all(b"{\"key\":\"b\",\"do")
            .unwrap();
        let journal = Journal::open(&path, false).unwrap();
        assert_eq!((journal.done("a"), journal.done("b")), (2, 0));
        assert_eq!(Journal::open(&path, true).unwrap().done("a"), 0);
    }
}
