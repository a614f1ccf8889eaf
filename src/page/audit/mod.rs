//! The pages of an audit: what was asked for, the figure with all that belongs beside it, the groups
//! and the months as charts and tables, and the cases behind a figure.
//!
//! All figures are read from the report of `Measure/$evaluate-measure`, to which each of them leads;
//! what that withholds is not known here. The pages describe what is recorded; they judge nobody.

mod asked;
mod cases;
mod download;
mod draw;
mod figure;
mod form;
mod funnel;
mod groups;
mod trend;
mod worded;

use std::collections::BTreeMap;

use maud::{Markup, html};
use serde_json::Value;

use crate::audit::table::{Part, Table};
use crate::clinical::element::{items, text};
use crate::clinical::source::Day;
use crate::fhir::Issue;
use crate::letter::catalogue::Catalogue;
use crate::letter::layout;
use crate::page::{steps, to};

pub use asked::Asked;
pub use cases::{Case, Cases, UNKNOWN, cases};
pub use download::{Form as DownloadForm, download};

/// A Measure that can be asked for.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Listed {
    /// Its logical id.
    pub id: String,
    /// Its title, as it has it.
    pub title: String,
    /// What it is about, as it says.
    pub description: String,
    /// Its code of `measure-type`, empty where it has none.
    pub kind: String,
}

/// What the page shows.
pub struct Audit<'a> {
    /// The path of the API, without a slash at its end.
    pub api: &'a str,
    /// What was asked for.
    pub asked: &'a Asked,
    /// The Measures to choose from.
    pub measures: &'a [Listed],
    /// The answer; none where no Measure was chosen, or none can be given.
    pub told: Option<Told<'a>>,
    /// Why there is no answer.
    pub issues: &'a [Issue],
    /// Whether the cases behind a figure may be listed.
    pub may_list: bool,
    /// The least number of cases that is told.
    pub least: u64,
}

/// An answer.
#[derive(Clone, Copy)]
pub struct Told<'a> {
    /// The Measure.
    pub measure: &'a Value,
    /// Its report as tables.
    pub table: &'a Table,
    /// Names of what strata refer to, by reference.
    pub names: &'a BTreeMap<String, String>,
}

/// The stratifiers whose groups are drawn as a funnel.
const FUNNELS: [&str; 3] = ["practitioner", "site", "referral-source"];

/// The page.
pub fn audit(page: &Audit<'_>, words: &Catalogue) -> String {
    let name = page.told.and_then(|told| text(told.measure, "/title"));
    let title = match name {
        Some(name) => format!("{}: {name}", words.get("audit.title")),
        None => words.get("audit.title").to_owned(),
    };
    let top = html! {
        h1 {
            @match name {
                Some(name) => { span lang="en" { (name) } }
                None => { (words.get("audit.title")) }
            }
        }
        p class="when" {
            @if let Some(told) = page.told {
                (period(page.asked, words)) ". "
                (words.fill("audit.as-of", &[("commit", told.table.commit.as_str())]))
            } @else { (words.get("audit.what")) }
        }
        (trail(page.asked, "audit", words))
    };
    let body = html! {
        (form::form(page, words))
        @if let Some(told) = page.told {
            @for (at, part) in told.table.parts.iter().enumerate() {
                (self::part(page, told, (at, part), words))
            }
            (made(page, told, words))
        } @else if page.issues.is_empty() { (choices(page, words)) }
        (cautions(words))
    };
    let bottom = html! { p { (words.get("audit.foot")) } };
    layout::page(words.language(), &title, &top, &body, &bottom)
}

/// The way through the pages of the audit.
fn trail(asked: &Asked, here: &str, words: &Catalogue) -> Markup {
    let mut ways = vec![("first", "/".to_owned()), ("audit", asked.path("/audit"))];
    if here == "cases" {
        ways.push(("cases", String::new()));
    }
    steps(&ways, here, words)
}

/// One group of the Measure.
fn part(page: &Audit<'_>, told: Told<'_>, part: (usize, &Part), words: &Catalogue) -> Markup {
    let (at, Part { whole, splits }) = part;
    let id = |name: &str| if at == 0 { name.to_owned() } else { format!("{name}-{at}") };
    let chosen = page.asked.stratifier.as_deref();
    let split = splits.iter().find(|split| Some(split.code.as_str()) == chosen);
    let months = splits.iter().find(|split| split.code == "month");
    html! {
        section aria-labelledby=(id("figure")) {
            h2 id=(id("figure")) { (words.get("audit.figure")) }
            (figure::figure(page, told, whole, words))
        }
        @if let Some(split) = split.filter(|split| split.code != "month") {
            section aria-labelledby=(id("groups")) {
                h2 id=(id("groups")) { (words.fill("audit.by", &[("what", words.name("audit.stratifier", &split.code))])) }
                (groups::section(page, told, whole, split, &id("groups"), words))
            }
        }
        @if let Some(months) = months {
            section aria-labelledby=(id("months")) {
                h2 id=(id("months")) { (words.get("audit.months")) }
                (trend::section(page, told, whole, months, &id("months"), words))
            }
        }
    }
}

/// How the figure came about: what the Measure counts, from where, and the request that answers it.
fn made(page: &Audit<'_>, told: Told<'_>, words: &Catalogue) -> Markup {
    let request = page.asked.request(page.api, "population");
    let populations = items(told.measure, "/group").flat_map(|group| items(group, "/population"));
    html! {
        section aria-labelledby="made" {
            h2 id="made" { (words.get("audit.made")) }
            p { (words.get("audit.request")) }
            p { a href=(format!("{request}&_pretty=true")) { code { "GET " (request) } } }
            p lang="en" { (text(told.measure, "/description").unwrap_or_default()) }
            dl {
                @for population in populations {
                    dt { (words.name("audit.population", text(population, "/code/coding/0/code").unwrap_or_default())) }
                    dd {
                        span lang="en" { (text(population, "/criteria/description").unwrap_or_default()) }
                        " " code { (text(population, "/criteria/expression").unwrap_or_default()) }
                    }
                }
            }
            p class="note" lang="en" { (text(told.measure, "/rationale").unwrap_or_default()) }
            p class="note" { (words.get("audit.interval-note")) }
        }
    }
}

/// The Measures by what they are about, to begin with.
fn choices(page: &Audit<'_>, words: &Catalogue) -> Markup {
    let mut kinds: Vec<&str> = page.measures.iter().map(|one| one.kind.as_str()).collect();
    kinds.dedup();
    html! {
        @if page.measures.is_empty() { p { (words.get("audit.no-measure")) } }
        @for kind in kinds {
            section aria-labelledby=(format!("kind-{kind}")) {
                h2 id=(format!("kind-{kind}")) { (words.name("audit.kind", if kind.is_empty() { "none" } else { kind })) }
                ul class="indicators" {
                    @for one in page.measures.iter().filter(|one| one.kind == kind) {
                        @let asked = Asked { measure: Some(one.id.clone()), ..page.asked.clone() };
                        li {
                            a href=(to(&asked.path("/audit"), words)) lang="en" { (one.title) }
                            " " span class="note" lang="en" { (one.description) }
                        }
                    }
                }
            }
        }
    }
}

/// First to last day of the period.
fn period(asked: &Asked, words: &Catalogue) -> String {
    let day = |text: &str| Day::parse(text).map_or_else(|| text.to_owned(), |d| words.short_day(d));
    format!("{} \u{2013} {}", day(&asked.start), day(&asked.end))
}

/// The cautions of every page, and those of an audit before them.
fn cautions(words: &Catalogue) -> Markup {
    let own = ["describes", "mix", "looks", "missing"].map(|name| ("audit.caution", name));
    let all = ["findings", "screening", "words", "emergency"].map(|name| ("caution", name));
    let cautions: Vec<String> = own
        .into_iter()
        .chain(all)
        .map(|(group, name)| words.name(group, name).to_owned())
        .collect();
    layout::cautions(words.get("caution.title"), &cautions)
}
