//! What happens when people sign in, and with links to letters: the one place where all of it passes,
//! for whoever keeps a trail of it.

use actix_web::HttpRequest;

use crate::access::link::Found;
use crate::http::journal;
use crate::smart::Access;

/// What happened.
#[derive(Clone, Copy, Debug)]
pub(super) enum Happening<'a> {
    /// A person signed in.
    SignedIn(&'a Access),
    /// A sign-in did not succeed, for that reason.
    SignInRefused(&'static str),
    /// A person signed out.
    SignedOut(&'a Access),
    /// A person made a link to a letter.
    LinkMade(&'a Access, &'a Found),
    /// A person ended a link.
    LinkEnded(&'a Access, &'a Found),
    /// A recipient opened a link, which is one use of it.
    LinkOpened(&'a Found),
    /// A recipient read the letter of a link, in that form.
    LetterRead(&'a Found, &'a str),
    /// A link opened nothing: it never was, has ended, was ended, or was used as often as it may be.
    LinkRefused,
}

impl Happening<'_> {
    /// What is called so in the log.
    fn name(&self) -> &'static str {
        match self {
            Self::SignedIn(_) => "signed-in",
            Self::SignInRefused(_) => "sign-in-refused",
            Self::SignedOut(_) => "signed-out",
            Self::LinkMade(..) => "link-made",
            Self::LinkEnded(..) => "link-ended",
            Self::LinkOpened(_) => "link-opened",
            Self::LetterRead(..) => "letter-read",
            Self::LinkRefused => "link-refused",
        }
    }

    /// Who did it, as far as that is known.
    fn who(&self) -> &str {
        match self {
            Self::SignedIn(access)
            | Self::SignedOut(access)
            | Self::LinkMade(access, _)
            | Self::LinkEnded(access, _) => &access.client,
            Self::LinkOpened(_) | Self::LetterRead(..) => "recipient",
            Self::SignInRefused(_) | Self::LinkRefused => "",
        }
    }

    /// The link that it was with.
    fn link(&self) -> &str {
        match self {
            Self::LinkMade(_, found)
            | Self::LinkEnded(_, found)
            | Self::LinkOpened(found)
            | Self::LetterRead(found, _) => &found.id,
            _ => "",
        }
    }

    /// Why, or in which form.
    fn how(&self) -> &str {
        match self {
            Self::SignInRefused(why) => why,
            Self::LetterRead(_, form) => form,
            _ => "",
        }
    }
}

/// Tells the log and the trail of it. The log has no names of people, no letter and no secret; the id of a link opens nothing.
pub(super) fn happened(request: &HttpRequest, what: &Happening<'_>) {
    let (name, who, link, how) = (what.name(), what.who(), what.link(), what.how());
    tracing::info!(what = name, who, link, how, "people and links");
    match what {
        Happening::SignedIn(access)
        | Happening::SignedOut(access)
        | Happening::LinkMade(access, _)
        | Happening::LinkEnded(access, _) => journal::identified(request, access, None),
        Happening::LinkOpened(found) | Happening::LetterRead(found, _) => {
            journal::identified(request, &found.link.access(&found.id), None);
            let letter = found.link.parts.iter().find(|part| part.starts_with("Composition/"));
            journal::about(request, letter.and_then(|letter| journal::of_url(letter)));
        }
        Happening::SignInRefused(_) | Happening::LinkRefused => {}
    }
}
