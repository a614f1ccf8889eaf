//! The routes that stand outside the base: pages for people, their scripts, sign-in, links to letters.

use actix_web::{HttpResponse, web};

use crate::error::Error;
use crate::http::route::{Answer, Call, Route, Verb, some_id};
use crate::http::{audit, health, metrics, operation, page, session, shared, sign_in};
use crate::page::SCRIPTS;

/// The route of a path outside the base; none where there is none.
pub(super) fn of(base: &str, parts: &[&str]) -> Option<Route> {
    Some(match (base, parts) {
        ("openapi.json", []) => Route::OpenApi,
        ("favicon.ico", []) => Route::Icon,
        ("episodes", [_]) => Route::Episode,
        ("episodes", [_, "visit"]) => Route::Visit,
        ("episodes", [_, "letters"]) => Route::Letters,
        ("episodes", [_, "letters", _, "links"]) => Route::Links,
        ("episodes", [_, "letters", _, "links", _]) => Route::LinkEnd,
        ("shared", []) => Route::SharedLetter,
        ("shared", [_]) => Route::SharedLink,
        ("shared", ["letter", _]) => Route::SharedForm,
        ("sign-in", []) => Route::SignIn,
        ("sign-in", ["back"]) => Route::SignInBack,
        ("sign-out", []) => Route::SignOut,
        ("patients", [_]) => Route::Patient,
        ("health", ["live"]) => Route::Live,
        ("health", ["ready"]) => Route::Ready,
        ("metrics", []) => Route::Metrics,
        ("audit", []) => Route::Audit,
        ("audit", ["cases"]) => Route::AuditCases,
        (name, []) => script(name).map(|_| Route::Script)?,
        _ => return None,
    })
}

impl Route {
    /// Whether it stands outside the base.
    pub(in crate::http) fn is_page(self) -> bool {
        matches!(
            self,
            Self::Index
                | Self::Icon
                | Self::Script
                | Self::Episode
                | Self::Visit
                | Self::Letters
                | Self::Links
                | Self::LinkEnd
                | Self::SharedLink
                | Self::SharedLetter
                | Self::SharedForm
                | Self::SignIn
                | Self::SignInBack
                | Self::SignOut
                | Self::Patient
                | Self::Audit
                | Self::AuditCases
                | Self::Live
                | Self::Ready
                | Self::Metrics
        )
    }
}

/// Answers one of them; a page is told as it is for whoever is signed in.
pub(in crate::http) async fn answer(
    call: Call,
    asked: (Route, &[&str], Verb),
    payload: web::Payload,
) -> Answer {
    let (session, request) = (call.session.clone(), call.request.clone());
    let page = one(call, asked, payload).await?;
    Ok(match session {
        Some(session) => session::dressed(page, &session, &request),
        None => page,
    })
}

async fn one(call: Call, asked: (Route, &[&str], Verb), payload: web::Payload) -> Answer {
    match asked {
        (Route::Index, ..) => page::index(call).await,
        (Route::OpenApi, ..) => operation::description(call).await,
        (Route::Live, ..) => Ok(health::live()),
        (Route::Ready, ..) => health::ready(call).await,
        (Route::Metrics, ..) => metrics::answer(&call).await,
        (Route::Icon, ..) => Ok(HttpResponse::NoContent().finish()),
        (Route::Script, [name], _) => script(name).map(page::script).ok_or(Error::UnknownRoute),
        (Route::Episode, [_, id], _) => page::episode(call, some_id(id)?).await,
        (Route::Visit, [_, id, _], _) => page::visit(call, some_id(id)?).await,
        (Route::Letters, [_, id, _], _) => page::letters(call, some_id(id)?).await,
        (Route::Links, [_, id, _, letter, _], _) => {
            shared::make(call, some_id(id)?, some_id(letter)?, payload).await
        }
        (Route::LinkEnd, [_, id, _, letter, _, link], _) => {
            let of = (some_id(id)?, some_id(letter)?);
            shared::end(call, of, (*link).to_owned(), payload).await
        }
        (Route::SharedLink, [_, token], Verb::Post) => shared::open(call, token).await,
        (Route::SharedLink, [_, token], _) => shared::first(&call, token),
        (Route::SharedLetter, ..) => shared::letter(call).await,
        (Route::SharedForm, [_, _, name], _) => shared::form(call, name).await,
        (Route::SignIn, ..) => sign_in::begin(call).await,
        (Route::SignInBack, ..) => sign_in::back(call).await,
        (Route::SignOut, ..) => sign_in::end(call, payload).await,
        (Route::Audit, ..) => audit::audit(call).await,
        (Route::AuditCases, ..) => audit::cases(call).await,
        (Route::Patient, [_, id], _) => page::patient(call, some_id(id)?).await,
        _ => Err(Error::UnknownRoute),
    }
}

/// The text of the script of that name.
fn script(name: &str) -> Option<&'static str> {
    let found = SCRIPTS.iter().find(|(path, _)| path.trim_start_matches('/') == name);
    found.map(|(_, text)| *text)
}
