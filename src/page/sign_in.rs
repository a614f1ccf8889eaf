//! Sign-in: what every page has for whoever is signed in, and what is told of a sign-in that did not
//! succeed, or has ended.

use maud::html;

use crate::letter::catalogue::Catalogue;
use crate::letter::layout;
use crate::page::to;

/// A page as it is for a person: with their name and the way to sign out at its top, and what its
/// scripts send with everything that changes something.
pub fn of_person(page: &str, name: &str, csrf: &str, words: &Catalogue) -> String {
    let name = if name.is_empty() { words.get("not-recorded") } else { name };
    let token = html! { meta name="csrf-token" content=(csrf); };
    let bar = html! {
        form class="screen person" method="post" action=(to("/sign-out", words)) {
            input type="hidden" name="csrf" value=(csrf);
            span { (words.fill("person.is", &[("name", name)])) }
            button class="plain" { (words.get("person.sign-out")) }
        }
    };
    let after = |text: &str, mark: &str, more: String| match text.split_once(mark) {
        Some((before, rest)) => format!("{before}{mark}{more}{rest}"),
        None => text.to_owned(),
    };
    let page = after(page, layout::TITLE_ENDS, token.into_string());
    after(&page, layout::TOP_BEGINS, bar.into_string())
}

/// Why somebody is not signed in: a name of the group `sign-in.why`.
pub fn sign_in_refused(reason: &str, words: &Catalogue) -> String {
    let title = words.get("sign-in.refused");
    let top = html! { h1 { (title) } };
    let body = html! {
        p class="lead" { (words.name("sign-in.why", reason)) }
        p { (words.name("sign-in.what", reason)) }
        p { a href=(to("/sign-in?again=yes", words)) { (words.get("sign-in.again")) } }
        (super::cautions(words))
    };
    let bottom = html! { p { (words.get("sign-in.foot")) } };
    layout::page(words.language(), title, &top, &body, &bottom)
}

/// That a session has ended.
pub fn signed_out(words: &Catalogue) -> String {
    let title = words.get("sign-in.signed-out");
    let top = html! { h1 { (title) } };
    let body = html! {
        p { (words.get("sign-in.elsewhere")) }
        p { a href=(to("/sign-in?again=yes", words)) { (words.get("sign-in.again")) } }
        (super::cautions(words))
    };
    let bottom = html! { p { (words.get("sign-in.foot")) } };
    layout::page(words.language(), title, &top, &body, &bottom)
}

#[cfg(test)]
mod tests {
    use super::*;
    use maud::Markup;

    #[test]
    fn a_page_names_who_is_signed_in() {
        let title = "A </title> <header class=\"top\"> in a name";
        let nothing = Markup::default();
        let page = layout::page("en", title, &nothing, &nothing, &nothing);
        for words in [Catalogue::english(), Catalogue::german()] {
            let page = of_person(&page, "<i>Ilse", "token", words);
            assert!(page.contains("</title><meta name=\"csrf-token\" content=\"token\">"));
            assert!(page.contains("<header class=\"top\"><form class=\"screen person\""));
            assert!(page.contains("&lt;i&gt;Ilse") && !page.contains("<i>Ilse"));
            assert!(page.contains("name=\"csrf\" value=\"token\""));
        }
    }

    #[test]
    fn every_reason_has_words() {
        for words in [Catalogue::english(), Catalogue::german()] {
            for reason in ["begun", "denied", "unreachable", "unproven", "nobody"] {
                for group in ["sign-in.why", "sign-in.what"] {
                    assert!(words.find(group, reason).is_some(), "{group}.{reason}");
                }
                assert!(sign_in_refused(reason, words).contains("/sign-in?again=yes"));
            }
            assert!(!signed_out(words).contains("sign-in."));
        }
    }
}
