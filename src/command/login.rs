//! How a command proves who it is to a server.
//!
//! Source: <https://hl7.org/fhir/smart-app-launch/STU2.2/backend-services.html>,
//! <https://hl7.org/fhir/smart-app-launch/STU2.2/client-confidential-asymmetric.html>.

use std::fmt;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant as Moment};

use reqwest::header::HeaderValue;
use reqwest::{Client, Url};
use serde_json::Value;
use uuid::Uuid;

use super::{Failure, say};
use crate::fhir::Instant;
use crate::smart::assertion;
use crate::smart::key::PrivateKey;

/// To the server that the command works with. A token can be given as `SPONDYL_TOKEN` instead.
#[derive(clap::Args, Debug)]
#[expect(clippy::struct_field_names, reason = "the names of the flags")]
pub(super) struct Login {
    /// The id as which the server knows this client (SMART backend services). A token can be given
    /// in the environment instead, as `SPONDYL_TOKEN`.
    #[arg(long, value_name = "ID", env = "SPONDYL_CLIENT_ID", requires = "client_key")]
    client_id: Option<String>,
    /// The file of the client's private key: PEM (PKCS#8), or a JWK.
    #[arg(long, value_name = "FILE", env = "SPONDYL_CLIENT_KEY", requires = "client_id")]
    client_key: Option<PathBuf>,
    /// The kid of that key where the file does not say it; else it is the thumbprint (RFC 7638).
    #[arg(long, value_name = "KID", requires = "client_key")]
    client_key_id: Option<String>,
    /// What is asked for with them.
    #[arg(long, value_name = "SCOPES", default_value = SCOPE)]
    client_scope: String,
}

/// To the server that something is taken from. A token can be given as `SPONDYL_FROM_TOKEN` instead.
#[derive(clap::Args, Debug)]
#[expect(clippy::struct_field_names, reason = "the names of the flags")]
pub(super) struct FromLogin {
    /// The id as which the other server knows this client. A token can be given in the environment
    /// instead, as `SPONDYL_FROM_TOKEN`.
    #[arg(long, value_name = "ID", env = "SPONDYL_FROM_CLIENT_ID", requires = "from_client_key")]
    from_client_id: Option<String>,
    /// The file of the private key for the other server: PEM (PKCS#8), or a JWK.
    #[arg(long, value_name = "FILE", env = "SPONDYL_FROM_CLIENT_KEY", requires = "from_client_id")]
    from_client_key: Option<PathBuf>,
    /// The kid of that key where the file does not say it.
    #[arg(long, value_name = "KID", requires = "from_client_key")]
    from_client_key_id: Option<String>,
    /// What is asked for with them.
    #[arg(long, value_name = "SCOPES", default_value = "system/*.rs")]
    from_client_scope: String,
}

const SCOPE: &str = "system/*.cruds";

impl Login {
    /// The credentials.
    pub(super) fn credentials(&self) -> Result<Credentials, Failure> {
        let client = self.client_id.as_deref().zip(self.client_key.as_deref());
        let (kid, scope) = (self.client_key_id.as_deref(), &self.client_scope);
        Credentials::of(client, kid, scope, "SPONDYL_TOKEN")
    }
}

impl FromLogin {
    /// The credentials.
    pub(super) fn credentials(&self) -> Result<Credentials, Failure> {
        let client = self.from_client_id.as_deref().zip(self.from_client_key.as_deref());
        let (kid, scope) = (self.from_client_key_id.as_deref(), &self.from_client_scope);
        Credentials::of(client, kid, scope, "SPONDYL_FROM_TOKEN")
    }
}

/// What a command proves by who it is; by default nothing.
#[derive(Default)]
pub(super) enum Credentials {
    /// Nothing: the server is open.
    #[default]
    None,
    /// A token that it was given.
    Given(Token),
    /// A key with which it asks for tokens.
    Client {
        /// Its id.
        id: String,
        /// What it signs with.
        key: PrivateKey,
        /// What it asks for.
        scope: String,
    },
}

/// An access token; it is never printed.
#[derive(Clone)]
pub(super) struct Token {
    bearer: HeaderValue,
    ends: Option<Moment>,
}

impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Token")
    }
}

impl Token {
    fn of(text: &str, ends: Option<Moment>) -> Option<Self> {
        let mut bearer = HeaderValue::from_str(&format!("Bearer {text}")).ok()?;
        bearer.set_sensitive(true);
        Some(Self { bearer, ends })
    }

    pub(super) fn bearer(&self) -> HeaderValue {
        self.bearer.clone()
    }

    /// Whether it has ended, or is about to.
    pub(super) fn has_ended(&self) -> bool {
        self.ends.is_some_and(|ends| ends <= Moment::now())
    }
}

/// How long before its end a token is renewed.
const EARLY: Duration = Duration::from_secs(20);

impl Credentials {
    fn of(
        client: Option<(&str, &Path)>,
        kid: Option<&str>,
        scope: &str,
        variable: &str,
    ) -> Result<Self, Failure> {
        let Some((id, file)) = client else {
            return match std::env::var(variable) {
                Ok(text) if !text.trim().is_empty() => {
                    let token = Token::of(text.trim(), None);
                    let token = token.ok_or_else(|| Failure::new(variable, "it is no token"))?;
                    Ok(Self::Given(token))
                }
                _ => Ok(Self::None),
            };
        };
        let fail = |error: std::io::Error| Failure::new(file.display().to_string(), error);
        let bytes = std::fs::read(file).map_err(fail)?;
        warn_of_readers(file).map_err(fail)?;
        let key = PrivateKey::read(&bytes, kid);
        let key = key.map_err(|error| Failure::new(file.display().to_string(), error))?;
        Ok(Self::Client { id: id.to_owned(), key, scope: scope.to_owned() })
    }

    /// Whether another token can be had.
    pub(super) fn can_ask(&self) -> bool {
        matches!(self, Self::Client { .. })
    }

    /// A token for the server at that base.
    pub(super) async fn token(&self, http: &Client, base: &str) -> Result<Option<Token>, Failure> {
        let (id, key, scope) = match self {
            Self::None => return Ok(None),
            Self::Given(token) => return Ok(Some(token.clone())),
            Self::Client { id, key, scope } => (id, key, scope),
        };
        let unreachable =
            |error| Failure::new(format!("no token from the server at {base}"), error);
        let refused =
            |text: String| Failure::new(format!("no token from the server at {base}"), text);
        let known = http.get(format!("{base}/.well-known/smart-configuration"));
        let known = known.header("accept", "application/json").send().await.map_err(unreachable)?;
        let known: Value = known.json().await.unwrap_or_default();
        let endpoint = known.get("token_endpoint").and_then(Value::as_str);
        let endpoint = endpoint
            .ok_or_else(|| refused("its smart-configuration names no token_endpoint".to_owned()))?;
        let scheme = |text: &str| Url::parse(text).map(|url| url.scheme().to_owned()).ok();
        if scheme(base).as_deref() == Some("https") && scheme(endpoint).as_deref() != Some("https")
        {
            return Err(refused(format!("its token endpoint {endpoint} is not protected by TLS")));
        }
        let now = Instant::from(time::OffsetDateTime::now_utc());
        let once = Uuid::new_v4().to_string();
        let signed = key.assertion(id, endpoint, &once, now);
        let signed = signed.map_err(|error| Failure::new("the client's key", error))?;
        let form = crate::fhir::query::encode(&[
            ("grant_type", "client_credentials"),
            ("scope", scope.as_str()),
            ("client_assertion_type", assertion::TYPE),
            ("client_assertion", signed.as_str()),
        ]);
        let sent = http
            .post(endpoint)
            .header("content-type", "application/x-www-form-urlencoded")
            .header("accept", "application/json")
            .body(form)
            .send();
        let asked = Moment::now();
        let answer = sent.await.map_err(unreachable)?;
        let status = answer.status();
        let told: Value = answer.json().await.unwrap_or_default();
        let text = |name: &str| told.get(name).and_then(Value::as_str);
        let Some(token) = text("access_token").filter(|_| status.is_success()) else {
            let code = text("error").unwrap_or("no reason");
            let why = text("error_description").unwrap_or_default();
            return Err(refused(format!("status {}, {code} {why}", status.as_u16())));
        };
        let seconds = told.get("expires_in").and_then(Value::as_u64).map(Duration::from_secs);
        let ends = seconds.map(|seconds| asked + seconds.saturating_sub(EARLY));
        let token = Token::of(token, ends);
        token.map(Some).ok_or_else(|| refused("what it sent is no token".to_owned()))
    }
}

/// A key is its owner's: others who can read the file can be this client.
fn warn_of_readers(file: &Path) -> std::io::Result<()> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        if std::fs::metadata(file)?.permissions().mode() & 0o077 != 0 {
            say(&format!(
                "{}: others on this machine may read this key (chmod 600)",
                file.display()
            ));
        }
    }
    Ok(())
}
