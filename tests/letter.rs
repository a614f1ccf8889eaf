//! The letter: its three forms say the same, and keep the rules of documents.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test may fail loudly")]

use std::collections::BTreeSet;
use std::sync::Arc;

use serde_json::Value;
use spondyl::clinical::{Record, Summary, summary};
use spondyl::definitions::Definitions;
use spondyl::fhir::{Resource, Severity};
use spondyl::letter::catalogue::Catalogue;
use spondyl::letter::{self, Context};
use spondyl::validation::Validator;

mod episode;

const BASE: &str = "http://127.0.0.1:8080/fhir";

struct Letter {
    words: &'static Catalogue,
    id: String,
    summary: Summary,
    document: Value,
    html: String,
}

impl Letter {
    fn again(&self) -> letter::Letter<'_> {
        letter::Letter { words: self.words, ..letter::Letter::new(&self.summary) }
    }
}

fn letters(resources: &[Resource]) -> Vec<Letter> {
    letters_in(Catalogue::english(), resources)
}

fn letters_in(words: &'static Catalogue, resources: &[Resource]) -> Vec<Letter> {
    let letter = |id: String| {
        let record = Record::build(episode::episode(resources, &id), resources);
        let summary = summary(&record, episode::now());
        let context = Context { base: BASE, bundle_id: None };
        let made = letter::Letter { words, ..letter::Letter::new(&summary) };
        let (document, html) = (made.document(&record, context), made.html());
        Letter { words, id, summary, document, html }
    };
    episode::episode_ids(resources).into_iter().map(letter).collect()
}

/// Writes the demo's letters to the directory that `SPONDYL_LETTERS` names, to be looked at.
#[test]
fn letters_to_look_at() {
    let Ok(directory) = std::env::var("SPONDYL_LETTERS") else { return };
    for letter in letters(&episode::clinic()) {
        let path = |ext: &str| format!("{directory}/{}.{ext}", letter.id);
        std::fs::write(path("json"), serde_json::to_vec_pretty(&letter.document).unwrap()).unwrap();
        std::fs::write(path("html"), &letter.html).unwrap();
        let pdf = letter::pdf(&letter.summary).unwrap();
        std::fs::write(path("pdf"), pdf).unwrap();
        eprintln!("{}", path("pdf"));
    }
}

/// Every string below a value.
fn strings<'a>(value: &'a Value, found: &mut Vec<&'a str>) {
    match value {
        Value::String(text) => found.push(text),
        Value::Array(items) => items.iter().for_each(|item| strings(item, found)),
        Value::Object(object) => object.values().for_each(|item| strings(item, found)),
        _ => {}
    }
}

/// The references below a value.
fn references(value: &Value) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    match value {
        Value::Object(object) => {
            found.extend(object.get("reference").and_then(Value::as_str).map(str::to_owned));
            found.extend(object.values().flat_map(references));
        }
        Value::Array(items) => found.extend(items.iter().flat_map(references)),
        _ => {}
    }
    found
}

/// Rules bdl-9, bdl-10, bdl-11 and the closure of a document.
/// Source: <http://hl7.org/fhir/R4/bundle.html>, <http://hl7.org/fhir/R4/documents.html#content>.
#[test]
fn document_keeps_the_rules() {
    for letter in letters(&episode::clinic()) {
        let (id, document) = (&letter.id, &letter.document);
        assert_eq!(document["type"], "document", "{id}");
        assert_eq!(document["timestamp"], "2026-11-25T09:00:00.000Z", "{id}");
        assert!(document["identifier"]["value"].as_str().unwrap().starts_with("urn:uuid:"), "{id}");
        let entries = document["entry"].as_array().unwrap();
        let composition = &entries[0]["resource"];
        assert_eq!(composition["resourceType"], "Composition", "{id}");
        assert_eq!(composition["status"], "preliminary", "a draft has no attester");
        let urls: BTreeSet<&str> = entries.iter().map(|e| e["fullUrl"].as_str().unwrap()).collect();
        assert_eq!(urls.len(), entries.len(), "{id}: a fullUrl stands twice");
        for entry in entries {
            let (kind, own) = (&entry["resource"]["resourceType"], &entry["resource"]["id"]);
            let url = format!("{BASE}/{}/{}", kind.as_str().unwrap(), own.as_str().unwrap());
            assert_eq!(entry["fullUrl"], url.as_str(), "{id}");
        }
        for reference in references(composition) {
            assert!(urls.contains(format!("{BASE}/{reference}").as_str()), "{id}: {reference}");
        }
        let all: BTreeSet<String> =
            entries.iter().flat_map(|e| references(&e["resource"])).collect();
        for url in urls.iter().skip_while(|url| url.contains("/Composition/")) {
            let relative = url.strip_prefix(BASE).unwrap().trim_start_matches('/');
            let reached = all.contains(relative) || relative.starts_with("Composition/");
            assert!(reached, "{id}: nothing names {relative}");
        }
    }
}

/// Each section has a narrative of the allowed elements, and no code without a text (cmp-1, txt-1).
/// Source: <http://hl7.org/fhir/R4/narrative.html#rules>.
#[test]
fn narrative_uses_the_allowed_elements() {
    let allowed = [
        "div", "p", "b", "br", "ul", "li", "dl", "dt", "dd", "table", "caption", "thead", "tbody",
        "tr", "th", "td",
    ];
    for letter in letters(&episode::clinic()) {
        let composition = &letter.document["entry"][0]["resource"];
        let sections = composition["section"].as_array().unwrap();
        assert_eq!(sections[0]["title"], "In short", "the answer comes first");
        for holder in sections.iter().chain([composition]) {
            let div = holder["text"]["div"].as_str().unwrap();
            assert!(div.starts_with("<div xmlns=\"http://www.w3.org/1999/xhtml\""), "{div}");
            for tag in div.split('<').skip(1) {
                let name = tag.trim_start_matches('/').split([' ', '>', '/']).next().unwrap();
                assert!(allowed.contains(&name), "{}: <{name}>", letter.id);
            }
        }
    }
}

#[test]
fn same_input_same_bytes() {
    let (one, other) = (letters(&episode::clinic()), letters(&episode::clinic()));
    for (one, other) in one.iter().zip(&other) {
        assert_eq!(one.document.to_string(), other.document.to_string());
        assert_eq!(one.html, other.html);
        let (a, b) = (letter::pdf(&one.summary).unwrap(), letter::pdf(&other.summary).unwrap());
        assert!(a == b, "{}: the PDF differs", one.id);
    }
}

/// A document assembled again after a change is another document.
/// Source: <http://hl7.org/fhir/R4/documents.html#content>.
#[test]
fn a_change_makes_another_document() {
    let clinic = episode::clinic();
    let mut changed = clinic.clone();
    let score = changed.iter_mut().find(|r| r.id_text() == Some("demo-aldis-v1-t1")).unwrap();
    score.value_mut()["meta"]["versionId"] = "2".into();
    let (before, after) = (letters(&clinic), letters(&changed));
    let identifier = |letters: &[Letter], at: usize| letters[at].document["identifier"].to_string();
    assert_ne!(identifier(&before, 0), identifier(&after, 0), "its own letter");
    assert_eq!(identifier(&before, 1), identifier(&after, 1), "another episode's letter");
}

/// Words with a digit in them, as a reader sees them.
fn numbers(text: &str) -> Vec<String> {
    let words = text.split(|c: char| c.is_whitespace() || ";,()·“”:".contains(c));
    let words = words.map(|word| word.trim_end_matches('.').to_owned());
    words.filter(|word| word.chars().any(|c| c.is_ascii_digit())).collect()
}

/// The text of HTML, without style, tags and entities.
fn text_of(html: &str) -> String {
    let mut text = String::new();
    for part in html.split('<') {
        let (tag, rest) = part.split_once('>').unwrap_or(("", part));
        if !tag.starts_with("style") {
            text.push(' ');
            text.push_str(rest);
        }
    }
    text.replace("&amp;", "&").replace("&lt;", "<").replace("&gt;", ">").replace("&quot;", "\"")
}

/// Every number of the sections, in the order of the letter.
fn section_numbers(content: &letter::content::Content) -> Vec<String> {
    let sections = serde_json::to_value(&content.sections).unwrap();
    let mut all = Vec::new();
    for section in sections.as_array().unwrap() {
        let mut texts = Vec::new();
        for block in section["blocks"].as_array().unwrap().iter().filter(|b| b["kind"] != "map") {
            strings(block, &mut texts);
        }
        all.extend(texts.into_iter().flat_map(numbers));
    }
    all
}

/// Document, page and PDF show the same numbers, as many times.
#[test]
fn three_forms_one_set_of_numbers() {
    let languages = [Catalogue::english(), Catalogue::german()].into_iter();
    for letter in languages.flat_map(|words| letters_in(words, &episode::clinic())) {
        let content = letter.again().content();
        let expected = section_numbers(&content);
        assert!(expected.len() > 100, "{}: {} numbers", letter.id, expected.len());
        let composition = &letter.document["entry"][0]["resource"];
        let sections = composition["section"].as_array().unwrap();
        let narrative: String =
            sections.iter().map(|s| text_of(s["text"]["div"].as_str().unwrap())).collect();
        contains_all(&letter.id, "document", &numbers(&narrative), &expected);
        contains_all(&letter.id, "page", &numbers(&text_of(&letter.html)), &expected);
        if let Some(pdf) = pdf_text(&letter) {
            contains_all(&letter.id, "PDF", &numbers(&pdf), &expected);
        }
    }
}

#[track_caller]
fn contains_all(id: &str, form: &str, found: &[String], expected: &[String]) {
    let count = |list: &[String], word: &String| list.iter().filter(|one| *one == word).count();
    for word in expected {
        let (there, wanted) = (count(found, word), count(expected, word));
        assert!(there >= wanted, "{id}: {form} has {word} {there} times, not {wanted}");
    }
}

/// The text of the PDF by an outside program; none, and a word about it, where it is not there.
#[expect(clippy::print_stderr, reason = "a skipped check is said")]
fn pdf_text(letter: &Letter) -> Option<String> {
    let path =
        std::env::temp_dir().join(format!("spondyl-{}-{}.pdf", std::process::id(), letter.id));
    std::fs::write(&path, letter.again().pdf().unwrap()).unwrap();
    let output = std::process::Command::new("pdftotext").arg("-raw").arg(&path).arg("-").output();
    std::fs::remove_file(&path).unwrap();
    let Ok(output) = output else {
        eprintln!("skipped: pdftotext is not installed");
        return None;
    };
    Some(String::from_utf8(output.stdout).unwrap())
}

/// The numbers of the summary are those of the letter.
#[test]
fn the_letter_shows_the_summary() {
    for letter in letters(&episode::clinic()) {
        let text = text_of(&letter.html);
        let shown: BTreeSet<String> = numbers(&text).into_iter().collect();
        let summary = serde_json::to_value(&letter.summary).unwrap();
        let mut wanted = vec![summary["dose"]["total"]["oscillations"]["max"].to_string()];
        for outcome in summary["outcomes"].as_array().unwrap() {
            wanted.push(outcome["first"]["value"].to_string());
            wanted.extend(outcome["latest"].get("value").map(ToString::to_string));
        }
        for range in summary["ranges"].as_array().unwrap() {
            wanted.push(format!("{}°", range["first"]["degrees"]));
        }
        for number in wanted {
            let there = shown.contains(&number) || shown.contains(&format!("+{number}"));
            assert!(there || text.contains(&number), "{}: {number}", letter.id);
        }
    }
}

/// A finding of a manual test is never called instability, and nobody is told to treat.
#[test]
fn words_that_a_letter_never_uses() {
    let texts = include_str!("../src/letter/text/en.json").to_lowercase();
    for word in
        ["unstable", "instability", "you should", "we recommend", "must be treated", "cleared"]
    {
        assert!(!texts.contains(word), "{word}");
    }
    let sources = std::fs::read_dir("src/letter/compose").unwrap();
    assert!(sources.count() > 5);
}

/// No key stands for itself, no place stays open.
#[test]
fn every_text_is_there() {
    for letter in letters(&episode::clinic()) {
        let content = serde_json::to_value(letter::content(&letter.summary)).unwrap();
        let mut texts = Vec::new();
        strings(&content, &mut texts);
        for text in texts.into_iter().filter(|text| *text != "Page {n} of {all}") {
            assert!(!text.contains('{') && !text.contains('}'), "{}: {text}", letter.id);
            let key = text.contains('.')
                && !text.contains(' ')
                && text.chars().all(|c| c.is_ascii_lowercase() || "-.".contains(c));
            assert!(!key, "{}: {text}", letter.id);
        }
    }
}

/// Every key that the code asks for by its full name is in the catalogue.
#[test]
fn every_key_in_code_has_a_text() {
    let catalogue: Value =
        serde_json::from_str(include_str!("../src/letter/text/en.json")).unwrap();
    let keys: BTreeSet<&str> = catalogue.as_object().unwrap().keys().map(String::as_str).collect();
    let mut asked = 0;
    let directories = ["src/letter/compose", "src/page", "src/page/audit", "src/page/visit"];
    let files = directories.iter().flat_map(|place| std::fs::read_dir(place).unwrap());
    let files = files.map(|file| file.unwrap().path());
    let files: Vec<_> = files.filter(|path| path.extension().is_some_and(|e| e == "rs")).collect();
    for file in files {
        let code = std::fs::read_to_string(&file).unwrap();
        for call in [".text(\"", ".get(\"", ".fill(\"", ".count(\""] {
            for rest in code.split(call).skip(1) {
                let key = rest.split('"').next().unwrap();
                asked += 1;
                let there = keys.contains(key) || keys.contains(format!("{key}.one").as_str());
                assert!(there, "{}: {key}", file.display());
            }
        }
    }
    assert!(asked > 60, "{asked}");
}

/// Text of the record is text in every form, whatever it looks like.
#[test]
fn text_of_the_record_is_never_markup() {
    let mut clinic = episode::clinic();
    let nasty = "<script>x()</script> #panic(\"no\") $1 *b* \\ & \u{202e} 漢字";
    let patient = clinic.iter_mut().find(|r| r.id_text() == Some("demo-aldis")).unwrap();
    patient.value_mut()["name"] = serde_json::json!([{ "text": nasty }]);
    let letters = letters(&clinic);
    let letter = &letters[0];
    assert!(!letter.html.contains("<script"), "markup came through");
    assert!(letter.html.contains("&lt;script&gt;"));
    if let Some(text) = pdf_text(letter) {
        assert!(text.contains("#panic("), "{text}");
    }
}

/// An episode of which nothing else is known still has a letter, which says what is missing.
#[test]
fn a_letter_of_nothing() {
    let clinic = episode::clinic();
    let alone = vec![episode::episode(&clinic, "demo-aldis-episode").clone()];
    let letters = letters(&alone);
    let letter = &letters[0];
    assert!(letter.html.contains("No screening is recorded."));
    assert!(letter.html.contains("No manual treatment is recorded."));
    assert!(letter::pdf(&letter.summary).unwrap().starts_with(b"%PDF-"));
    assert_eq!(
        letter.document["entry"].as_array().unwrap().len(),
        3,
        "Composition, Device, episode"
    );
}

/// The whole document passes our validator: the standard's types and our profiles alike.
#[test]
fn the_document_is_valid() {
    let definitions = Arc::new(Definitions::embedded().unwrap());
    let validator = Validator::new(definitions);
    for letter in letters(&episode::clinic()) {
        let bundle = Resource::from_value(letter.document).unwrap();
        let issues = validator.check(&bundle);
        let errors: Vec<_> =
            issues.iter().filter(|issue| issue.severity >= Severity::Error).collect();
        assert!(errors.is_empty(), "{}: {errors:#?}", letter.id);
        let mut broken = bundle.clone();
        let section = &mut broken.value_mut()["entry"][0]["resource"]["section"][0];
        section.as_object_mut().unwrap().remove("title");
        assert!(!validator.check(&broken).is_empty(), "our profile asks for a title");
    }
}
