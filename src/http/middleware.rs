//! What every answer has: a request id, safe headers, an OperationOutcome for every error; a browser
//! gets the same as a page.
//!
//! A defect that panics is answered like any other failure; the connection and the server go on.
//! The log has route, method, status, time and client, and for failures of the server their cause; never
//! a path with values, a body or a parameter.
//! Source: <http://hl7.org/fhir/R4/http.html#custom>, <http://hl7.org/fhir/R4/security.html#http>.

use std::panic::AssertUnwindSafe;
use std::pin::pin;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU64, Ordering};
use std::task::Poll;
use std::time::Instant;

use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::error::InternalError;
use actix_web::http::Method;
use actix_web::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use actix_web::middleware::Next;
use actix_web::{HttpMessage, HttpRequest, HttpResponse, web};

use crate::error::Error;
use crate::http::format::{Format, Media};
use crate::http::journal::{Notes, RequestId};
use crate::http::metrics::Metrics;
use crate::http::route::Route;
use crate::http::{page, reply};

const REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");
const CORRELATION_ID: HeaderName = HeaderName::from_static("x-correlation-id");

/// Wraps every request.
pub(super) async fn every_request(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse, actix_web::Error> {
    let seen = Seen::of(&request);
    request.extensions_mut().insert(RequestId(seen.id.clone()));
    let error = match unless_it_panics(next.call(request)).await {
        Some(Ok(response)) => {
            let (request, response) = response.into_parts();
            let cause = response.error().and_then(|error| error.as_error::<Error>());
            let mut response = match cause {
                Some(error) if Format::is_page(&request) => {
                    let words = page::words_of(&request);
                    reply::error_page(seen.log(error), seen.id.to_str().unwrap_or_default(), words)
                }
                Some(error) => {
                    let format = Format::of(&request, Media::RESOURCE).unwrap_or(Format::PLAIN);
                    reply::error(seen.log(error), format)
                }
                None => response.map_into_boxed_body(),
            };
            seen.finish(&mut response, Some(&request));
            return Ok(ServiceResponse::new(request, response));
        }
        Some(Err(error)) => foreign(&error),
        None => Error::Internal("a handler panicked".into()),
    };
    let mut response = reply::error(seen.log(&error), Format::PLAIN);
    seen.finish(&mut response, None);
    Err(InternalError::from_response(error, response).into())
}

/// What is kept of a request until it is answered.
struct Seen {
    started: Instant,
    method: Method,
    id: HeaderValue,
    replaced: Option<HeaderValue>,
}

impl Seen {
    fn of(request: &ServiceRequest) -> Self {
        let (id, replaced) = request_id(request.headers());
        Self { started: Instant::now(), method: request.method().clone(), id, replaced }
    }

    /// Tells of the cause when the server failed.
    fn log<'a>(&self, error: &'a Error) -> &'a Error {
        if error.status() >= 500 {
            let id = self.id.to_str().unwrap_or_default();
            tracing::error!(request.id = id, cause = ?error, "a request failed");
        }
        error
    }

    fn finish(self, response: &mut HttpResponse, request: Option<&HttpRequest>) {
        let took = self.started.elapsed();
        let status = response.status().as_u16();
        let extensions = request.map(|request| request.extensions());
        let notes = extensions.as_ref().and_then(|extensions| extensions.get::<Notes>());
        let route = notes.and_then(|notes| notes.route).map_or("none", Route::template);
        let client = notes.and_then(|notes| notes.who.client.as_deref()).unwrap_or_default();
        tracing::debug!(
            request.id = self.id.to_str().unwrap_or_default(),
            request.method = self.method.as_str(),
            request.route = route,
            client.id = client,
            response.status = status,
            duration_us = u64::try_from(took.as_micros()).unwrap_or(u64::MAX),
            "answered"
        );
        let metrics = request.and_then(|request| request.app_data::<web::Data<Metrics>>());
        if let Some(metrics) = metrics {
            metrics.count(route, verb(&self.method), status, took);
        }
        let headers = response.headers_mut();
        headers.insert(REQUEST_ID, self.id);
        if let Some(client) = self.replaced {
            headers.insert(CORRELATION_ID, client);
        }
        headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
        headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("no-referrer"));
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
}

/// The verb as a label: there are not more labels than verbs.
fn verb(method: &Method) -> &'static str {
    match *method {
        Method::GET => "GET",
        Method::HEAD => "HEAD",
        Method::POST => "POST",
        Method::PUT => "PUT",
        Method::PATCH => "PATCH",
        Method::DELETE => "DELETE",
        Method::OPTIONS => "OPTIONS",
        _ => "other",
    }
}

/// An error of the framework, in our words.
fn foreign(error: &actix_web::Error) -> Error {
    match error.as_response_error().status_code().as_u16() {
        408 => Error::TimedOut,
        404 => Error::UnknownRoute,
        400..500 => Error::Unreadable,
        _ => Error::Internal(error.to_string().into()),
    }
}

/// What the future gives; none if it panics. The panic hook has told of it.
async fn unless_it_panics<F: Future>(future: F) -> Option<F::Output> {
    let mut future = pin!(future);
    std::future::poll_fn(move |context| {
        let polled = std::panic::catch_unwind(AssertUnwindSafe(|| future.as_mut().poll(context)));
        match polled {
            Ok(Poll::Pending) => Poll::Pending,
            Ok(Poll::Ready(output)) => Poll::Ready(Some(output)),
            Err(_) => Poll::Ready(None),
        }
    })
    .await
}

/// The client's request id if it may be repeated, else a new one, with the client's if that may at
/// least be told.
fn request_id(headers: &HeaderMap) -> (HeaderValue, Option<HeaderValue>) {
    static RUN: OnceLock<String> = OnceLock::new();
    static NUMBER: AtomicU64 = AtomicU64::new(1);
    if let Some(sent) = headers.get(&REQUEST_ID) {
        let legal = |byte: &u8| byte.is_ascii_alphanumeric() || b"-._".contains(byte);
        if (1..=64).contains(&sent.len()) && sent.as_bytes().iter().all(legal) {
            return (sent.clone(), None);
        }
    }
    let run = RUN.get_or_init(|| {
        let run = uuid::Uuid::new_v4().simple().to_string();
        run.chars().take(12).collect()
    });
    let id = format!("{run}-{:x}", NUMBER.fetch_add(1, Ordering::Relaxed));
    let id = HeaderValue::from_str(&id).unwrap_or(HeaderValue::from_static("none"));
    let printable =
        |sent: &&HeaderValue| sent.len() <= 200 && sent.as_bytes().iter().all(u8::is_ascii_graphic);
    (id, headers.get(&REQUEST_ID).filter(printable).cloned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::{App, middleware::from_fn, test};

    /// A defect ends one request, with an outcome, and nothing else.
    #[actix_web::test]
    async fn a_panic_is_an_answer() {
        async fn broken() -> HttpResponse {
            let nothing: Option<u8> = std::hint::black_box(None);
            HttpResponse::Ok().body(nothing.unwrap().to_string())
        }
        let app = App::new()
            .wrap(from_fn(every_request))
            .route("/broken", web::get().to(broken))
            .route("/sound", web::get().to(HttpResponse::Ok));
        let app = test::init_service(app).await;
        let request = test::TestRequest::with_uri("/broken").to_request();
        let error = test::try_call_service(&app, request).await.unwrap_err();
        let response = error.error_response();
        assert_eq!(response.status().as_u16(), 500);
        assert!(response.headers().contains_key(&REQUEST_ID));
        let body = actix_web::body::to_bytes(response.into_body()).await.unwrap();
        assert!(body.starts_with(b"{\"resourceType\":\"OperationOutcome\""));
        let request = test::TestRequest::with_uri("/sound").to_request();
        assert!(test::call_service(&app, request).await.status().is_success());
    }
}
