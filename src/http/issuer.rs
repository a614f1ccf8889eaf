//! An `OpenID` Connect issuer: where its endpoints are and its keys, read by discovery and kept; and
//! the one, if there is one, whose access tokens are taken.
//!
//! Source: <https://openid.net/specs/openid-connect-discovery-1_0.html>.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant as Moment};

use jsonwebtoken::jwk::JwkSet;
use serde_json::Value;

use crate::config::Config;
use crate::fhir::Instant;
use crate::fhir::json::At;
use crate::outbound::{self, Outbound};
use crate::smart::Access;
use crate::smart::issuer::{Refused, verify};

/// How soon an issuer may be read again when a key is missing.
const AGAIN: Duration = Duration::from_secs(30);

/// An issuer and what is known of it.
pub(super) struct Provider {
    /// Its URL, without a slash at its end.
    pub(super) url: String,
    known: Mutex<Option<(Arc<Known>, Moment)>>,
}

/// What an issuer tells of itself.
pub(super) struct Known {
    /// The document of its discovery.
    pub(super) told: Value,
    /// Its keys.
    pub(super) keys: JwkSet,
}

impl Provider {
    pub(super) fn new(url: &str) -> Self {
        Self { url: url.trim_end_matches('/').to_owned(), known: Mutex::default() }
    }

    /// What is known of it, and whether it may be read again.
    pub(super) fn known(&self) -> Option<(Arc<Known>, bool)> {
        let known = self.known.lock().unwrap_or_else(PoisonError::into_inner).clone();
        known.map(|(known, read)| (known, read.elapsed() >= AGAIN))
    }

    /// Reads it anew; none where that cannot be done, which the log tells.
    pub(super) async fn read(&self, outbound: &Outbound) -> Option<Arc<Known>> {
        let url = format!("{}/.well-known/openid-configuration", self.url);
        let told = |error: &outbound::Error| {
            tracing::warn!(%error, "the keys of the issuer cannot be read");
        };
        let found = outbound.json(&url).await.inspect_err(told).ok()?;
        if found.at("issuer").as_str()?.trim_end_matches('/') != self.url {
            tracing::warn!("the issuer calls itself otherwise");
            return None;
        }
        let keys = outbound.json(found.at("jwks_uri").as_str()?).await.inspect_err(told).ok()?;
        let known = Arc::new(Known { told: found, keys: serde_json::from_value(keys).ok()? });
        let kept = Some((Arc::clone(&known), Moment::now()));
        *self.known.lock().unwrap_or_else(PoisonError::into_inner) = kept;
        Some(known)
    }
}

/// The issuer of access tokens.
pub(super) struct Issuer {
    provider: Provider,
    audience: Option<String>,
}

impl Issuer {
    /// The one of the configuration, if there is one.
    pub(super) fn of(config: &Config) -> Option<Self> {
        let provider = Provider::new(config.issuer.as_ref()?);
        Some(Self { provider, audience: config.audience.clone() })
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
        let issuer = (self.provider.url.as_str(), audience);
        let found = |known: &Known| verify(token, issuer, &known.keys, base, now);
        let known = self.provider.known();
        let first = known.as_ref().map_or(Err(Refused::Key), |(known, _)| found(known));
        let answer = match first {
            Err(Refused::Key) if known.is_none_or(|(_, may_read)| may_read) => {
                found(&*self.provider.read(outbound).await?)
            }
            answer => answer,
        };
        answer.ok().map(|(access, _)| Arc::new(access))
    }
}
