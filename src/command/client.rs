//! The client side of the commands that talk to a running server: one place for all of them.
//!
//! Where a server asks for tokens, a command either has one (`SPONDYL_TOKEN`, from the environment
//! only, so that no process list shows it) or asks for its own as a SMART backend client. Neither
//! token nor key is ever printed. A server that asks for patience (429, 503 with `Retry-After`) gets
//! it.
//! Source: <https://hl7.org/fhir/smart-app-launch/STU2.2/backend-services.html>.

use std::path::Path;
use std::time::Duration;

use reqwest::header::{self, HeaderMap};
use reqwest::{Client, Method, RequestBuilder, Response, StatusCode, Url};
use serde_json::Value;

use super::Failure;
use super::login::{Credentials, Token};

/// A server to talk to.
pub(super) struct Server {
    base: String,
    client: Client,
    credentials: Credentials,
    token: tokio::sync::Mutex<Option<Token>>,
}

/// What the server said.
pub(super) struct Answer {
    pub(super) status: StatusCode,
    pub(super) headers: HeaderMap,
    pub(super) body: Vec<u8>,
}

impl Answer {
    /// The body as JSON, where it is.
    pub(super) fn json(&self) -> Option<Value> {
        serde_json::from_slice(&self.body).ok()
    }

    /// A header, where it is text.
    pub(super) fn header(&self, name: header::HeaderName) -> Option<&str> {
        self.headers.get(name)?.to_str().ok()
    }
}

/// How long a server that asks for patience is waited for at most: so often, each time so long.
const WAITS: usize = 20;
const LONGEST_WAIT: u64 = 120;

/// The form of resources.
pub(super) const JSON: &str = "application/fhir+json";

impl Server {
    /// The server at that FHIR base URL, which is open to all.
    pub(super) fn new(base: &str) -> Result<Self, Failure> {
        Self::with(base, Credentials::default())
    }

    /// The server at that FHIR base URL.
    pub(super) fn with(base: &str, credentials: Credentials) -> Result<Self, Failure> {
        let client = Client::builder()
            .connect_timeout(Duration::from_secs(30))
            .user_agent(concat!("spondyl/", env!("CARGO_PKG_VERSION")))
            .build()
            .map_err(|error| unreachable(base, error))?;
        let base = base.trim_end_matches('/').to_owned();
        Ok(Self { base, client, credentials, token: tokio::sync::Mutex::default() })
    }

    /// The base URL, without the slash at its end.
    pub(super) fn base(&self) -> &str {
        &self.base
    }

    /// Sends a resource to a place below the base.
    pub(super) async fn send(
        &self,
        method: Method,
        place: &str,
        resource: &Value,
    ) -> Result<Answer, Failure> {
        self.send_with(method, place, resource, &[]).await
    }

    /// The same with more headers.
    pub(super) async fn send_with(
        &self,
        method: Method,
        place: &str,
        resource: &Value,
        headers: &[(&str, &str)],
    ) -> Result<Answer, Failure> {
        let (url, body) = (self.url(place), resource.to_string());
        let request = || {
            let request = self.client.request(method.clone(), &url);
            let request = request.header(header::CONTENT_TYPE, JSON).header(header::ACCEPT, JSON);
            let headers = headers.iter();
            headers.fold(request, |request, (name, value)| request.header(*name, *value))
        };
        self.answer(self.ask(&|| request().body(body.clone()), true).await?).await
    }

    /// Asks for what stands at a place below the base.
    pub(super) async fn get(&self, place: &str, accept: &str) -> Result<Answer, Failure> {
        self.get_url(&self.url(place), accept, &[]).await
    }

    /// Asks for what stands at a URL of this server. Links of answers lead there with the token, so
    /// those that lead elsewhere are not followed.
    pub(super) async fn get_url(
        &self,
        url: &str,
        accept: &str,
        headers: &[(&str, &str)],
    ) -> Result<Answer, Failure> {
        if !self.is_own(url) {
            let text = format!("{url} is not on the server {}", self.base);
            return Err(Failure::new("a link is not followed", text));
        }
        let request = || {
            let request = self.client.get(url).header(header::ACCEPT, accept);
            let headers = headers.iter();
            headers.fold(request, |request, (name, value)| request.header(*name, *value))
        };
        self.answer(self.ask(&request, true).await?).await
    }

    /// Ends what stands at a URL of this server.
    pub(super) async fn delete_url(&self, url: &str) -> Result<Answer, Failure> {
        let request = || self.client.delete(url).header(header::ACCEPT, JSON);
        self.answer(self.ask(&request, self.is_own(url)).await?).await
    }

    /// Writes what stands at any URL to a file; the status where it is not that of success.
    /// `bearer`: with the token, as the manifest of an export asks for.
    pub(super) async fn download(
        &self,
        url: &str,
        bearer: bool,
        to: &Path,
    ) -> Result<Result<(), StatusCode>, Failure> {
        let fail = |error: std::io::Error| Failure::new(to.display().to_string(), error);
        let request = || self.client.get(url).header(header::ACCEPT, "application/fhir+ndjson");
        let mut response = self.ask(&request, bearer).await?;
        if !response.status().is_success() {
            return Ok(Err(response.status()));
        }
        let mut file = std::io::BufWriter::new(std::fs::File::create(to).map_err(fail)?);
        while let Some(piece) = response.chunk().await.map_err(|e| unreachable(url, e))? {
            std::io::Write::write_all(&mut file, &piece).map_err(fail)?;
        }
        let file = file.into_inner().map_err(|error| fail(error.into_error()))?;
        file.sync_all().map_err(fail)?;
        Ok(Ok(()))
    }

    fn is_own(&self, url: &str) -> bool {
        let origin = |text: &str| Url::parse(text).ok().map(|url| url.origin());
        let own = origin(&self.base).filter(|origin| origin.is_tuple());
        own.is_some() && own == origin(url)
    }

    fn url(&self, place: &str) -> String {
        match place {
            "" => self.base.clone(),
            place => format!("{}/{place}", self.base),
        }
    }

    /// Sends a request, with patience where the server asks for it, and with a fresh token where
    /// the one at hand has ended.
    async fn ask(
        &self,
        request: &dyn Fn() -> RequestBuilder,
        bearer: bool,
    ) -> Result<Response, Failure> {
        let mut renewed = false;
        let mut waits = 0;
        loop {
            let mut sent = request();
            if bearer && let Some(token) = self.bearer().await? {
                sent = sent.header(header::AUTHORIZATION, token);
            }
            let response = sent.send().await.map_err(|error| unreachable(&self.base, error))?;
            let status = response.status();
            if status == StatusCode::UNAUTHORIZED
                && bearer
                && !renewed
                && self.credentials.can_ask()
            {
                renewed = true;
                *self.token.lock().await = None;
                continue;
            }
            let patience =
                [StatusCode::TOO_MANY_REQUESTS, StatusCode::SERVICE_UNAVAILABLE].contains(&status);
            match retry_after(response.headers()).filter(|_| patience && waits < WAITS) {
                Some(wait) => tokio::time::sleep(wait).await,
                None => return Ok(response),
            }
            waits += 1;
        }
    }

    /// The value of the Authorization header.
    async fn bearer(&self) -> Result<Option<header::HeaderValue>, Failure> {
        let mut token = self.token.lock().await;
        if token.as_ref().is_none_or(Token::has_ended) {
            *token = self.credentials.token(&self.client, &self.base).await?;
        }
        Ok(token.as_ref().map(Token::bearer))
    }

    async fn answer(&self, response: Response) -> Result<Answer, Failure> {
        let (status, headers) = (response.status(), response.headers().clone());
        let body = response.bytes().await.map_err(|error| unreachable(&self.base, error))?;
        Ok(Answer { status, headers, body: body.to_vec() })
    }
}

/// How long the server asks to wait, in seconds.
pub(super) fn retry_after(headers: &HeaderMap) -> Option<Duration> {
    let seconds: u64 = headers.get(header::RETRY_AFTER)?.to_str().ok()?.trim().parse().ok()?;
    Some(Duration::from_secs(seconds.min(LONGEST_WAIT)))
}

fn unreachable(base: &str, error: reqwest::Error) -> Failure {
    Failure::new(format!("no answer from the server at {base}"), error)
}
