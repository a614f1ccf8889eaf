//! One resource, as it is or as it was.

use crate::fhir::{Id, Instant, Resource, ResourceType, VersionId};
use crate::index::Entry;
use crate::repository::{Error, change, key};
use crate::store::{Expect, Seq, View};

/// The interaction that made a version, by its HTTP verb.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Method {
    /// A create: the server chose the id.
    Post,
    /// An update, or a create under an id that the client chose.
    Put,
    /// A patch.
    Patch,
    /// A delete.
    Delete,
}

impl Method {
    const ALL: [Self; 4] = [Self::Post, Self::Put, Self::Patch, Self::Delete];

    /// The HTTP verb.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Post => "POST",
            Self::Put => "PUT",
            Self::Patch => "PATCH",
            Self::Delete => "DELETE",
        }
    }

    fn to_byte(self) -> u8 {
        match self {
            Self::Post => 0,
            Self::Put => 1,
            Self::Patch => 2,
            Self::Delete => 3,
        }
    }
}

/// One version of a resource as it lies in the store.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Stored {
    /// The resource's type.
    pub kind: ResourceType,
    /// Its logical id.
    pub id: Id,
    /// Which version this is.
    pub version: VersionId,
    /// When it was made: what `meta.lastUpdated` says.
    pub last_updated: Instant,
    /// What made it.
    pub method: Method,
    /// The commit that wrote it.
    pub seq: Seq,
    /// The resource as compact JSON; none when this version is a deletion.
    pub body: Option<Vec<u8>>,
}

impl Stored {
    /// What the version says; none if it is a deletion.
    ///
    /// # Errors
    /// [`Error::Damaged`] for a body that is no resource.
    pub fn content(&self) -> Result<Option<Resource>, Error> {
        let Some(body) = &self.body else { return Ok(None) };
        let value = serde_json::from_slice(body).map_err(|_| Error::Damaged(key::VERSION))?;
        Resource::from_value(value).map(Some).map_err(|_| Error::Damaged(key::VERSION))
    }
}

/// The current version, which may be a deletion; none if there never was such a resource.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn current(view: &dyn View, kind: ResourceType, id: &Id) -> Result<Option<Stored>, Error> {
    let Some(row) = view.get(&key::current(kind, id))? else { return Ok(None) };
    let (number, _) = parse_current(&row.value)?;
    version(view, kind, id, number)
}

/// That the resource stands as it does in the view: what a batch expects that relies on it. None if
/// there is no such resource, or it is deleted.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn standing(view: &dyn View, kind: ResourceType, id: &Id) -> Result<Option<Expect>, Error> {
    let key = key::current(kind, id);
    let Some(row) = view.get(&key)? else { return Ok(None) };
    let (number, _) = parse_current(&row.value)?;
    let stored = version(view, kind, id, number)?;
    let is_there = stored.is_some_and(|stored| stored.body.is_some());
    Ok(is_there.then_some(Expect::At(key, Some(row.seq))))
}

/// One version, which may be a deletion; none if there is no such version.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn version(
    view: &dyn View,
    kind: ResourceType,
    id: &Id,
    number: VersionId,
) -> Result<Option<Stored>, Error> {
    let Some(row) = view.get(&key::version(kind, id, number))? else { return Ok(None) };
    parse_version(kind, id.clone(), number, row.seq, row.value).map(Some)
}

/// The version that was current at a moment, which may be a deletion; none if there was no such
/// resource then.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn version_at(
    view: &dyn View,
    kind: ResourceType,
    id: &Id,
    moment: Instant,
) -> Result<Option<Stored>, Error> {
    // Most resources have not been changed since: one lookup rather than a range.
    match current(view, kind, id)? {
        Some(stored) if stored.last_updated <= moment => return Ok(Some(stored)),
        _ => {}
    }
    for row in view.scan(key::versions(kind, id)).rev() {
        let row = row?;
        let number = key::version_id(&row.key).ok_or(Error::Damaged(key::VERSION))?;
        let stored = parse_version(kind, id.clone(), number, row.seq, row.value)?;
        if stored.last_updated <= moment {
            return Ok(Some(stored));
        }
    }
    Ok(None)
}

/// The version that was current after a commit, which may be a deletion; none if there was no such
/// resource then.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn version_seen(
    view: &dyn View,
    kind: ResourceType,
    id: &Id,
    seen: Seq,
) -> Result<Option<Stored>, Error> {
    for row in view.scan(key::versions(kind, id)).rev() {
        let row = row?;
        if row.seq <= seen {
            let number = key::version_id(&row.key).ok_or(Error::Damaged(key::VERSION))?;
            return parse_version(kind, id.clone(), number, row.seq, row.value).map(Some);
        }
    }
    Ok(None)
}

/// The resources of a type that point to one, by the rows of references under that name.
pub fn pointing<'v>(
    view: &'v dyn View,
    by: ResourceType,
    source: &str,
    (kind, id): (ResourceType, &Id),
) -> impl Iterator<Item = Result<Id, Error>> + use<'v> {
    let range =
        key::index_range(by, source, &[id.as_str().as_bytes(), kind.as_str().as_bytes()], &[]);
    let before = range.start.len();
    view.scan(range)
        .map(move |row| key::index_id(&row?.key, before).ok_or(Error::Damaged(key::INDEX)))
}

/// The index rows of one resource, as its list in the store has them; read when they are asked for.
pub struct Keys<'a> {
    kind: ResourceType,
    id: &'a Id,
    list: Vec<u8>,
}

/// The index rows of the current version. None for a resource that is deleted or never was.
///
/// # Errors
/// [`Error`] when the store fails.
pub fn keys<'a>(view: &dyn View, kind: ResourceType, id: &'a Id) -> Result<Keys<'a>, Error> {
    let list = view.get(&key::entries(kind, id))?.map(|row| row.value).unwrap_or_default();
    Ok(Keys { kind, id, list })
}

impl Keys<'_> {
    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// The rows under one of these names: what stands in the key between type and id, and what that
    /// says (without the row's value).
    ///
    /// # Errors
    /// [`Error::Damaged`] when the list has another form.
    pub fn of<'s>(
        &'s self,
        names: &'s [String],
    ) -> impl Iterator<Item = Result<(&'s [u8], Entry), Error>> {
        let damaged = || Error::Damaged(key::ENTRIES);
        change::middles(&self.list, self.kind, self.id).filter_map(move |middle| {
            let read = || -> Result<_, Error> {
                let middle = middle?;
                let name = key::middle_parameter(middle).ok_or_else(damaged)?;
                if !names.iter().any(|own| own.as_bytes() == name) {
                    return Ok(None);
                }
                let (parameter, parts) = key::middle_parts(middle).ok_or_else(damaged)?;
                Ok(Some((middle, Entry { parameter, parts, value: Vec::new() })))
            };
            read().transpose()
        })
    }

    /// What the row keeps beside its key.
    ///
    /// # Errors
    /// [`Error`] when the store fails.
    pub fn value(&self, view: &dyn View, middle: &[u8]) -> Result<Vec<u8>, Error> {
        let row = view.get(&key::index_around(self.kind, self.id, middle))?;
        Ok(row.map(|row| row.value).unwrap_or_default())
    }
}

/// The value of a current row.
/// The value of a row of current versions.
pub fn encode_current(number: VersionId, deleted: bool) -> Vec<u8> {
    let mut value = number.0.to_be_bytes().to_vec();
    value.push(u8::from(deleted));
    value
}

/// Version and whether it is a deletion, from the value of a row made by [`key::current`].
///
/// # Errors
/// [`Error::Damaged`] when the value has another form.
pub fn parse_current(value: &[u8]) -> Result<(VersionId, bool), Error> {
    match value.split_first_chunk::<8>() {
        Some((number, [deleted])) => Ok((VersionId(u64::from_be_bytes(*number)), *deleted != 0)),
        _ => Err(Error::Damaged(key::CURRENT)),
    }
}

/// The value of a version row.
pub(super) fn encode_version(method: Method, at: Instant, body: &[u8]) -> Vec<u8> {
    let mut value = Vec::with_capacity(9 + body.len());
    value.push(method.to_byte());
    value.extend(at.millis().to_be_bytes());
    value.extend(body);
    value
}

/// What the value of a version row says.
pub(super) fn parse_version(
    kind: ResourceType,
    id: Id,
    version: VersionId,
    seq: Seq,
    mut value: Vec<u8>,
) -> Result<Stored, Error> {
    let damaged = || Error::Damaged(key::VERSION);
    let (method, rest) = value.split_first().ok_or_else(damaged)?;
    let method = *Method::ALL.get(usize::from(*method)).ok_or_else(damaged)?;
    let (millis, _) = rest.split_first_chunk::<8>().ok_or_else(damaged)?;
    let last_updated = Instant::from_millis(i64::from_be_bytes(*millis));
    value.drain(..9);
    let body = (method != Method::Delete).then_some(value);
    Ok(Stored { kind, id, version, last_updated, method, seq, body })
}
