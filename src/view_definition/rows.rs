//! The rows of one resource.
//!
//! Source: "Process a Resource" of
//! <https://sql-on-fhir.org/ig/StructureDefinition-ViewDefinition-notes.html>. A list is told as a
//! list however many items it has, as the published cases have it; the row of nulls of a
//! `forEachOrNull` has 0 as its `%rowIndex`.

use serde_json::Value;

use super::{Column, Expression, Fault, Foci, Row, Select, ViewDefinition};
use crate::fhir::json::At as _;
use crate::validation::locate::Work;
use crate::validation::{Focus, Frame, Shape};

/// How many rows a resource makes at most; selections beside each other multiply.
const MAX_ROWS: usize = 100_000;

/// What the expressions of a view may cost on one resource, in items that are looked at.
const WORK: u64 = 20_000_000;

/// How often `repeat` goes on from what it has found.
const MAX_REPEAT: usize = 100;

pub(super) fn rows(view: &ViewDefinition, resource: &Value) -> Result<Vec<Row>, Fault> {
    if resource.at("resourceType") != view.resource.as_str() {
        return Ok(Vec::new());
    }
    let work = Work::of(WORK);
    let run = Run { scope: Frame { resource, constants: &view.constants, work: &work } };
    let focus = Focus::resource(resource);
    for condition in &view.conditions {
        if !run.holds(condition, &focus)? {
            return Ok(Vec::new());
        }
    }
    run.select(&view.root, &focus, 0)
}

/// One evaluation.
struct Run<'v> {
    scope: Frame<'v>,
}

impl<'v> Run<'v> {
    fn find(
        &self,
        expression: &'v Expression,
        focus: &Focus<'v>,
        row: usize,
    ) -> Result<Vec<Focus<'v>>, Fault> {
        let found = expression.path.evaluate(focus, self.scope, row);
        found.map_err(|rule| Fault::new(&expression.place, rule))
    }

    fn holds(&self, condition: &'v Expression, focus: &Focus<'v>) -> Result<bool, Fault> {
        let found = self.find(condition, focus, 0)?;
        let truth = match found.as_slice() {
            [] => Some(false),
            [only] => only.truth(),
            _ => None,
        };
        let rule = "A condition is true or false; this one gives something else.";
        truth.ok_or_else(|| Fault::new(&condition.place, rule))
    }

    /// The rows of a selection at that element, which is the `row`th of those around it.
    fn select(&self, select: &'v Select, focus: &Focus<'v>, row: usize) -> Result<Vec<Row>, Fault> {
        let foci = match &select.foci {
            Foci::Here => return self.at(select, focus, row),
            Foci::Each(each) => self.find(each, focus, row)?,
            Foci::EachOrNull(each) => {
                let found = self.find(each, focus, row)?;
                if found.is_empty() {
                    return Ok(vec![nulls(select)]);
                }
                found
            }
            Foci::Repeat(paths) => {
                let mut found = Vec::new();
                self.repeat((&select.place, paths), focus, 0, &mut found)?;
                found
            }
        };
        let mut rows = Vec::new();
        for (at, focus) in foci.iter().enumerate() {
            rows.extend(self.at(select, focus, at)?);
            within(rows.len(), &select.place)?;
        }
        Ok(rows)
    }

    /// What is found from the element, each followed by what is found from it.
    fn repeat(
        &self,
        (place, paths): (&str, &'v [Expression]),
        focus: &Focus<'v>,
        depth: usize,
        found: &mut Vec<Focus<'v>>,
    ) -> Result<(), Fault> {
        if depth > MAX_REPEAT {
            let rule = format!("The paths of repeat lead on more than {MAX_REPEAT} times.");
            return Err(Fault { costly: true, ..Fault::new(place, rule) });
        }
        for path in paths {
            for item in self.find(path, focus, 0)? {
                found.push(item.clone());
                within(found.len(), place)?;
                self.repeat((place, paths), &item, depth + 1, found)?;
            }
        }
        Ok(())
    }

    /// The rows of a selection on one of its elements.
    fn at(&self, select: &'v Select, focus: &Focus<'v>, row: usize) -> Result<Vec<Row>, Fault> {
        let mut own = Vec::with_capacity(select.columns.len());
        for (column, expression) in &select.columns {
            own.push(value(column, expression, &self.find(expression, focus, row)?)?);
        }
        let mut rows = vec![own];
        for inner in &select.selects {
            rows = product(rows, &self.select(inner, focus, row)?, &select.place)?;
        }
        if !select.unions.is_empty() {
            let mut union = Vec::new();
            for branch in &select.unions {
                union.extend(self.select(branch, focus, row)?);
                within(union.len(), &branch.place)?;
            }
            rows = product(rows, &union, &select.place)?;
        }
        Ok(rows)
    }
}

fn within(rows: usize, place: &str) -> Result<(), Fault> {
    if rows <= MAX_ROWS {
        return Ok(());
    }
    let rule = format!("One resource makes more than {MAX_ROWS} rows.");
    Err(Fault { costly: true, ..Fault::new(place, rule) })
}

/// Each row with each of the others.
fn product(rows: Vec<Row>, others: &[Row], place: &str) -> Result<Vec<Row>, Fault> {
    within(rows.len().saturating_mul(others.len()), place)?;
    let mut all = Vec::with_capacity(rows.len() * others.len());
    for row in rows {
        all.extend(others.iter().map(|other| row.iter().chain(other).cloned().collect::<Row>()));
    }
    Ok(all)
}

/// The row of a `forEachOrNull` that finds nothing.
fn nulls(select: &Select) -> Row {
    let own = select.columns.iter().map(|(_, expression)| {
        if expression.path.is_row_index() { Value::from(0) } else { Value::Null }
    });
    let inner = select.selects.iter().chain(select.unions.first()).flat_map(nulls);
    own.chain(inner).collect()
}

/// What stands in the column, of what its expression found.
fn value(column: &Column, expression: &Expression, found: &[Focus<'_>]) -> Result<Value, Fault> {
    let told = |rule: String| Err(Fault::new(&expression.place, rule));
    if found.len() > 1 && !column.collection {
        let rule = format!("The column {} has several values; say collection true.", column.name);
        return told(rule);
    }
    let mut values = Vec::with_capacity(found.len());
    for focus in found {
        let Some(value) = focus.value() else { continue };
        if let Some(rule) = unfit(column, focus, &value) {
            return told(rule);
        }
        values.push(value);
    }
    Ok(if column.collection { Value::Array(values) } else { values.pop().unwrap_or_default() })
}

/// Why a value cannot stand in a column, if so.
fn unfit(column: &Column, focus: &Focus<'_>, value: &Value) -> Option<String> {
    let name = &column.name;
    let Some((kind, shape)) = column.kind.as_deref().zip(column.shape) else {
        let rule = format!("The column {name} has a value that is no primitive; say its type.");
        return value.is_object().then_some(rule);
    };
    let fits = match shape {
        Shape::Boolean => value.is_boolean(),
        Shape::Integer => value.as_i64().is_some_and(|number| i32::try_from(number).is_ok()),
        Shape::Decimal => value.is_number(),
        Shape::Text => {
            // What has a time of day is no date.
            value.as_str().is_some_and(|text| kind != "date" || !text.contains('T'))
        }
        Shape::Object => value.is_object(),
    };
    let rule = format!("The column {name} is of the type {kind}, and has a value of another.");
    (!fits || !focus.is_of(kind)).then_some(rule)
}
