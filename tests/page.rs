//! The pages of an episode and of a visit: complete, linked, and fit for a strict policy.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test may fail loudly")]

use std::collections::BTreeSet;

use serde_json::json;
use spondyl::clinical::{Record, Summary, summary};
use spondyl::fhir::Resource;
use spondyl::letter::catalogue::Catalogue;
use spondyl::letter::filed::Filed;
use spondyl::page;

mod episode;

fn each(check: impl Fn(&str, &Summary)) {
    let clinic = episode::clinic();
    for id in episode::episode_ids(&clinic) {
        let record = Record::build(episode::episode(&clinic, &id), &clinic);
        check(&id, &summary(&record, episode::now()));
    }
}

/// Writes the pages to the directory that `SPONDYL_LETTERS` names, to be looked at.
#[test]
fn pages_to_look_at() {
    let Ok(directory) = std::env::var("SPONDYL_LETTERS") else { return };
    each(|id, summary| {
        let words = Catalogue::english();
        let write = |name: &str, page: String| {
            std::fs::write(format!("{directory}/{id}-{name}.html"), page).unwrap();
        };
        write("episode", page::episode(summary, "/fhir", words));
        write("visit", page::visit(summary, "/fhir", words));
        write("letters", letters(summary, &[], words));
    });
}

/// The page of an episode's letters.
fn letters(summary: &Summary, filed: &[Filed], words: &Catalogue) -> String {
    let signers = [("A. Therapist".to_owned(), "Practitioner/a".to_owned())];
    let digest = "ni:///sha-256;x";
    page::letters(
        &page::Letters { api: "/fhir", summary, digest, signers: &signers, filed, sharing: None },
        words,
    )
}

/// The values of an attribute.
fn values<'a>(page: &'a str, attribute: &str) -> Vec<&'a str> {
    let start = format!(" {attribute}=\"");
    page.split(&start).skip(1).map(|rest| rest.split('"').next().unwrap()).collect()
}

/// No script or style within the page but the one style; each id once; each field with a label.
#[track_caller]
fn well_made(id: &str, page: &str) {
    assert!(values(page, "style").is_empty(), "{id}: a style that no hash allows");
    for script in page.split("<script").skip(1) {
        let known = |(path, _): &(&str, &str)| {
            script.starts_with(&format!(" src=\"{path}\" defer></script>"))
        };
        assert!(page::SCRIPTS.iter().any(known), "{id}: {script}");
    }
    assert!(!page.contains(" onclick") && !page.contains("javascript:"), "{id}");
    let ids = values(page, "id");
    let once: BTreeSet<&str> = ids.iter().copied().collect();
    assert_eq!(ids.len(), once.len(), "{id}: an id stands twice");
    for field in page.split("<input").skip(1).chain(page.split("<select").skip(1)) {
        let tag = field.split('>').next().unwrap();
        let name = values(tag, "id").first().copied().unwrap();
        let before = page.split(&format!(" id=\"{name}\"")).next().unwrap();
        let labelled = before.matches("<label>").count() > before.matches("</label>").count();
        assert!(labelled || tag.contains("aria-label=\""), "{id}: {name} has no label");
    }
}

#[test]
fn an_episode_links_to_each_record() {
    each(|id, summary| {
        for words in [Catalogue::english(), Catalogue::german()] {
            let page = page::episode(summary, "/fhir", words);
            well_made(id, &page);
            let links: BTreeSet<&str> = values(&page, "href").into_iter().collect();
            for source in &summary.dose.total.sources {
                assert!(links.contains(format!("/fhir/{source}").as_str()), "{id}: {source}");
            }
            let visit = format!("/episodes/{id}/visit");
            assert!(links.iter().any(|link| link.starts_with(&visit)), "{id}");
            assert!(!page.contains("{n}") && !page.contains("episode-page."), "{id}");
        }
    });
}

#[test]
fn the_form_of_a_visit() {
    each(|id, summary| {
        for words in [Catalogue::english(), Catalogue::german()] {
            let page = page::visit(summary, "/fhir", words);
            well_made(id, &page);
            assert!(!page.contains(">visit.") && !page.contains("\"visit."), "{id}: a key as text");
            let names: BTreeSet<&str> = values(&page, "name").into_iter().collect();
            for name in [
                "start",
                "segment.C0-C1.left",
                "segment.L5-S1.right.pain",
                "segment.C4-C5.left.feel",
                "treatment.5.side",
                "treatment.0.contactPoint",
                "screening.vascular-risk",
                "consent-covers",
                "goal.due",
                "event.1.suspect",
                "flag.text",
                "systolic",
                "plan.leave",
                "exercise.often-unit",
                "onward.question",
                "pain-provoked",
                "range.flexion-rotation-test-left",
                "habit-urge",
                "disability.item.10",
            ] {
                assert!(names.contains(name), "{id}: {name}");
            }
            assert!(page.contains(&format!("data-episode=\"EpisodeOfCare/{id}\"")), "{id}");
            // Every code of the choices has words: none stands for itself.
            for option in page.split("<option value=\"").skip(1) {
                let (value, rest) = option.split_once("\">").unwrap();
                let text = rest.split('<').next().unwrap();
                let code = value.contains('-') && value.starts_with(char::is_lowercase);
                let same = value == text && text != "side-lying";
                assert!(!same || !code, "{id}: {value}");
            }
        }
    });
    let clinic = episode::clinic();
    let record = Record::build(episode::episode(&clinic, "demo-aldis-episode"), &clinic);
    let page = page::visit(&summary(&record, episode::now()), "/fhir", Catalogue::english());
    let activity = "<input id=\"activity.1.name\" name=\"activity.1.name\" type=\"text\" value=\"";
    assert!(page.contains(activity), "the activity of the former visit is named");
    let last = "<td class=\"last\">2 \u{b7} 20\u{a0}Apr\u{a0}2026</td>";
    assert!(page.contains(last), "the last finding stands beside");
}

/// A letter that was signed, in three states, with hashes that agree, differ, are not kept.
#[test]
fn the_letters_of_an_episode() {
    let value = |status: &str, id: &str| {
        json!({ "resourceType": "Composition", "id": id, "status": status, "language": "de",
            "title": "<b>T</b>", "date": "2026-04-21T08:05:00Z",
            "attester": [{ "mode": "legal", "time": "2026-04-21T08:05:00Z",
                "party": { "reference": "Practitioner/a" } }] })
    };
    let filed = |status: &str, id: &str| {
        let composition = Resource::from_value(value(status, id)).unwrap();
        let reference = json!({ "resourceType": "DocumentReference", "id": format!("{id}-d"),
            "status": "current", "content": [{ "attachment": { "contentType": "application/pdf",
                "url": "Binary/b", "hash": "x" } }] });
        let reference = Resource::from_value(reference).unwrap();
        Filed::of(&composition, &[reference], &[]).unwrap()
    };
    each(|id, summary| {
        for words in [Catalogue::english(), Catalogue::german()] {
            let mut broken = filed("final", "c1");
            broken.forms = broken.forms.into_iter().map(|form| form.held_against(None)).collect();
            let all = [broken, filed("preliminary", "c2"), filed("entered-in-error", "c3")];
            let page = letters(summary, &all, words);
            well_made(id, &page);
            for state in ["signed", "draft", "in-error"] {
                assert!(page.contains(words.name("letters.state", state)), "{id}: {state}");
            }
            assert!(
                page.contains(words.get("letters.broken")),
                "{id}: a hash that differs is told"
            );
            assert!(page.contains("&lt;b&gt;T") && !page.contains("<b>T"), "{id}");
            assert!(page.contains("08:05 UTC"), "{id}: the time of the signature");
            assert!(!page.contains(">letters.") && !page.contains(">sign."), "{id}: a key as text");
            let nobody = page::Letters {
                api: "/fhir",
                summary,
                digest: "",
                signers: &[],
                filed: &[],
                sharing: None,
            };
            let page = page::letters(&nobody, words);
            assert!(page.contains(words.get("letters.nobody")) && !page.contains("<form"), "{id}");
        }
    });
}

/// Every rule and message that the form of the signature names has a text.
#[test]
fn the_script_of_the_signature_has_its_words() {
    let clinic = episode::clinic();
    let record = Record::build(episode::episode(&clinic, "demo-aldis-episode"), &clinic);
    let page = letters(&summary(&record, episode::now()), &[], Catalogue::english());
    let held = values(&page, "data-words")[0].replace("&quot;", "\"");
    let mut asked = 0;
    for call in ["words.", "words[\"", "rule: \""] {
        for rest in page::SIGN_SCRIPT.1.split(call).skip(1) {
            let key: String =
                rest.chars().take_while(|c| c.is_ascii_lowercase() || *c == '-').collect();
            if key == "trim" {
                continue;
            }
            asked += 1;
            assert!(held.contains(&format!("\"{key}\":\"")), "{call}{key}");
            assert!(!held.contains(&format!("\"sign.{key}\"")), "{key} has no text");
        }
    }
    assert!(asked > 15, "{asked}");
}

/// Every rule and message that the script names has a text.
#[test]
fn the_script_has_its_words() {
    let clinic = episode::clinic();
    let record = Record::build(episode::episode(&clinic, "demo-aldis-episode"), &clinic);
    let page = page::visit(&summary(&record, episode::now()), "/fhir", Catalogue::english());
    let held = values(&page, "data-words")[0].replace("&quot;", "\"");
    let mut asked = 0;
    for call in [
        "words.",
        "words[\"",
        "refuse(name, \"",
        "refuse(\"start\", \"",
        "refuse(\"disability.item.1\", \"",
        "refuse(\"disability\", \"",
        "refuse(at(\"alone\"), \"",
        "refuse(at(\"suspect\"), \"",
        "refuse(at(\"date\"), \"",
        "refuse(\"plan.leave\", \"",
        "refuse(\"plan.text\", \"",
        ", \"whole\"",
        "\"needed\"",
    ] {
        let scripts = page::VISIT_SCRIPTS.iter().flat_map(|(_, text)| text.split(call).skip(1));
        for rest in scripts {
            let key: String = if call.ends_with('"') && call.starts_with([',', '"']) {
                call.trim_matches([',', ' ', '"']).to_owned()
            } else {
                rest.chars().take_while(|c| c.is_ascii_lowercase() || *c == '-').collect()
            };
            asked += 1;
            assert!(held.contains(&format!("\"{key}\":")), "{call}{key}");
        }
    }
    assert!(asked > 20, "{asked}");
}

/// The choices of the form are the codes of our code systems, no more and no fewer.
#[test]
fn the_choices_are_those_of_the_code_systems() {
    let clinic = episode::clinic();
    let record = Record::build(episode::episode(&clinic, "demo-aldis-episode"), &clinic);
    let page = page::visit(&summary(&record, episode::now()), "/fhir", Catalogue::english());
    let codes = |id: &str| -> BTreeSet<String> {
        let file = format!("schemas/profile/code-system-{id}.json");
        let system: serde_json::Value =
            serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap();
        let concepts = system["concept"].as_array().unwrap();
        concepts.iter().map(|concept| concept["code"].as_str().unwrap().to_owned()).collect()
    };
    let options = |name: &str| -> BTreeSet<String> {
        let select = page.split(&format!(" name=\"{name}\"")).nth(1).unwrap();
        let select = select.split("</select>").next().unwrap();
        let values = select.split("<option value=\"").skip(1);
        let values = values.map(|rest| rest.split('"').next().unwrap().to_owned());
        values.filter(|value| !value.is_empty()).collect()
    };
    for (field, system) in [
        ("treatment.0.technique", "technique"),
        ("treatment.0.grade", "mobilisation-grade"),
        ("treatment.0.side", "side"),
        ("treatment.0.direction", "force-direction"),
        ("treatment.0.contactPoint", "contact-point"),
        ("treatment.0.patientPosition", "patient-position"),
        ("segment.C0-C1.left.feel", "end-feel"),
        ("event.0.what", "treatment-reaction"),
        ("event.0.class", "adverse-event-class"),
    ] {
        assert_eq!(options(field), codes(system), "{field}");
    }
    let asked: BTreeSet<String> = values(&page, "name")
        .iter()
        .filter_map(|name| name.strip_prefix("screening.").map(str::to_owned))
        .collect();
    assert_eq!(asked, codes("screening-item"));
}

/// A German page shows no text of the English catalogue, neither between tags nor in an attribute.
#[test]
fn a_german_page_has_no_english_text() {
    let (english, german) = (Catalogue::english(), Catalogue::german());
    let known: BTreeSet<&str> = german.keys().map(|key| german.get(key)).collect();
    let texts = english.keys().map(|key| english.get(key));
    let texts: Vec<&str> = texts.filter(|text| !known.contains(text)).collect();
    assert!(texts.len() > 400, "{}", texts.len());
    let overview = page::Overview { api: "/fhir".to_owned(), ..page::Overview::default() };
    let check = |id: &str, page: &str| {
        for text in texts.iter().filter(|text| text.chars().any(char::is_alphabetic)) {
            for shown in [format!(">{text}<"), format!("aria-label=\"{text}\"")] {
                assert!(!page.contains(&shown), "{id}: {text}");
            }
        }
        assert!(page.contains("<html lang=\"de\">"), "{id}");
    };
    check("index", &page::index(&overview, german));
    each(|id, summary| {
        // The problem of a record may be worded as the catalogue is; it stays as it was written.
        let page = page::visit(summary, "/fhir", german);
        check(id, &page);
        check(id, &letters(summary, &[], german));
        assert!(page.contains("language=de"), "{id}: links lead on in German");
    });
}
