//! Rows as the bytes of a table: CSV, JSON, NDJSON, Parquet.
//!
//! In JSON a row is an object with a member for each column, null where there is no value. In CSV
//! null is an empty field, and a list or an object is its JSON text. Texts are written as they are:
//! a spreadsheet may take one that starts with `=` for a formula.
//! Source: <https://sql-on-fhir.org/ig/OperationDefinition-ViewDefinitionRun.html>,
//! <https://www.rfc-editor.org/rfc/rfc4180>.

mod parquet;

use std::io::{self, Write};

use serde_json::{Map, Value};

use super::{Column, Fault, Row, ViewDefinition};

/// A form of tables.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Format {
    /// Fields with commas between, the names of the columns first if so wanted.
    Csv {
        /// Whether the first line has the names.
        header: bool,
    },
    /// One array of objects.
    Json,
    /// An object a line.
    Ndjson,
    /// Columns, with zstd.
    Parquet,
}

impl Format {
    /// The format of that code; CSV with a header.
    pub fn of(code: &str) -> Option<Self> {
        match code {
            "csv" => Some(Self::Csv { header: true }),
            "json" => Some(Self::Json),
            "ndjson" => Some(Self::Ndjson),
            "parquet" => Some(Self::Parquet),
            _ => None,
        }
    }

    /// The media type.
    pub fn media_type(self) -> &'static str {
        match self {
            Self::Csv { header: true } => "text/csv;charset=utf-8;header=present",
            Self::Csv { header: false } => "text/csv;charset=utf-8;header=absent",
            Self::Json => "application/json;charset=utf-8",
            Self::Ndjson => "application/x-ndjson;charset=utf-8",
            Self::Parquet => "application/vnd.apache.parquet",
        }
    }
}

/// Why a table could not be written.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The bytes could not be written.
    #[error("the table could not be written")]
    Io(#[from] io::Error),
    /// A value does not fit its column.
    #[error(transparent)]
    Fault(#[from] Fault),
}

/// A table that is being written.
pub struct Table<W: Write + Send> {
    names: Vec<String>,
    form: Form<W>,
}

enum Form<W: Write + Send> {
    Csv(Box<csv::Writer<W>>),
    Json { out: W, is_empty: bool },
    Ndjson(W),
    Parquet(Box<parquet::File<W>>),
}

impl<W: Write + Send> Table<W> {
    /// Begins a table of the view.
    ///
    /// # Errors
    /// [`Error`] when the bytes cannot be written, or the tag of a column names a type that there is
    /// not.
    pub fn new(view: &ViewDefinition, format: Format, mut out: W) -> Result<Self, Error> {
        let columns = view.columns();
        let names: Vec<String> = columns.iter().map(|column| column.name.clone()).collect();
        let form = match format {
            Format::Csv { header } => {
                let mut writer = csv::Writer::from_writer(out);
                if header {
                    writer.write_record(&names).map_err(io::Error::from)?;
                }
                Form::Csv(Box::new(writer))
            }
            Format::Json => {
                out.write_all(b"[")?;
                Form::Json { out, is_empty: true }
            }
            Format::Ndjson => Form::Ndjson(out),
            Format::Parquet => Form::Parquet(Box::new(parquet::File::new(columns, out)?)),
        };
        Ok(Self { names, form })
    }

    /// Adds a row of that view.
    ///
    /// # Errors
    /// [`Error`] when the bytes cannot be written, or a value does not fit the type that a tag says.
    pub fn row(&mut self, row: Row) -> Result<(), Error> {
        match &mut self.form {
            Form::Csv(writer) => {
                let fields = row.iter().map(field);
                writer.write_record(fields).map_err(io::Error::from)?;
            }
            Form::Json { out, is_empty } => {
                out.write_all(if *is_empty { b"\n" } else { b",\n" })?;
                *is_empty = false;
                serde_json::to_writer(out, &object(&self.names, row)).map_err(io::Error::from)?;
            }
            Form::Ndjson(out) => {
                serde_json::to_writer(&mut *out, &object(&self.names, row))
                    .map_err(io::Error::from)?;
                out.write_all(b"\n")?;
            }
            Form::Parquet(file) => file.row(row)?,
        }
        Ok(())
    }

    /// Ends the table.
    ///
    /// # Errors
    /// [`Error`] when the bytes cannot be written.
    pub fn finish(self) -> Result<(), Error> {
        match self.form {
            Form::Csv(mut writer) => writer.flush()?,
            Form::Json { mut out, is_empty } => {
                out.write_all(if is_empty { b"]\n" } else { b"\n]\n" })?;
                out.flush()?;
            }
            Form::Ndjson(mut out) => out.flush()?,
            Form::Parquet(file) => file.finish()?,
        }
        Ok(())
    }
}

fn object(names: &[String], row: Row) -> Value {
    Value::Object(names.iter().cloned().zip(row).collect::<Map<_, _>>())
}

/// A value as text, in CSV and in a column of texts.
fn field(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn written(format: Format) -> String {
        let column = |name: &str, path: &str| json!({ "name": name, "path": path });
        let view = json!({ "resource": "Patient", "select": [{ "column": [
            column("id", "id"), column("active", "active"),
            { "name": "given", "path": "name.given", "collection": true },
            { "name": "n", "path": "extension.value.ofType(decimal)", "type": "decimal" },
        ] }] });
        let view = ViewDefinition::read(&view).unwrap();
        let mut bytes = Vec::new();
        let mut table = Table::new(&view, format, &mut bytes).unwrap();
        let resource: Value = serde_json::from_str(
            r#"{ "resourceType": "Patient", "id": "a", "name": [{ "given": ["b, \"c", "d"] }],
                "extension": [{ "url": "u", "valueDecimal": 1.50 }] }"#,
        )
        .unwrap();
        for row in view.rows(&resource).unwrap() {
            table.row(row).unwrap();
        }
        table.finish().unwrap();
        String::from_utf8(bytes).unwrap()
    }

    /// Quotes: <https://www.rfc-editor.org/rfc/rfc4180#section-2>, rules 6 and 7.
    #[test]
    fn forms_of_a_row() {
        let csv = "a,,\"[\"\"b, \\\"\"c\"\",\"\"d\"\"]\",1.50\n";
        assert_eq!(written(Format::Csv { header: false }), csv);
        assert_eq!(written(Format::Csv { header: true }), format!("id,active,given,n\n{csv}"));
        let json = r#"{"id":"a","active":null,"given":["b, \"c","d"],"n":1.50}"#;
        assert_eq!(written(Format::Ndjson), format!("{json}\n"));
        assert_eq!(written(Format::Json), format!("[\n{json}\n]\n"));
    }
}
