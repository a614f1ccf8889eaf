//! Bulk Data Access, from requests to answers.
//!
//! `$export` on the system, on Patient and on a Group begins an export; its state, its manifest, its
//! files and its end are under `[base]/exports/{id}`.
//! Source: <https://hl7.org/fhir/uv/bulkdata/export.html> (3.0.0).

use std::fs::File;
use std::io::{self, Read};
use std::pin::Pin;
use std::task::{Context, Poll};

use actix_web::body::{BodySize, MessageBody};
use actix_web::http::header::{self, ContentType};
use actix_web::{HttpResponse, web};
use serde_json::json;

use crate::bulk::request::pairs_of;
use crate::bulk::{Exports, Fault, Level, Request, State};
use crate::error::Error;
use crate::fhir::{Id, Instant, ResourceType};
use crate::http::admit::given;
use crate::http::extract::{self, Expected};
use crate::http::format::Format;
use crate::http::prefer::Prefer;
use crate::http::reply;
use crate::http::route::{Answer, Call, Verb};
use crate::http::{block, now};
use crate::operation::Place;
use crate::repository;

/// How soon a client should ask again, in seconds.
const AGAIN: &str = "1";
/// Who asks sooner than that is refused: a little less, for clocks that differ.
const SOONEST: i64 = 900;

impl From<Fault> for Error {
    fn from(fault: Fault) -> Self {
        match fault {
            Fault::Asked(error) => error,
            fault => Self::Internal(Box::new(fault)),
        }
    }
}

/// Whether the operation is the export of that place.
pub(super) fn is_export(place: &Place, name: &str) -> bool {
    let level = (place.kind.map(ResourceType::as_str), place.id.is_some(), place.version.is_some());
    name == "$export"
        && matches!(level, (None | Some("Patient"), false, false) | (Some("Group"), true, false))
}

/// The kick-off.
pub(super) async fn begin(call: Call, verb: Verb, place: Place, payload: web::Payload) -> Answer {
    let prefer = Prefer::of(call.request.headers());
    if !prefer.respond_async {
        let text = "An export is asked for with Prefer: respond-async.";
        return Err(Error::request("http.Prefer", text));
    }
    let mut pairs = extract::parameters(&call.request);
    if verb == Verb::Post {
        let limit = call.app.config.max_body;
        let body = extract::body(&call.request, payload, Expected::Call, limit).await?;
        match body.form()? {
            Some(form) => pairs.extend(form),
            None if !body.text().is_empty() => {
                pairs.extend(pairs_of(&extract::any_resource(&body)?)?);
            }
            None => {}
        }
    }
    let level = match place.kind.map(ResourceType::as_str) {
        None => Level::System,
        Some("Group") => Level::Group(place.id.as_ref().map(Id::to_string).unwrap_or_default()),
        Some(_) => Level::Patient,
    };
    let request = Request { level, pairs, lenient: prefer.strict == Some(false) };
    let base = extract::base(&call.app, &call.request);
    let url = format!("{}{}", base.strip_suffix(super::BASE).unwrap_or(&base), call.request.uri());
    let exports = given::<Exports>(&call.request)?.clone();
    let app = call.app.clone();
    let job = block(move || {
        // What was written in this very millisecond may not be on disk yet: as of the one before.
        let moment = Instant::from_millis(now().millis().saturating_sub(1));
        request.read(&app.held().rules, moment)?;
        if let (Some(kind), Some(id)) = (place.kind, &place.id) {
            repository::standing(&*app.store.view()?, kind, id)?.ok_or(Error::NotFound)?;
        }
        Ok(exports.begin(url, request, app.access.as_deref(), moment)?)
    });
    let job = job.await?;
    let at = format!("{base}/exports/{}", job.id);
    Ok(HttpResponse::Accepted().insert_header((header::CONTENT_LOCATION, at)).finish())
}

/// `GET [base]/exports/{id}`: how far it is, or the manifest.
pub(super) async fn status(call: Call, id: &str) -> Answer {
    let exports = given::<Exports>(&call.request)?.clone();
    let base = extract::base(&call.app, &call.request);
    let (access, id) = (call.app.access.clone(), id.to_owned());
    let own = exports.clone();
    let job = block(move || Ok(own.find(&id, access.as_deref())?)).await?;
    Ok(match &job.state {
        State::Running => {
            let text = match exports.progress(&job.id, now(), SOONEST)? {
                None => "waiting".to_owned(),
                Some((done, all)) => format!("{done} of {all} types"),
            };
            HttpResponse::Accepted()
                .insert_header(("X-Progress", text))
                .insert_header((header::RETRY_AFTER, AGAIN))
                .finish()
        }
        State::Failed(text) => return Err(Error::NotDone(text.clone())),
        State::Done { until, .. } if *until <= now().millis() => return Err(Error::NotFound),
        State::Done { outputs, warnings, until } => {
            let told = |deleted: bool| -> Vec<_> {
                let own = outputs.iter().filter(|output| output.deleted == deleted);
                own.map(|output| {
                    let url = format!("{base}/exports/{}/{}", job.id, output.name);
                    json!({ "type": output.kind, "url": url, "count": output.count })
                })
                .collect()
            };
            let mut manifest = json!({
                "transactionTime": Instant::from_millis(job.moment).to_string(),
                "request": job.url,
                "requiresAccessToken": call.app.access.is_some(),
                "output": told(false),
                "deleted": told(true),
                "error": [],
            });
            if let (Some(object), false) = (manifest.as_object_mut(), warnings.is_empty()) {
                object.insert("extension".to_owned(), json!({ "passed-over": warnings }));
            }
            let expires = std::time::SystemTime::from(Instant::from_millis(*until).to_utc());
            HttpResponse::Ok()
                .insert_header(header::Expires(expires.into()))
                .insert_header(ContentType::json())
                .body(manifest.to_string())
        }
    })
}

/// `DELETE [base]/exports/{id}`.
pub(super) async fn remove(call: Call, id: &str) -> Answer {
    let exports = given::<Exports>(&call.request)?.clone();
    let (access, id) = (call.app.access.clone(), id.to_owned());
    block(move || {
        let job = exports.find(&id, access.as_deref())?;
        Ok(exports.remove(&job.id)?)
    })
    .await?;
    Ok(reply::outcome(202, &[], Format::PLAIN))
}

/// `GET [base]/exports/{id}/{file}`.
pub(super) async fn file(call: Call, id: &str, name: &str) -> Answer {
    let exports = given::<Exports>(&call.request)?.clone();
    let (access, id, name) = (call.app.access.clone(), id.to_owned(), name.to_owned());
    let file = block(move || {
        let job = exports.find(&id, access.as_deref())?;
        let path = exports.file(&job, &name, now())?;
        File::open(path).map_err(|error| Error::Internal(Box::new(error)))
    });
    let body = FileBody(file.await?);
    Ok(HttpResponse::Ok().content_type("application/fhir+ndjson").body(body))
}

/// A file as a body, read a piece at a time: what was just written is in memory, so that reading it
/// where it is sent is shorter than a hop to another thread.
struct FileBody(File);

/// How much is read at a time, in bytes.
const PIECE: usize = 64 << 10;

impl MessageBody for FileBody {
    type Error = io::Error;

    fn size(&self) -> BodySize {
        // It may be compressed on the way, which wants a stream.
        BodySize::Stream
    }

    fn poll_next(
        mut self: Pin<&mut Self>,
        _: &mut Context<'_>,
    ) -> Poll<Option<Result<web::Bytes, Self::Error>>> {
        let mut piece = vec![0; PIECE];
        Poll::Ready(match self.0.read(&mut piece) {
            Ok(0) => None,
            Ok(length) => {
                piece.truncate(length);
                Some(Ok(piece.into()))
            }
            Err(error) => Some(Err(error)),
        })
    }
}
