//! Concepts one after the other into a table.
//!
//! Parents may be named before they come. A code that comes twice is one concept with what both
//! say. Order is kept: of concepts, of children, of properties.

use std::collections::HashMap;

use serde_json::Value;

use super::index::Index;
use super::{Concept, Concepts, DesignationRow, PropertyRow, PropertyType, Row, Span};
use crate::terminology::TerminologyError;
use crate::terminology::hierarchy::{Cycle, Hierarchy, Rows};

/// A table in the making; what is added belongs to the concept that was opened last.
#[derive(Default)]
pub struct Builder {
    text: String,
    /// Texts that come again and again, by content.
    shared: HashMap<String, Span>,
    names: Vec<String>,
    numbers: HashMap<String, u16>,
    ignore_case: bool,
    rows: Vec<Row>,
    /// Child and parent, each a concept that is known or the code of one.
    edges: Vec<(End, End)>,
    properties: Vec<(u32, PropertyRow)>,
    designations: Vec<(u32, DesignationRow)>,
}

#[derive(Clone, Copy)]
enum End {
    Opened(u32),
    Named(Span),
}

impl Builder {
    /// That codes are to be found whatever the case of their letters.
    pub fn ignore_case(&mut self) {
        self.ignore_case = true;
    }

    /// Opens a concept. Returns its number, to come back to it.
    pub fn concept(&mut self, code: &str) -> u32 {
        let code = self.push(code);
        self.rows.push(Row { code, ..Row::default() });
        self.last()
    }

    /// Its display.
    pub fn display(&mut self, text: &str) {
        let display = self.push(text);
        self.change(|row| row.display = display);
    }

    /// Its definition.
    pub fn definition(&mut self, text: &str) {
        let definition = self.push(text);
        self.change(|row| row.definition = definition);
    }

    /// That it is not to be used any more.
    pub fn inactive(&mut self) {
        self.change(|row| row.inactive = true);
    }

    /// That it is abstract.
    pub fn not_selectable(&mut self) {
        self.change(|row| row.not_selectable = true);
    }

    /// That a concept is directly below another; each by number or by code.
    pub fn nest(&mut self, child: u32, parent: u32) {
        self.edges.push((End::Opened(child), End::Opened(parent)));
    }

    /// The code of a concept directly above.
    pub fn parent(&mut self, code: &str) {
        let (child, parent) = (End::Opened(self.last()), End::Named(self.share(code)));
        self.edges.push((child, parent));
    }

    /// The code of a concept directly below.
    pub fn child(&mut self, code: &str) {
        let (child, parent) = (End::Named(self.share(code)), End::Opened(self.last()));
        self.edges.push((child, parent));
    }

    /// One concept below another, both by code, in any order.
    pub fn edge(&mut self, child: &str, parent: &str) {
        let edge = (End::Named(self.share(child)), End::Named(self.share(parent)));
        self.edges.push(edge);
    }

    /// One of its properties.
    pub fn property(&mut self, name: &str, kind: PropertyType, text: &str) {
        self.property_of(self.last(), name, kind, text);
    }

    /// A property of a concept that was opened before, by its number.
    pub fn property_of(&mut self, number: u32, name: &str, kind: PropertyType, text: &str) {
        let (name, value) = (self.name(name), self.share(text));
        self.properties.push((number, PropertyRow { name, kind, value }));
    }

    /// Another name of it.
    pub fn designation(&mut self, language: Option<&str>, usage: Option<&Value>, value: &str) {
        let language = self.share(language.unwrap_or_default());
        let usage = usage.map(Value::to_string).unwrap_or_default();
        let row = DesignationRow { language, usage: self.share(&usage), value: self.push(value) };
        self.designations.push((self.last(), row));
    }

    /// Adds a concept of another table with all that is said of it, but for who is below it.
    pub(in crate::terminology) fn concept_of(&mut self, concept: Concept<'_>) {
        self.concept(concept.code());
        if let Some(display) = concept.display() {
            self.display(display);
        }
        if let Some(definition) = concept.definition() {
            self.definition(definition);
        }
        if concept.is_inactive() {
            self.inactive();
        }
        if concept.is_abstract() {
            self.not_selectable();
        }
        concept.parents().for_each(|parent| self.parent(parent.code()));
        concept.properties().for_each(|held| self.property(held.name, held.kind, held.text()));
        concept.designations().for_each(|name| {
            self.designation(name.language, name.usage().as_ref(), name.value);
        });
    }

    /// The table. An edge to a code that never came is left out.
    ///
    /// # Errors
    /// [`TerminologyError`] where a concept is above itself, and for more text than fits.
    pub fn finish(mut self) -> Result<Concepts, TerminologyError> {
        if u32::try_from(self.text.len()).is_err() || u32::try_from(self.rows.len()).is_err() {
            return Err(TerminologyError::too_costly("the code system has more than 4 GB of text"));
        }
        if u16::try_from(self.names.len()).is_err() {
            return Err(TerminologyError::too_costly("the code system has 65,536 properties"));
        }
        let places = self.sort();
        let of = |end: End| match end {
            End::Opened(number) => places.of.get(number as usize).copied(),
            End::Named(span) => find(&self.text, &places.rows, piece(&self.text, span)),
        };
        let edges: Vec<(u32, u32)> = self
            .edges
            .iter()
            .filter_map(|(child, parent)| Some((of(*child)?, of(*parent)?)))
            .collect();
        let count = u32::try_from(places.rows.len()).unwrap_or(u32::MAX);
        let hierarchy = Hierarchy::new(count, &edges).map_err(|Cycle(place)| {
            let code = places.rows.get(place as usize).map(|row| piece(&self.text, row.code));
            let code = code.unwrap_or_default();
            TerminologyError::invalid(format!("the concept {code} is above itself"))
        })?;
        let moved = |number: u32| places.of.get(number as usize).copied().unwrap_or_default();
        let properties = self.properties.iter().map(|(n, row)| (moved(*n), *row)).collect();
        let designations = self.designations.iter().map(|(n, row)| (moved(*n), *row)).collect();
        let size = places.rows.len();
        Ok(Concepts {
            index: Index::new(places.rows.iter().map(|row| piece(&self.text, row.code))),
            ranks: ranks(&places.order).into(),
            folded: folded(&self.text, &places.rows, self.ignore_case).into(),
            order: places.order.into(),
            rows: places.rows.into(),
            names: self.names.into(),
            hierarchy,
            properties: Rows::new(size, properties),
            designations: Rows::new(size, designations),
            text: self.text.into(),
        })
    }

    /// Sorts the concepts by code; those that came twice become one.
    fn sort(&mut self) -> Places {
        let rows = std::mem::take(&mut self.rows);
        let mut numbers: Vec<u32> = (0..u32::try_from(rows.len()).unwrap_or(u32::MAX)).collect();
        let row = |number: u32| rows.get(number as usize).copied().unwrap_or_default();
        numbers.sort_by_key(|number| (piece(&self.text, row(*number).code), *number));
        let mut sorted: Vec<Row> = Vec::with_capacity(rows.len());
        let mut of = vec![0_u32; rows.len()];
        let mut first = Vec::with_capacity(rows.len());
        for number in numbers {
            let next = row(number);
            let code = piece(&self.text, next.code);
            let held = sorted.last_mut().filter(|held| piece(&self.text, held.code) == code);
            if let Some(held) = held {
                merge(held, next);
            } else {
                sorted.push(next);
                first.push(number);
            }
            if let Some(slot) = of.get_mut(number as usize) {
                *slot = u32::try_from(sorted.len()).unwrap_or(u32::MAX) - 1;
            }
        }
        first.sort_unstable();
        let place = |number: u32| of.get(number as usize).copied().unwrap_or_default();
        let order = first.into_iter().map(place).collect();
        Places { rows: sorted, of, order }
    }

    fn last(&self) -> u32 {
        u32::try_from(self.rows.len()).unwrap_or(u32::MAX).saturating_sub(1)
    }

    fn change(&mut self, change: impl FnOnce(&mut Row)) {
        if let Some(row) = self.rows.last_mut() {
            change(row);
        }
    }

    fn push(&mut self, text: &str) -> Span {
        // What does not fit is found when the table is finished.
        let start = u32::try_from(self.text.len()).unwrap_or(u32::MAX);
        self.text.push_str(text);
        Span { start, length: u32::try_from(text.len()).unwrap_or(u32::MAX) }
    }

    fn share(&mut self, text: &str) -> Span {
        if let Some(span) = self.shared.get(text) {
            return *span;
        }
        let span = self.push(text);
        self.shared.insert(text.to_owned(), span);
        span
    }

    fn name(&mut self, name: &str) -> u16 {
        if let Some(number) = self.numbers.get(name) {
            return *number;
        }
        // Too many are found when the table is finished.
        let number = u16::try_from(self.names.len()).unwrap_or(u16::MAX);
        self.names.push(name.to_owned());
        self.numbers.insert(name.to_owned(), number);
        number
    }
}

struct Places {
    rows: Vec<Row>,
    /// The place of each number.
    of: Vec<u32>,
    /// Places in the order of the source.
    order: Vec<u32>,
}

fn merge(held: &mut Row, next: Row) {
    if held.display.length == 0 {
        held.display = next.display;
    }
    if held.definition.length == 0 {
        held.definition = next.definition;
    }
    held.inactive |= next.inactive;
    held.not_selectable |= next.not_selectable;
}

/// The rank of each place in the order of the source.
pub(super) fn ranks(order: &[u32]) -> Vec<u32> {
    let mut ranks = vec![0; order.len()];
    for (place, rank) in order.iter().zip(0..) {
        if let Some(slot) = ranks.get_mut(*place as usize) {
            *slot = rank;
        }
    }
    ranks
}

/// The places sorted by code in lower case, where these are looked for.
pub(super) fn folded(text: &str, rows: &[Row], ignores_case: bool) -> Vec<u32> {
    let count = if ignores_case { u32::try_from(rows.len()).unwrap_or(u32::MAX) } else { 0 };
    let mut folded: Vec<u32> = (0..count).collect();
    folded.sort_by_cached_key(|place| {
        let row = rows.get(*place as usize).copied().unwrap_or_default();
        piece(text, row.code).to_lowercase()
    });
    folded
}

pub(super) fn piece(text: &str, span: Span) -> &str {
    let start = span.start as usize;
    text.get(start..start + span.length as usize).unwrap_or_default()
}

fn find(text: &str, rows: &[Row], code: &str) -> Option<u32> {
    let found = rows.binary_search_by(|row| piece(text, row.code).cmp(code)).ok()?;
    u32::try_from(found).ok()
}
