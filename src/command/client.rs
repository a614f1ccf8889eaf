//! The client side of the commands that talk to a running server.

use reqwest::{Client, Method, Response, StatusCode, header};
use serde_json::Value;

use super::Failure;

/// A server to talk to.
pub(super) struct Server {
    base: String,
    client: Client,
}

/// What the server said.
pub(super) struct Answer {
    pub(super) status: StatusCode,
    pub(super) body: Vec<u8>,
}

impl Answer {
    /// The body as JSON, where it is.
    pub(super) fn json(&self) -> Option<Value> {
        serde_json::from_slice(&self.body).ok()
    }
}

impl Server {
    /// The server at that FHIR base URL.
    pub(super) fn new(base: &str) -> Result<Self, Failure> {
        let client = Client::builder().build().map_err(|error| unreachable(base, error))?;
        Ok(Self { base: base.trim_end_matches('/').to_owned(), client })
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
        let request = self
            .client
            .request(method, self.url(place))
            .header(header::CONTENT_TYPE, "application/fhir+json")
            .header(header::ACCEPT, "application/fhir+json")
            .body(resource.to_string());
        self.answer(request.send().await).await
    }

    /// Asks for what stands at a place below the base.
    pub(super) async fn get(&self, place: &str, accept: &str) -> Result<Answer, Failure> {
        let request = self.client.get(self.url(place)).header(header::ACCEPT, accept);
        self.answer(request.send().await).await
    }

    fn url(&self, place: &str) -> String {
        match place {
            "" => self.base.clone(),
            place => format!("{}/{place}", self.base),
        }
    }

    async fn answer(&self, sent: reqwest::Result<Response>) -> Result<Answer, Failure> {
        let response = sent.map_err(|error| unreachable(&self.base, error))?;
        let status = response.status();
        let body = response.bytes().await.map_err(|error| unreachable(&self.base, error))?;
        Ok(Answer { status, body: body.to_vec() })
    }
}

fn unreachable(base: &str, error: reqwest::Error) -> Failure {
    Failure::new(format!("no answer from the server at {base}"), error)
}
