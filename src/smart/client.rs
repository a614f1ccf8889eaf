//! Clients as they are registered: who they are, by which keys they sign, what they may ask for.
//!
//! Source: <https://hl7.org/fhir/smart-app-launch/STU2.2/client-confidential-asymmetric.html>.

use jsonwebtoken::jwk::{AlgorithmParameters, Jwk, JwkSet, PublicKeyUse};
use serde::{Deserialize, Serialize};

use crate::fhir::Id;
use crate::smart::Scope;

/// A client, in the form of its file.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Client {
    /// Its id (`client_id`).
    pub id: String,
    /// What people call it.
    pub name: String,
    /// The most that it may ask for, with spaces between.
    pub scope: String,
    /// The patient whom its scopes of context `patient` are about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub patient: Option<String>,
    /// The resource of the user whom it acts for, such as `Practitioner/hands`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub user: Option<String>,
    /// Its public keys.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub jwks: Option<JwkSet>,
    /// Where its public keys are read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub jwks_uri: Option<String>,
    /// Whether it may ask what tokens of others are worth.
    #[serde(default)]
    pub introspects: bool,
}

/// What is wrong with a client's registration.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Unusable {
    /// The id cannot be one.
    #[error("a client's id is 1 to 64 of the letters A-Z a-z, digits, '-', '_' and '.'")]
    Id,
    /// A scope cannot be read.
    #[error("{0} is not a scope such as system/Observation.rs")]
    Scope(String),
    /// It needs keys of one kind, by value or by URL.
    #[error("a client has either its keys (jwks) or the URL of its keys (jwks_uri)")]
    Keys,
    /// A key cannot be used.
    #[error(
        "a key is an RSA key of at least 2048 bits, or one of curve P-384, public, with a kid of its own"
    )]
    Key,
    /// The patient or the user cannot be one.
    #[error("{0} is not a patient's id, or not a reference such as Practitioner/hands")]
    Person(String),
}

impl Client {
    /// Whether it can be used.
    ///
    /// # Errors
    /// [`Unusable`] that says why not.
    pub fn check(&self) -> Result<(), Unusable> {
        if !is_id(&self.id) {
            return Err(Unusable::Id);
        }
        for scope in self.scope.split_ascii_whitespace() {
            Scope::parse(scope).ok_or_else(|| Unusable::Scope(scope.to_owned()))?;
        }
        if self.jwks.is_some() == self.jwks_uri.is_some() {
            return Err(Unusable::Keys);
        }
        if let Some(patient) = &self.patient {
            Id::parse(patient).ok_or_else(|| Unusable::Person(patient.clone()))?;
        }
        if let Some(user) = &self.user {
            super::user(user).ok_or_else(|| Unusable::Person(user.clone()))?;
        }
        self.jwks.as_ref().map_or(Ok(()), check_keys)
    }
}

/// Whether the text may be a client's id, and so the name of its file.
pub fn is_id(text: &str) -> bool {
    let legal = |byte: u8| byte.is_ascii_alphanumeric() || b"-_.".contains(&byte);
    (1..=64).contains(&text.len()) && text.bytes().all(legal) && !text.starts_with('.')
}

/// Whether all keys of a set can be used to check signatures.
///
/// # Errors
/// [`Unusable::Key`].
pub fn check_keys(keys: &JwkSet) -> Result<(), Unusable> {
    let is_good = |key: &Jwk| {
        let common = &key.common;
        let for_signing =
            common.public_key_use.as_ref().is_none_or(|used| *used == PublicKeyUse::Signature);
        let kid = common.key_id.as_deref().filter(|kid| !kid.is_empty());
        let is_alone =
            keys.keys.iter().filter(|other| other.common.key_id.as_deref() == kid).count();
        for_signing && kid.is_some() && is_alone == 1 && is_strong(key)
    };
    let all = !keys.keys.is_empty() && keys.keys.iter().all(is_good);
    if all { Ok(()) } else { Err(Unusable::Key) }
}

/// Base64 digits of a modulus of 2048 bits.
const RSA_DIGITS: usize = 342;

fn is_strong(key: &Jwk) -> bool {
    use jsonwebtoken::jwk::EllipticCurve;
    match &key.algorithm {
        AlgorithmParameters::RSA(rsa) => rsa.n.len() >= RSA_DIGITS,
        AlgorithmParameters::EllipticCurve(curve) => curve.curve == EllipticCurve::P384,
        _ => false,
    }
}
