//! Rows of links to letters: under the letter, so that who signed it can list and end them.
//!
//! The secret of a link is not here but among the [secrets](crate::repository::secret), which name
//! the row. A link that has ended stays, with its uses.

use crate::fhir::Id;
use crate::repository::{Error, key};
use crate::store::{Batch, Expect, Seq, View};

/// A row as it was read.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Kept {
    /// The id of the link.
    pub link: String,
    /// What is kept of it.
    pub value: Vec<u8>,
    /// The commit that wrote it.
    pub seq: Seq,
}

/// What is kept of a link.
///
/// # Errors
/// [`Error`] when the store fails.
pub fn find(view: &dyn View, letter: &Id, link: &str) -> Result<Option<Kept>, Error> {
    let row = view.get(&key::link(letter, link))?;
    Ok(row.map(|row| Kept { link: link.to_owned(), value: row.value, seq: row.seq }))
}

/// All links to a letter, by their ids.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn all(view: &dyn View, letter: &Id) -> Result<Vec<Kept>, Error> {
    let range = key::links(letter);
    let head = range.start.len();
    let rows = view.scan(range).map(|row| {
        let row = row?;
        // The id of a link has no zero in it; the two of the end follow.
        let name = row.key.get(head..).and_then(|rest| rest.split(|byte| *byte == 0).next());
        let name = name.and_then(|name| std::str::from_utf8(name).ok());
        let link = name.ok_or(Error::Damaged(key::LINKS))?.to_owned();
        Ok(Kept { link, value: row.value, seq: row.seq })
    });
    rows.collect()
}

/// Adds a link to a batch, which then holds only if the row is still as it was `before`.
pub fn put(batch: &mut Batch, letter: &Id, link: &str, value: Vec<u8>, before: Option<Seq>) {
    let key = key::link(letter, link);
    batch.expects.push(Expect::At(key.clone(), before));
    batch.writes.push((key, Some(value)));
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{MemoryStore, Store};

    #[test]
    fn links_stand_under_their_letter() {
        let store = MemoryStore::new();
        let letter = |id| Id::parse(id).unwrap();
        for (of, link) in [("a", "1"), ("a", "2"), ("a-b", "3"), ("b", "4")] {
            let mut batch = Batch::default();
            put(&mut batch, &letter(of), link, link.as_bytes().to_vec(), None);
            store.commit(batch).unwrap();
        }
        let view = store.view().unwrap();
        let names = |of| -> Vec<String> {
            let all = all(&*view, &letter(of)).unwrap();
            all.into_iter().map(|kept| kept.link).collect()
        };
        assert_eq!(names("a"), ["1", "2"]);
        assert_eq!(names("a-b"), ["3"]);
        assert_eq!(find(&*view, &letter("b"), "4").unwrap().unwrap().value, b"4");
        assert_eq!(find(&*view, &letter("b"), "1").unwrap(), None);
        drop(view);
        let mut again = Batch::default();
        put(&mut again, &letter("a"), "1", Vec::new(), None);
        assert!(store.commit(again).is_err(), "the row is there");
    }
}
