//! The table of an audit as a file: the whole and the groups of one stratifier, a line for each.
//!
//! The same numbers as on the page, unrounded; what is withheld or undefined is empty (`null`), and
//! `withheld` says which. Sources: <https://www.rfc-editor.org/rfc/rfc4180>,
//! <https://github.com/ndjson/ndjson-spec>.

use serde_json::{Map, Value, json};

use super::{Asked, Told};
use crate::audit::Population;
use crate::audit::table::{Part, Row, Told as Shown};
use crate::clinical::element::text;

/// The form of a file.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Form {
    /// Values between commas, with a line of names first.
    Csv,
    /// An object in each line.
    Ndjson,
    /// An array of objects.
    Json,
}

impl Form {
    /// Every form.
    pub const ALL: [Self; 3] = [Self::Csv, Self::Ndjson, Self::Json];

    /// Its name for `_format`, and the ending of the file.
    pub fn code(self) -> &'static str {
        match self {
            Self::Csv => "csv",
            Self::Ndjson => "ndjson",
            Self::Json => "json",
        }
    }

    /// Its name for people.
    pub fn name(self) -> &'static str {
        match self {
            Self::Csv => "CSV",
            Self::Ndjson => "NDJSON",
            Self::Json => "JSON",
        }
    }

    /// Its media type.
    pub fn media(self) -> &'static str {
        match self {
            Self::Csv => "text/csv;charset=utf-8;header=present",
            Self::Ndjson => "application/x-ndjson;charset=utf-8",
            Self::Json => "application/json;charset=utf-8",
        }
    }

    /// The form that `_format` names, shortly or as a media type.
    pub fn parse(name: &str) -> Option<Self> {
        let name = name.split(';').next().unwrap_or_default().trim();
        let media = |form: &Self| form.media().split(';').next() == Some(name);
        Self::ALL.into_iter().find(|form| form.code() == name || media(form))
    }
}

/// The file.
///
/// # Errors
/// What the writer of CSV says, which has nothing to say of text in memory.
pub fn download(asked: &Asked, told: Told<'_>, form: Form) -> Result<Vec<u8>, csv::Error> {
    let rows = rows(asked, told);
    match form {
        Form::Json => Ok(Value::from(rows).to_string().into_bytes()),
        Form::Ndjson => {
            let lines = rows.iter().map(|row| format!("{row}\n"));
            Ok(lines.collect::<String>().into_bytes())
        }
        Form::Csv => {
            let mut writer = csv::Writer::from_writer(Vec::new());
            let names = rows.first().and_then(Value::as_object).into_iter().flat_map(Map::keys);
            writer.write_record(names)?;
            for row in &rows {
                let cells = row.as_object().into_iter().flat_map(Map::values).map(cell);
                writer.write_record(cells)?;
            }
            writer.into_inner().map_err(|error| csv::Error::from(error.into_error()))
        }
    }
}

/// A value between commas. Text that a spreadsheet would take for a formula begins with an apostrophe:
/// <https://owasp.org/www-community/attacks/CSV_Injection>.
fn cell(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) if text.starts_with(['=', '+', '-', '@', '\t', '\r']) => {
            format!("'{text}")
        }
        Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}

fn rows(asked: &Asked, told: Told<'_>) -> Vec<Value> {
    let by = asked.stratifier.as_deref();
    let parts = told.table.parts.iter().enumerate();
    parts
        .flat_map(|(at, Part { whole, splits })| {
            let groups = splits.iter().filter(|split| Some(split.code.as_str()) == by);
            let groups = groups.flat_map(|split| split.rows.iter()).map(|row| (by, row));
            let rows: Vec<_> = std::iter::once((None, whole)).chain(groups).collect();
            rows.into_iter().map(move |(by, row)| object(asked, told, (at, by, row)))
        })
        .collect()
}

/// One row, with every column whatever the scoring.
fn object(asked: &Asked, told: Told<'_>, (at, by, row): (usize, Option<&str>, &Row)) -> Value {
    let named = row.value.as_deref().and_then(|value| told.names.get(value));
    let value = match (by, &row.value) {
        (None, _) => None,
        (Some(_), Some(value)) => Some(value.as_str()),
        (Some(_), None) => Some(super::cases::UNKNOWN),
    };
    let estimate = row.estimate();
    let interval = estimate.and_then(|estimate| estimate.interval);
    let (count, of) = match row.figure {
        Shown::Proportion { count, of, .. } => (json!(count), json!(of)),
        Shown::Ratio { events, exposure, .. } => (json!(events), json!(exposure)),
        Shown::Continuous { n, .. } => (Value::Null, json!(n)),
        Shown::Withheld | Shown::Cohort => (Value::Null, Value::Null),
    };
    let bounds = match row.figure {
        Shown::Proportion { bounds, .. } => bounds,
        _ => None,
    };
    json!({
        "measure": text(told.measure, "/url"),
        "version": text(told.measure, "/version"),
        "periodStart": asked.start,
        "periodEnd": asked.end,
        "asOfCommit": told.table.commit,
        "group": at,
        "stratifier": by,
        "stratum": value,
        "name": named,
        "cases": row.count(Population::Initial),
        "count": count,
        "of": of,
        "score": estimate.map(|estimate| estimate.value),
        "low": interval.map(|interval| interval.low),
        "high": interval.map(|interval| interval.high),
        "missing": row.missing,
        "ifNone": bounds.map(|bounds| bounds.none),
        "ifEach": bounds.map(|bounds| bounds.each),
        "withheld": row.is_withheld(),
        "place": row.place,
    })
}
