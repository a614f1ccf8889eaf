//! The first page, for people: `GET /`.

use actix_web::http::header::CONTENT_TYPE;

use crate::app::{App, is_descriptive};
use crate::error::Error;
use crate::fhir::ResourceType;
use crate::http::format::{Format, Media};
use crate::http::route::{Answer, Call};
use crate::http::{BASE, block, now, reply};
use crate::operation::episode_summary::heads;
use crate::page::{self, Episode, Overview};
use crate::repository::{key, read};

/// How many episodes are shown.
const EPISODES: usize = 50;
/// How many resources of a type are counted.
const COUNTED: u64 = 100_000;

/// `GET /`.
pub(super) async fn index(call: Call) -> Answer {
    let Call { app, request } = call;
    let _accepted = Format::of(&request, Media::PAGE)?;
    let overview = block(move || {
        let (episodes, more) = heads(&app, EPISODES, now())?;
        Ok(Overview {
            api: BASE.to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            counts: counts(&app)?,
            episodes: episodes.iter().map(|(id, head)| Episode::of(id.as_str(), head)).collect(),
            more,
        })
    });
    let page = page::index(&overview.await?);
    let mut builder = reply::status(200);
    builder.insert_header((CONTENT_TYPE, Media::Html.content_type()));
    builder.insert_header(reply::PAGE_POLICY);
    Ok(builder.body(page))
}

/// How many resources of each type there are, types without any and definitions left out.
fn counts(app: &App) -> Result<Vec<(String, u64)>, Error> {
    let mut counts = Vec::new();
    for kind in ResourceType::all().filter(|kind| !is_descriptive(*kind)) {
        // A view for each type, so that no writer waits for all of them.
        let view = app.store.view()?;
        let mut count = 0;
        for row in view.scan(key::current_range(kind)) {
            let (_, deleted) = read::parse_current(&row?.value)?;
            count += u64::from(!deleted);
            if count >= COUNTED {
                break;
            }
        }
        match count {
            0 => {}
            COUNTED => counts.push((format!("{kind} (at least)"), count)),
            _ => counts.push((kind.to_string(), count)),
        }
    }
    Ok(counts)
}
