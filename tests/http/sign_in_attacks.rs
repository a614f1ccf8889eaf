//! Attacks on sign-in: on the way back from the issuer, and on its ID token.
//!
//! Source: <https://openid.net/specs/openid-connect-core-1_0.html>,
//! <https://www.rfc-editor.org/rfc/rfc9700>, <https://www.rfc-editor.org/rfc/rfc8725>.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use jsonwebtoken::{Algorithm, EncodingKey, Header, encode};
use serde_json::{Value, json};

use crate::oidc::{CLIENT, Clinic, back};
use crate::people::{is_in, refused};
use crate::smart::{Key, seconds};

#[actix_web::test]
async fn attacks_on_the_way_back() {
    let clinic = Clinic::start().await;
    let good = |nonce: &str| clinic.provider.key.sign(&clinic.provider.claims(nonce));

    // Another state, none, twice; in another browser, which has begun nothing, or its own sign-in.
    let mut browser = clinic.browser();
    for change in ["&state=other", "", "&state={state}&state={state}"] {
        let asked = browser.begin("/sign-in").await;
        let code = clinic.provider.code(&asked, good(&asked["nonce"]));
        let query = change.replace("{state}", &asked["state"]);
        let answer = browser.open(&format!("/sign-in/back?code={code}{query}")).await;
        refused(&mut browser, answer, 400, change).await;
    }
    let asked = browser.begin("/sign-in").await;
    let code = clinic.provider.code(&asked, good(&asked["nonce"]));
    let mut victim = clinic.browser();
    let answer = victim.open(&back(&code, &asked["state"])).await;
    refused(&mut victim, answer, 400, "a code of another browser").await;
    let own = victim.begin("/sign-in").await;
    let answer = victim.open(&back(&code, &asked["state"])).await;
    refused(&mut victim, answer, 400, "a code of another browser").await;
    let _own = victim.begin("/sign-in").await;
    let answer = victim.open(&back(&code, &own["state"])).await;
    refused(&mut victim, answer, 400, "a state that is over").await;
    // A code of another sign-in: the verifier is not that of its challenge.
    let own = victim.begin("/sign-in").await;
    let answer = victim.open(&back(&code, &own["state"])).await;
    refused(&mut victim, answer, 403, "a code of another browser, put into one's own").await;

    // The same once more, with the cookie kept.
    let asked = browser.begin("/sign-in").await;
    let kept = browser.cookies.clone();
    let code = clinic.provider.code(&asked, good(&asked["nonce"]));
    browser.open(&back(&code, &asked["state"])).await.leads();
    let mut again = clinic.browser();
    again.cookies.clone_from(&kept);
    let answer = again.open(&back(&code, &asked["state"])).await;
    refused(&mut again, answer, 400, "replay").await;
    let code = clinic.provider.code(&asked, good(&asked["nonce"]));
    again.cookies = kept;
    let answer = again.open(&back(&code, &asked["state"])).await;
    refused(&mut again, answer, 400, "replay of the state with a new code").await;

    // A cookie that nobody here made.
    let asked = again.begin("/sign-in").await;
    let sealed = again.cookies["spondyl-sign-in"].clone();
    let parts: Vec<&str> = sealed.split('.').collect();
    let begun = json!({ "state": "s", "nonce": "n", "verifier": "v", "back": "b", "to": "/",
        "language": "en", "exp": seconds() + 500 });
    let body = URL_SAFE_NO_PAD.encode(begun.to_string());
    let none = URL_SAFE_NO_PAD.encode(json!({ "alg": "none" }).to_string());
    let key = EncodingKey::from_secret(b"spondyl").unwrap();
    for forged in [
        format!("{}.{body}.{}", parts[0], parts[2]),
        format!("{none}.{body}."),
        encode(&Header::new(Algorithm::HS256), &begun, &key).unwrap(),
        String::from("x"),
    ] {
        again.cookies.insert("spondyl-sign-in".to_owned(), forged.clone());
        let answer = again.open(&back("c", "s")).await;
        refused(&mut again, answer, 400, &forged).await;
    }
    drop(asked);

    // The issuer says no, or another one answers.
    let asked = again.begin("/sign-in").await;
    let state = &asked["state"];
    let answer = again.open(&format!("/sign-in/back?error=access_denied&state={state}")).await;
    refused(&mut again, answer, 403, "broken off").await;
    let asked = again.begin("/sign-in").await;
    let code = clinic.provider.code(&asked, good(&asked["nonce"]));
    let path = format!("{}&iss=https://evil.example", back(&code, &asked["state"]));
    let answer = again.open(&path).await;
    refused(&mut again, answer, 403, "another issuer (RFC 9207)").await;
}

/// Makes a token of the claims of a good one.
type Made<'a> = Box<dyn Fn(Value) -> String + 'a>;

/// `OpenID` Connect Core, section 3.1.3.7; RFC 8725, section 2.
#[actix_web::test]
async fn attacks_on_the_id_token() {
    let clinic = Clinic::start().await;
    let provider = &clinic.provider;
    let segment = |value: &Value| URL_SAFE_NO_PAD.encode(value.to_string());
    let stranger = Key::rsa("i-1");
    let modulus =
        serde_json::to_value(provider.key.public()).unwrap()["n"].as_str().unwrap().to_owned();
    let confused = |claims: Value| {
        let header = Header { kid: Some("i-1".to_owned()), ..Header::new(Algorithm::HS384) };
        encode(&header, &claims, &EncodingKey::from_secret(modulus.as_bytes()).unwrap()).unwrap()
    };
    let with = |name: &'static str, value: Value| -> Made<'_> {
        Box::new(move |mut claims: Value| {
            claims[name] = value.clone();
            provider.key.sign(&claims)
        })
    };
    let without = |name: &'static str| -> Made<'_> {
        Box::new(move |mut claims: Value| {
            claims.as_object_mut().unwrap().remove(name);
            provider.key.sign(&claims)
        })
    };
    let attacks: Vec<(&str, Made<'_>)> = vec![
        ("another nonce", with("nonce", json!("other"))),
        ("no nonce", without("nonce")),
        ("another audience", with("aud", json!("other"))),
        ("no audience", without("aud")),
        ("several audiences without azp", with("aud", json!([CLIENT, "other"]))),
        ("another azp", with("azp", json!("other"))),
        ("another issuer", with("iss", json!("https://evil.example"))),
        ("ended", with("exp", json!(seconds() - 60))),
        ("no end", without("exp")),
        ("of tomorrow", with("iat", json!(seconds() + 3600))),
        ("not yet", with("nbf", json!(seconds() + 3600))),
        ("no subject", without("sub")),
        ("an empty subject", with("sub", json!(""))),
        (
            "alg none",
            Box::new(move |claims| {
                format!(
                    "{}.{}.",
                    segment(&json!({ "alg": "none", "kid": "i-1" })),
                    segment(&claims)
                )
            }),
        ),
        (
            "no signature",
            Box::new(move |claims| {
                format!(
                    "{}.{}.",
                    segment(&json!({ "alg": "RS384", "kid": "i-1" })),
                    segment(&claims)
                )
            }),
        ),
        ("a stranger's key", Box::new(|claims| stranger.sign(&claims))),
        ("key confusion", Box::new(confused)),
        (
            "another key",
            Box::new(|claims| {
                let header = Header { kid: Some("i-2".to_owned()), ..provider.key.header() };
                encode(&header, &claims, &provider.key.private).unwrap()
            }),
        ),
        ("no token", Box::new(|_| String::new())),
    ];
    let mut browser = clinic.browser();
    for (what, made) in attacks {
        let asked = browser.begin("/sign-in").await;
        let token = made(provider.claims(&asked["nonce"]));
        let answer = browser.come_back(&asked, token).await;
        refused(&mut browser, answer, 403, what).await;
    }
    // Several audiences are well where azp says for whom it is.
    let asked = browser.begin("/sign-in").await;
    let mut claims = provider.claims(&asked["nonce"]);
    (claims["aud"], claims["azp"]) = (json!([CLIENT, "other"]), json!(CLIENT));
    browser.come_back(&asked, provider.key.sign(&claims)).await.leads();
    assert!(is_in(&mut browser).await);
}
