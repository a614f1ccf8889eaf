//! The content of a letter: sections of blocks, in words, before any form.
//!
//! JSON document, HTML and PDF are made from the same content, so they say the same and show the
//! same numbers. Nothing here knows markup.

use serde::Serialize;

use crate::clinical::source::Source;

/// A whole letter.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Content {
    /// The language's code.
    pub language: &'static str,
    /// The title.
    pub title: String,
    /// What the letter is about, for lists and window titles.
    pub subject: String,
    /// The date of the letter, written out.
    pub date: String,
    /// The same date as year, month and day.
    pub day: [i32; 3],
    /// Whether it is a draft, in words.
    pub status: String,
    /// To, from, about.
    pub parties: Vec<Fact>,
    /// The sections, in reading order.
    pub sections: Vec<Section>,
    /// Courses of scores, for forms that draw them.
    pub charts: Vec<Chart>,
    /// The words under the charts.
    pub charts_note: String,
    /// The cautions.
    pub cautions: Vec<String>,
    /// The heading of the cautions.
    pub cautions_title: String,
    /// The line at the foot of each page.
    pub foot: String,
    /// What a form says that cannot show every character.
    pub boxes_note: String,
    /// The words before the page number, with `{n}` and `{all}`.
    pub page: String,
}

/// One section.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Section {
    /// Its name within the letter.
    pub id: &'static str,
    /// Its LOINC code, where one fits.
    pub code: Option<&'static str>,
    /// Its heading.
    pub title: String,
    /// What it says.
    pub blocks: Vec<Block>,
    /// Where that comes from.
    pub sources: Vec<Source>,
}

/// A piece of a section.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Block {
    /// A paragraph that carries the weight.
    Lead {
        /// Its text.
        text: String,
    },
    /// A paragraph.
    Paragraph {
        /// Its text.
        text: String,
    },
    /// Small print.
    Note {
        /// Its text.
        text: String,
    },
    /// A list without order.
    List {
        /// Its items.
        items: Vec<String>,
    },
    /// Labels with their values.
    Facts {
        /// Label and lines of value.
        items: Vec<Fact>,
    },
    /// A table; the first cell of each row is its header.
    Table {
        /// What it shows.
        caption: String,
        /// The headers of the columns.
        columns: Vec<String>,
        /// The rows.
        rows: Vec<Vec<String>>,
        /// Whether the last row is a sum.
        sum: bool,
    },
    /// A segment map.
    Map(Map),
}

/// A label with its value.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Fact {
    /// The label.
    pub label: String,
    /// The lines of the value.
    pub lines: Vec<String>,
}

/// A segment map, ready to draw: segments from the head downwards, days from left to right.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Map {
    /// What it shows.
    pub caption: String,
    /// The same in words, for who cannot see it.
    pub description: String,
    /// The words for the same map as a table.
    pub words: String,
    /// The header of the column of segments.
    pub corner: String,
    /// The words for left, right and treated, as short marks.
    pub marks: [String; 3],
    /// The days.
    pub days: Vec<String>,
    /// The rows.
    pub rows: Vec<MapRow>,
    /// Each shape with its words.
    pub legend: Vec<Legend>,
}

/// One segment of a map.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct MapRow {
    /// The segment.
    pub segment: &'static str,
    /// One cell for each day.
    pub cells: Vec<MapCell>,
}

/// One segment on one day.
#[derive(Clone, Default, PartialEq, Eq, Debug, Serialize)]
pub struct MapCell {
    /// The left side, where it was tested.
    pub left: Option<Mark>,
    /// The right side, where it was tested.
    pub right: Option<Mark>,
    /// Whether the segment was treated that day.
    pub treated: bool,
}

/// One side on one day.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Mark {
    /// The shape.
    pub shape: Shape,
    /// The grade, or a letter for a class alone.
    pub text: String,
    /// The same in words.
    pub words: String,
    /// Whether readings of that day differ.
    pub differs: bool,
}

/// The shapes of a map.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// Hypomobile: a filled block.
    Stiff,
    /// Normal: a ring.
    Normal,
    /// Hypermobile: an open diamond.
    Loose,
    /// Could not be tested: a cross.
    Untestable,
    /// Treated that day: a short bar on the axis.
    Treated,
}

/// A shape with its words.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Legend {
    /// The shape.
    pub shape: Shape,
    /// A sample of the text in it.
    pub text: String,
    /// What it means.
    pub words: String,
}

/// The course of one score, or the dose of each day, ready to draw; places are thousandths of the drawing.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Chart {
    /// The section that it belongs to.
    pub section: &'static str,
    /// Whether each value is a bar of its own; else a line joins them.
    pub bars: bool,
    /// What it shows.
    pub caption: String,
    /// The same in words.
    pub description: String,
    /// The values, from left to right.
    pub points: Vec<ChartPoint>,
    /// From the first value to the important change.
    pub important: Option<Band>,
    /// From the first value to the error of measurement.
    pub error: Option<Band>,
    /// The least distance between neighbours, in thousandths of the width; bars are narrower.
    pub step: u32,
    /// The words for the least and the greatest value of the scale.
    pub ends: [String; 2],
}

/// The values from the first one to a change of some size.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct Band {
    /// Its lower end.
    pub low: u32,
    /// Its upper end.
    pub high: u32,
    /// The end at which the change is reached.
    pub edge: u32,
}

/// One value of a chart.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct ChartPoint {
    /// From the first day to the last.
    pub x: u32,
    /// From the least value to the greatest.
    pub y: u32,
    /// The value in words.
    pub text: String,
    /// Its day in words.
    pub day: String,
    /// The same without the year.
    pub short: String,
    /// Whether there is room for its words in the drawing.
    pub told: bool,
    /// Whether the line goes up from here, or came up to here.
    pub rises: bool,
}

impl Block {
    /// A paragraph.
    pub fn paragraph(text: impl Into<String>) -> Self {
        Self::Paragraph { text: text.into() }
    }

    /// Small print.
    pub fn note(text: impl Into<String>) -> Self {
        Self::Note { text: text.into() }
    }
}

impl Fact {
    /// A label with the lines of its value.
    pub fn new(label: &str, lines: Vec<String>) -> Self {
        Self { label: label.to_owned(), lines }
    }
}
