//! Assertions: how a client proves who it is (`private_key_jwt`).
//!
//! A JWT that the client signs with a key that it has registered, for the token endpoint of this
//! server, once. Only RS384 and ES384 are taken, and only with a key of that family.
//! Source: <https://hl7.org/fhir/smart-app-launch/STU2.2/client-confidential-asymmetric.html>,
//! <https://www.rfc-editor.org/rfc/rfc7523>, <https://www.rfc-editor.org/rfc/rfc8725>.

use jsonwebtoken::jwk::{AlgorithmParameters, Jwk, JwkSet, KeyAlgorithm};
use jsonwebtoken::{Algorithm, DecodingKey, Header, Validation, decode, decode_header};
use serde::Deserialize;

use crate::fhir::Instant;
use crate::smart::{Audience, millis};

/// The value of `client_assertion_type`.
pub const TYPE: &str = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer";

/// The algorithms that are taken.
pub const ALGORITHMS: [&str; 2] = ["RS384", "ES384"];

/// How long an assertion may hold, in milliseconds.
const LONGEST: i64 = 5 * 60 * 1000;
/// How far the clocks of client and server may differ, in milliseconds.
const LEEWAY: i64 = 30 * 1000;

/// What an assertion says of itself, before it is believed.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Claimed {
    /// The client that it says it is from.
    pub client: String,
    /// Where it says that the client's keys are read.
    pub jku: Option<String>,
}

/// What a good assertion says.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Proven {
    /// Its id, which must not come again before it ends.
    pub id: String,
    /// When it ends.
    pub ends: Instant,
}

/// Why an assertion is not believed.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Refused {
    /// It cannot be read.
    #[error("The assertion is not a JWT with iss, sub, aud, exp and jti.")]
    Unreadable,
    /// It is signed in another way.
    #[error("The assertion is not signed with RS384 or ES384.")]
    Algorithm,
    /// The client has no such key.
    #[error("The assertion is not signed with a key of the client.")]
    Key,
    /// The signature does not hold.
    #[error("The signature of the assertion does not hold.")]
    Signature,
    /// It is about another client.
    #[error("iss and sub are not both the client's id.")]
    Client,
    /// It is for another server.
    #[error("aud is not the token endpoint of this server.")]
    Audience,
    /// It has ended, has not begun, or holds too long.
    #[error("The assertion has ended, has not begun, or holds for more than five minutes.")]
    Time,
    /// It was used before.
    #[error("The assertion was used before.")]
    Replayed,
}

#[derive(Deserialize)]
struct Claims {
    iss: String,
    sub: String,
    aud: Audience,
    exp: f64,
    nbf: Option<f64>,
    iat: Option<f64>,
    jti: String,
}

/// Whom an assertion says it is from; nothing of it is believed yet.
///
/// # Errors
/// [`Refused::Unreadable`].
pub fn claimed(text: &str) -> Result<Claimed, Refused> {
    let header = decode_header(text).map_err(|_| Refused::Unreadable)?;
    let claims: Claims =
        jsonwebtoken::dangerous::insecure_decode_claims(text).map_err(|_| Refused::Unreadable)?;
    Ok(Claimed { client: claims.sub, jku: header.jku })
}

/// What an assertion of that client proves, at that time.
///
/// # Errors
/// [`Refused`] that says why it is not believed; whether it was used before is for who keeps the
/// ids to say.
pub fn verify(
    text: &str,
    client: &str,
    keys: &JwkSet,
    audience: &str,
    now: Instant,
) -> Result<Proven, Refused> {
    let header = decode_header(text).map_err(|_| Refused::Unreadable)?;
    if !matches!(header.alg, Algorithm::RS384 | Algorithm::ES384) || header.crit.is_some() {
        return Err(Refused::Algorithm);
    }
    let key = key_for(keys, &header).ok_or(Refused::Key)?;
    let key = DecodingKey::from_jwk(key).map_err(|_| Refused::Key)?;
    let mut validation = Validation::new(header.alg);
    // Told by us below, against the time of the request.
    (validation.validate_exp, validation.validate_aud) = (false, false);
    validation.required_spec_claims.clear();
    let claims: Claims = decode(text, &key, &validation).map_err(|_| Refused::Signature)?.claims;
    if claims.iss != client || claims.sub != client {
        return Err(Refused::Client);
    }
    if !claims.aud.has(audience) {
        return Err(Refused::Audience);
    }
    if claims.jti.is_empty() {
        return Err(Refused::Unreadable);
    }
    let (now, ends) = (now.millis(), millis(claims.exp));
    let begins = [claims.nbf, claims.iat].into_iter().flatten().map(millis).max();
    let in_time = ends.saturating_add(LEEWAY) > now
        && ends <= now.saturating_add(LONGEST + LEEWAY)
        && begins.is_none_or(|begins| begins <= now.saturating_add(LEEWAY));
    if !in_time {
        return Err(Refused::Time);
    }
    // Until nobody believes it any more.
    Ok(Proven { id: claims.jti, ends: Instant::from_millis(ends.saturating_add(LEEWAY)) })
}

/// The key that the header names, if it is one for the header's algorithm.
fn key_for<'a>(keys: &'a JwkSet, header: &Header) -> Option<&'a Jwk> {
    let kid = header.kid.as_deref()?;
    let mut named = keys.keys.iter().filter(|key| key.common.key_id.as_deref() == Some(kid));
    let key = named.next().filter(|_| named.next().is_none())?;
    let (of_family, algorithm) = match header.alg {
        Algorithm::RS384 => {
            (matches!(key.algorithm, AlgorithmParameters::RSA(_)), KeyAlgorithm::RS384)
        }
        Algorithm::ES384 => {
            (matches!(key.algorithm, AlgorithmParameters::EllipticCurve(_)), KeyAlgorithm::ES384)
        }
        _ => return None,
    };
    let is_for_it = key.common.key_algorithm.is_none_or(|own| own == algorithm);
    (of_family && is_for_it).then_some(key)
}
