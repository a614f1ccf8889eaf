//! Narrative of the Composition: the blocks of a section as the XHTML that the standard allows.
//!
//! No script, style or picture; the segment map becomes a table of words.
//! Source: <http://hl7.org/fhir/R4/narrative.html>.

use maud::{Markup, html};
use serde_json::{Value, json};

use crate::letter::content::{Block, Fact, Map, MapCell};

/// The narrative of blocks, as the standard's data type.
pub(super) fn narrative(language: &str, title: &str, blocks: &[Block]) -> Value {
    let inner = html! {
        div xmlns="http://www.w3.org/1999/xhtml" lang=(language) xml:lang=(language) {
            p { b { (title) } }
            @for block in blocks { (self::block(block)) }
        }
    };
    json!({ "status": "generated", "div": xhtml(&inner.into_string()) })
}

/// Void elements closed, as XHTML asks.
fn xhtml(html: &str) -> String {
    html.replace("<br>", "<br/>").replace("<hr>", "<hr/>")
}

/// One block; the page of HTML uses the same for all but the map.
pub(super) fn block(block: &Block) -> Markup {
    html! {
        @match block {
            Block::Lead { text } => { p class="lead" { (lines(text)) } }
            Block::Paragraph { text } => { p { (lines(text)) } }
            Block::Note { text } => { p class="note" { (lines(text)) } }
            Block::List { items } => { ul { @for item in items { li { (lines(item)) } } } }
            Block::Facts { items } => { (facts(items)) }
            Block::Table { caption, columns, rows, sum } => { (table(caption, columns, rows, *sum)) }
            Block::Map(map) => { (map_table(map)) }
        }
    }
}

fn facts(items: &[Fact]) -> Markup {
    html! {
        dl {
            @for item in items {
                dt { (item.label) }
                @for line in &item.lines { dd { (lines(line)) } }
            }
        }
    }
}

fn table(caption: &str, columns: &[String], rows: &[Vec<String>], sum: bool) -> Markup {
    let class = if sum { "sum" } else { "rows" };
    html! {
        table class=(class) {
            caption { (caption) }
            thead { tr { @for column in columns { th scope="col" { (column) } } } }
            tbody {
                @for row in rows {
                    tr {
                        @for (at, cell) in row.iter().enumerate() {
                            @if at == 0 { th scope="row" { (lines(cell)) } }
                            @else { td { (lines(cell)) } }
                        }
                    }
                }
            }
        }
    }
}

/// A map as a table of words.
pub(super) fn map_table(map: &Map) -> Markup {
    let [left, right, treated] = &map.marks;
    let cell = |cell: &MapCell| {
        let side = |name: &str, mark: &Option<crate::letter::content::Mark>| {
            mark.as_ref().map(|mark| {
                let unsure = if mark.differs { " ?" } else { "" };
                format!("{name} {}{unsure}", mark.words)
            })
        };
        let parts = [side(left, &cell.left), side(right, &cell.right)];
        let treated = cell.treated.then(|| treated.clone());
        parts.into_iter().flatten().chain(treated).collect::<Vec<_>>().join("; ")
    };
    html! {
        table class="words" {
            caption { (map.caption) }
            thead {
                tr {
                    th scope="col" { (map.corner) }
                    @for day in &map.days { th scope="col" { (day) } }
                }
            }
            tbody {
                @for row in &map.rows {
                    tr {
                        th scope="row" { (row.segment) }
                        @for one in &row.cells { td { (cell(one)) } }
                    }
                }
            }
        }
    }
}

/// Lines of a text, broken where it says so.
fn lines(text: &str) -> Markup {
    html! {
        @for (at, line) in text.split('\n').enumerate() {
            @if at > 0 { br; }
            (line)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_cannot_become_markup() {
        let block = Block::paragraph("<script>alert(1)</script> & \n next");
        let value = narrative("en", "a < b", &[block]);
        let div = value["div"].as_str().unwrap();
        assert!(!div.contains("<script"), "{div}");
        assert!(div.contains("&lt;script&gt;") && div.contains("<br/>"), "{div}");
    }
}
