//! What is stored, page by page, all of one moment.

use rayon::prelude::*;
use serde_json::Value;

use super::{Asked, INSTEAD};
use crate::error::Error;
use crate::operation::Call;
use crate::operation::everything::scope::{Reader, Scope};
use crate::operation::pages::{self, Cursor, too_costly};
use crate::repository::Stored;
use crate::store::Overlay;
use crate::view_definition::Row;

/// How many resources are read before rows are made of them.
const PAGE: usize = 1000;

/// Hands over the rows of what is asked about, in the order of ids, until the function wants no
/// more.
pub(super) fn each(
    call: &Call<'_>,
    asked: &Asked,
    take: &mut dyn FnMut(Vec<Row>) -> Result<bool, Error>,
) -> Result<(), Error> {
    let kind = asked.view.resource;
    let held = call.app.held();
    let scope = {
        let view = call.app.store.view()?;
        match (&asked.patient, asked.groups.as_slice()) {
            (None, []) => Scope::All,
            (patient, groups) => Scope::of_patients(&*view, patient.as_ref(), groups)?,
        }
    };
    // A resource costs about as much as ten rows of an index: it is read, and looked at in part.
    let most = (call.app.config.max_search_rows / 10).max(1);
    let (mut seen, mut after, mut looked_at) = (None, None, 0);
    loop {
        let mut page: Vec<Stored> = Vec::new();
        let more = {
            let view = call.app.store.view()?;
            let cursor = seen.map(|seen| Cursor { seen, place: String::new() });
            let (moment, batch) = pages::moment(&*view, &held, cursor.as_ref())?;
            seen = Some(moment);
            let view = Overlay::new(&*view, &batch);
            let reader = Reader { view: &view, rules: &held.rules, now: call.now, scope: &scope };
            reader.each(kind, after, PAGE, &mut |stored| {
                if page.len() == PAGE {
                    return Ok(false);
                }
                page.push(stored);
                Ok(true)
            })?
        };
        looked_at += page.len() as u64;
        if looked_at > most {
            let text = format!("The table is made of more than {most} resources. {INSTEAD}");
            return Err(too_costly(text));
        }
        after = page.last().map(|stored| stored.id.clone());
        for rows in rows(asked, &page)? {
            if !take(rows)? {
                return Ok(());
            }
        }
        if !more {
            return Ok(());
        }
    }
}

/// The rows of each resource of a page.
fn rows(asked: &Asked, page: &[Stored]) -> Result<Vec<Vec<Row>>, Error> {
    let is_recent = |stored: &&Stored| asked.since.is_none_or(|since| stored.last_updated > since);
    let recent: Vec<&Stored> = page.iter().filter(is_recent).collect();
    let one = |stored: &&Stored| {
        let value: Option<Value> = stored.content()?.map(|content| content.value().clone());
        let rows = value.map(|value| asked.view.rows(&value)).transpose();
        rows.map(Option::unwrap_or_default).map_err(|fault| asked.told(fault))
    };
    recent.par_iter().map(one).collect()
}
