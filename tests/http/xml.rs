//! Resources in XML: <http://hl7.org/fhir/R4/xml.html>, <http://hl7.org/fhir/R4/http.html#mime-type>;
//! and bodies with a content encoding: <https://www.rfc-editor.org/rfc/rfc9110#name-content-encoding>.

use std::io::Write as _;

use serde_json::{Map, Value, json};
use spondyl::definitions::model::Model;
use spondyl::fhir::json::{MAX_DEPTH, parse};
use spondyl::xml;

use crate::client::{JSON, Server};
use crate::shared;

const XML: (&str, &str) = ("Content-Type", "application/fhir+xml");

const PATIENT: &str = r#"<Patient xmlns="http://hl7.org/fhir"><id value="x"/><active value="true"/><name><family value="Invented"/></name></Patient>"#;

#[actix_web::test]
async fn what_is_sent_in_one_format_is_had_in_the_other() {
    let server = Server::start();
    let put = server.send("PUT", "/Patient/x", &[XML], PATIENT).await.has_status(201);
    assert_eq!(put.header("content-type"), "application/fhir+xml;charset=utf-8");
    assert!(put.text.contains("<family value=\"Invented\"/>"), "{}", put.text);
    let json = server.get("/Patient/x").await.has_status(200).json();
    assert_eq!(json["name"][0]["family"], "Invented");
    for path in ["/Patient/x?_format=xml", "/Patient/x?_format=application/fhir%2Bxml&_pretty=true"]
    {
        let xml = server.get(path).await.has_status(200);
        let model = Model::shared().unwrap();
        assert_eq!(xml::read(model, xml.text.as_bytes()).unwrap(), json);
    }
    for path in ["/Patient?_format=xml", "/metadata?_format=xml", "/_history?_format=xml"] {
        let answer = server.get(path).await.has_status(200);
        let read = xml::read(Model::shared().unwrap(), answer.text.as_bytes());
        assert!(read.is_ok(), "{path}: {read:?}");
    }
    let accept = ("Accept", "application/fhir+json;q=0.5, application/fhir+xml");
    let answer = server.send("GET", "/Patient/x", &[accept], "").await.has_status(200);
    assert!(answer.text.starts_with("<?xml"));
}

#[actix_web::test]
async fn faults_are_told_in_xml_with_their_place() {
    let server = Server::start();
    let body = r#"<Patient xmlns="http://hl7.org/fhir"><active value="true"/><odd/></Patient>"#;
    let answer = server.send("POST", "/Patient", &[XML], body).await.has_status(400);
    assert!(answer.text.contains("<expression value=\"Patient.odd\"/>"), "{}", answer.text);
    assert!(answer.text.contains("line 1, column 60"), "{}", answer.text);
    let answer = server.get("/Patient/none?_format=xml").await.has_status(404);
    assert!(answer.text.contains("<code value=\"not-found\"/>"), "{}", answer.text);
    let body = PATIENT.replace("true", "maybe");
    let answer =
        server.send("PUT", "/Patient/x", &[XML, ("Accept", "application/fhir+json")], body);
    assert!(answer.await.json()["issue"].to_string().contains("Patient.active"));
}

#[actix_web::test]
async fn bodies_may_be_compressed_both_ways() {
    let server = Server::start();
    let patient = json!({ "resourceType": "Patient", "id": "z", "active": true }).to_string();
    let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    packed.write_all(patient.as_bytes()).unwrap();
    let packed = packed.finish().unwrap();
    let gzip = ("Content-Encoding", "gzip");
    server.send("PUT", "/Patient/z", &[JSON, gzip], packed).await.has_status(201);
    for coding in ["gzip", "br", "zstd"] {
        let accept = ("Accept-Encoding", coding);
        let answer = server.send("GET", "/metadata", &[accept], "").await.has_status(200);
        assert_eq!(answer.header("content-encoding"), coding);
    }
    // A small text that unfolds beyond the limit, a broken one, and an encoding nobody knows.
    let mut bomb = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    bomb.write_all(&vec![b' '; 64 << 20]).unwrap();
    let bomb = bomb.finish().unwrap();
    server.send("PUT", "/Patient/z", &[JSON, gzip], bomb).await.has_status(413);
    server.send("PUT", "/Patient/z", &[JSON, gzip], "no gzip").await.has_status(400);
    let odd = ("Content-Encoding", "odd");
    server.send("PUT", "/Patient/z", &[JSON, odd], patient).await.has_status(415);
}

/// The official examples of R4 as JSON, where they are at hand, survive the way through XML.
#[test]
fn official_examples_survive_xml() {
    let Some(folder) = shared::find("standard/examples") else { return };
    let model = Model::shared().unwrap();
    let mut lost = Vec::new();
    for path in std::fs::read_dir(folder).unwrap().map(|file| file.unwrap().path()) {
        let bytes = std::fs::read(&path).unwrap();
        let Ok(value) = parse(&bytes, MAX_DEPTH) else { continue };
        if value.get("resourceType").is_none() {
            continue;
        }
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        match xml::write(model, &value, true) {
            Err(fault) => lost.push(format!("{name}: {fault} at {:?}", fault.path)),
            Ok(text) => match xml::read(model, &text) {
                Ok(back) if sorted(&back) == sorted(&value) => {}
                Ok(_) => lost.push(format!("{name}: differs")),
                Err(fault) => lost.push(format!("{name}: {fault} at {:?}", fault.path)),
            },
        }
    }
    assert!(lost.is_empty(), "{}", lost.join("\n"));
}

/// The text of a value with the members of objects in order, so that digits count and order does
/// not.
fn sorted(value: &Value) -> String {
    fn sort(value: &Value) -> Value {
        match value {
            Value::Object(object) => {
                let mut members: Vec<_> = object.iter().collect();
                members.sort_by_key(|(name, _)| *name);
                let sorted = members.into_iter().map(|(name, value)| (name.clone(), sort(value)));
                Value::Object(sorted.collect::<Map<_, _>>())
            }
            Value::Array(list) => list.iter().map(sort).collect(),
            other => other.clone(),
        }
    }
    sort(value).to_string()
}
