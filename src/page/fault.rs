//! The page of a request that was not carried out: what is wrong, where, and what is said of it.
//!
//! The same issues as the `OperationOutcome` that a program gets. They are in English, whatever the
//! language of the page, and marked so.
//! Source: <http://hl7.org/fhir/R4/operationoutcome.html>.

use maud::html;

use crate::fhir::Issue;
use crate::letter::catalogue::Catalogue;
use crate::letter::layout;
use crate::page::to;

/// The statuses that have words of their own; the others are faults of the request, or of the server.
const STATUSES: [u16; 8] = [400, 404, 405, 406, 409, 410, 412, 422];

/// The page of a status with its issues; `request` is the number under which the log tells more.
pub fn fault(status: u16, issues: &[Issue], request: &str, words: &Catalogue) -> String {
    let code = match status {
        known if STATUSES.contains(&known) => known,
        500.. => 500,
        _ => 400,
    };
    let code = code.to_string();
    let title = words.name("fault.title", &code);
    let top = html! {
        h1 { (title) }
        p class="when" { (words.fill("fault.status", &[("status", status.to_string())])) }
    };
    let body = html! {
        p { (words.name("fault.what", &code)) }
        section aria-labelledby="issues" {
            h2 id="issues" { (words.get("fault.issues")) }
            ul {
                @for issue in issues {
                    li {
                        span lang="en" { (issue.diagnostics) }
                        @if let Some(place) = &issue.expression { " " code { (place) } }
                    }
                }
            }
        }
        p { a href=(to("/", words)) { (words.get("fault.first-page")) } }
        (super::cautions(words))
    };
    let bottom = html! { p { (words.fill("fault.request", &[("id", request)])) } };
    layout::page(words.language(), title, &top, &body, &bottom)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fhir::IssueType;

    #[test]
    fn says_what_and_where_and_escapes_it() {
        let issue = Issue::error(IssueType::Value, "No <b> here.").at("Patient.name");
        for words in [Catalogue::english(), Catalogue::german()] {
            for status in [400, 404, 410, 418, 422, 500, 503] {
                let page = fault(status, std::slice::from_ref(&issue), "r-1", words);
                assert!(page.contains("No &lt;b&gt; here.") && !page.contains("No <b>"));
                assert!(page.contains("<code>Patient.name</code>") && page.contains("r-1"));
                assert!(page.contains(&status.to_string()), "{status}");
                let keys = ["fault.what", "fault.title", "fault.status", "fault.request"];
                assert!(keys.iter().all(|key| !page.contains(key)), "{status}: a key as text");
            }
        }
    }
}
