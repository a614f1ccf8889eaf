//! Batch and transaction, from requests to answers.

use actix_web::web;

use crate::http::extract::{self, Expected};
use crate::http::format::{Format, Media};
use crate::http::operation::Entries;
use crate::http::prefer::Prefer;
use crate::http::route::{Answer, Call};
use crate::http::{block, journal, now, reply};
use crate::interaction::batch::{Operations, Setting, process};

/// `POST [base]`.
pub(super) async fn process_bundle(call: Call, payload: web::Payload) -> Answer {
    let Call { app, request, .. } = call;
    let format = Format::of(&request, Media::RESOURCE)?;
    let prefer = Prefer::of(request.headers());
    let base = extract::base(&app, &request);
    let body = extract::body(&request, payload, Expected::Resource, app.config.max_bundle).await?;
    let bundle = block(move || {
        let strict = prefer.strict.unwrap_or(false);
        let now = now();
        let entries = Entries { app: &app, base: &base, now };
        let operations: Option<&dyn Operations> = Some(&entries);
        let (answer, text) = (prefer.answer, body.text());
        let setting = Setting { app: &app, base: &base, now, answer, strict, text, operations };
        let sent = extract::located(&body, || extract::any_resource(&body))?;
        let asked = journal::bundle::asked(sent.value());
        // What it was is told also where it comes to nothing.
        Ok((extract::located(&body, || process(setting, sent)), asked))
    });
    let (bundle, (is_transaction, asked)) = bundle.await?;
    journal::bundle::begun(&request, is_transaction);
    let bundle = bundle?;
    journal::bundle::ended(&request, &asked, &bundle.entries);
    let mut response = reply::bundle(&bundle, format);
    reply::tell_applied(&mut response, prefer.answer);
    Ok(response)
}
