//! Which resource here is which there.
//!
//! What came from here is itself; what has a business identifier of one here is that one; else it gets
//! the id that it has there, or one derived from its URL where that id is taken here.

use reqwest::Method;
use serde_json::{Value, json};
use uuid::Uuid;

use super::super::Failure;
use super::local::{identifiers, origin};
use super::source::{Change, Spool};
use super::state::Link;
use super::{Open, Sync};
use crate::fhir::query;
use crate::search::value::escape;

/// How many resources are asked after in one batch.
const TOGETHER: usize = 50;

/// What is asked about one resource.
struct Question {
    of: String,
    /// The place of the search by identifiers among the entries.
    search: Option<usize>,
    /// The place of the read.
    read: usize,
    /// What it says of where it came from, if that is here.
    home: Option<String>,
}

impl Sync<'_> {
    /// Settles what each resource of the spool is here.
    pub(super) async fn identify(&mut self, spool: &Spool) -> Result<(), Failure> {
        let mut unknown = Vec::new();
        for change in spool.changes()? {
            let change = change?;
            let is_known = self.state.link(&change.of).is_some_and(|link| !link.here.is_empty());
            if is_known || change.resource.is_none() {
                continue;
            }
            unknown.push(change);
            if unknown.len() >= TOGETHER {
                self.settle_all(&unknown).await?;
                unknown.clear();
            }
        }
        self.settle_all(&unknown).await
    }

    async fn settle_all(&mut self, changes: &[Change]) -> Result<(), Failure> {
        if changes.is_empty() {
            return Ok(());
        }
        let mut entries = Vec::new();
        let mut questions = Vec::new();
        for change in changes {
            let resource = change.resource.as_ref().unwrap_or(&Value::Null);
            let kind = change.of.split('/').next().unwrap_or_default();
            let said = resource.pointer("/meta/source").and_then(Value::as_str);
            let home = said.and_then(|said| said.strip_prefix(self.to.base())?.strip_prefix('/'));
            let home = home.filter(|home| home.split('/').next() == Some(kind)).map(str::to_owned);
            let read = entries.len();
            entries.push(asked(home.as_deref().unwrap_or(&change.of)));
            let known = identifiers(resource);
            let search = (!known.is_empty()).then(|| {
                entries.push(asked(&format!("{kind}?{}", criteria(&known))));
                read + 1
            });
            questions.push(Question { of: change.of.clone(), search, read, home });
        }
        let bundle = json!({ "resourceType": "Bundle", "type": "batch", "entry": entries });
        let answer = self.to.send(Method::POST, "", &bundle).await?;
        let answers = answer.json().filter(|_| answer.status.is_success()).unwrap_or_default();
        let answers = answers.get("entry").and_then(Value::as_array).cloned().unwrap_or_default();
        if answers.len() != entries.len() {
            let text = format!("it does not answer a batch (status {})", answer.status.as_u16());
            return Err(Failure::new(self.to.base().to_owned(), text));
        }
        for question in questions {
            self.settle(&question, &answers)?;
        }
        self.state.flush()
    }

    fn settle(&mut self, question: &Question, answers: &[Value]) -> Result<(), Failure> {
        let Question { of, search, read, home } = question;
        let found = search.and_then(|at| answers.get(at));
        let found = found.and_then(|answer| answer.pointer("/resource/entry")?.as_array());
        let found = found.into_iter().flatten().filter(|entry| {
            entry.pointer("/search/mode").and_then(Value::as_str).is_none_or(|mode| mode == "match")
        });
        let found: Vec<String> = found.filter_map(|entry| named(entry.get("resource")?)).collect();
        let answer = answers.get(*read).unwrap_or(&Value::Null);
        let status = answer.pointer("/response/status").and_then(Value::as_str).unwrap_or_default();
        let there = answer.get("resource").filter(|_| status.starts_with("200"));
        let link = |here: String, met: bool| Link { here, met, ..Link::default() };
        let link = match (home, found.as_slice()) {
            // What was deleted here since is told when it is compared.
            (Some(home), _) if there.is_some() || status.starts_with("410") => {
                link(home.clone(), true)
            }
            (_, [one]) => link(one.clone(), true),
            (_, []) => {
                let own = origin(self.from.base(), of);
                let came_from = |resource: &Value| {
                    resource.pointer("/meta/source").and_then(Value::as_str) == Some(own.as_str())
                };
                match there {
                    Some(resource) if home.is_none() && came_from(resource) => {
                        link(of.clone(), true)
                    }
                    None if home.is_none() && status.starts_with("404") => link(of.clone(), false),
                    _ => {
                        let kind = of.split('/').next().unwrap_or_default();
                        let id = Uuid::new_v5(&Uuid::NAMESPACE_URL, own.as_bytes());
                        link(format!("{kind}/{id}"), false)
                    }
                }
            }
            (_, several) => {
                let why =
                    format!("its identifiers are those of several here: {}", several.join(", "));
                return self.unsettled(of, why);
            }
        };
        match self.state.of(&link.here) {
            Some(other) if other != of => {
                let why = format!("{other} there is the same here: {}", link.here);
                self.unsettled(of, why)
            }
            _ => self.state.put(of, link),
        }
    }

    /// What is here of it cannot be told.
    fn unsettled(&mut self, of: &str, why: String) -> Result<(), Failure> {
        self.state.put(of, Link { open: Some("identity".to_owned()), ..Link::default() })?;
        let (code, here) = ("multiple-matches".to_owned(), "several".to_owned());
        self.open.push(Open { of: of.to_owned(), here, code, why, outcome: None });
        Ok(())
    }
}

/// An entry that reads.
fn asked(url: &str) -> Value {
    json!({ "request": { "method": "GET", "url": url } })
}

/// Identifiers as the value of a search for any of them.
pub(super) fn any_of(identifiers: &[(String, String)]) -> String {
    let token =
        |(system, value): &(String, String)| format!("{}|{}", escape(system), escape(value));
    identifiers.iter().map(token).collect::<Vec<_>>().join(",")
}

/// The search for any of those identifiers.
fn criteria(identifiers: &[(String, String)]) -> String {
    let any = any_of(identifiers);
    query::encode(&[("identifier", any.as_str()), ("_elements", "identifier"), ("_count", "5")])
}

fn named(resource: &Value) -> Option<String> {
    let text = |name: &str| resource.get(name).and_then(Value::as_str);
    Some(format!("{}/{}", text("resourceType")?, text("id")?))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Escapes of search values: <http://hl7.org/fhir/R4/search.html#escaping>.
    #[test]
    fn identifiers_are_searched_for_as_they_are() {
        let text =
            criteria(&[("urn:s".to_owned(), "a,b|c".to_owned()), ("t".to_owned(), "1".to_owned())]);
        let pairs = query::pairs(&text);
        assert_eq!(pairs[0], ("identifier".to_owned(), "urn:s|a\\,b\\|c,t|1".to_owned()));
    }
}
