//! `/patients/{id}`: a person and their episodes.

use maud::html;

use crate::clinical::people::Party;
use crate::clinical::source::Day;
use crate::letter::catalogue::Catalogue;
use crate::letter::layout;
use crate::page::overview::Whose;
use crate::page::{Episode, overview};

/// What the page shows.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Patient<'a> {
    /// The path of the API, without a slash at its end, such as `/fhir`.
    pub api: &'a str,
    /// The person.
    pub person: &'a Party,
    /// Their episodes, in the order to be shown.
    pub episodes: &'a [Episode],
}

/// The page.
pub fn patient(patient: &Patient<'_>, words: &Catalogue) -> String {
    let person = patient.person;
    let nothing = words.get("not-recorded");
    let name = if person.name.is_empty() { nothing } else { person.name.as_str() };
    let born = person.birth_date.as_deref().map(|date| {
        let day = Day::parse(date).map(|day| words.day(day));
        words.fill("patient.born", &[("date", day.as_deref().unwrap_or(date))])
    });
    let gender = person.gender.as_deref().map(|gender| words.name("gender", gender).to_owned());
    let lines: Vec<String> =
        born.into_iter().chain(gender).chain(person.identifiers.clone()).collect();
    let top = html! {
        h1 { (name) }
        p class="when" { (lines.join(words.get("list.comma"))) }
        (super::steps(&[("first", "/".to_owned()), ("patient", String::new())], "patient", words))
    };
    let body = html! {
        section aria-labelledby="episodes" {
            h2 id="episodes" { (words.get("page.episodes")) }
            @if patient.episodes.is_empty() {
                p { (words.get("page.no-episode")) }
            } @else {
                (overview::table(patient.api, patient.episodes, Whose::OnePerson, words))
            }
        }
        section aria-labelledby="record" {
            h2 id="record" { (words.get("patient-page.record")) }
            dl {
                @for (name, lines) in [("address", &person.address), ("contact", &person.contact)] {
                    @if !lines.is_empty() {
                        dt { (words.name("patient-page", name)) }
                        @for line in lines { dd { (line) } }
                    }
                }
                dt { (words.get("patient-page.resource")) }
                dd { a href=(format!("{}/{}", patient.api, person.source)) { (person.source.target()) } }
            }
        }
        (super::cautions(words))
    };
    let bottom = html! { p { (words.get("page.foot")) } };
    layout::page(words.language(), name, &top, &body, &bottom)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fhir::Resource;
    use serde_json::json;

    #[test]
    fn shows_the_person_and_escapes() {
        let resource = json!({ "resourceType": "Patient", "id": "p", "birthDate": "1984-05-17",
            "name": [{ "text": "<i>Ann</i>" }] });
        let person = Party::of(&Resource::from_value(resource).unwrap()).unwrap();
        let episodes = [Episode { id: "e1".into(), ..Episode::default() }];
        let view = Patient { api: "/fhir", person: &person, episodes: &episodes };
        let page = patient(&view, Catalogue::english());
        assert!(page.contains("&lt;i&gt;Ann") && !page.contains("<i>Ann"));
        assert!(page.contains("href=\"/episodes/e1\"") && page.contains("born 17 May 1984"));
        let none = patient(&Patient { episodes: &[], ..view }, Catalogue::english());
        assert!(none.contains(Catalogue::english().get("page.no-episode")));
    }
}
