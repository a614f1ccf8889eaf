//! `$viewdefinition-run`: the table that a view makes of what is stored, or of what is sent.
//!
//! A ViewDefinition is no type of resource in R4, so the operation is one of the system; the view
//! comes with the call, is one of those that the program brings (`ViewDefinition/segments`), or lies
//! in a Binary, as the examples of the standard do. All rows are of one moment, however long they
//! take; no view of the store is held meanwhile. The table is made in memory, and refused as too
//! costly beyond `MOST_BYTES`.
//! Source: <https://sql-on-fhir.org/ig/OperationDefinition-ViewDefinitionRun.html>,
//! `schemas/operation/viewdefinition-run.json`.

mod asked;
mod source;

use std::io::{self, Write};

use crate::error::Error;
use crate::fhir::{Issue, IssueType};
use crate::operation::pages::too_costly;
use crate::operation::{Call, Level, Operation, Output};
use crate::view_definition::table::{self, Table};
use crate::view_definition::{Fault, Row};
use asked::Asked;

pub(super) const OPERATION: Operation = Operation {
    name: "viewdefinition-run",
    definition: "https://spondyl.example/fhir/OperationDefinition/viewdefinition-run",
    levels: &[Level::System],
    // No type of R4; so no type of R4 has the operation.
    types: &["ViewDefinition"],
    by_get: true,
    document: false,
    run,
};

/// How large a table may become.
const MOST_BYTES: usize = 64 << 20;

/// What to do where a table is too large for an answer.
const INSTEAD: &str = "Ask for less by patient, group, _since or _limit, or run the view where the \
records are, with spondyl view run.";

fn run(call: &Call<'_>) -> Result<Output, Error> {
    let asked = Asked::read(call)?;
    let mut bytes = Capped { bytes: Vec::new(), most: MOST_BYTES };
    let mut left = asked.limit.unwrap_or(usize::MAX);
    let mut table =
        Table::new(&asked.view, asked.format, &mut bytes).map_err(|e| failed(e, &asked))?;
    let mut take = |rows: Vec<Row>| -> Result<bool, Error> {
        for row in rows {
            if left == 0 {
                return Ok(false);
            }
            left -= 1;
            table.row(row).map_err(|error| failed(error, &asked))?;
        }
        Ok(left > 0)
    };
    match &asked.resources {
        Some(resources) => {
            for resource in resources {
                let rows = asked.view.rows(resource).map_err(|fault| asked.told(fault))?;
                if !take(rows)? {
                    break;
                }
            }
        }
        None => source::each(call, &asked, &mut take)?,
    }
    table.finish().map_err(|error| failed(error, &asked))?;
    Ok(Output::Table { format: asked.format, bytes: bytes.bytes })
}

/// What kept a table from being written: in memory, only its size or a value can.
fn failed(error: table::Error, asked: &Asked) -> Error {
    match error {
        table::Error::Fault(fault) => asked.told(fault),
        table::Error::Io(_) => {
            too_costly(format!("The table has more than {MOST_BYTES} bytes. {INSTEAD}"))
        }
    }
}

impl Asked {
    /// What is wrong with the view, as an error of the request.
    fn told(&self, fault: Fault) -> Error {
        told(vec![fault], &self.place)
    }
}

/// What is wrong with a view that stands at that place of the call; empty: it was not sent.
fn told(faults: Vec<Fault>, place: &str) -> Error {
    if let [fault] = faults.as_slice()
        && fault.costly
    {
        return too_costly(fault.rule.clone());
    }
    let issue = |fault: Fault| {
        let own = fault.place.strip_prefix("ViewDefinition").filter(|_| !place.is_empty());
        let expression = own.map_or(fault.place.clone(), |own| format!("{place}{own}"));
        Issue::error(IssueType::Invalid, fault.rule).at(expression)
    };
    Error::Invalid(faults.into_iter().map(issue).collect())
}

/// Bytes in memory, up to a limit.
struct Capped {
    bytes: Vec<u8>,
    most: usize,
}

impl Write for Capped {
    fn write(&mut self, more: &[u8]) -> io::Result<usize> {
        if self.bytes.len() + more.len() > self.most {
            return Err(io::Error::other("the table is too large"));
        }
        self.bytes.extend_from_slice(more);
        Ok(more.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_have_an_end() {
        let mut capped = Capped { bytes: Vec::new(), most: 4 };
        assert!(capped.write_all(b"abcd").is_ok());
        assert!(capped.write_all(b"e").is_err());
        assert_eq!(capped.bytes, b"abcd");
    }
}
