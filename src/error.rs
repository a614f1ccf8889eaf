//! Everything that can keep a request from being carried out, and the one table that says how it
//! is answered: status, issue type, severity.
//!
//! The split between 400 and 422, which the standard leaves to servers: what cannot be read as a
//! resource of that type (not JSON, an element that R4 does not have, a wrong JSON type) is 400;
//! what can be read but breaks a rule of the standard or of a profile is 422. Either way all issues
//! are told at once. Source: <http://hl7.org/fhir/R4/http.html#Status-Codes>,
//! <http://hl7.org/fhir/R4/http.html#rejecting-updates>.

mod text;

use self::text::{
    CONFLICT, FORBIDDEN, FOREIGN, ID_IN_USE, INTERNAL, MULTIPLE_MATCHES, PRECONDITION, SEALED,
    SPENT, TOO_MANY, UNKNOWN_TYPE, UNRECORDED, WITHHELD,
};
use crate::fhir::json::Malformed;
use crate::fhir::resource::NotAResource;
use crate::fhir::{Id, Issue, IssueType, Message, Severity, VersionId, outcome};
use crate::terminology::TerminologyError;
use crate::{repository, search, store};

/// Why a request was not carried out.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The body is not JSON or XML as the standard wants it.
    #[error("malformed")]
    Malformed(#[from] Malformed),
    /// The body is JSON but no resource.
    #[error("not a resource")]
    NotAResource(#[from] NotAResource),
    /// The content breaks the rules; at least one of the issues is an error.
    #[error("invalid content")]
    Invalid(Vec<Issue>),
    /// The body does not fit the URL, or a parameter, header or entry is wrong.
    #[error("bad request: {}", .0.diagnostics)]
    Request(Issue),
    /// The request is legal, but this server does not do it.
    #[error("not supported: {}", .0.diagnostics)]
    NotSupported(Issue),
    /// The search cannot be read or answered.
    #[error("search: {0}")]
    Search(#[source] search::Error),
    /// R4 has no such resource type.
    #[error("unknown resource type")]
    UnknownType,
    /// Nothing is served under that URL.
    #[error("unknown route")]
    UnknownRoute,
    /// There never was such a resource or version.
    #[error("not found")]
    NotFound,
    /// The resource was deleted; the version is that of the deletion.
    #[error("deleted")]
    Deleted(VersionId),
    /// What `If-Match` or `If-None-Match` asks does not hold; nothing was written.
    #[error("precondition failed")]
    Precondition,
    /// What exists may be changed only with `If-Match`, by the configuration.
    #[error("precondition required")]
    PreconditionRequired,
    /// The id that a client chose for a new resource is another one's.
    #[error("id in use")]
    IdInUse,
    /// A patch cannot be applied to the current version.
    #[error("patch: {}", .0.diagnostics)]
    Patch(Issue),
    /// A test in a patch does not hold.
    #[error("patch test failed")]
    PatchTest(Issue),
    /// What is stored does not allow what is asked.
    #[error("not as it stands: {}", .0.diagnostics)]
    Standing(Issue),
    /// A criterion that must select one resource selects several.
    #[error("multiple matches")]
    MultipleMatches,
    /// The URL does not know the verb; it knows those named.
    #[error("method not allowed")]
    Method(&'static str),
    /// None of the formats that the client accepts can be made.
    #[error("not acceptable")]
    NotAcceptable(&'static str),
    /// The resource has something that XML cannot say; only content that was never validated has.
    #[error("no XML")]
    NoXml(Malformed),
    /// The body's format cannot be read.
    #[error("unsupported media type")]
    MediaType(&'static str),
    /// The body has more bytes than this.
    #[error("body too large")]
    TooLarge(usize),
    /// The body did not arrive in time.
    #[error("timed out")]
    TimedOut,
    /// The connection broke while the body was read.
    #[error("body not readable")]
    Unreadable,
    /// The profile to validate against is not known here.
    #[error("unknown profile")]
    UnknownProfile,
    /// What was signed stays as it is.
    #[error("signed")]
    Sealed,
    /// A terminology operation has no answer.
    #[error("terminology: {0}")]
    Terminology(#[from] TerminologyError),
    /// The request has no token, or one that does not hold.
    #[error("not authenticated: {0}")]
    Unauthenticated(&'static str),
    /// The token does not permit it.
    #[error("forbidden")]
    Forbidden,
    /// A browser was made to send it by a page that is not of this server.
    #[error("not from a page of this server")]
    Foreign,
    /// The client asks for more at once than it may.
    #[error("too many requests")]
    TooMany,
    /// What the answer rests on is still being computed.
    #[error("{done} of {of} episodes are computed")]
    Unready {
        /// How many episodes are done.
        done: usize,
        /// Of how many.
        of: usize,
    },
    /// A Consent of the patient denies whoever asks what leaves the record.
    #[error("withheld by Consent/{consent}")]
    Withheld {
        /// The Consent.
        consent: Id,
        /// The patient.
        patient: Id,
    },
    /// The audit trail cannot be told of it, so it is not done.
    #[error("the audit trail cannot be written")]
    Unrecorded,
    /// What was asked for earlier could not be done.
    #[error("not done: {0}")]
    NotDone(String),
    /// Others kept changing the same resources.
    #[error("conflict")]
    Conflict,
    /// The store failed or is damaged.
    #[error("the store failed")]
    Repository(#[source] repository::Error),
    /// A defect of the server.
    #[error("internal error")]
    Internal(#[source] Box<dyn std::error::Error + Send + Sync>),
    /// What another error says, with line and column in the text that was sent.
    #[error("{error}")]
    Located {
        /// The error.
        error: Box<Error>,
        /// Its issues.
        issues: Vec<Issue>,
    },
    /// An entry of a Bundle was not carried out, and so the whole was not.
    #[error("entry {index}: {error}")]
    Entry {
        /// The entry's place in the Bundle, from 0.
        index: usize,
        /// What is wrong with it.
        error: Box<Error>,
    },
}

impl Error {
    /// A fault of the request at that place.
    pub fn request(expression: impl Into<String>, diagnostics: impl Into<String>) -> Self {
        Self::Request(Issue::error(IssueType::Invalid, diagnostics).at(expression))
    }

    /// Something legal that this server does not do.
    pub fn not_supported(expression: impl Into<String>, diagnostics: impl Into<String>) -> Self {
        Self::NotSupported(Issue::error(IssueType::NotSupported, diagnostics).at(expression))
    }

    /// The same error, said of that entry of a Bundle.
    #[must_use]
    pub fn in_entry(self, index: usize) -> Self {
        Self::Entry { index, error: Box::new(self) }
    }

    /// The same error, with line and column of its issues in the JSON text that was sent.
    #[must_use]
    pub fn located(self, text: &[u8]) -> Self {
        let mut issues = self.issues();
        outcome::locate(&mut issues, text, "");
        match self {
            error if issues.iter().all(|issue| issue.position.is_none()) => error,
            // These know their places themselves.
            error @ (Self::Malformed(_) | Self::Located { .. }) => error,
            error => Self::Located { error: Box::new(error), issues },
        }
    }

    /// The HTTP status.
    pub fn status(&self) -> u16 {
        self.row().0
    }

    /// What is told to the client; never empty, and never more than the client may know.
    pub fn issues(&self) -> Vec<Issue> {
        self.row().1
    }

    /// The rows whose text is the same each time.
    fn fixed(&self) -> (u16, IssueType, &'static str) {
        use IssueType as T;
        match self {
            Self::UnknownType => (404, T::NotSupported, UNKNOWN_TYPE),
            Self::UnknownRoute => (404, T::NotFound, "Nothing is served under this URL."),
            Self::NotFound => (404, T::NotFound, "There is no such resource or version."),
            Self::PreconditionRequired => {
                (400, T::Required, "Name the version to be changed with If-Match.")
            }
            Self::IdInUse => (409, T::Duplicate, ID_IN_USE),
            Self::MultipleMatches => (412, T::MultipleMatches, MULTIPLE_MATCHES),
            Self::MediaType(text) => (415, T::NotSupported, text),
            Self::TimedOut => (408, T::Transient, "The body did not arrive in time."),
            Self::Unreadable => (400, T::Transient, "The body could not be read to its end."),
            Self::Sealed => (409, T::BusinessRule, SEALED),
            Self::Unauthenticated(text) => (401, T::Login, text),
            Self::TooMany => (429, T::Throttled, TOO_MANY),
            Self::Foreign => (403, T::Forbidden, FOREIGN),
            Self::Unrecorded => (503, T::Transient, UNRECORDED),
            Self::Repository(repository::Error::Store(store::Error::Spent)) => {
                (403, T::TooCostly, SPENT)
            }
            Self::Withheld { .. } => (403, T::Forbidden, WITHHELD),
            Self::Forbidden | Self::Repository(repository::Error::Store(store::Error::Refused)) => {
                (403, T::Forbidden, FORBIDDEN)
            }
            _ => (409, T::Conflict, CONFLICT),
        }
    }

    /// The table.
    fn row(&self) -> (u16, Vec<Issue>) {
        use IssueType as T;
        let one = |status, code, text: &str| (status, vec![Issue::error(code, text)]);
        match self {
            Self::NoXml(fault) => (406, vec![no_xml(fault)]),
            Self::Malformed(malformed) => (400, vec![malformed_issue(malformed)]),
            Self::NotAResource(reason) => (400, vec![not_a_resource(reason)]),
            Self::Invalid(issues) => (invalid_status(issues), issues.clone()),
            Self::Request(issue) | Self::NotSupported(issue) => (400, vec![issue.clone()]),
            Self::Search(error) => search_row(error),
            Self::Deleted(version) => {
                let text = format!("The resource was deleted; version {version} is the deletion.");
                one(410, T::Deleted, &text)
            }
            Self::Precondition => {
                let issue = Issue::error(T::Conflict, PRECONDITION);
                (412, vec![issue.message(Message::Precondition)])
            }
            Self::Patch(issue) => (422, vec![issue.clone()]),
            Self::PatchTest(issue) | Self::Standing(issue) => (409, vec![issue.clone()]),
            Self::Method(allow) => {
                let text = format!("This URL does not know the verb; it knows {allow}.");
                one(405, T::NotSupported, &text)
            }
            Self::NotAcceptable(offer) => {
                let text = format!("None of the accepted formats can be made; there is {offer}.");
                one(406, T::NotSupported, &text)
            }
            Self::TooLarge(limit) => {
                one(413, T::TooLong, &format!("The body is larger than {limit} bytes."))
            }
            Self::UnknownProfile => {
                let issue = Issue::error(T::NotFound, "The profile is not known to this server.");
                (400, vec![issue.at("http.profile").message(Message::ProfileUnknown)])
            }
            Self::Terminology(error) => terminology_row(error),
            Self::Unready { done, of } => one(503, T::Transient, &unready(*done, *of)),
            Self::NotDone(text) => one(500, T::Exception, text),
            Self::UnknownType
            | Self::UnknownRoute
            | Self::NotFound
            | Self::PreconditionRequired
            | Self::IdInUse
            | Self::MultipleMatches
            | Self::MediaType(_)
            | Self::TimedOut
            | Self::Unreadable
            | Self::Sealed
            | Self::TooMany
            | Self::Unrecorded
            | Self::Unauthenticated(_)
            | Self::Forbidden
            | Self::Foreign
            | Self::Withheld { .. }
            | Self::Conflict
            | Self::Repository(repository::Error::Store(
                store::Error::Refused | store::Error::Spent | store::Error::Conflict,
            )) => {
                let (status, code, text) = self.fixed();
                one(status, code, text)
            }
            Self::Repository(
                repository::Error::Store(store::Error::Engine(_)) | repository::Error::Damaged(_),
            )
            | Self::Internal(_) => {
                let issue = Issue::error(T::Exception, INTERNAL);
                (500, vec![Issue { severity: Severity::Fatal, ..issue }])
            }
            Self::Located { error, issues } => (error.status(), issues.clone()),
            Self::Entry { index, error } => {
                let (status, issues) = error.row();
                (status, issues.into_iter().map(|issue| in_entry(*index, issue)).collect())
            }
        }
    }
}

fn no_xml(fault: &Malformed) -> Issue {
    let text = format!("The resource cannot be told in XML: {}", fault.message);
    let issue = Issue::error(IssueType::NotSupported, text);
    let place = fault.path.clone().unwrap_or_default();
    if place.is_empty() { issue } else { issue.at(place) }
}

impl From<repository::Error> for Error {
    fn from(error: repository::Error) -> Self {
        Self::Repository(error)
    }
}

impl From<store::Error> for Error {
    fn from(error: store::Error) -> Self {
        Self::Repository(error.into())
    }
}

impl From<search::Error> for Error {
    fn from(error: search::Error) -> Self {
        match error {
            search::Error::Repository(error) => Self::Repository(error),
            error => Self::Search(error),
        }
    }
}

/// The rows of terminology: what is not there, what is asked wrongly, and what cannot be told.
fn terminology_row(error: &TerminologyError) -> (u16, Vec<Issue>) {
    let status = match error.kind {
        IssueType::NotFound => 404,
        IssueType::Invalid
        | IssueType::Required
        | IssueType::CodeInvalid
        | IssueType::NotSupported => 400,
        _ => 422,
    };
    let mut text = error.message.clone();
    if let Some(first) = text.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    if !text.ends_with('.') {
        text.push('.');
    }
    (status, vec![Issue::error(error.kind, text)])
}

fn unready(done: usize, of: usize) -> String {
    format!(
        "The facts of all episodes are still being computed: {done} of {of} are done; try again \
         later."
    )
}

/// The rows of searches.
fn search_row(error: &search::Error) -> (u16, Vec<Issue>) {
    use search::Error as S;
    let (status, code) = match error {
        S::BadValue { .. }
        | S::UnknownParameter { .. }
        | S::UnknownModifier { .. }
        | S::BadCursor => (400, IssueType::Invalid),
        S::NotSupported { .. } => (400, IssueType::NotSupported),
        S::TooCostly { .. } => (403, IssueType::TooCostly),
        S::Expired => (410, IssueType::NotFound),
        S::Repository(_) => (500, IssueType::Exception),
    };
    let text = if status == 500 { INTERNAL.to_owned() } else { error.to_string() };
    let issue = Issue { expression: error.expression(), ..Issue::error(code, text) };
    (status, vec![issue])
}

/// 400 where an issue says that the content could not be read as that type, else 422.
fn invalid_status(issues: &[Issue]) -> u16 {
    // Of these issue type structure says that rules beside the type are broken.
    let is_rule = |issue: &Issue| {
        matches!(issue.told(), Message::ProfileNotMet | Message::Slice | Message::Answers)
    };
    let unreadable =
        |issue: &Issue| issue.is_error() && issue.code == IssueType::Structure && !is_rule(issue);
    if issues.iter().any(unreadable) { 400 } else { 422 }
}

/// The issue of a text that is not JSON.
pub fn malformed_issue(malformed: &Malformed) -> Issue {
    let issue = Issue::error(IssueType::Structure, malformed.told());
    let short = |number: usize| u32::try_from(number).unwrap_or(u32::MAX);
    let position = malformed.position.map(|(line, column)| (short(line), short(column)));
    let severity = Severity::Fatal;
    let issue = Issue { severity, position, ..issue.message(Message::Malformed) };
    match &malformed.path {
        Some(path) => issue.at(path),
        None => issue,
    }
}

/// The issue of JSON that is no resource.
pub fn not_a_resource(reason: &NotAResource) -> Issue {
    let issue = match reason {
        NotAResource::NotAnObject => {
            Issue::error(IssueType::Structure, "The body must be a JSON object: a resource.")
        }
        NotAResource::NoType => {
            Issue::error(IssueType::Structure, "A resource says its type in resourceType.")
                .at("resourceType")
        }
        NotAResource::UnknownType => {
            Issue::error(IssueType::Structure, UNKNOWN_TYPE).at("resourceType")
        }
    };
    issue.message(Message::NotAResource)
}

/// The issue as said of the Bundle: `Patient.name` becomes `Bundle.entry[3].resource.name`.
fn in_entry(index: usize, issue: Issue) -> Issue {
    let entry = format!("Bundle.entry[{index}]");
    let expression = match issue.expression.as_deref() {
        None => entry,
        Some(place) => match place.split_once('.') {
            Some(("entry", rest)) => format!("{entry}.{rest}"),
            Some(("http", rest)) => format!("{entry}.request.{rest}"),
            Some((_, rest)) => format!("{entry}.resource.{rest}"),
            None => format!("{entry}.resource"),
        },
    };
    issue.at(expression)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_in_entries() {
        for (inner, outer) in [
            (None, "Bundle.entry[2]"),
            (Some("Patient"), "Bundle.entry[2].resource"),
            (Some("Patient.name[0].given"), "Bundle.entry[2].resource.name[0].given"),
            (Some("entry.request.url"), "Bundle.entry[2].request.url"),
            (Some("http.ifMatch"), "Bundle.entry[2].request.ifMatch"),
        ] {
            let mut issue = Issue::error(IssueType::Value, "x");
            issue.expression = inner.map(str::to_owned);
            let error = Error::Invalid(vec![issue]).in_entry(2);
            assert_eq!(error.status(), 422);
            assert_eq!(error.issues()[0].expression.as_deref(), Some(outer));
        }
    }

    #[test]
    fn unreadable_content_is_400_and_broken_rules_are_422() {
        let status = |codes: &[IssueType]| {
            let issues = codes.iter().map(|code| Issue::error(*code, "x")).collect();
            Error::Invalid(issues).status()
        };
        assert_eq!(status(&[IssueType::Required, IssueType::Structure]), 400);
        assert_eq!(status(&[IssueType::Required, IssueType::Invariant]), 422);
        let warning = Issue::warning(IssueType::Structure, "x");
        let error = Issue::error(IssueType::Value, "x");
        assert_eq!(Error::Invalid(vec![warning, error]).status(), 422);
    }

    #[test]
    fn the_cause_of_a_failure_stays_inside() {
        let cause = "secret".into();
        let error = Error::from(store::Error::Engine(cause));
        assert_eq!(error.status(), 500);
        assert!(!error.issues()[0].diagnostics.contains("secret"));
    }
}
