//! The views that come with the program, under `schemas/view/`.

use serde_json::Value;

use super::{Fault, ViewDefinition};
use crate::definitions::embedded;

/// Where they stand under `schemas/`.
const FOLDER: &str = "view/";

/// A definition that comes with the program.
#[derive(Clone, Debug)]
pub struct Shipped {
    /// Its id, which is the name of its file too.
    pub id: String,
    /// Its canonical URL.
    pub url: String,
    /// What it is about, for people.
    pub title: String,
    /// The definition.
    pub value: Value,
}

impl Shipped {
    /// All of them, in the order of their ids. Files that are no JSON are passed over: the tests of
    /// this module tell of them.
    pub fn all() -> Vec<Self> {
        let files = embedded::files().filter(|(path, _)| path.starts_with(FOLDER));
        let read = |bytes: &[u8]| -> Option<Self> {
            let value: Value = serde_json::from_slice(bytes).ok()?;
            let text = |name: &str| Some(value.get(name)?.as_str()?.to_owned());
            let (id, url, title) = (text("id")?, text("url")?, text("title")?);
            Some(Self { id, url, title, value })
        };
        let mut all: Vec<Self> = files.filter_map(|(_, bytes)| read(bytes)).collect();
        all.sort_by(|a, b| a.id.cmp(&b.id));
        all
    }

    /// The one of that id, or of that canonical URL, with its version or without.
    pub fn find(name: &str) -> Option<Self> {
        let (url, version) = match name.split_once('|') {
            Some((url, version)) => (url, Some(version)),
            None => (name, None),
        };
        Self::all().into_iter().find(|view| {
            let own = view.value.get("version").and_then(Value::as_str);
            let is_version = version.is_none() || version == own;
            view.id == name || (view.url == url && is_version)
        })
    }

    /// The definition, ready to make rows.
    ///
    /// # Errors
    /// As [`ViewDefinition::read`].
    pub fn view(&self) -> Result<ViewDefinition, Vec<Fault>> {
        ViewDefinition::read(&self.value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_file_is_a_view_that_can_be_read() {
        let files: Vec<&str> = embedded::files()
            .map(|(path, _)| path)
            .filter(|path| path.starts_with(FOLDER))
            .collect();
        let all = Shipped::all();
        assert_eq!(all.len(), files.len());
        for view in &all {
            assert!(files.contains(&format!("{FOLDER}{}.json", view.id).as_str()), "{}", view.id);
            let read = view.view().unwrap_or_else(|faults| panic!("{}: {faults:?}", view.id));
            assert_eq!(read.name.as_deref(), Some(view.id.replace('-', "_").as_str()));
            // What is shared between programs says the type of every column.
            for column in read.columns() {
                assert!(column.kind.is_some(), "{}: {}", view.id, column.name);
            }
            for (name, found) in [
                (view.id.clone(), true),
                (view.url.clone(), true),
                (format!("{}|0.1.0", view.url), true),
                (format!("{}|9", view.url), false),
            ] {
                assert_eq!(Shipped::find(&name).is_some(), found, "{name}");
            }
        }
    }
}
