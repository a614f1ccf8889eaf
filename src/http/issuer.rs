//! The external issuer of tokens, if there is one: its keys, read by discovery and kept.
//!
//! Source: <https://openid.net/specs/openid-connect-discovery-1_0.html>.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant as Moment};

use jsonwebtoken::jwk::JwkSet;

use crate::config::Config;
use crate::fhir::Instant;
use crate::fhir::json::At;
use crate::outbound::Outbound;
use crate::smart::Access;
use crate::smart::issuer::{Refused, verify};

/// How soon the keys may be read again when one is missing.
const AGAIN: Duration = Duration::from_secs(30);

/// The issuer and what is known of it.
pub(super) struct Issuer {
    url: String,
    audience: Option<String>,
    keys: Mutex<Option<(Arc<JwkSet>, Moment)>>,
}

impl Issuer {
    /// The one of the configuration, if there is one.
    pub(super) fn of(config: &Config) -> Option<Self> {
        let url = config.issuer.as_ref()?.trim_end_matches('/').to_owned();
        Some(Self { url, audience: config.audience.clone(), keys: Mutex::default() })
    }

    /// What a token of the issuer permits; none if it is not one that holds.
    pub(super) async fn find(
        &self,
        outbound: &Outbound,
        token: &str,
        base: &str,
        now: Instant,
    ) -> Option<Arc<Access>> {
        let audience = self.audience.as_deref().unwrap_or(base);
        let found = |keys: &JwkSet| verify(token, (&self.url, audience), keys, base, now);
        let known = self.known();
        let first = known.as_ref().map_or(Err(Refused::Key), |(keys, _)| found(keys));
        let answer = match first {
            Err(Refused::Key) if known.is_none_or(|(_, read)| read.elapsed() >= AGAIN) => {
                found(&*self.read(outbound).await?)
            }
            answer => answer,
        };
        answer.ok().map(|(access, _)| Arc::new(access))
    }

    fn known(&self) -> Option<(Arc<JwkSet>, Moment)> {
        self.keys.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    async fn read(&self, outbound: &Outbound) -> Option<Arc<JwkSet>> {
        let url = format!("{}/.well-known/openid-configuration", self.url);
        let told = |error: &crate::outbound::Error| {
            tracing::warn!(%error, "the keys of the issuer cannot be read");
        };
        let found = outbound.json(&url).await.inspect_err(told).ok()?;
        if found.at("issuer").as_str()?.trim_end_matches('/') != self.url {
            tracing::warn!("the issuer calls itself otherwise");
            return None;
        }
        let keys = outbound.json(found.at("jwks_uri").as_str()?).await.inspect_err(told).ok()?;
        let keys: Arc<JwkSet> = Arc::new(serde_json::from_value(keys).ok()?);
        let kept = Some((Arc::clone(&keys), Moment::now()));
        *self.keys.lock().unwrap_or_else(PoisonError::into_inner) = kept;
        Some(keys)
    }
}
