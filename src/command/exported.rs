//! Files of another server's export (Bulk Data Access), fetched to be loaded.
//!
//! Kick-off, patience, manifest, files: each is kept in a directory as soon as it is had, so that a
//! run that was broken off goes on with the same export.
//! Source: <https://hl7.org/fhir/uv/bulkdata/export.html> (3.0.0).

use std::path::{Path, PathBuf};
use std::time::Duration;

use reqwest::{StatusCode, header};
use serde_json::{Value, json};
use uuid::Uuid;

use super::client::{Answer, JSON, Server, retry_after};
use super::login::{Credentials, FromLogin};
use super::{Done, Failure, report, say};
use crate::fhir::query;

/// From where the files come.
#[derive(clap::Args, Debug)]
pub(super) struct Origin {
    /// The FHIR base URL of another server, of which an export is loaded.
    #[arg(long, value_name = "URL")]
    from: Option<String>,
    /// The manifest of an export that was made: a URL (which may still be asked to wait), or a file.
    #[arg(long, value_name = "URL")]
    manifest: Option<String>,
    /// Only these types are asked for, with commas between.
    #[arg(long, value_name = "TYPES", requires = "from", conflicts_with = "manifest")]
    from_types: Option<String>,
    /// Only what has changed since that instant is asked for.
    #[arg(long, value_name = "INSTANT", requires = "from", conflicts_with = "manifest")]
    from_since: Option<String>,
    /// Where the fetched files are kept until all of them are taken.
    #[arg(long, value_name = "DIR", default_value = "spondyl-load.files")]
    files: PathBuf,
    #[command(flatten)]
    login: FromLogin,
}

/// A file that was fetched.
pub(super) struct Fetched {
    /// Where it lies.
    pub(super) path: PathBuf,
    /// Its URL.
    pub(super) url: String,
}

/// The files of an export.
pub(super) struct Exported {
    server: Server,
    directory: PathBuf,
    /// Where the other server tells of the export.
    status: Option<String>,
    /// The files.
    pub(super) files: Vec<Fetched>,
}

/// How long is waited where the server does not say.
const WAIT: Duration = Duration::from_secs(2);

const STATUS: &str = "status.json";
const MANIFEST: &str = "manifest.json";

impl Origin {
    /// Whether any are asked for.
    pub(super) fn is_asked(&self) -> bool {
        self.from.is_some() || self.manifest.is_some()
    }

    /// Fetches the files; nothing where the other server refuses, which is told. `again` forgets
    /// those that are there.
    pub(super) async fn fetch(&self, again: bool) -> Result<Result<Exported, Done>, Failure> {
        let fail = |error: std::io::Error| Failure::new(self.files.display().to_string(), error);
        if again && self.files.exists() {
            std::fs::remove_dir_all(&self.files).map_err(fail)?;
        }
        std::fs::create_dir_all(&self.files).map_err(fail)?;
        let named = self.manifest.as_deref().filter(|manifest| is_url(manifest));
        let base = self.from.as_deref().or(named).unwrap_or("http://localhost");
        let credentials = match &self.from {
            None if named.is_none() => Credentials::default(),
            _ => self.login.credentials()?,
        };
        let server = Server::with(base, credentials)?;
        let mut exported = Exported {
            server,
            directory: self.files.clone(),
            status: named.map(str::to_owned),
            files: Vec::new(),
        };
        let manifest = match (&self.manifest, named) {
            (Some(file), None) => read(Path::new(file))?,
            _ => match exported.manifest(self).await? {
                Some(manifest) => Some(manifest),
                None => return Ok(Err(Done::Refused)),
            },
        };
        let manifest =
            manifest.ok_or_else(|| Failure::new("the manifest", "there is no such file"))?;
        exported.fetch(&manifest).await?;
        Ok(Ok(exported))
    }

    /// The URL of the kick-off.
    fn kick_off(&self, base: &str) -> String {
        let pairs = [("_type", &self.from_types), ("_since", &self.from_since)];
        let pairs = pairs.into_iter().filter_map(|(name, value)| Some((name, value.as_ref()?)));
        let pairs: Vec<(&str, &String)> = pairs.collect();
        let mark = if pairs.is_empty() { "" } else { "?" };
        format!("{base}/$export{mark}{}", query::encode(&pairs))
    }
}

impl Exported {
    /// Removes what was fetched, here and there.
    pub(super) async fn forget(self) -> Result<(), Failure> {
        if let Some(status) = &self.status {
            // Whether it is removed now or when its time is over is the other server's matter.
            let _answer = self.server.delete_url(status).await?;
        }
        let fail =
            |error: std::io::Error| Failure::new(self.directory.display().to_string(), error);
        std::fs::remove_dir_all(&self.directory).map_err(fail)
    }

    /// The manifest, of an export that is begun if it was not; none where that is refused.
    async fn manifest(&mut self, origin: &Origin) -> Result<Option<Value>, Failure> {
        if let Some(manifest) = read(&self.directory.join(MANIFEST))? {
            self.status = self.status.take().or_else(|| text(&manifest, "status"));
            return manifest.get("manifest").cloned().map_or_else(
                || Err(Failure::new(MANIFEST, "it is damaged; --again begins anew")),
                |manifest| Ok(Some(manifest)),
            );
        }
        if self.status.is_none() {
            let kept = read(&self.directory.join(STATUS))?;
            self.status = kept.as_ref().and_then(|kept| text(kept, "status"));
        }
        let mut known = self.status.is_some();
        loop {
            let status = match &self.status {
                Some(status) => status.clone(),
                None => match self.begin(origin).await? {
                    Some(status) => status,
                    None => return Ok(None),
                },
            };
            self.status = Some(status.clone());
            let answer = self.wait(&status).await?;
            if answer.status.is_success() {
                let manifest = answer.json();
                let manifest = manifest
                    .ok_or_else(|| Failure::new(status.clone(), "the manifest is not JSON"))?;
                let kept = json!({ "status": status, "manifest": manifest });
                write(&self.directory.join(MANIFEST), &kept)?;
                return Ok(Some(manifest));
            }
            let is_gone = [StatusCode::NOT_FOUND, StatusCode::GONE].contains(&answer.status);
            if known && is_gone && origin.manifest.is_none() {
                // The export that an earlier run began is over; another one is.
                (known, self.status) = (false, None);
                continue;
            }
            report::refusal(&status, answer.status, answer.json().as_ref());
            return Ok(None);
        }
    }

    /// Begins an export; its status URL.
    async fn begin(&self, origin: &Origin) -> Result<Option<String>, Failure> {
        let url = origin.kick_off(self.server.base());
        let answer = self.server.get_url(&url, JSON, &[("Prefer", "respond-async")]).await?;
        let place = answer.header(header::CONTENT_LOCATION).map(str::to_owned);
        let place = place.filter(|_| answer.status == StatusCode::ACCEPTED);
        if let Some(place) = &place {
            write(&self.directory.join(STATUS), &json!({ "status": place }))?;
        } else {
            report::refusal(&url, answer.status, answer.json().as_ref());
        }
        Ok(place)
    }

    /// What the other server says when the export has ended, one way or the other.
    async fn wait(&self, status: &str) -> Result<Answer, Failure> {
        loop {
            let answer = self.server.get_url(status, "application/json", &[]).await?;
            if answer.status != StatusCode::ACCEPTED {
                return Ok(answer);
            }
            tokio::time::sleep(retry_after(&answer.headers).unwrap_or(WAIT)).await;
        }
    }

    /// Fetches what a manifest lists and is not here yet.
    async fn fetch(&mut self, manifest: &Value) -> Result<(), Failure> {
        let bearer = manifest.get("requiresAccessToken").and_then(Value::as_bool) == Some(true);
        let list = |name: &str| {
            let list = manifest.get(name).and_then(Value::as_array).into_iter().flatten();
            list.filter_map(|output| text(output, "url")).collect::<Vec<_>>()
        };
        // What the other server says of its own failures belongs to who reads, not to the records.
        for url in list("error") {
            say(&format!("the other server tells of errors in {url}"));
        }
        for url in list("output").into_iter().chain(list("deleted")) {
            let name = Uuid::new_v5(&Uuid::NAMESPACE_URL, url.as_bytes());
            let path = self.directory.join(format!("{name}.ndjson"));
            if !path.exists() {
                let part = path.with_extension("part");
                match self.server.download(&url, bearer, &part).await? {
                    Ok(()) => {}
                    Err(status) => {
                        let text = format!("status {}; --again begins anew", status.as_u16());
                        return Err(Failure::new(format!("{url} cannot be fetched"), text));
                    }
                }
                let fail = |error: std::io::Error| Failure::new(path.display().to_string(), error);
                std::fs::rename(&part, &path).map_err(fail)?;
            }
            self.files.push(Fetched { path, url });
        }
        Ok(())
    }
}

fn is_url(text: &str) -> bool {
    text.starts_with("http://") || text.starts_with("https://")
}

fn text(value: &Value, name: &str) -> Option<String> {
    value.get(name).and_then(Value::as_str).map(str::to_owned)
}

/// A file of JSON; none if it is not there.
fn read(path: &Path) -> Result<Option<Value>, Failure> {
    let fail = |error: std::io::Error| Failure::new(path.display().to_string(), error);
    match std::fs::read(path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(fail(error)),
        Ok(bytes) => Ok(Some(serde_json::from_slice(&bytes).map_err(|error| fail(error.into()))?)),
    }
}

fn write(path: &Path, value: &Value) -> Result<(), Failure> {
    let fail = |error: std::io::Error| Failure::new(path.display().to_string(), error);
    let part = path.with_extension("part");
    std::fs::write(&part, value.to_string()).map_err(fail)?;
    std::fs::rename(part, path).map_err(fail)
}
