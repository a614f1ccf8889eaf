//! The journal of a load: which items of which file a server has taken.
//!
//! One line a note, the last one counts. A file is known by its bytes, so a changed file is a new one.

use std::collections::HashMap;
use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::path::Path;

use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use uuid::Uuid;

use super::Failure;

/// What has been taken so far.
pub(super) struct Journal {
    file: File,
    notes: HashMap<String, Note>,
}

#[derive(Serialize, Deserialize)]
struct Note {
    key: String,
    done: usize,
    /// How often it was begun anew.
    #[serde(default)]
    round: usize,
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
        Ok(Self { file, notes: notes.map(|note| (note.key.clone(), note)).collect() })
    }

    /// The name under which a file is remembered for a server.
    pub(super) fn key(server: &str, path: &Path) -> io::Result<String> {
        let place = Uuid::new_v5(&Uuid::NAMESPACE_URL, server.as_bytes());
        let mut digest = Digesting(Sha256::new());
        io::copy(&mut File::open(path)?, &mut digest)?;
        Ok(Uuid::new_v5(&place, &digest.0.finalize()).to_string())
    }

    /// How many items of that file have been taken.
    pub(super) fn done(&self, key: &str) -> usize {
        self.notes.get(key).map_or(0, |note| note.done)
    }

    /// How often that file was begun anew.
    pub(super) fn round(&self, key: &str) -> usize {
        self.notes.get(key).map_or(0, |note| note.round)
    }

    /// Remembers that the first `done` items of that file have been taken or refused; 0: it is to be
    /// begun anew.
    pub(super) fn note(&mut self, key: &str, done: usize) -> Result<(), Failure> {
        let fail = |error: io::Error| Failure::new("the journal", error);
        let round = self.round(key) + usize::from(done == 0);
        let note = Note { key: key.to_owned(), done, round };
        let line = serde_json::to_string(&note).map_err(|error| fail(error.into()))?;
        writeln!(self.file, "{line}").and_then(|()| self.file.sync_data()).map_err(fail)?;
        self.notes.insert(note.key.clone(), note);
        Ok(())
    }
}

/// A digest of what is written to it.
struct Digesting(Sha256);

impl Write for Digesting {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.update(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
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
        journal.note("a", 0).unwrap();
        journal.note("a", 2).unwrap();
        OpenOptions::new()
            .append(true)
            .open(&path)
            .unwrap()
            .write_all(b"{\"key\":\"b\",\"do")
            .unwrap();
        let journal = Journal::open(&path, false).unwrap();
        assert_eq!((journal.done("a"), journal.done("b")), (2, 0));
        assert_eq!((journal.round("a"), journal.round("b")), (1, 0));
        assert_eq!(Journal::open(&path, true).unwrap().done("a"), 0);
    }
}
