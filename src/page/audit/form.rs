//! The form that asks: indicator, period, grouping; and why an answer could not be given.

use maud::{Markup, html};

use crate::audit::STRATIFIERS;
use crate::letter::catalogue::Catalogue;
use crate::page::audit::Audit;

/// The form; it asks by its address alone, so that what it shows can be kept and sent on.
pub(super) fn form(page: &Audit<'_>, words: &Catalogue) -> Markup {
    let asked = page.asked;
    let at_fault = |name: &str| {
        let place = format!("http.{name}");
        let found = page.issues.iter().any(|issue| issue.expression.as_deref() == Some(&place));
        found.then_some("true")
    };
    let described = |name: &str| at_fault(name).map(|_| "audit-refusals");
    html! {
        form class="screen ask" id="ask" method="get" action="/audit" aria-label=(words.get("audit.ask")) {
            @if words.language() != "en" { input type="hidden" name="language" id="language" value=(words.language()) aria-label="language"; }
            @if !page.issues.is_empty() {
                div role="alert" {
                    ul class="refusals" id="audit-refusals" {
                        @for issue in page.issues {
                            li {
                                span lang="en" { (issue.diagnostics) }
                                @if let Some(place) = &issue.expression { " " code { (place) } }
                            }
                        }
                    }
                }
            }
            div class="fields" {
                label {
                    span { (words.get("audit.measure")) }
                    select id="measure" name="measure" aria-invalid=[at_fault("measure")] aria-describedby=[described("measure")] {
                        @for one in page.measures {
                            option value=(one.id) selected[asked.measure.as_deref() == Some(&one.id)] lang="en" { (one.title) }
                        }
                    }
                }
                @for (name, label, value) in [("periodStart", "audit.from", &asked.start), ("periodEnd", "audit.to", &asked.end)] {
                    label {
                        span { (words.get(label)) }
                        input type="date" id=(name) name=(name) value=(value) required aria-invalid=[at_fault(name)] aria-describedby=[described(name)];
                    }
                }
                label {
                    span { (words.get("audit.grouping")) }
                    select id="stratifier" name="stratifier" aria-invalid=[at_fault("stratifier")] aria-describedby=[described("stratifier")] {
                        @for split in STRATIFIERS {
                            option value=(split.code) selected[asked.stratifier.as_deref() == Some(split.code)] { (words.name("audit.stratifier", split.code)) }
                        }
                    }
                }
                button type="submit" { (words.get("audit.show")) }
            }
        }
    }
}
