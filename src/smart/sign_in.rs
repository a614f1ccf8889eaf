//! Sign-in of people by an `OpenID` Connect issuer: the request that a browser is sent with, and what
//! the ID token that comes of it proves.
//!
//! Authorization code flow with PKCE (S256), `state` and `nonce`.
//! Source: <https://openid.net/specs/openid-connect-core-1_0.html#CodeFlowAuth>,
//! <https://www.rfc-editor.org/rfc/rfc7636>, <https://www.rfc-editor.org/rfc/rfc9700>.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use jsonwebtoken::jwk::{Jwk, JwkSet};
use jsonwebtoken::{DecodingKey, Header, Validation, decode, decode_header};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::fhir::{Instant, query};
use crate::smart::issuer::fits;
use crate::smart::{Audience, millis};

/// How far the clocks of issuer and server may differ, in milliseconds.
const LEEWAY: i64 = 30 * 1000;

/// What is asked for: who it is, and which resource that is.
const SCOPE: &str = "openid fhirUser";

/// A sign-in that has begun, as the browser keeps it until it comes back.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Begun {
    /// Comes back with the browser.
    pub state: String,
    /// Comes back in the ID token.
    pub nonce: String,
    /// What whoever asks for the tokens must know (RFC 7636).
    pub verifier: String,
    /// Where the browser comes back to.
    pub back: String,
    /// The path that was wanted.
    pub to: String,
    /// The language of the pages.
    pub language: String,
    /// When it ends, in seconds.
    pub exp: i64,
}

impl Begun {
    /// The URL at the issuer that the browser is sent to; `again`: also who has signed in there before
    /// is asked.
    pub fn url(&self, endpoint: &str, client: &str, again: bool) -> String {
        let challenge = challenge(&self.verifier);
        let mut pairs = vec![
            ("response_type", "code"),
            ("client_id", client),
            ("redirect_uri", self.back.as_str()),
            ("scope", SCOPE),
            ("state", self.state.as_str()),
            ("nonce", self.nonce.as_str()),
            ("code_challenge", challenge.as_str()),
            ("code_challenge_method", "S256"),
        ];
        if again {
            pairs.push(("prompt", "login"));
        }
        let mark = if endpoint.contains('?') { '&' } else { '?' };
        format!("{endpoint}{mark}{}", query::encode(&pairs))
    }
}

/// What the issuer is told of a verifier first.
pub fn challenge(verifier: &str) -> String {
    URL_SAFE_NO_PAD.encode(Sha256::digest(verifier))
}

/// Who signed in.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Proven {
    /// The issuer's name of the person.
    pub subject: String,
    /// The resource of the person, as the issuer tells it.
    pub fhir_user: Option<String>,
}

/// Why an ID token is not believed.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Refused {
    /// It is no JWT of an algorithm that is taken.
    #[error("it is no JWT, or signed by an algorithm that is not taken")]
    Form,
    /// It is signed with a key that is not at hand; the issuer may have a new one.
    #[error("it is signed with no key of the issuer")]
    Key,
    /// The signature does not hold.
    #[error("its signature does not hold, or claims are missing")]
    Signature,
    /// Another issuer made it.
    #[error("iss is another")]
    Issuer,
    /// It is for another client.
    #[error("aud or azp is another")]
    Audience,
    /// It has ended or not begun.
    #[error("it has ended, or not begun")]
    Time,
    /// It belongs to another sign-in.
    #[error("nonce is another")]
    Nonce,
}

#[derive(Deserialize)]
struct Claims {
    iss: String,
    sub: String,
    aud: Audience,
    azp: Option<String>,
    exp: f64,
    iat: f64,
    nbf: Option<f64>,
    nonce: Option<String>,
    #[serde(rename = "fhirUser")]
    fhir_user: Option<String>,
}

/// What the ID token of that issuer for that client proves, in the sign-in with that nonce.
/// Source: <https://openid.net/specs/openid-connect-core-1_0.html#IDTokenValidation>.
///
/// # Errors
/// [`Refused`].
pub fn verify(
    token: &str,
    (issuer, client): (&str, &str),
    nonce: &str,
    keys: &JwkSet,
    now: Instant,
) -> Result<Proven, Refused> {
    let header = decode_header(token).map_err(|_| Refused::Form)?;
    if header.crit.is_some() {
        return Err(Refused::Form);
    }
    let key = key_for(keys, &header)?;
    let key = DecodingKey::from_jwk(key).map_err(|_| Refused::Key)?;
    let mut validation = Validation::new(header.alg);
    // Told by us below, against the time of the request.
    (validation.validate_exp, validation.validate_aud) = (false, false);
    validation.required_spec_claims.clear();
    let claims: Claims = decode(token, &key, &validation).map_err(|_| Refused::Signature)?.claims;
    if claims.iss.trim_end_matches('/') != issuer {
        return Err(Refused::Issuer);
    }
    let is_alone = matches!(&claims.aud, Audience::One(_))
        || matches!(&claims.aud, Audience::More(all) if all.len() == 1);
    let azp = claims.azp.as_deref();
    let is_party = azp.map_or(is_alone, |azp| azp == client);
    if !claims.aud.has(client) || !is_party {
        return Err(Refused::Audience);
    }
    let (now, ends) = (now.millis(), millis(claims.exp));
    let begins = claims.nbf.into_iter().chain([claims.iat]).map(millis).max().unwrap_or(i64::MAX);
    if ends.saturating_add(LEEWAY) <= now || begins > now.saturating_add(LEEWAY) {
        return Err(Refused::Time);
    }
    if claims.nonce.as_deref() != Some(nonce) {
        return Err(Refused::Nonce);
    }
    if claims.sub.is_empty() {
        return Err(Refused::Signature);
    }
    Ok(Proven { subject: claims.sub, fhir_user: claims.fhir_user })
}

/// The key that the header names; the only one where it names none.
fn key_for<'a>(keys: &'a JwkSet, header: &Header) -> Result<&'a Jwk, Refused> {
    let key = match (header.kid.as_deref(), keys.keys.as_slice()) {
        (Some(kid), _) => keys.find(kid),
        (None, [key]) => Some(key),
        (None, _) => None,
    };
    let key = key.ok_or(Refused::Key)?;
    if fits(key, header.alg) { Ok(key) } else { Err(Refused::Form) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The worked example of RFC 7636, appendix B.
    #[test]
    fn the_challenge_of_a_verifier() {
        let verifier = "dBjftJeZ4CVP-mB92K27uhbUJU1p1r_wW1gFWFOEjXk";
        assert_eq!(challenge(verifier), "E9Melhoa2OwvFrEMTJguCHaoeK1t8URWbuGJSstw-cM");
    }

    /// `OpenID` Connect Core, section 3.1.2.1; RFC 7636, section 4.3.
    #[test]
    fn the_request_of_a_sign_in() {
        let text = |text: &str| text.to_owned();
        let begun = Begun {
            state: text("s"),
            nonce: text("n"),
            verifier: text("v"),
            back: text("https://clinic.example/sign-in/back"),
            to: text("/"),
            language: text("en"),
            exp: 0,
        };
        let url = begun.url("https://login.example/start?tenant=1", "spondyl", true);
        let (endpoint, sent) = url.split_once('?').unwrap();
        assert_eq!(endpoint, "https://login.example/start");
        let sent = query::pairs(sent);
        let value = |name: &str| {
            let mut found = sent.iter().filter(|(own, _)| own == name).map(|(_, value)| value);
            let value = found.next().map(String::as_str);
            assert!(found.next().is_none(), "{name} stands once");
            value
        };
        for (name, expected) in [
            ("tenant", "1"),
            ("response_type", "code"),
            ("client_id", "spondyl"),
            ("redirect_uri", "https://clinic.example/sign-in/back"),
            ("scope", "openid fhirUser"),
            ("state", "s"),
            ("nonce", "n"),
            ("code_challenge_method", "S256"),
            ("prompt", "login"),
        ] {
            assert_eq!(value(name), Some(expected), "{name}");
        }
        assert_eq!(value("code_challenge"), Some(challenge("v").as_str()));
        assert!(!url.contains("verifier"));
    }
}
