//! The letter: its three forms say the same, and keep the rules of documents.

use std::collections::BTreeSet;

use serde_json::Value;
use spondyl::clinical::{Record, Summary, summary};
use spondyl::fhir::Resource;
use spondyl::letter::{self, Context};

mod episode;

const BASE: &str = "http://127.0.0.1:8080/fhir";

struct Letter {
    id: String,
    summary: Summary,
    document: Value,
    html: String,
}

fn letters(resources: &[Resource]) -> Vec<Letter> {
    let letter = |id: String| {
        let record = Record::build(episode::episode(resources, &id), resources);
        let summary = summary(&record, episode::now());
        let context = Context { base: BASE, bundle_id: None };
        let document = letter::document(&summary, &record, context);
        let html = letter::html(&summary);
        Letter { id, summary, document, html }
    };
    episode::episode_ids(resources).into_iter().map(letter).collect()
}

/// Writes the demo's letters to the directory that SPONDYL_LETTERS names, to be looked at.
#[test]
fn letters_to_look_at() {
    let Ok(directory) = std::env::var("SPONDYL_LETTERS") else { return };
    for letter in letters(&episode::clinic()) {
        let path = |ext: &str| format!("{directory}/{}.{ext}", letter.id);
        std::fs::write(path("json"), serde_json::to_vec_pretty(&letter.document).unwrap()).unwrap();
        std::fs::write(path("html"), &letter.html).unwrap();
        let start = std::time::Instant::now();
        let pdf = letter::pdf(&letter.summary).unwrap();
        eprintln!("{} {:?}", letter.id, start.elapsed());
        std::fs::write(path("pdf"), pdf).unwrap();
    }
}
