//! SMART App Launch, backend services: what the server offers, tokens, what they are worth.
//!
//! Below the base of the API, so that their URLs follow from it: `.well-known/smart-configuration`,
//! `auth/token`, `auth/introspect`, `auth/revoke`. Faults are told as OAuth 2.0 has it.
//! Source: <https://hl7.org/fhir/smart-app-launch/STU2.2/backend-services.html>,
//! <https://hl7.org/fhir/smart-app-launch/STU2.2/token-introspection.html>,
//! <https://www.rfc-editor.org/rfc/rfc6749#section-5.2>, <https://www.rfc-editor.org/rfc/rfc7009>.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use jsonwebtoken::jwk::JwkSet;
use serde_json::{Value, json};

use crate::access::grant::{self, Denied};
use crate::access::token::Tokens;
use crate::error::Error;
use crate::fhir::{Id, Instant};
use crate::http::admit::given;
use crate::http::extract::{self, Expected};
use crate::http::route::{Answer, Call};
use crate::http::{block, journal, now};
use crate::outbound::Outbound;
use crate::smart::assertion::{self, ALGORITHMS, Refused};
use crate::smart::client::{Client, check_keys};

/// How long a token holds, in seconds: as short as the guide recommends.
const SECONDS: i64 = 300;

/// The largest form that is read, in bytes.
const LARGEST: usize = 64 << 10;

/// `GET [base]/.well-known/smart-configuration`.
pub(super) fn configuration(call: &Call) -> HttpResponse {
    let base = extract::base(&call.app, &call.request);
    HttpResponse::Ok().json(json!({
        "token_endpoint": format!("{base}/auth/token"),
        "token_endpoint_auth_methods_supported": ["private_key_jwt"],
        "token_endpoint_auth_signing_alg_values_supported": ALGORITHMS,
        "grant_types_supported": ["client_credentials"],
        "introspection_endpoint": format!("{base}/auth/introspect"),
        "revocation_endpoint": format!("{base}/auth/revoke"),
        "scopes_supported": ["system/*.cruds", "patient/*.cruds", "user/*.cruds", "system/*.rs",
            "patient/*.rs", "user/*.rs"],
        "response_types_supported": ["token"],
        "code_challenge_methods_supported": ["S256"],
        "capabilities": ["client-confidential-asymmetric", "permission-patient",
            "permission-user", "permission-v1", "permission-v2"],
    }))
}

/// `POST [base]/auth/token`.
pub(super) async fn token(call: Call, payload: web::Payload) -> Answer {
    let form = form(&call, payload).await?;
    let answer = issue(&call, &form).await;
    told(answer)
}

/// `POST [base]/auth/introspect`.
pub(super) async fn introspect(call: Call, payload: web::Payload) -> Answer {
    let form = form(&call, payload).await?;
    let answer = worth(&call, &form).await;
    told(answer)
}

/// `POST [base]/auth/revoke`.
pub(super) async fn revoke(call: Call, payload: web::Payload) -> Answer {
    let form = form(&call, payload).await?;
    let answer = end(&call, &form).await;
    told(answer)
}

type Form = Vec<(String, String)>;

async fn form(call: &Call, payload: web::Payload) -> Result<Form, Error> {
    let body = extract::body(&call.request, payload, Expected::Form, LARGEST).await?;
    Ok(body.form()?.unwrap_or_default())
}

/// A value that must be there once.
fn one<'a>(form: &'a Form, name: &str) -> Result<&'a str, Denied> {
    let mut values = form.iter().filter(|(own, _)| own == name).map(|(_, value)| value.as_str());
    match (values.next(), values.next()) {
        (Some(value), None) if !value.is_empty() => Ok(value),
        _ => Err(Denied::Request(format!("{name} is needed, once"))),
    }
}

fn told(answer: Result<Value, Denied>) -> Answer {
    match answer {
        Ok(value) => Ok(HttpResponse::Ok().insert_header(("Pragma", "no-cache")).json(value)),
        Err(Denied::Failed(error)) => Err(error),
        Err(denied) => {
            let (status, code) = denied.code();
            let status = StatusCode::from_u16(status).unwrap_or(StatusCode::BAD_REQUEST);
            let text = denied.to_string();
            let value = json!({ "error": code, "error_description": text });
            Ok(HttpResponse::build(status).json(value))
        }
    }
}

async fn issue(call: &Call, form: &Form) -> Result<Value, Denied> {
    if one(form, "grant_type")? != "client_credentials" {
        return Err(Denied::GrantType);
    }
    let scope = one(form, "scope")?.to_owned();
    let now = now();
    let client = authenticated(call, form, now).await?;
    let (app, tokens) = (call.app.clone(), tokens(&call.request)?);
    let done = block(move || {
        let granted = match grant::grant(&app, &client, &scope) {
            Ok(access) => access,
            Err(denied) => return Ok(Err(denied)),
        };
        let ends = Instant::from_millis(now.millis().saturating_add(SECONDS * 1000));
        let token = tokens.issue(&granted, now, ends)?;
        let mut answer = json!({
            "access_token": token,
            "token_type": "bearer",
            "expires_in": SECONDS,
            "scope": granted.scope_text(),
        });
        if let (Some(patient), Some(object)) = (&granted.patient, answer.as_object_mut()) {
            object.insert("patient".to_owned(), json!(patient.to_string()));
        }
        Ok(Ok(answer))
    });
    done.await.map_err(Denied::Failed)?
}

async fn worth(call: &Call, form: &Form) -> Result<Value, Denied> {
    let now = now();
    let client = authenticated(call, form, now).await?;
    let (token, tokens) = (one(form, "token")?.to_owned(), tokens(&call.request)?);
    let found = block(move || Ok(tokens.find(&token, now)?)).await.map_err(Denied::Failed)?;
    // One asks about one's own tokens, or is a server that may ask about those of all.
    let found = found.filter(|(access, _)| client.introspects || access.client == client.id);
    Ok(match found {
        None => json!({ "active": false }),
        Some((access, ends)) => {
            let mut answer = json!({
                "active": true,
                "client_id": access.client,
                "scope": access.scope_text(),
                "exp": ends.millis() / 1000,
            });
            if let Some(object) = answer.as_object_mut() {
                let patient = access.patient.as_ref().map(Id::to_string);
                object.extend(patient.map(|id| ("patient".to_owned(), json!(id))));
                let base = extract::base(&call.app, &call.request);
                let user = access.user.as_ref().map(|(kind, id)| format!("{base}/{kind}/{id}"));
                object.extend(user.map(|user| ("fhirUser".to_owned(), json!(user))));
            }
            answer
        }
    })
}

async fn end(call: &Call, form: &Form) -> Result<Value, Denied> {
    let now = now();
    let client = authenticated(call, form, now).await?;
    let (token, tokens) = (one(form, "token")?.to_owned(), tokens(&call.request)?);
    let done = block(move || {
        let found = tokens.find(&token, now)?;
        if found.is_some_and(|(access, _)| access.client == client.id) {
            tokens.revoke(&token)?;
        }
        Ok(())
    });
    done.await.map_err(Denied::Failed)?;
    // A token that never was is as good as ended (RFC 7009, section 2.2).
    Ok(json!({}))
}

fn tokens(request: &HttpRequest) -> Result<web::Data<Tokens>, Denied> {
    given(request).cloned().map_err(Denied::Failed)
}

/// The client that the request proves to be from.
async fn authenticated(call: &Call, form: &Form, now: Instant) -> Result<Client, Denied> {
    if one(form, "client_assertion_type")? != assertion::TYPE {
        return Err(Denied::Request("client_assertion_type is another".to_owned()));
    }
    let text = one(form, "client_assertion")?.to_owned();
    let claimed = assertion::claimed(&text)?;
    let client = grant::client(&call.app, &claimed)?;
    journal::client(&call.request, &client.id);
    let keys = keys(call, &client).await?;
    let audiences = audiences(call);
    let tried = audiences.iter().map(|own| assertion::verify(&text, &client.id, &keys, own, now));
    let proven =
        tried.reduce(|first, next| if first == Err(Refused::Audience) { next } else { first });
    let proven = proven.ok_or(Denied::Client(Refused::Audience))??;
    let (app, id) = (call.app.clone(), client.id.clone());
    let fresh = block(move || Ok(grant::use_once(&*app.store, &id, &proven, now)?));
    if fresh.await.map_err(Denied::Failed)? { Ok(client) } else { Err(Refused::Replayed.into()) }
}

/// The client's keys, read from where it registered them.
async fn keys(call: &Call, client: &Client) -> Result<JwkSet, Denied> {
    let Some(url) = &client.jwks_uri else {
        return Ok(client.jwks.clone().unwrap_or(JwkSet { keys: Vec::new() }));
    };
    let outbound = given::<Outbound>(&call.request).map_err(Denied::Failed)?;
    let read = outbound.json(url).await.inspect_err(|error| {
        tracing::warn!(client = client.id, %error, "the keys of a client cannot be read");
    });
    let keys: JwkSet =
        read.ok().and_then(|keys| serde_json::from_value(keys).ok()).ok_or(Refused::Key)?;
    check_keys(&keys).map_err(|_| Refused::Key)?;
    Ok(keys)
}

/// The URLs of the token endpoint by which this server goes. The Host header is no proof of any.
fn audiences(call: &Call) -> Vec<String> {
    let token = |base: &str| format!("{base}/auth/token");
    if let Some(base) = call.app.config.public_base() {
        return vec![token(base)];
    }
    let local = call.request.app_config().local_addr();
    let scheme = call.app.config.scheme();
    let own = |host: String| token(&format!("{scheme}://{host}{}", super::BASE));
    vec![own(local.to_string()), own(format!("localhost:{}", local.port()))]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fhir::query;

    #[test]
    fn a_value_is_there_once() {
        let form = query::pairs("a=1&b=2&b=3&c=");
        assert_eq!(one(&form, "a").unwrap(), "1");
        for name in ["b", "c", "d"] {
            assert!(matches!(one(&form, name), Err(Denied::Request(_))), "{name}");
        }
    }
}
