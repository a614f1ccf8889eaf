//! Both directions, what cannot be read and what cannot be written.

use serde_json::Value;

use super::{read, write};
use crate::definitions::model::Model;
use crate::fhir::json;

/// The same resource in both formats; the rules each shows are those of
/// <http://hl7.org/fhir/R4/xml.html> and <http://hl7.org/fhir/R4/json.html>.
#[test]
fn both_ways() {
    let model = Model::standard().unwrap();
    for (xml, json) in [
        (
            r#"<Patient xmlns="http://hl7.org/fhir"><id value="a"/><active value="true"/></Patient>"#,
            r#"{"resourceType":"Patient","id":"a","active":true}"#,
        ),
        (
            // Repeats, ids, and extensions of primitives.
            r#"<Patient xmlns="http://hl7.org/fhir"><name id="n"><given value="A"/><given id="g"><extension url="http://example.org/x"><valueCode value="c"/></extension></given></name><birthDate value="1970"><extension url="http://example.org/y"><valueDecimal value="1.00"/></extension></birthDate></Patient>"#,
            r#"{"resourceType":"Patient","name":[{"id":"n","given":["A",null],"_given":[null,{"id":"g","extension":[{"url":"http://example.org/x","valueCode":"c"}]}]}],"birthDate":"1970","_birthDate":{"extension":[{"url":"http://example.org/y","valueDecimal":1.00}]}}"#,
        ),
        (
            r#"<Observation xmlns="http://hl7.org/fhir"><text><status value="generated"/><div xmlns="http://www.w3.org/1999/xhtml"><p>a &lt; b</p></div></text><contained><Patient><id value="p"/></Patient></contained><status value="final"/><code><text value="a&#10;b &amp; &quot;c&quot;"/></code><valueQuantity><value value="10.0"/></valueQuantity></Observation>"#,
            r#"{"resourceType":"Observation","text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\"><p>a &lt; b</p></div>"},"contained":[{"resourceType":"Patient","id":"p"}],"status":"final","code":{"text":"a\nb & \"c\""},"valueQuantity":{"value":10.0}}"#,
        ),
        (
            r#"<Bundle xmlns="http://hl7.org/fhir"><type value="collection"/><entry><resource><Basic><id value="b"/></Basic></resource></entry></Bundle>"#,
            r#"{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"Basic","id":"b"}}]}"#,
        ),
    ] {
        let value = json::parse(json.as_bytes(), 64).unwrap();
        assert_eq!(read(&model, xml.as_bytes()).unwrap().to_string(), value.to_string());
        let written = write(&model, &value, false).unwrap();
        let written = String::from_utf8(written).unwrap();
        assert_eq!(written, format!("<?xml version=\"1.0\" encoding=\"UTF-8\"?>{xml}"));
        let pretty = write(&model, &value, true).unwrap();
        assert_eq!(read(&model, &pretty).unwrap().to_string(), value.to_string());
    }
}

#[test]
fn prefixes_and_comments_are_form() {
    let model = Model::standard().unwrap();
    let xml = r#"<?xml version="1.0" encoding="utf-8"?><!-- c --><f:Patient xmlns:f="http://hl7.org/fhir" xmlns:h="http://www.w3.org/1999/xhtml"><f:text><f:status value="generated"/><h:div><h:b title="t">x</h:b><!-- c --></h:div></f:text> <f:active value="false"/></f:Patient>"#;
    let value = read(&model, xml.as_bytes()).unwrap();
    let div = r#"<div xmlns="http://www.w3.org/1999/xhtml"><b title="t">x</b></div>"#;
    assert_eq!(value["text"]["div"], Value::from(div));
    assert_eq!(value["active"], Value::Bool(false));
}

#[test]
fn what_cannot_be_read_is_told_with_its_place() {
    let model = Model::standard().unwrap();
    let patient =
        |content: &str| format!(r#"<Patient xmlns="http://hl7.org/fhir">{content}</Patient>"#);
    for (xml, place) in [
        ("", None),
        ("<Patient", None),
        ("<!DOCTYPE x><Patient/>", None),
        (r#"<?xml version="1.0" encoding="latin1"?><Patient/>"#, None),
        ("<Patient/>", Some("Patient")),
        (r#"<Nothing xmlns="http://hl7.org/fhir"/>"#, Some("Nothing")),
        (&patient("<nothing/>"), Some("Patient.nothing")),
        (&patient("text"), Some("Patient")),
        (&patient(r#"<active valu="true"/>"#), Some("Patient.active")),
        (&patient(r#"<active value="true"/><active value="true"/>"#), Some("Patient.active[1]")),
        (&patient(r#"<gender value="male"/><active value="true"/>"#), Some("Patient.active")),
        (&patient(r#"<name><given value="a"/><odd/></name><name/>"#), Some("Patient.name[0].odd")),
        (&patient("<contained><Patient/><Patient/></contained>"), Some("Patient.contained")),
        (&patient("<contained/>"), Some("Patient.contained")),
        (&patient(r#"<active xmlns="urn:x" value="true"/>"#), Some("Patient.active")),
    ] {
        let fault = read(&model, xml.as_bytes()).unwrap_err();
        assert_eq!(fault.path.as_deref(), place, "{xml}: {}", fault.message);
    }
    let deep = "<extension url=\"a\">".repeat(100) + &"</extension>".repeat(100);
    assert!(read(&model, patient(&deep).as_bytes()).is_err());
}

#[test]
fn what_cannot_be_written_is_told_with_its_place() {
    let model = Model::standard().unwrap();
    for (json, place) in [
        (r#"{"resourceType":"Odd"}"#, ""),
        (r#"{"resourceType":"Patient","odd":1}"#, "Patient"),
        (r#"{"resourceType":"Patient","name":{}}"#, "Patient.name"),
        (r#"{"resourceType":"Patient","name":["a"]}"#, "Patient.name"),
        (r#"{"resourceType":"Patient","text":{"div":"<div>&nbsp;</div>"}}"#, "Patient.text.div"),
    ] {
        let value: Value = serde_json::from_str(json).unwrap();
        let fault = write(&model, &value, false).unwrap_err();
        assert_eq!(fault.path.as_deref(), Some(place), "{json}: {}", fault.message);
    }
}

/// Numbers keep their digits in both directions.
#[test]
fn digits_are_kept() {
    let model = Model::standard().unwrap();
    for digits in ["1.00", "1.0", "1", "-0.0", "0.000", "100000000000000000000.0000000000001"] {
        let json = format!(
            r#"{{"resourceType":"Observation","status":"final","valueQuantity":{{"value":{digits}}}}}"#
        );
        let value = json::parse(json.as_bytes(), 64).unwrap();
        let xml = write(&model, &value, false).unwrap();
        assert!(String::from_utf8_lossy(&xml).contains(&format!("value=\"{digits}\"")));
        assert_eq!(read(&model, &xml).unwrap().to_string(), json);
    }
}
