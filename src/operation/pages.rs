//! The pages of an operation's answer: links, places, and the moment that all of them show.
//!
//! The place tells the commit that the first page saw; every later page is answered from the rows
//! of that moment. So whatever others write meanwhile, nothing is told twice or left out, and the
//! pages fit together. A client follows the links and makes none itself.
//! Source: <http://hl7.org/fhir/R4/http.html#paging>.

use crate::app::Held;
use crate::error::Error;
use crate::fhir::bundle::{Bundle, BundleType, Entry};
use crate::fhir::{Issue, IssueType, query};
use crate::operation::Call;
use crate::repository::{self, Stored};
use crate::search;
use crate::store::{Batch, Seq, View};

/// The parameter of the links between pages; its value is opaque to clients.
pub(super) const CURSOR: &str = "_cursor";
/// How many resources a page holds at most, and where the client does not say.
pub(super) const MOST: usize = 1000;
/// How many resources may have changed since the first page.
const CHANGED: usize = 50_000;

/// Where a page begins.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Cursor {
    /// The commit that the first page saw.
    pub(super) seen: Seq,
    /// The place in the order of the operation.
    pub(super) place: String,
}

impl Cursor {
    /// The cursor that the call brings; none: the first page is asked for.
    ///
    /// # Errors
    /// [`search::Error::BadCursor`] for a text that this server did not give.
    pub(super) fn of(call: &Call<'_>) -> Result<Option<Self>, Error> {
        let Some(text) = call.parameters.text(CURSOR)? else { return Ok(None) };
        let parts = text.split_once('.');
        let read = parts.and_then(|(seen, place)| {
            let seen = Seq::from_str_radix(seen, 16).ok()?;
            Some(Self { seen, place: place.to_owned() })
        });
        read.map(Some).ok_or(Error::Search(search::Error::BadCursor))
    }

    fn to_text(&self) -> String {
        format!("{:x}.{}", self.seen, self.place)
    }
}

/// What is to be laid over the view for it to show the moment of the first page.
///
/// # Errors
/// [`search::Error::BadCursor`], [`search::Error::Expired`], or a failure of the store.
pub(super) fn moment(
    view: &dyn View,
    held: &Held,
    cursor: Option<&Cursor>,
) -> Result<(Seq, Batch), Error> {
    let Some(cursor) = cursor else { return Ok((view.seq(), Batch::default())) };
    if cursor.seen > view.seq() {
        return Err(Error::Search(search::Error::BadCursor));
    }
    let batch = repository::past(view, cursor.seen, CHANGED, |resource| held.entries(resource))?;
    Ok((cursor.seen, batch.ok_or(Error::Search(search::Error::Expired))?))
}

/// How many resources a page is to hold, by `_count`.
///
/// # Errors
/// [`Error::Request`] for what is no number from 1.
pub(super) fn count(call: &Call<'_>) -> Result<usize, Error> {
    let Some(text) = call.parameters.text("_count")? else { return Ok(MOST) };
    let digits = !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    let count = digits.then(|| text.parse().unwrap_or(usize::MAX)).filter(|count| *count > 0);
    let wrong = || Error::request("http._count", "_count is a whole number from 1.");
    Ok(count.ok_or_else(wrong)?.min(MOST))
}

/// A page.
#[derive(Debug, Default)]
pub(super) struct Page {
    /// What was asked for.
    pub(super) matches: Vec<Stored>,
    /// What was added to it.
    pub(super) included: Vec<Stored>,
    /// Where the next page begins, if there is one.
    pub(super) next: Option<Cursor>,
    /// How many matches there are in all, where that is known.
    pub(super) total: Option<u64>,
}

impl Page {
    /// The page as a Bundle, with links for a call with those parameters.
    pub(super) fn bundle(
        self,
        call: &Call<'_>,
        path: &str,
        (used, cursor): (&[(String, String)], Option<&Cursor>),
    ) -> Bundle {
        let url = |cursor: Option<&Cursor>| {
            let cursor = cursor.map(|cursor| (CURSOR.to_owned(), cursor.to_text()));
            let all: Vec<_> = used.iter().cloned().chain(cursor).collect();
            let mark = if all.is_empty() { "" } else { "?" };
            format!("{}/{path}{mark}{}", call.base, query::encode(&all))
        };
        let mut bundle = Bundle::new(BundleType::Searchset, call.now);
        bundle.total = self.total;
        bundle.links.push(("self", url(cursor)));
        bundle.links.push(("first", url(None)));
        bundle.links.extend(self.next.as_ref().map(|next| ("next", url(Some(next)))));
        let entry = |stored: Stored, mode| {
            let full_url = Some(format!("{}/{}/{}", call.base, stored.kind, stored.id));
            let (resource, search_mode) = (stored.body, Some(mode));
            Entry { full_url, resource, search_mode, ..Entry::default() }
        };
        let matches = self.matches.into_iter().map(|stored| entry(stored, "match"));
        let included = self.included.into_iter().map(|stored| entry(stored, "include"));
        bundle.entries = matches.chain(included).collect();
        bundle
    }
}

/// That an operation would take more than the server is ready to spend, and what to do instead.
pub(super) fn too_costly(message: impl Into<String>) -> Error {
    let message = message.into();
    Error::Search(search::Error::TooCostly { name: None, message })
}

/// That a value is not right, at the parameter.
pub(super) fn wrong(name: &str, rule: &str) -> Error {
    Error::Request(Issue::error(IssueType::Invalid, rule).at(format!("http.{name}")))
}

/// That a parameter is needed.
pub(super) fn missing(name: &str, rule: &str) -> Error {
    Error::Request(Issue::error(IssueType::Required, rule).at(format!("http.{name}")))
}

/// A parameter that is a whole number from 1; none where it is not given.
///
/// # Errors
/// [`Error::Request`] for anything else.
pub(super) fn whole(call: &Call<'_>, name: &str) -> Result<Option<usize>, Error> {
    let Some(text) = call.parameters.text(name)? else { return Ok(None) };
    let number = text.parse().ok().filter(|number| *number > 0 && !text.starts_with('+'));
    let rule = format!("{name} is a whole number from 1.");
    number.map(Some).ok_or_else(|| wrong(name, &rule))
}
