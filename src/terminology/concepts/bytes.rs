//! The table of concepts in the kept form of a code system.
//!
//! What follows from the rest (ranks, the table of hashes, the order without case) is made anew.

use serde_json::json;

use super::index::Index;
use super::{Concepts, DesignationRow, PropertyRow, PropertyType, Row, Span};
use crate::terminology::TerminologyError;
use crate::terminology::bytes::{Reader, Writer, damaged};
use crate::terminology::hierarchy::{Hierarchy, Rows};

/// The types of properties, by the number that stands for each.
const TYPES: [PropertyType; 7] = [
    PropertyType::Code,
    PropertyType::Coding,
    PropertyType::String,
    PropertyType::Integer,
    PropertyType::Boolean,
    PropertyType::DateTime,
    PropertyType::Decimal,
];

fn number(kind: PropertyType) -> u32 {
    TYPES.iter().zip(0..).find(|(known, _)| **known == kind).map_or(0, |(_, number)| number)
}

impl Concepts {
    /// Writes the table.
    pub(in crate::terminology) fn write(&self, writer: &mut Writer) {
        writer.bytes(self.text.as_bytes());
        writer.words(self.rows.iter().flat_map(|row| {
            let flags = u32::from(row.inactive) | u32::from(row.not_selectable) << 1;
            let [code, display, definition] = [row.code, row.display, row.definition];
            [
                code.start,
                code.length,
                display.start,
                display.length,
                definition.start,
                definition.length,
                flags,
            ]
        }));
        writer.words(self.order.iter().copied());
        writer.bytes(&[u8::from(!self.folded.is_empty())]);
        writer.bytes(json!(self.names).to_string().as_bytes());
        self.hierarchy.write(writer);
        self.properties.write(writer, |row| {
            [u32::from(row.name), number(row.kind), row.value.start, row.value.length]
        });
        self.designations.write(writer, |row| {
            let DesignationRow { language, usage, value } = row;
            [language.start, language.length, usage.start, usage.length, value.start, value.length]
        });
    }

    /// Reads what [`Concepts::write`] wrote.
    pub(in crate::terminology) fn read(reader: &mut Reader<'_>) -> Result<Self, TerminologyError> {
        let text: Box<str> = reader.text()?.into();
        let span = |start, length| Span { start, length };
        let rows: Box<[Row]> = reader
            .rows(|[a, b, c, d, e, f, flags]| Row {
                code: span(a, b),
                display: span(c, d),
                definition: span(e, f),
                inactive: flags & 1 != 0,
                not_selectable: flags & 2 != 0,
            })?
            .into();
        let order: Box<[u32]> = reader.words()?.into();
        let ignores_case = reader.bytes()?.first() == Some(&1);
        let names: Box<[String]> = serde_json::from_str(reader.text()?).map_err(|_| damaged())?;
        let hierarchy = Hierarchy::read(reader)?;
        let kind =
            |number: u32| TYPES.get(number as usize).copied().unwrap_or(PropertyType::String);
        let properties = Rows::read(reader, |[name, number, start, length]| PropertyRow {
            name: u16::try_from(name).unwrap_or(u16::MAX),
            kind: kind(number),
            value: span(start, length),
        })?;
        let designations = Rows::read(reader, |[a, b, c, d, e, f]| DesignationRow {
            language: span(a, b),
            usage: span(c, d),
            value: span(e, f),
        })?;
        if order.len() != rows.len() || !reader.is_at_end() {
            return Err(damaged());
        }
        let ranks = super::builder::ranks(&order);
        let folded = super::builder::folded(&text, &rows, ignores_case);
        let index = Index::new(rows.iter().map(|row| super::builder::piece(&text, row.code)));
        let (ranks, folded) = (ranks.into(), folded.into());
        Ok(Self {
            text,
            rows,
            index,
            order,
            ranks,
            folded,
            names,
            hierarchy,
            properties,
            designations,
        })
    }
}
