//! What the audit trail is told of a request: begun before it is carried out, ended with its answer.
//!
//! The one place where deeds are made. Handlers only leave [`Notes`] of what cannot be seen from
//! outside: which resources an answer holds, what the entries of a Bundle did. An entry that is dropped
//! without an end, as by a panic or a client that has gone, is told as a failure.

pub(super) mod bundle;
pub(super) mod export;
mod named;

pub(super) use named::of_url;

use actix_web::http::header::HeaderValue;
use actix_web::{HttpMessage, HttpRequest, web};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;

use crate::error::Error;
use crate::fhir::bundle::Bundle;
use crate::fhir::{Id, IssueType, ResourceType, VersionId};
use crate::http::admit::given;
use crate::http::now;
use crate::http::route::{Answer, Route, Verb};
use crate::interaction::Done;
use crate::repository::Stored;
use crate::smart::{Access, Context};
use crate::trail::deed::token_name;
use crate::trail::{Deed, Disclosed, Interaction, Outcome, Target, Trail, Who};

/// The most of a question that is kept, in bytes.
const QUESTION: usize = 64 << 10;

/// The request's id, as it is told to the client.
#[derive(Clone)]
pub(super) struct RequestId(pub(super) HeaderValue);

/// What is noted of a request while it is carried out.
#[expect(clippy::struct_excessive_bools, reason = "each is noted by another handler")]
#[derive(Default)]
pub(super) struct Notes {
    /// Where it went.
    pub(super) route: Option<Route>,
    /// The client, the person, the token.
    pub(super) who: Who,
    /// What may not be seen but of one patient.
    limited_to: Option<Id>,
    /// The form that came with a search.
    form: Option<web::Bytes>,
    /// What was read or written, where the path does not say so.
    about: Option<Target>,
    /// What the answer holds.
    given: Vec<Target>,
    /// What was done beside, or instead where it was a Bundle.
    deeds: Vec<(Interaction, Outcome, Told)>,
    /// Whether these are all there is to tell.
    is_all: bool,
    is_transaction: bool,
    /// Whether a browser was sent to the sign-in instead.
    is_turned_away: bool,
    /// Whether anyone wants to know.
    is_kept: bool,
}

/// What one of several deeds was about.
#[derive(Default)]
pub(super) struct Told {
    pub(super) about: Option<Target>,
    pub(super) given: Vec<Target>,
    pub(super) patient: Option<Id>,
    pub(super) query: Option<Vec<u8>>,
}

/// Works with the notes of a request.
pub(super) fn note(request: &HttpRequest, work: impl FnOnce(&mut Notes)) {
    let mut extensions = request.extensions_mut();
    if !extensions.contains::<Notes>() {
        extensions.insert(Notes::default());
    }
    if let Some(notes) = extensions.get_mut() {
        work(notes);
    }
}

/// Notes who asks.
pub(super) fn identified(request: &HttpRequest, access: &Access, token: Option<&str>) {
    note(request, |notes| {
        notes.who.client = Some(access.client.clone());
        if !notes.is_kept {
            return;
        }
        let is_of_one = |scope: &crate::smart::Scope| scope.context == Context::Patient;
        let is_limited = access.scopes.iter().all(is_of_one);
        notes.limited_to = access.patient.clone().filter(|_| is_limited);
        notes.who.user.clone_from(&access.user);
        notes.who.token = token.map(|token| token_name(jti(token).as_deref(), token));
    });
}

/// The `jti` of a JWT that was verified.
fn jti(token: &str) -> Option<String> {
    let claims = URL_SAFE_NO_PAD.decode(token.split('.').nth(1)?).ok()?;
    let claims: serde_json::Value = serde_json::from_slice(&claims).ok()?;
    claims.get("jti")?.as_str().map(str::to_owned)
}

/// Notes that a browser is sent to the sign-in, as nobody is signed in.
pub(super) fn turned_away(request: &HttpRequest) {
    note(request, |notes| notes.is_turned_away = true);
}

/// Notes a registered client that asks for a token.
pub(super) fn client(request: &HttpRequest, id: &str) {
    note(request, |notes| notes.who.client = Some(id.to_owned()));
}

/// Notes the form of a search.
pub(super) fn form(request: &HttpRequest, bytes: &web::Bytes) {
    note(request, |notes| notes.form = Some(bytes.clone()));
}

/// Notes which resource it was about.
pub(super) fn about(request: &HttpRequest, about: Option<Target>) {
    note(request, |notes| notes.about = about);
}

/// Notes what was written.
pub(super) fn written(request: &HttpRequest, done: &Done) {
    let told = |stored: &Stored| target(stored.kind, &stored.id, Some(stored.version));
    note(request, |notes| {
        notes.about = done.stored.as_ref().map(told);
        // Criteria that selected several: each was deleted.
        notes.is_all = !done.several.is_empty();
        notes.deeds.extend(done.several.iter().map(|stored| {
            let about = Some(told(stored));
            (Interaction::Delete, Outcome::DONE, Told { about, ..Told::default() })
        }));
    });
}

/// Notes what a Bundle that is an answer holds.
pub(super) fn found(request: &HttpRequest, bundle: &Bundle) {
    note(request, |notes| {
        if notes.is_kept {
            let urls = bundle.entries.iter().filter_map(|entry| entry.full_url.as_deref());
            notes.given.extend(urls.filter_map(of_url));
        }
    });
}

/// The same of references.
pub(super) fn of_urls(request: &HttpRequest, references: &[String]) {
    given_too(request, references.iter().filter_map(|text| of_url(text)));
}

/// Notes what else an answer holds.
pub(super) fn given_too(request: &HttpRequest, targets: impl IntoIterator<Item = Target>) {
    note(request, |notes| {
        if notes.is_kept {
            notes.given.extend(targets);
        }
    });
}

/// Notes that a Consent denied someone the records of a patient.
fn denied(request: &HttpRequest, consent: Id, patient: Id) {
    let outcome = Outcome { status: 403, reason: Some("forbidden") };
    let told = Told { patient: Some(patient), ..Told::default() };
    note(request, |notes| notes.deeds.push((Interaction::Denial(consent), outcome, told)));
}

/// A resource.
pub(super) fn target(kind: ResourceType, id: &Id, version: Option<VersionId>) -> Target {
    Target { kind, id: id.clone(), version }
}

/// A request that is to be told of.
pub(super) struct Entry {
    permit: Option<crate::trail::Permit>,
    request: HttpRequest,
    interaction: Interaction,
    about: Option<Target>,
    patient: Option<Id>,
    route: Route,
    verb: Verb,
}

impl Entry {
    /// Begins to tell of a request; none where there is no trail, or nothing to tell.
    ///
    /// # Errors
    /// [`Error::Unrecorded`] where the trail cannot be written.
    pub(super) async fn begin(
        request: &HttpRequest,
        (route, verb): (Route, Verb),
        parts: &[&str],
    ) -> Result<Option<Self>, Error> {
        let Some(trail) = given::<Option<Trail>>(request)?.as_ref() else { return Ok(None) };
        let Some(interaction) = named::interaction(route, verb, parts) else { return Ok(None) };
        let permit = trail.permit().await.map_err(|_| Error::Unrecorded)?;
        note(request, |notes| notes.is_kept = true);
        Ok(Some(Self {
            permit: Some(permit),
            request: request.clone(),
            interaction,
            about: named::about(route, parts),
            patient: named::compartment(route, parts),
            route,
            verb,
        }))
    }

    /// Tells how it ended.
    pub(super) fn end(mut self, answer: &Answer) {
        let outcome = match answer {
            Ok(_) if self.is_turned_away() => Outcome { status: 401, reason: Some("login") },
            Ok(response) => Outcome { status: response.status().as_u16(), reason: None },
            Err(error) => {
                let issues = error.issues();
                let reason = issues.first().map(|issue| issue.code.as_str());
                if let Error::Withheld { consent, patient } = error {
                    denied(&self.request, consent.clone(), patient.clone());
                }
                Outcome { status: error.status(), reason }
            }
        };
        self.tell(outcome);
    }

    fn is_turned_away(&self) -> bool {
        self.request.extensions().get::<Notes>().is_some_and(|notes| notes.is_turned_away)
    }

    fn tell(&mut self, outcome: Outcome) {
        let Some(permit) = self.permit.take() else { return };
        let notes = self.request.extensions_mut().remove::<Notes>().unwrap_or_default();
        let deeds = self.deeds(&notes, outcome);
        // What comes after tells of the route and the client.
        self.request.extensions_mut().insert(notes);
        permit.tell(deeds);
    }

    fn deeds(&self, notes: &Notes, outcome: Outcome) -> Vec<Deed> {
        let mut deeds = Vec::new();
        if !notes.is_all || !outcome.is_success() {
            deeds.push(self.own(notes, outcome.clone()));
            if outcome.is_success() && self.is_letter() {
                let interaction = Interaction::Disclosure(Disclosed::Letter);
                deeds.extend(deeds.first().cloned().map(|deed| Deed { interaction, ..deed }));
            }
        }
        for (interaction, outcome, told) in &notes.deeds {
            deeds.push(Deed {
                about: told.about.clone(),
                given: told.given.clone(),
                patient: told.patient.clone(),
                query: told.query.clone(),
                ..self.blank(notes, interaction.clone(), outcome.clone())
            });
        }
        deeds
    }

    /// The deed that the request itself is.
    fn own(&self, notes: &Notes, outcome: Outcome) -> Deed {
        let interaction = match (&self.interaction, outcome.status) {
            (Interaction::Update, 201) => Interaction::Create,
            // What is there already was told, and nothing made.
            (Interaction::Create, 200) => Interaction::Read,
            (Interaction::Batch, _) if notes.is_transaction => Interaction::Transaction,
            (interaction, _) => interaction.clone(),
        };
        let query = is_question(self.route, self.verb).then(|| self.question(notes));
        let asked = || named::patient(&self.request, notes.form.as_deref(), self.route);
        let patient = self.patient.clone().or_else(|| query.is_some().then(asked).flatten());
        Deed {
            about: notes.about.clone().or_else(|| self.about.clone()),
            given: notes.given.clone(),
            patient: patient.or_else(|| notes.limited_to.clone().filter(|_| query.is_some())),
            query,
            ..self.blank(notes, interaction, outcome)
        }
    }

    fn blank(&self, notes: &Notes, interaction: Interaction, outcome: Outcome) -> Deed {
        let id = self.request.extensions().get::<RequestId>().cloned();
        Deed {
            at: now(),
            interaction,
            who: Who {
                address: self.request.peer_addr().map(|address| address.ip()),
                ..notes.who.clone()
            },
            outcome,
            request_id: id.and_then(|id| id.0.to_str().map(str::to_owned).ok()),
            about: None,
            given: Vec::new(),
            patient: None,
            query: None,
        }
    }

    /// The request as it came: its first line and its form.
    fn question(&self, notes: &Notes) -> Vec<u8> {
        let mut text = format!("{} {}", self.request.method(), self.request.uri()).into_bytes();
        if let Some(form) = &notes.form {
            text.extend(b"\n\n");
            text.extend_from_slice(form);
        }
        text.truncate(QUESTION);
        text
    }

    fn is_letter(&self) -> bool {
        matches!(&self.interaction, Interaction::Operation(name)
            if ["episode-summary", "document"].contains(&name.as_str()))
    }
}

impl Drop for Entry {
    fn drop(&mut self) {
        let reason = Some(IssueType::Exception.as_str());
        self.tell(Outcome { status: 500, reason });
    }
}

/// Whether what is asked stands in the parameters.
fn is_question(route: Route, verb: Verb) -> bool {
    match route {
        // Some of these have secrets in them.
        Route::Token
        | Route::Introspect
        | Route::Revoke
        | Route::SignIn
        | Route::SignInBack
        | Route::SignOut
        | Route::Links
        | Route::LinkEnd
        | Route::SharedLink
        | Route::SharedLetter
        | Route::SharedForm => false,
        Route::Type => verb != Verb::Post,
        Route::System => verb == Verb::Get,
        _ => true,
    }
}
