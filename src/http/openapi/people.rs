//! Sign-in and the links to letters, in the description of the API: for browsers, with forms.

use serde_json::{Map, Value, json};

use crate::http::route::Route;

/// The item of one of their routes.
pub(super) fn item(route: Route) -> Value {
    let template = route.template();
    let parameters: Vec<Value> = template
        .split('/')
        .filter_map(|part| part.strip_prefix('{')?.strip_suffix('}'))
        .map(|name| json!({ "name": name, "in": "path", "required": true, "schema": { "type": "string" } }))
        .collect();
    let gets: &[(&str, &str)] = match route {
        Route::SharedLink => &[("200", "The button that opens the letter."), ("410", GONE)],
        Route::SharedLetter => &[("200", "The letter, with the ways to read it."), ("410", GONE)],
        Route::SharedForm => &[("200", "A form of the letter."), ("404", ""), ("410", GONE)],
        Route::SignIn => &[("303", "To the issuer."), ("503", "The issuer does not answer.")],
        Route::SignInBack => &[
            ("303", "To the page that was wanted, with a session."),
            ("403", "Nobody is signed in."),
            ("503", "The issuer does not answer."),
        ],
        _ => &[],
    };
    let (posts, fields): (&[(&str, &str)], &[&str]) = match route {
        Route::Links => (
            &[("201", "The link, shown this once."), ("403", ""), ("404", ""), ("409", "")],
            &["csrf", "recipient", "days", "uses"],
        ),
        Route::LinkEnd => (&[("303", "To the letters."), ("403", ""), ("404", "")], &["csrf"]),
        Route::SharedLink => (&[("303", "To the letter."), ("410", GONE)], &[]),
        Route::SignOut => (&[("200", "The session has ended."), ("403", "")], &["csrf"]),
        _ => (&[], &[]),
    };
    let name: Vec<&str> = template.split(['/', '{', '}']).filter(|part| !part.is_empty()).collect();
    let id = format!("page.{}", name.join("-"));
    let operation = |id: String, answers: &[(&str, &str)]| {
        json!({ "operationId": id, "tags": ["pages"], "parameters": parameters,
            "responses": responses(answers) })
    };
    let mut item = Map::new();
    if !gets.is_empty() {
        item.insert("get".to_owned(), operation(id.clone(), gets));
    }
    if !posts.is_empty() {
        let mut post = operation(format!("{id}.post"), posts);
        if let (Some(object), false) = (post.as_object_mut(), fields.is_empty()) {
            object.insert("requestBody".to_owned(), form(fields));
        }
        item.insert("post".to_owned(), post);
    }
    Value::Object(item)
}

const GONE: &str = "The link opens nothing, for whatever reason.";

/// What is answered: pages, or outcomes where there are no words.
fn responses(answers: &[(&str, &str)]) -> Value {
    let outcome = json!({ "$ref": "#/components/responses/Outcome" });
    let always = ["400", "406", "408", "413", "415", "500"];
    let mut all: Map<String, Value> =
        always.iter().map(|status| ((*status).to_owned(), outcome.clone())).collect();
    for (status, words) in answers {
        let told = match *words {
            "" => outcome.clone(),
            words => json!({ "description": words, "content": { "*/*": {} } }),
        };
        all.insert((*status).to_owned(), told);
    }
    Value::Object(all)
}

fn form(fields: &[&str]) -> Value {
    let properties: Map<String, Value> =
        fields.iter().map(|name| ((*name).to_owned(), json!({ "type": "string" }))).collect();
    let schema = json!({ "type": "object", "properties": properties, "required": fields });
    json!({ "required": true,
        "content": { "application/x-www-form-urlencoded": { "schema": schema } } })
}
