//! Facts of episodes as rows: kept beside the records that they are computed from.
//!
//! A row has the facts as bytes, which this module does not read, and names the resources that they
//! depend on without being told so by those: the other way round each of these leads to its episodes.
//! The state says as of which commit the rows are and what they were computed by.

use serde::{Deserialize, Serialize};

use crate::fhir::{Id, ResourceType};
use crate::repository::{Error, key};
use crate::store::{Batch, Row, Seq, View};

/// A resource by type and id.
pub type Name = (ResourceType, Id);

/// What the rows are.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct State {
    /// What they were computed by.
    pub edition: String,
    /// The commit that they are as of.
    pub as_of: Seq,
    /// The first episode whose row may be missing or out of date; none: all are whole.
    pub from: Option<String>,
}

impl State {
    /// Whether the row of that episode is as of the commit.
    pub fn tells(&self, episode: &Id) -> bool {
        self.from.as_deref().is_none_or(|from| episode.as_str() < from)
    }
}

/// The row of an episode.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Kept {
    /// The episode.
    pub episode: Id,
    /// Its facts, as they were given.
    pub facts: Vec<u8>,
    /// What they name, in order.
    pub named: Vec<Name>,
}

/// The state; none where nothing is kept.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn state(view: &dyn View) -> Result<Option<State>, Error> {
    let row = view.get(&key::facts_state())?;
    let parse = |row: Row| serde_json::from_slice(&row.value).map_err(|_| damaged());
    row.map(parse).transpose()
}

/// The write of a state.
pub fn note(state: &State) -> (Vec<u8>, Option<Vec<u8>>) {
    // A struct of texts and numbers always has a JSON form.
    (key::facts_state(), Some(serde_json::to_vec(state).unwrap_or_default()))
}

/// The rows of all episodes, in order of id.
pub fn all(view: &dyn View) -> impl Iterator<Item = Result<Kept, Error>> {
    view.scan(key::facts_range()).map(|row| parse(&row?))
}

/// The row of an episode.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn kept(view: &dyn View, episode: &Id) -> Result<Option<Kept>, Error> {
    view.get(&key::facts(episode))?.map(|row| parse(&row)).transpose()
}

/// The episodes whose rows name that resource.
pub fn naming<'v>(
    view: &'v dyn View,
    (kind, id): (ResourceType, &Id),
) -> impl Iterator<Item = Result<Id, Error>> + use<'v> {
    let rows = view.scan(key::facts_naming_range(Some((kind, id))));
    rows.map(|row| key::facts_episode(&row?.key).ok_or_else(damaged))
}

/// How many rows lead from resources to episodes.
///
/// # Errors
/// [`Error`] when the store fails.
pub fn namings(view: &dyn View) -> Result<usize, Error> {
    let rows = view.scan(key::facts_naming_range(None));
    rows.map(|row| Ok(row.map(|_| 1)?)).sum()
}

/// Adds the writes that make the row of an episode what is given; none: there is none.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn add(
    batch: &mut Batch,
    view: &dyn View,
    episode: &Id,
    new: Option<(&[u8], &[Name])>,
) -> Result<(), Error> {
    let old = kept(view, episode)?.map(|kept| kept.named).unwrap_or_default();
    let named = new.map_or(&[][..], |(_, named)| named);
    for (kind, id) in old.iter().filter(|name| !named.contains(name)) {
        batch.writes.push((key::facts_naming(*kind, id, episode), None));
    }
    for (kind, id) in named.iter().filter(|name| !old.contains(name)) {
        batch.writes.push((key::facts_naming(*kind, id, episode), Some(Vec::new())));
    }
    let value = new.map(|(facts, named)| encode(facts, named));
    batch.writes.push((key::facts(episode), value));
    Ok(())
}

/// The batch that drops some of the rows, `most` at once; none when there are none.
///
/// # Errors
/// [`Error`] when the store fails.
pub fn dropping(view: &dyn View, most: usize) -> Result<Option<Batch>, Error> {
    let rows = view.scan(key::facts_all()).take(most);
    let writes: Vec<_> = rows.map(|row| Ok((row?.key, None))).collect::<Result<_, Error>>()?;
    Ok((!writes.is_empty()).then(|| Batch { writes, ..Batch::default() }))
}

fn encode(facts: &[u8], named: &[Name]) -> Vec<u8> {
    let mut value = Vec::with_capacity(4 + facts.len() + 48 * named.len());
    value.extend(u32::try_from(facts.len()).unwrap_or(u32::MAX).to_be_bytes());
    value.extend(facts);
    for (kind, id) in named {
        value.extend(kind.as_str().as_bytes());
        value.push(b'/');
        value.extend(id.as_str().as_bytes());
        value.push(b'\n');
    }
    value
}

fn parse(row: &Row) -> Result<Kept, Error> {
    let read = || {
        let (length, rest) = row.value.split_first_chunk::<4>()?;
        let length = usize::try_from(u32::from_be_bytes(*length)).ok()?;
        let (facts, named) = rest.split_at_checked(length)?;
        let named = std::str::from_utf8(named).ok()?.lines().map(|line| {
            let (kind, id) = line.split_once('/')?;
            Some((ResourceType::parse(kind)?, Id::parse(id)?))
        });
        let named = named.collect::<Option<_>>()?;
        Some(Kept { episode: key::facts_episode(&row.key)?, facts: facts.to_vec(), named })
    };
    read().ok_or_else(damaged)
}

fn damaged() -> Error {
    Error::Damaged(key::FACTS)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{MemoryStore, Store};

    fn name(kind: &str, id: &str) -> Name {
        (ResourceType::parse(kind).unwrap(), Id::parse(id).unwrap())
    }

    /// A row leads to its episode by what it names now, and no longer by what it named before.
    #[test]
    fn rows_lead_both_ways() {
        let store = MemoryStore::new();
        let episode = Id::parse("e").unwrap();
        let (one, two) = (name("Patient", "p"), name("Practitioner", "q"));
        let put = |new: Option<(&[u8], &[Name])>| {
            let mut batch = Batch::default();
            add(&mut batch, &*store.view().unwrap(), &episode, new).unwrap();
            store.commit(batch).unwrap();
        };
        let leads = |(kind, id): &Name| {
            let view = store.view().unwrap();
            naming(&*view, (*kind, id)).map(Result::unwrap).collect::<Vec<_>>()
        };
        put(Some((b"1", &[one.clone(), two.clone()])));
        assert_eq!((leads(&one), leads(&two)), (vec![episode.clone()], vec![episode.clone()]));
        put(Some((b"2\n", std::slice::from_ref(&two))));
        assert_eq!((leads(&one), leads(&two)), (vec![], vec![episode.clone()]));
        let kept = kept(&*store.view().unwrap(), &episode).unwrap().unwrap();
        assert_eq!((kept.facts.as_slice(), kept.named), (&b"2\n"[..], vec![two.clone()]));
        assert_eq!(namings(&*store.view().unwrap()).unwrap(), 1);
        put(None);
        assert!(leads(&two).is_empty() && all(&*store.view().unwrap()).next().is_none());
    }

    #[test]
    fn all_can_be_dropped() {
        let store = MemoryStore::new();
        let state = State { edition: "x".into(), as_of: 7, from: Some("e".into()) };
        let mut batch = Batch { writes: vec![note(&state)], ..Batch::default() };
        let names = [name("Patient", "p"), name("Patient", "q")];
        let episode = Id::parse("e").unwrap();
        add(&mut batch, &*store.view().unwrap(), &episode, Some((b"1", &names))).unwrap();
        store.commit(batch).unwrap();
        assert_eq!(super::state(&*store.view().unwrap()).unwrap(), Some(state));
        let next = || dropping(&*store.view().unwrap(), 3).unwrap();
        let mut rows = 0;
        while let Some(batch) = next() {
            rows += batch.writes.len();
            store.commit(batch).unwrap();
        }
        assert_eq!(rows, 4);
        assert_eq!(super::state(&*store.view().unwrap()).unwrap(), None);
    }
}
