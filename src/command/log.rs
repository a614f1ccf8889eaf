//! The log of a server on the standard error: for people, or a JSON object a line.
//!
//! In JSON each event has `time` (UTC, RFC 3339), `level`, `target`, `message` and its fields under their
//! names; what is text is escaped, so that no value can begin a line of its own.

use std::fmt::{self, Write as _};

use serde_json::{Map, Value, json};
use tracing::field::{Field, Visit};
use tracing::{Event, Subscriber};
use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::format::{FormatEvent, FormatFields, Writer};
use tracing_subscriber::fmt::{FmtContext, time::FormatTime, time::SystemTime};
use tracing_subscriber::registry::LookupSpan;

use crate::config::{LogFormat, Operating};

/// What tells of requests.
const REQUESTS: &str = "spondyl::http::middleware=debug";

/// Begins to log as the settings say, at that level unless `RUST_LOG` says otherwise.
pub(super) fn begin(operating: &Operating, level: &str) {
    let mut filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(level));
    if let Some(requests) = operating.log_requests.then(|| REQUESTS.parse().ok()).flatten() {
        filter = filter.add_directive(requests);
    }
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    match operating.log_format {
        LogFormat::Text => log.init(),
        LogFormat::Json => log.event_format(Lines).init(),
    }
}

/// A JSON object a line.
struct Lines;

impl<S, N> FormatEvent<S, N> for Lines
where
    S: Subscriber + for<'a> LookupSpan<'a>,
    N: for<'a> FormatFields<'a> + 'static,
{
    fn format_event(
        &self,
        _: &FmtContext<'_, S, N>,
        mut writer: Writer<'_>,
        event: &Event<'_>,
    ) -> fmt::Result {
        let mut time = String::new();
        SystemTime.format_time(&mut Writer::new(&mut time))?;
        let metadata = event.metadata();
        let mut fields = Fields(Map::new());
        fields.0.insert("time".to_owned(), json!(time));
        fields.0.insert("level".to_owned(), json!(metadata.level().as_str()));
        fields.0.insert("target".to_owned(), json!(metadata.target()));
        event.record(&mut fields);
        writeln!(writer, "{}", Value::Object(fields.0))
    }
}

/// The fields of an event.
struct Fields(Map<String, Value>);

impl Fields {
    fn put(&mut self, field: &Field, value: Value) {
        self.0.insert(field.name().to_owned(), value);
    }
}

impl Visit for Fields {
    fn record_i64(&mut self, field: &Field, value: i64) {
        self.put(field, json!(value));
    }

    fn record_u64(&mut self, field: &Field, value: u64) {
        self.put(field, json!(value));
    }

    fn record_bool(&mut self, field: &Field, value: bool) {
        self.put(field, json!(value));
    }

    fn record_str(&mut self, field: &Field, value: &str) {
        self.put(field, json!(value));
    }

    fn record_debug(&mut self, field: &Field, value: &dyn fmt::Debug) {
        let mut text = String::new();
        if write!(text, "{value:?}").is_ok() {
            self.put(field, json!(text));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io;
    use std::sync::{Arc, Mutex};

    #[derive(Clone, Default)]
    struct Kept(Arc<Mutex<Vec<u8>>>);

    impl io::Write for Kept {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.0.lock().unwrap().extend_from_slice(bytes);
            Ok(bytes.len())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn an_event_is_one_line_whatever_its_values_are() {
        let kept = Kept::default();
        let made = kept.clone();
        let log = tracing_subscriber::fmt().with_writer(move || made.clone()).event_format(Lines);
        tracing::subscriber::with_default(log.finish(), || {
            tracing::warn!(client.id = "a\nlevel=ERROR \"b\"", status = 7_u64, "it\nhappened");
        });
        let text = String::from_utf8(kept.0.lock().unwrap().clone()).unwrap();
        assert_eq!(text.lines().count(), 1, "{text}");
        let line: Value = serde_json::from_str(&text).unwrap();
        assert_eq!(line["client.id"], "a\nlevel=ERROR \"b\"");
        assert_eq!((&line["status"], &line["level"]), (&json!(7), &json!("WARN")));
        assert_eq!(line["message"], "it\nhappened");
        let time = line["time"].as_str().unwrap();
        assert!(crate::fhir::Instant::parse(time).is_some() && time.ends_with('Z'), "{time}");
    }
}
