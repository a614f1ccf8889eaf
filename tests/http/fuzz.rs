//! Inputs that nobody would send, to `$validate` and to create, through HTTP: each is answered, by an
//! outcome, and never by a fault of the server.
//!
//! `SPONDYL_FUZZ_HTTP` says how many; see `tests/fuzz` for the same without HTTP.
//! Source: <http://hl7.org/fhir/R4/resource-operation-validate.html>.

use serde_json::{Value, json};

use crate::client::{JSON, Server};

#[path = "../fuzz/corpus.rs"]
mod corpus;
#[path = "../fuzz/mutator.rs"]
mod mutator;

use corpus::Corpus;
use mutator::Random;

/// The bytes as the resource of a Parameters, with what else the operation may be given.
fn parameters(bytes: &[u8], random: &mut Random) -> Vec<u8> {
    let odd = ["profile", "create", "update", "delete", "", "https://spondyl.example/unheard-of"];
    let extra = json!({ "name": random.pick(&["mode", "profile", "resource"]),
        "valueCode": random.pick(&odd) });
    let mut body =
        br#"{"resourceType":"Parameters","parameter":[{"name":"resource","resource":"#.to_vec();
    body.extend_from_slice(bytes);
    body.extend_from_slice(format!("}},{extra}]}}").as_bytes());
    body
}

#[actix_web::test]
async fn anything_sent_is_answered() {
    let server = Server::start();
    let corpus = Corpus::read();
    let count = std::env::var("SPONDYL_FUZZ_HTTP").map_or(400, |text| text.parse().unwrap());
    let kinds = ["Patient", "Observation", "Bundle", "Procedure", "Encounter"];
    for index in 0..count {
        let mut random = Random::new(index);
        let mut body = mutator::input(&corpus, &mut random);
        let named = serde_json::from_slice::<Value>(&body).ok();
        let named = named.and_then(|value| value["resourceType"].as_str().map(str::to_owned));
        let named = named.filter(|name| name.bytes().all(|b| b.is_ascii_alphanumeric()));
        let kind = named.unwrap_or_else(|| (*random.pick(&kinds)).to_owned());
        let path = match random.below(3) {
            0 => format!("/{kind}"),
            1 => format!("/{kind}/$validate"),
            _ => {
                body = parameters(&body, &mut random);
                format!("/{kind}/$validate")
            }
        };
        let shown = String::from_utf8_lossy(&body).into_owned();
        let answer = server.send("POST", &path, &[JSON], body).await;
        assert!(answer.status < 500, "{index} {path}: {} {}\n{shown}", answer.status, answer.text);
        let about: Value = serde_json::from_str(&answer.text).unwrap();
        let is_outcome = about["resourceType"] == "OperationOutcome";
        assert!(is_outcome || answer.status == 201, "{index} {path}: {}\n{shown}", answer.text);
    }
}
