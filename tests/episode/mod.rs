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

/// The demo clinic with an episode of many visits: a visit of the first episode with all that was found
/// and done, every fourth day anew.
pub(crate) fn long(visits: u32) -> Vec<Resource> {
    let mut resources = clinic();
    let start = time::macros::date!(2026 - 03 - 24);
    for visit in 1..=visits {
        let day = start + time::Duration::days(4 * i64::from(visit));
        let of_visit =
            |r: &&Resource| r.id_text().is_some_and(|id| id.starts_with("demo-aldis-v3"));
        let copies: Vec<Resource> = resources
            .iter()
            .filter(of_visit)
            .map(|resource| {
                let text = resource.value().to_string();
                let text = text.replace("demo-aldis-v3", &format!("demo-aldis-x{visit}"));
                let text = text.replace("2026-03-23", &day.to_string());
                Resource::from_value(serde_json::from_str(&text).unwrap()).unwrap()
            })
            .collect();
        resources.extend(copies);
    }
    let of_episode = |r: &&mut Resource| {
        r.kind().as_str() == "EpisodeOfCare" && r.id_text() == Some("demo-aldis-episode")
    };
    let episode = resources.iter_mut().find(of_episode).unwrap().value_mut();
    episode["status"] = "active".into();
    let extensions = episode["extension"].as_array_mut().unwrap();
    extensions.retain(|one| !one["url"].as_str().unwrap().ends_with("episode-end-reason"));
    episode["period"].as_object_mut().unwrap().remove("end");
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
