//! The letter as a page: for a screen of any width, for A4 and Letter paper, for a screen reader.

use maud::{Markup, html};

use crate::letter::content::{Block, Chart, Content, Map, Section};
use crate::letter::{layout, narrative, svg};

/// The whole page.
pub(super) fn page(content: &Content) -> String {
    let top = html! {
        h1 { (content.title) }
        p class="when" { (content.date) ". " (content.status) }
        div class="parties" {
            @for party in &content.parties {
                dl {
                    dt { (party.label) }
                    @for line in &party.lines { dd { (line) } }
                }
            }
        }
    };
    let body = html! {
        @for section in &content.sections {
            (self::section(section, &charts(content, section.id)))
        }
        (layout::cautions(&content.cautions_title, &content.cautions))
    };
    let running = content.cautions.first().into_iter().chain(content.cautions.last());
    let bottom = html! {
        p { (content.foot) }
        // On paper at the foot of each page; readers of the screen have the cautions above.
        p class="running" aria-hidden="true" {
            @for caution in running { (caution) " " }
            br;
            (content.foot)
        }
    };
    layout::page(content.language, &content.subject, &top, &body, &bottom)
}

/// One section; `more` stands at its end.
pub(crate) fn section(section: &Section, more: &Markup) -> Markup {
    html! {
        section id=(section.id) aria-labelledby=(format!("{}-title", section.id)) {
            h2 id=(format!("{}-title", section.id)) { (section.title) }
            @for block in &section.blocks {
                @match block {
                    Block::Map(map) => { (figure(map)) }
                    Block::Table { caption, .. } => { (layout::wide(caption, &narrative::block(block))) }
                    _ => { (narrative::block(block)) }
                }
            }
            (more)
        }
    }
}

/// The charts of a section, side by side where there is room.
pub(crate) fn charts(content: &Content, section: &str) -> Markup {
    let charts: Vec<&Chart> = content.charts.iter().filter(|c| c.section == section).collect();
    html! {
        @if !charts.is_empty() {
            div class="charts" {
                @for chart in &charts {
                    figure {
                        figcaption { (chart.caption) }
                        (svg::chart(chart))
                    }
                }
            }
            @if charts.iter().any(|chart| chart.important.is_some()) {
                p class="note" { (content.charts_note) }
            }
        }
    }
}

/// The map drawn, its legend, and the same as a table of words.
fn figure(map: &Map) -> Markup {
    html! {
        figure {
            figcaption { (map.caption) }
            @for drawing in svg::maps(map) { (layout::wide(&map.caption, &drawing)) }
            (svg::legend(map))
            p class="note" { (map.description) }
            details {
                summary { (map.words) }
                (layout::wide(&map.words, &narrative::map_table(map)))
            }
        }
    }
}
