//! The demo clinic's episodes as resources, for tests; read from the Bundles in `src/demo/clinic`.
#![allow(dead_code, reason = "each test binary uses its own part")]

use std::fs;
use std::path::Path;

use serde_json::Value;
use spondyl::fhir::{Id, Instant, Resource, VersionId};

/// The moment at which the tests ask.
pub(crate) const NOW: &str = "2026-11-25T09:00:00Z";

/// The moment at which the tests ask, as an instant.
pub(crate) fn now() -> Instant {
    Instant::parse(NOW).unwrap()
}

/// Every resource of the demo clinic, stamped as the server would.
pub(crate) fn clinic() -> Vec<Resource> {
    let directory = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/demo/clinic");
    let mut files: Vec<_> = fs::read_dir(directory).unwrap().map(|f| f.unwrap().path()).collect();
    files.sort();
    let mut resources = Vec::new();
    for file in files.iter().filter(|file| file.extension().is_some_and(|e| e == "json")) {
        let bundle: Value = serde_json::from_slice(&fs::read(file).unwrap()).unwrap();
        for entry in bundle["entry"].as_array().unwrap() {
            let mut resource = Resource::from_value(entry["resource"].clone()).unwrap();
            let id = Id::parse(resource.id_text().unwrap()).unwrap();
            resource.stamp(&id, VersionId(1), now());
            resources.push(resource);
        }
    }
    resources
}

/// The episode of an id.
pub(crate) fn episode<'a>(resources: &'a [Resource], id: &str) -> &'a Resource {
    let found = |r: &&Resource| r.kind().as_str() == "EpisodeOfCare" && r.id_text() == Some(id);
    resources.iter().find(found).unwrap()
}

/// The ids of the demo's episodes, in order.
pub(crate) fn episode_ids(resources: &[Resource]) -> Vec<String> {
    let episodes = resources.iter().filter(|r| r.kind().as_str() == "EpisodeOfCare");
    let mut ids: Vec<String> = episodes.map(|r| r.id_text().unwrap().to_owned()).collect();
    ids.sort();
    ids
}
