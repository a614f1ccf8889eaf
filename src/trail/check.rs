//! Whether a trail is still what was written.
//!
//! What this can tell: an entry that was changed, taken out or put in, links or events taken from the
//! end. What it cannot: a chain that was computed anew from some entry on, by someone who may write the
//! store; for that a hash is kept elsewhere, and held against the chain.

use crate::fhir::{ResourceType, hex};
use crate::repository::Error;
use crate::repository::trail::{BEFORE, Head, body, head, links, strangers, told};
use crate::store::View;

/// What was found.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Found {
    /// The end of the chain.
    pub head: Head,
    /// What is wrong, as sentences; nothing: the trail is whole.
    pub faults: Vec<String>,
    /// The entry whose hash was asked for, if it is there.
    pub expected: Option<u64>,
}

/// How many faults are told.
const TOLD: usize = 100;

/// Holds the chain in that view to its hashes; `expect` is a hash of an earlier end of it.
///
/// # Errors
/// [`Error`] when the store fails, or a row cannot be read.
pub fn check(view: &dyn View, expect: Option<&str>) -> Result<Found, Error> {
    let kind =
        ResourceType::parse("AuditEvent").ok_or(Error::Damaged(crate::repository::key::TRAIL))?;
    let mut faults = Vec::new();
    let mut before = Some(Head { number: 0, hash: BEFORE });
    let mut last = 0;
    let mut expected = None;
    for link in links(view) {
        let link = link?;
        if link.number != last + 1 {
            let (first, end) = (last + 1, link.number - 1);
            faults.push(format!("the links of entries {first} to {end} are missing"));
            before = None;
        }
        match body(view, kind, link.number)? {
            None => faults.push(format!("entry {} is missing", link.number)),
            Some(body) => {
                if before.is_some_and(|before| before.next(&body).hash != link.hash) {
                    let text = "is not what was written, or does not follow the one before it";
                    faults.push(format!("entry {} {text}", link.number));
                }
            }
        }
        if expect.is_some_and(|expect| expect.eq_ignore_ascii_case(&hex(&link.hash))) {
            expected = Some(link.number);
        }
        (before, last) = (Some(link), link.number);
        if faults.len() > TOLD {
            break;
        }
    }
    let end = head(view)?;
    let told = told(view)?;
    if told > end.number {
        faults.push(format!("the end is cut off after entry {}: there were {told}", end.number));
    }
    for id in strangers(view, kind, end.number)?.into_iter().take(TOLD) {
        faults.push(format!("AuditEvent/{id} is no entry of the chain, or was changed"));
    }
    if expect.is_some() && expected.is_none() {
        faults.push("no entry has the hash that is expected".to_owned());
    }
    Ok(Found { head: end, faults, expected })
}
