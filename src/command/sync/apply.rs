//! Changes of the other server, written here.
//!
//! In batches, each entry under a condition: what is new must not be here yet, what is known must
//! stand as it was written last. Where that does not hold both contents are compared: if they are the
//! same there is nothing to do, else there is a conflict.

use reqwest::{Method, StatusCode, header};
use serde_json::{Value, json};

use super::super::Failure;
use super::super::client::{Answer, JSON};
use super::identity::any_of;
use super::local::{Turning, identifiers, is_same};
use super::source::{Change, Spool, tag};
use super::state::Link;
use super::{Conflicts, Open, Sync};
use crate::fhir::query;

/// How many entries, and how many bytes of them, a batch has at most.
const ENTRIES: usize = 100;
const BYTES: usize = 4 << 20;

/// A change on its way.
struct Going {
    change: Change,
    /// The resource as it will be here; none: it is deleted.
    resource: Option<Value>,
    link: Link,
}

impl Sync<'_> {
    /// Writes the changes of the spool.
    pub(super) async fn apply(&mut self, spool: &Spool) -> Result<(), Failure> {
        let (mut batch, mut entries, mut bytes) = (Vec::new(), Vec::new(), 0);
        for change in spool.changes()? {
            let change = change?;
            self.forget_nameless(&change)?;
            let Some(going) = self.going(change) else { continue };
            let Some(entry) = entry(&going) else {
                // It is here, and was never compared.
                self.compare(going).await?;
                continue;
            };
            bytes += going.resource.as_ref().map_or(0, |resource| resource.to_string().len());
            batch.push(going);
            entries.push(entry);
            if entries.len() >= ENTRIES || bytes >= BYTES {
                self.send(&mut batch, &mut entries).await?;
                bytes = 0;
            }
        }
        self.send(&mut batch, &mut entries).await?;
        self.state.flush()
    }

    /// What was never told apart here, and is deleted there, is open no more.
    fn forget_nameless(&mut self, change: &Change) -> Result<(), Failure> {
        let is_nameless = |link: &Link| link.here.is_empty() && link.open.is_some();
        if change.resource.is_none() && self.state.link(&change.of).is_some_and(is_nameless) {
            return self.state.put(&change.of, Link::default());
        }
        Ok(())
    }

    /// What is to be done about a change, if anything is.
    fn going(&self, change: Change) -> Option<Going> {
        let link = self.state.link(&change.of)?.clone();
        let known = link.theirs.as_ref() == Some(&change.version) && link.open.is_none();
        if known || link.here.is_empty() || (change.resource.is_none() && is_nowhere(&link)) {
            return None;
        }
        let here = |of: &str, version: Option<&str>| {
            let link = self.state.link(of).filter(|link| !link.here.is_empty())?;
            match version {
                None => Some(link.here.clone()),
                Some(version) if link.theirs.as_deref() == Some(version) => {
                    Some(format!("{}/_history/{}", link.here, link.ours.as_ref()?))
                }
                Some(_) => None,
            }
        };
        let turning = Turning { from: self.from.base(), to: self.to.base(), here: &here };
        let id = link.here.split('/').nth(1).unwrap_or_default();
        let resource = change.resource.as_ref().map(|own| turning.turn(&change.of, id, own));
        Some(Going { change, resource, link })
    }

    async fn send(
        &mut self,
        batch: &mut Vec<Going>,
        entries: &mut Vec<Value>,
    ) -> Result<(), Failure> {
        if batch.is_empty() {
            return Ok(());
        }
        let entries = std::mem::take(entries);
        let count = entries.len();
        let bundle = json!({ "resourceType": "Bundle", "type": "batch", "entry": entries });
        let minimal = [("Prefer", "return=minimal")];
        let answer = self.to.send_with(Method::POST, "", &bundle, &minimal).await?;
        let told = answer.json().filter(|_| answer.status.is_success()).unwrap_or_default();
        let answers = told.get("entry").and_then(Value::as_array).cloned().unwrap_or_default();
        if answers.len() != count {
            let why = format!("a batch was not carried out (status {})", answer.status.as_u16());
            return Err(Failure::new(self.to.base().to_owned(), why));
        }
        let mut doubtful = Vec::new();
        for (going, answer) in batch.drain(..).zip(answers) {
            let text = |pointer: &str| answer.pointer(pointer).and_then(Value::as_str);
            let status = text("/response/status").and_then(|text| text.get(..3)?.parse().ok());
            let version = text("/response/etag").map(tag);
            match status.unwrap_or(500) {
                200..300 => self.done(going, version)?,
                404 if going.resource.is_none() => self.done(going, None)?,
                409 | 410 | 412 => doubtful.push(going),
                status @ 500.. => {
                    let why = format!("{} is not taken now (status {status})", going.change.of);
                    return Err(Failure::new(self.to.base().to_owned(), why));
                }
                status => {
                    self.refused(going, status, answer.pointer("/response/outcome").cloned())?;
                }
            }
        }
        // Before anything else is asked, so that a run that ends here has not forgotten it.
        self.state.flush()?;
        for going in doubtful {
            self.compare(going).await?;
        }
        self.state.flush()
    }

    /// Both have it now.
    fn done(&mut self, going: Going, version: Option<String>) -> Result<(), Failure> {
        let Going { change, resource, link } = going;
        match resource {
            Some(_) => self.tally.written += 1,
            None => self.tally.deleted += 1,
        }
        let ours = version.filter(|_| resource.is_some());
        self.agreed(&change, link, ours, false)
    }

    fn agreed(
        &mut self,
        change: &Change,
        link: Link,
        ours: Option<String>,
        met: bool,
    ) -> Result<(), Failure> {
        let theirs = Some(change.version.clone());
        self.state.put(&change.of, Link { theirs, ours, met, open: None, ..link })
    }

    /// The server does not take it; it is tried again in the next round.
    fn refused(
        &mut self,
        going: Going,
        status: u16,
        outcome: Option<Value>,
    ) -> Result<(), Failure> {
        let why = format!("it is refused with status {status}");
        self.left_open(going, "processing", why, outcome)
    }

    fn left_open(
        &mut self,
        going: Going,
        code: &str,
        why: String,
        outcome: Option<Value>,
    ) -> Result<(), Failure> {
        let Going { change, link, .. } = going;
        let here = link.here.clone();
        self.state.put(&change.of, Link { open: Some(code.to_owned()), ..link })?;
        self.open.push(Open { of: change.of, here, code: code.to_owned(), why, outcome });
        Ok(())
    }

    /// Looks at what stands here, and decides.
    async fn compare(&mut self, going: Going) -> Result<(), Failure> {
        let answer = self.to.get(&going.link.here, JSON).await?;
        let version = answer.header(header::ETAG).map(tag);
        match answer.status {
            StatusCode::OK => {
                let current = answer.json().unwrap_or_default();
                let version = version.or_else(|| {
                    current.pointer("/meta/versionId").and_then(Value::as_str).map(str::to_owned)
                });
                if going.resource.as_ref().is_some_and(|own| is_same(own, &current)) {
                    self.tally.same += 1;
                    return self.agreed(&going.change, going.link, version, false);
                }
                let why = match (&going.resource, &going.link.theirs) {
                    (None, _) => "it is deleted there, and was changed here",
                    (Some(_), Some(_)) => "it was changed on both sides",
                    (Some(_), None) => "it is here already, and differs",
                };
                self.conflict(going, version, why).await
            }
            StatusCode::NOT_FOUND | StatusCode::GONE if going.resource.is_none() => {
                self.agreed(&going.change, going.link, None, false)
            }
            StatusCode::NOT_FOUND | StatusCode::GONE => {
                self.conflict(going, version, "it is deleted here, and was changed there").await
            }
            status => {
                let why =
                    format!("{} cannot be read (status {})", going.link.here, status.as_u16());
                Err(Failure::new(self.to.base().to_owned(), why))
            }
        }
    }

    async fn conflict(
        &mut self,
        going: Going,
        version: Option<String>,
        why: &str,
    ) -> Result<(), Failure> {
        match self.conflicts {
            Conflicts::Report => self.left_open(going, "conflict", why.to_owned(), None),
            // What is here counts as seen; the next change there is compared again.
            Conflicts::Ours => {
                let Going { change, link, .. } = going;
                self.agreed(&change, link, version, true)
            }
            Conflicts::Theirs => {
                let answer = self.overwrite(&going, version.as_deref()).await?;
                if answer.status.is_success() {
                    let version = answer.header(header::ETAG).map(tag);
                    return self.done(going, version);
                }
                self.refused(going, answer.status.as_u16(), answer.json())
            }
        }
    }

    /// Writes over what was just seen, and over nothing else.
    async fn overwrite(&self, going: &Going, version: Option<&str>) -> Result<Answer, Failure> {
        let tag = version.map(|version| format!("W/\"{version}\""));
        let condition = match &tag {
            Some(tag) => ("If-Match", tag.as_str()),
            None => ("If-None-Match", "*"),
        };
        let (method, resource) = match &going.resource {
            Some(resource) => (Method::PUT, resource),
            None => (Method::DELETE, &Value::Null),
        };
        self.to.send_with(method, &going.link.here, resource, &[condition]).await
    }
}

/// Whether nothing of it was ever here.
fn is_nowhere(link: &Link) -> bool {
    link.ours.is_none() && !link.met
}

/// The entry that writes the change under its condition; none for what must be compared first.
fn entry(going: &Going) -> Option<Value> {
    let Going { resource, link, .. } = going;
    if link.met {
        return None;
    }
    let condition = |request: &mut Value| {
        let (name, value) = match &link.ours {
            Some(version) => ("ifMatch", format!("W/\"{version}\"")),
            None => ("ifNoneMatch", "*".to_owned()),
        };
        if let Some(request) = request.as_object_mut() {
            request.insert(name.to_owned(), json!(value));
        }
    };
    let Some(resource) = resource else {
        let mut request = json!({ "method": "DELETE", "url": link.here });
        condition(&mut request);
        return Some(json!({ "request": request }));
    };
    // One that came here meanwhile with the same identifier is found by the server itself.
    let known = identifiers(resource);
    let url = match link.ours.is_none() && !known.is_empty() {
        true => {
            let kind = link.here.split('/').next().unwrap_or_default();
            format!("{kind}?{}", query::encode(&[("identifier", any_of(&known))]))
        }
        false => link.here.clone(),
    };
    let mut request = json!({ "method": "PUT", "url": url });
    condition(&mut request);
    Some(json!({ "resource": resource, "request": request }))
}
