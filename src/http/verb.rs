//! The verbs of HTTP, as far as routes tell them apart.

use actix_web::HttpResponse;
use actix_web::http::Method;

use crate::error::Error;
use crate::http::route::Answer;

/// What a request wants to do, as far as routes tell it apart.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Verb {
    /// GET or HEAD; the body of the latter is left out on the way.
    Get,
    Post,
    Put,
    Patch,
    Delete,
    Options,
    Other,
}

impl Verb {
    pub(super) fn of(method: &Method) -> Self {
        match *method {
            Method::GET | Method::HEAD => Self::Get,
            Method::POST => Self::Post,
            Method::PUT => Self::Put,
            Method::PATCH => Self::Patch,
            Method::DELETE => Self::Delete,
            Method::OPTIONS => Self::Options,
            _ => Self::Other,
        }
    }

    pub(super) fn as_str(self) -> &'static str {
        match self {
            Self::Get => "GET",
            Self::Post => "POST",
            Self::Put => "PUT",
            Self::Patch => "PATCH",
            Self::Delete => "DELETE",
            Self::Options => "OPTIONS",
            Self::Other => "",
        }
    }
}

/// The verbs that a path knows, told to one who asks or who tried another.
pub(super) fn only(allow: &'static str, verb: Verb) -> Answer {
    match verb {
        Verb::Options => Ok(HttpResponse::NoContent().insert_header(("Allow", allow)).finish()),
        _ => Err(Error::Method(allow)),
    }
}
