//! The numbers of the server as `OpenMetrics`: requests by route, verb and class of status, how long they
//! took, commits, what waits. No label holds a value, an id or a client.
//!
//! Who may see them: whoever asks from this machine itself, not through a proxy on it; or has a token
//! that reads all (`system/*.rs`).
//! Source: <https://github.com/prometheus/OpenMetrics/blob/v1.0.0/specification/OpenMetrics.md>.

use std::sync::Mutex;
use std::time::Duration;

use actix_web::http::header::{CONTENT_TYPE, HeaderMap};
use actix_web::{HttpRequest, HttpResponse, web};
use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::metrics::histogram::Histogram;
use prometheus_client::registry::{Registry, Unit};

use crate::app::App;
use crate::bulk::Exports;
use crate::error::Error;
use crate::http::admit::{self, given};
use crate::http::now;
use crate::http::route::{Answer, Call};
use crate::trail::Trail;

/// What one request was.
#[derive(Clone, PartialEq, Eq, Hash, Debug, EncodeLabelSet)]
struct Request {
    route: &'static str,
    verb: &'static str,
    status: &'static str,
}

/// Which route it was.
#[derive(Clone, PartialEq, Eq, Hash, Debug, EncodeLabelSet)]
struct Routed {
    route: &'static str,
}

/// The numbers of a server.
pub(super) struct Metrics {
    registry: Mutex<Registry>,
    requests: Family<Request, Counter>,
    durations: Family<Routed, Histogram, fn() -> Histogram>,
    limited: Counter,
    commits: Gauge,
    size: Gauge,
    indexing: Gauge,
    exports: Gauge,
    trail_waiting: Gauge,
    trail_written: Gauge,
    trail_failing: Gauge,
}

/// The ends of the classes of durations, in seconds.
const CLASSES: [f64; 10] = [0.000_25, 0.001, 0.005, 0.01, 0.025, 0.1, 0.25, 1.0, 5.0, 30.0];

impl Metrics {
    /// All at zero.
    pub(super) fn new() -> Self {
        let metrics = Self {
            registry: Mutex::default(),
            requests: Family::default(),
            durations: Family::new_with_constructor(|| Histogram::new(CLASSES)),
            limited: Counter::default(),
            commits: Gauge::default(),
            size: Gauge::default(),
            indexing: Gauge::default(),
            exports: Gauge::default(),
            trail_waiting: Gauge::default(),
            trail_written: Gauge::default(),
            trail_failing: Gauge::default(),
        };
        metrics.register();
        metrics
    }

    fn register(&self) {
        let mut registry = self.registry.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let all = registry.sub_registry_with_prefix("spondyl");
        all.register("http_requests", "Requests answered", self.requests.clone());
        let durations = self.durations.clone();
        all.register_with_unit("http_duration", "Time to the answer", Unit::Seconds, durations);
        all.register("http_limited", "Requests beyond the rate", self.limited.clone());
        for (name, help, gauge) in [
            ("store_commits", "The number of the last commit", &self.commits),
            ("indexing_types", "Types whose new search parameters are indexed", &self.indexing),
            ("exports_unfinished", "Exports that wait or run", &self.exports),
            (
                "trail_waiting",
                "Requests that wait to be written to the audit trail",
                &self.trail_waiting,
            ),
            ("trail_written", "Events of the audit trail since the start", &self.trail_written),
            ("trail_failing", "1 while the audit trail cannot be written", &self.trail_failing),
        ] {
            all.register(name, help, gauge.clone());
        }
        let size = self.size.clone();
        all.register_with_unit("store_size", "Files of the store", Unit::Bytes, size);
    }

    /// Counts a request that was answered.
    pub(super) fn count(
        &self,
        route: &'static str,
        verb: &'static str,
        status: u16,
        took: Duration,
    ) {
        let class = match status {
            ..200 => "1xx",
            200..300 => "2xx",
            300..400 => "3xx",
            400..500 => "4xx",
            _ => "5xx",
        };
        if status == 429 {
            self.limited.inc();
        }
        self.requests.get_or_create(&Request { route, verb, status: class }).inc();
        self.durations.get_or_create(&Routed { route }).observe(took.as_secs_f64());
    }

    /// Looks at what is not counted but stands somewhere.
    fn look(&self, app: &App, exports: &Exports, trail: Option<&Trail>) {
        let number = |value: u64| i64::try_from(value).unwrap_or(i64::MAX);
        let count = |value: usize| i64::try_from(value).unwrap_or(i64::MAX);
        self.commits.set(number(*app.store.head().borrow()));
        self.size.set(number(std::fs::metadata(app.config.data.join("db")).map_or(0, |m| m.len())));
        self.indexing.set(count(app.held().rules.pending().len()));
        self.exports.set(count(exports.unfinished()));
        self.trail_waiting.set(trail.map_or(0, |trail| count(trail.waiting())));
        self.trail_written.set(trail.map_or(0, |trail| number(trail.written())));
        self.trail_failing.set(trail.map_or(0, |trail| i64::from(trail.is_failing())));
    }

    fn text(&self) -> Result<String, std::fmt::Error> {
        let registry = self.registry.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let mut text = String::new();
        encode(&mut text, &registry)?;
        Ok(text)
    }
}

/// `GET /metrics`.
pub(super) async fn answer(call: &Call) -> Answer {
    let request = &call.request;
    if !is_from_here(request) && !admit::access(&call.app, request, now()).await?.sees_all() {
        return Err(Error::Forbidden);
    }
    let metrics = given::<Metrics>(request)?;
    let trail: &web::Data<Option<Trail>> = given(request)?;
    metrics.look(&call.app, given::<Exports>(request)?, trail.as_ref().as_ref());
    let text = metrics.text().map_err(|error| Error::Internal(Box::new(error)))?;
    let kind = "application/openmetrics-text; version=1.0.0; charset=utf-8";
    Ok(HttpResponse::Ok().insert_header((CONTENT_TYPE, kind)).body(text))
}

/// What a proxy adds to what it passes on.
const PASSED_ON: [&str; 4] = ["forwarded", "via", "x-forwarded-for", "x-real-ip"];

fn is_from_here(request: &HttpRequest) -> bool {
    let address = request.peer_addr().map(|address| address.ip().to_canonical());
    address.is_some_and(|address| address.is_loopback()) && !is_passed_on(request.headers())
}

fn is_passed_on(headers: &HeaderMap) -> bool {
    PASSED_ON.iter().any(|name| headers.contains_key(*name))
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    #[test]
    fn from_this_machine_and_not_through_a_proxy_on_it() {
        let from = |address: &str| TestRequest::get().peer_addr(address.parse().unwrap());
        assert!(is_from_here(&from("127.0.0.1:5").to_http_request()));
        assert!(is_from_here(&from("[::ffff:127.0.0.1]:5").to_http_request()));
        assert!(!is_from_here(&from("192.0.2.1:5").to_http_request()));
        for name in PASSED_ON {
            let passed = from("127.0.0.1:5").insert_header((name, "192.0.2.1"));
            assert!(!is_from_here(&passed.to_http_request()), "{name}");
        }
        assert!(!is_from_here(&TestRequest::get().to_http_request()));
    }

    #[test]
    fn requests_are_counted_by_class() {
        let metrics = Metrics::new();
        let took = Duration::from_millis(3);
        for status in [200, 201, 404, 429, 500] {
            metrics.count("/{type}/{id}", "GET", status, took);
        }
        let text = metrics.text().unwrap();
        for line in [
            r#"spondyl_http_requests_total{route="/{type}/{id}",verb="GET",status="2xx"} 2"#,
            r#"spondyl_http_requests_total{route="/{type}/{id}",verb="GET",status="4xx"} 2"#,
            r#"spondyl_http_requests_total{route="/{type}/{id}",verb="GET",status="5xx"} 1"#,
            r#"spondyl_http_duration_seconds_bucket{le="0.005",route="/{type}/{id}"} 5"#,
            "spondyl_http_limited_total 1",
        ] {
            assert!(text.contains(line), "{line} is not in\n{text}");
        }
        assert!(text.ends_with("# EOF\n"));
    }
}
