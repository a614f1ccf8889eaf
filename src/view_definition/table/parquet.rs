//! Parquet: a typed column for each column of the view, all of them optional.
//!
//! Booleans and integers are what they are. A decimal of FHIR has as many digits as were written,
//! which no type of Parquet keeps, so it is its text; where a column has the tag `ansi/type` with
//! `DECIMAL(p,s)`, it is a number of that type, and a value that does not fit is refused rather than
//! rounded. Dates and times are texts, because they may be known in part. Lists and objects are JSON
//! texts.
//! Source: <https://parquet.apache.org/docs/file-format/types/logicaltypes/>, "Type Hinting with
//! Tags" of <https://sql-on-fhir.org/ig/StructureDefinition-ViewDefinition-notes.html>.

use std::io::{self, Write};
use std::sync::Arc;

use parquet::basic::{Compression, LogicalType, Repetition, Type as Physical, ZstdLevel};
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::{Type, TypePtr};
use rust_decimal::Decimal;
use serde_json::Value;

use super::{Column, Error, field};
use crate::validation::Shape;
use crate::view_definition::{Fault, Row};

/// How many rows are kept before they are written.
const ROW_GROUP: usize = 20_000;

/// The tag that says a type of SQL.
const TYPE_TAG: &str = "ansi/type";

/// The most digits that a number of 64 bits has.
const MAX_DIGITS: u32 = 18;

/// What a column is in Parquet.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Kind {
    Boolean,
    Integer,
    Number { precision: u32, scale: u32 },
    Text,
}

/// The values of a column that are kept, and for each row whether it has one.
struct Kept {
    name: String,
    kind: Kind,
    booleans: Vec<bool>,
    integers: Vec<i32>,
    numbers: Vec<i64>,
    texts: Vec<ByteArray>,
    levels: Vec<i16>,
}

/// A file that is being written.
pub(super) struct File<W: Write + Send> {
    writer: SerializedFileWriter<W>,
    columns: Vec<Kept>,
    rows: usize,
}

impl Kind {
    fn of(column: &Column) -> Result<Self, Fault> {
        if column.collection {
            return Ok(Self::Text);
        }
        Ok(match column.shape {
            Some(Shape::Boolean) => Self::Boolean,
            Some(Shape::Integer) => Self::Integer,
            Some(Shape::Decimal) => match column.tag(TYPE_TAG) {
                Some(tag) => Self::number(tag).ok_or_else(|| {
                    let rule = format!(
                        "The type {tag} of the column {} is not DECIMAL(p,s) with p from 1 to \
                         {MAX_DIGITS} and s no more than p.",
                        column.name
                    );
                    Fault::new("ViewDefinition.select.column.tag", rule)
                })?,
                None => Self::Text,
            },
            Some(Shape::Text | Shape::Object) | None => Self::Text,
        })
    }

    fn number(tag: &str) -> Option<Self> {
        let inner = tag.strip_prefix("DECIMAL(")?.strip_suffix(')')?;
        let (precision, scale) = inner.split_once(',')?;
        let (precision, scale) = (precision.trim().parse().ok()?, scale.trim().parse().ok()?);
        let legal = (1..=MAX_DIGITS).contains(&precision) && scale <= precision;
        legal.then_some(Self::Number { precision, scale })
    }

    fn schema(self, name: &str) -> Result<TypePtr, ParquetError> {
        let (physical, logical) = match self {
            Self::Boolean => (Physical::BOOLEAN, None),
            Self::Integer => (Physical::INT32, None),
            Self::Number { precision, scale } => {
                let small = |number: u32| i32::try_from(number).unwrap_or_default();
                (Physical::INT64, Some(LogicalType::decimal(small(scale), small(precision))))
            }
            Self::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
        };
        let mut builder = Type::primitive_type_builder(name, physical)
            .with_repetition(Repetition::OPTIONAL)
            .with_logical_type(logical);
        if let Self::Number { precision, scale } = self {
            let small = |number: u32| i32::try_from(number).unwrap_or_default();
            builder = builder.with_precision(small(precision)).with_scale(small(scale));
        }
        builder.build().map(Arc::new)
    }
}

impl<W: Write + Send> File<W> {
    /// Begins a file with those columns.
    ///
    /// # Errors
    /// [`Error`] when the bytes cannot be written, or for a tag that is no such type.
    pub(super) fn new(columns: &[Column], out: W) -> Result<Self, Error> {
        let kept = columns.iter().map(|column| Ok(Kept::new(column, Kind::of(column)?)));
        let columns = kept.collect::<Result<Vec<Kept>, Fault>>()?;
        let fields = columns.iter().map(|column| column.kind.schema(&column.name));
        let fields = fields.collect::<Result<Vec<_>, _>>().map_err(failed)?;
        let schema = Type::group_type_builder("schema").with_fields(fields).build();
        let zstd = Compression::ZSTD(ZstdLevel::default());
        let properties = WriterProperties::builder().set_compression(zstd).build();
        let writer =
            SerializedFileWriter::new(out, Arc::new(schema.map_err(failed)?), Arc::new(properties));
        Ok(Self { writer: writer.map_err(failed)?, columns, rows: 0 })
    }

    /// Adds a row.
    ///
    /// # Errors
    /// [`Error`] when the bytes cannot be written, or a number does not fit.
    pub(super) fn row(&mut self, row: Row) -> Result<(), Error> {
        for (column, value) in self.columns.iter_mut().zip(row) {
            column.add(&value)?;
        }
        self.rows += 1;
        if self.rows == ROW_GROUP {
            self.write_rows().map_err(failed)?;
        }
        Ok(())
    }

    /// Writes what is kept.
    fn write_rows(&mut self) -> Result<(), ParquetError> {
        if self.rows == 0 {
            return Ok(());
        }
        let mut group = self.writer.next_row_group()?;
        let mut columns = self.columns.iter_mut();
        while let Some(mut writer) = group.next_column()? {
            if let Some(column) = columns.next() {
                column.write(writer.untyped())?;
            }
            writer.close()?;
        }
        group.close()?;
        self.rows = 0;
        Ok(())
    }

    /// Ends the file.
    ///
    /// # Errors
    /// [`Error`] when the bytes cannot be written.
    pub(super) fn finish(mut self) -> Result<(), Error> {
        self.write_rows().map_err(failed)?;
        self.writer.close().map_err(failed)?;
        Ok(())
    }
}

/// What the writer says, as a failure to write: the columns are of the types that it was told.
fn failed(error: ParquetError) -> Error {
    Error::Io(io::Error::other(error))
}

impl Kept {
    fn new(column: &Column, kind: Kind) -> Self {
        Self {
            name: column.name.clone(),
            kind,
            booleans: Vec::new(),
            integers: Vec::new(),
            numbers: Vec::new(),
            texts: Vec::new(),
            levels: Vec::new(),
        }
    }

    fn add(&mut self, value: &Value) -> Result<(), Fault> {
        self.levels.push(i16::from(!value.is_null()));
        if value.is_null() {
            return Ok(());
        }
        let fits = match self.kind {
            Kind::Boolean => value.as_bool().map(|value| self.booleans.push(value)),
            Kind::Integer => {
                let number = value.as_i64().and_then(|number| i32::try_from(number).ok());
                number.map(|number| self.integers.push(number))
            }
            Kind::Number { precision, scale } => {
                unscaled(value, precision, scale).map(|number| self.numbers.push(number))
            }
            Kind::Text => {
                self.texts.push(field(value).into_bytes().into());
                Some(())
            }
        };
        fits.ok_or_else(|| {
            let rule = format!("A value of the column {} does not fit its type.", self.name);
            Fault::new("ViewDefinition.select.column.tag", rule)
        })
    }

    fn write(&mut self, writer: &mut ColumnWriter<'_>) -> Result<(), ParquetError> {
        let levels = Some(self.levels.as_slice());
        match writer {
            ColumnWriter::BoolColumnWriter(own) => own.write_batch(&self.booleans, levels, None)?,
            ColumnWriter::Int32ColumnWriter(own) => {
                own.write_batch(&self.integers, levels, None)?
            }
            ColumnWriter::Int64ColumnWriter(own) => own.write_batch(&self.numbers, levels, None)?,
            ColumnWriter::ByteArrayColumnWriter(own) => {
                own.write_batch(&self.texts, levels, None)?
            }
            _ => return Err(ParquetError::General("a column of another type".to_owned())),
        };
        self.levels.clear();
        self.booleans.clear();
        self.integers.clear();
        self.numbers.clear();
        self.texts.clear();
        Ok(())
    }
}

/// The number times ten to the `scale`, if it has no more digits than there may be.
fn unscaled(value: &Value, precision: u32, scale: u32) -> Option<i64> {
    let text = value.as_number()?.as_str();
    let number: Decimal = text.parse().or_else(|_| Decimal::from_scientific(text)).ok()?;
    let number = number.normalize();
    let missing = scale.checked_sub(number.scale())?;
    let unscaled = number.mantissa().checked_mul(10_i128.checked_pow(missing)?)?;
    let most = 10_i128.checked_pow(precision)?;
    (unscaled.abs() < most).then(|| i64::try_from(unscaled).ok())?
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand.
    #[test]
    fn numbers_that_fit_their_type() {
        let check = |text: &str, precision, scale, expected| {
            let value: Value = serde_json::from_str(text).unwrap();
            assert_eq!(unscaled(&value, precision, scale), expected, "{text}");
        };
        check("1.50", 18, 6, Some(1_500_000));
        check("-0.000001", 18, 6, Some(-1));
        check("1.0000000", 18, 6, Some(1_000_000));
        check("1.0000001", 18, 6, None);
        check("2.5e1", 4, 1, Some(250));
        check("999.9", 4, 1, Some(9999));
        check("1000", 4, 1, None);
        check("123456789012345678", 18, 0, Some(123_456_789_012_345_678));
        check("1234567890123456789", 18, 0, None);
        for (tag, expected) in [
            ("DECIMAL(18,6)", Some(Kind::Number { precision: 18, scale: 6 })),
            ("DECIMAL(4, 1)", Some(Kind::Number { precision: 4, scale: 1 })),
            ("DECIMAL(19,6)", None),
            ("DECIMAL(2,3)", None),
            ("DECIMAL(0,0)", None),
            ("DATE", None),
        ] {
            assert_eq!(Kind::number(tag), expected, "{tag}");
        }
    }
}
