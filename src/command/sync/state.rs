//! What is remembered between two servers: which resource there is which here, in which versions both
//! were the same, what is open, how far it has come.
//!
//! A file of lines, each of which says one thing; the last counts. It is written to disk before
//! anything relies on it. A state that is lost loses no record: what is the same is found to be the
//! same again, what differs is told as a conflict.

use std::collections::{BTreeMap, HashMap};
use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::super::Failure;

/// What is known of one resource of the other server.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub(super) struct Link {
    /// The same here, such as `Patient/a`.
    pub(super) here: String,
    /// The version there that was taken last.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) theirs: Option<String>,
    /// The version here that it made.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) ours: Option<String>,
    /// Whether it was here before it came.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub(super) met: bool,
    /// What is open: why it is not taken.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) open: Option<String>,
}

#[derive(Serialize, Deserialize)]
#[serde(untagged)]
enum Line {
    Between { from: String, to: String },
    Cursor { cursor: String },
    Of { of: String, link: Link },
}

/// The state, in memory and on disk.
pub(super) struct State {
    path: PathBuf,
    file: File,
    links: HashMap<String, Link>,
    /// Which resource there is that here.
    back: HashMap<String, String>,
    /// From when on changes there are asked for; none before the first round.
    cursor: Option<String>,
    fresh: String,
}

/// How many more lines than links there may be before the file is written anew.
const WASTE: usize = 100_000;

impl State {
    /// The state between those servers in that directory.
    pub(super) fn open(directory: &Path, from: &str, to: &str) -> Result<Self, Failure> {
        let fail = |error: io::Error| Failure::new(directory.display().to_string(), error);
        std::fs::create_dir_all(directory).map_err(fail)?;
        let path = directory.join("state.ndjson");
        let text = match std::fs::read_to_string(&path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => String::new(),
            text => text.map_err(fail)?,
        };
        // Taken before the file is appended to, or a torn line would spoil the next one.
        let torn = !text.is_empty() && !text.ends_with('\n');
        let file = OpenOptions::new().create(true).append(true).open(&path).map_err(fail)?;
        let (links, back) = (HashMap::new(), HashMap::new());
        let mut state = Self { path, file, links, back, cursor: None, fresh: String::new() };
        let mut lines = 0;
        for line in text.lines().filter_map(|line| serde_json::from_str::<Line>(line).ok()) {
            lines += 1;
            match line {
                Line::Between { from: there, to: here } if there != from || here != to => {
                    let text =
                        format!("it is the state between {there} and {here}; give another --state");
                    return Err(Failure::new(directory.display().to_string(), text));
                }
                Line::Between { .. } => {}
                Line::Cursor { cursor } => state.cursor = Some(cursor),
                Line::Of { of, link } => state.insert(of, link),
            }
        }
        let between = Line::Between { from: from.to_owned(), to: to.to_owned() };
        if lines == 0 {
            state.push(&between)?;
            state.flush()?;
        } else if torn || lines > state.links.len() + WASTE {
            state.compact(&between)?;
        }
        Ok(state)
    }

    /// What is known of a resource there.
    pub(super) fn link(&self, of: &str) -> Option<&Link> {
        self.links.get(of)
    }

    /// Which resource there is that here.
    pub(super) fn of(&self, here: &str) -> Option<&str> {
        self.back.get(here).map(String::as_str)
    }

    /// From when on changes there are asked for.
    pub(super) fn cursor(&self) -> Option<&str> {
        self.cursor.as_deref()
    }

    /// What is open, in the order of names.
    pub(super) fn open_links(&self) -> BTreeMap<String, Link> {
        let open = self.links.iter().filter(|(_, link)| link.open.is_some());
        open.map(|(of, link)| (of.clone(), link.clone())).collect()
    }

    /// Remembers a link; on disk with the next [`Self::flush`].
    pub(super) fn put(&mut self, of: &str, link: Link) -> Result<(), Failure> {
        if self.links.get(of) == Some(&link) {
            return Ok(());
        }
        self.push(&Line::Of { of: of.to_owned(), link: link.clone() })?;
        self.insert(of.to_owned(), link);
        Ok(())
    }

    /// Remembers from when on changes are asked for next.
    pub(super) fn set_cursor(&mut self, cursor: &str) -> Result<(), Failure> {
        if self.cursor.as_deref() != Some(cursor) {
            self.push(&Line::Cursor { cursor: cursor.to_owned() })?;
            self.cursor = Some(cursor.to_owned());
        }
        self.flush()
    }

    /// Brings what was remembered to disk.
    pub(super) fn flush(&mut self) -> Result<(), Failure> {
        if self.fresh.is_empty() {
            return Ok(());
        }
        let lines = std::mem::take(&mut self.fresh);
        let done = self.file.write_all(lines.as_bytes()).and_then(|()| self.file.sync_data());
        done.map_err(|error| Failure::new(self.path.display().to_string(), error))
    }

    fn insert(&mut self, of: String, link: Link) {
        if !link.here.is_empty() {
            self.back.insert(link.here.clone(), of.clone());
        }
        self.links.insert(of, link);
    }

    fn push(&mut self, line: &Line) -> Result<(), Failure> {
        let text = serde_json::to_string(line);
        self.fresh += &text.map_err(|error| Failure::new("the state", error))?;
        self.fresh.push('\n');
        Ok(())
    }

    /// Writes the file anew, each thing once.
    fn compact(&mut self, between: &Line) -> Result<(), Failure> {
        self.push(between)?;
        if let Some(cursor) = self.cursor.clone() {
            self.push(&Line::Cursor { cursor })?;
        }
        for (of, link) in self.links.clone() {
            self.push(&Line::Of { of, link })?;
        }
        let fail = |error: io::Error| Failure::new(self.path.display().to_string(), error);
        let part = self.path.with_extension("part");
        self.file = File::create(&part).map_err(fail)?;
        self.flush()?;
        let fail = |error: io::Error| Failure::new(self.path.display().to_string(), error);
        std::fs::rename(&part, &self.path).map_err(fail)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn link(here: &str, theirs: &str) -> Link {
        Link { here: here.to_owned(), theirs: Some(theirs.to_owned()), ..Link::default() }
    }

    #[test]
    fn the_last_line_counts_and_a_torn_one_is_forgotten() {
        let directory = tempfile::tempdir().unwrap();
        let open = || State::open(directory.path(), "http://a", "http://b").unwrap();
        let mut state = open();
        state.put("Patient/1", link("Patient/x", "1")).unwrap();
        state.put("Patient/1", link("Patient/x", "2")).unwrap();
        state.set_cursor("2026-01-01T00:00:00Z").unwrap();
        let path = directory.path().join("state.ndjson");
        OpenOptions::new().append(true).open(path).unwrap().write_all(b"{\"of\":\"Pat").unwrap();
        for _ in 0..2 {
            let state = open();
            assert_eq!(state.link("Patient/1"), Some(&link("Patient/x", "2")));
            assert_eq!(state.of("Patient/x"), Some("Patient/1"));
            assert_eq!(state.cursor(), Some("2026-01-01T00:00:00Z"));
        }
        let mut state = open();
        state.put("Patient/2", link("Patient/y", "1")).unwrap();
        state.flush().unwrap();
        assert_eq!(open().link("Patient/2"), Some(&link("Patient/y", "1")));
        let other = State::open(directory.path(), "http://a", "http://c");
        assert!(other.is_err(), "a state belongs to its servers");
    }
}
