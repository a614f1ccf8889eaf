//! The messages of the server: one id for each thing that it says, for programs to tell apart.
//!
//! The one table; `schemas/profile/code-system-message-id.json` is made from it. An id never changes
//! its meaning. What is said in words may change at any time, so nobody should parse that. To add
//! one: a line here, then the test `outcome` with `BLESS=1`.
//! Source: <http://hl7.org/fhir/R4/operationoutcome-definitions.html#OperationOutcome.issue.details>.

use serde_json::{Value, json};

use super::IssueType;

/// The code system of the ids.
pub const SYSTEM: &str = "https://spondyl.example/fhir/CodeSystem/message-id";

macro_rules! messages {
    ($($name:ident $id:literal $display:literal,)*) => {
        /// What is said, whatever the words.
        #[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
        pub enum Message {
            $(#[doc = $display] $name,)*
        }

        impl Message {
            /// Every message, in the order of the table.
            pub const ALL: &'static [Self] = &[$(Self::$name,)*];

            /// The code in [`SYSTEM`].
            pub fn id(self) -> &'static str {
                match self { $(Self::$name => $id,)* }
            }

            /// A short sentence without values.
            pub fn display(self) -> &'static str {
                match self { $(Self::$name => $display,)* }
            }
        }
    };
}

messages! {
    // Nothing is wrong
    AllWell "all-well" "No issues were found",
    Remark "remark" "Something worth knowing",
    LeftOut "issues-left-out" "More issues were found than are told",
    // What cannot be read
    Malformed "malformed" "The text cannot be read",
    NotAResource "not-a-resource" "The content is no resource of R4",
    TypeOfUrl "type-of-url" "The resource is of another type than the URL",
    // Structure
    Structure "structure" "The content has another structure than its type",
    ElementUnknown "element-unknown" "The type has no such element",
    ElementMissing "element-missing" "An element is missing",
    ElementEmpty "element-empty" "An element has neither a value nor children",
    ElementRefused "element-not-allowed" "An element is not allowed here",
    JsonType "json-type" "The JSON value is of another type than the element",
    ArrayEmpty "array-empty" "An array is empty",
    NullMisplaced "null-misplaced" "A null does not hold the place of a value",
    SiblingMisplaced "sibling-misplaced" "What is said beside a primitive stands elsewhere than it",
    TooFew "too-few" "There are fewer items than required",
    TooMany "too-many" "There are more items than allowed",
    ChoiceType "choice-type" "A choice element has a value of a type that it cannot have",
    ChoiceTwice "choice-twice" "A choice element has more than one value",
    Slice "slice" "The items do not fit the slices of the profile",
    // Values
    Value "value" "The value is not allowed",
    Format "format" "The text does not have the form of its type",
    NoSuchDay "no-such-day" "The day is not in the calendar",
    NotBase64 "not-base64" "The text is not base64",
    Urn "urn-form" "The URN does not have the form of its kind",
    TextEmpty "text-empty" "The text is empty",
    TextBlank "text-blank" "The text is nothing but white space",
    TooLong "too-long" "The text or body is too long",
    IntegerForm "integer-form" "An integer is written with fraction or exponent",
    OutOfRange "out-of-range" "The number is outside the range of its type",
    Limit "limit" "The value is outside the limits of the profile",
    Fixed "fixed-value" "The value is not the one that is fixed",
    // Rules
    Constraint "constraint" "A constraint does not hold",
    BusinessRule "business-rule" "A rule of the server does not hold",
    ContainedMissing "contained-missing" "A reference to a contained resource finds none",
    ReferenceTarget "reference-target" "A reference is to a type that is not allowed",
    Extension "extension" "An extension breaks its rules",
    ProfileUnknown "profile-unknown" "The profile is not held",
    ProfileNotMet "profile-not-met" "The value meets none of the profiles",
    ProfileRequired "profile-required" "A profile that the server requires is not held",
    NarrativeMissing "narrative-missing" "The resource has no narrative",
    // A resource as a whole
    ElementId "element-id" "Two elements have the same id",
    Attachment "attachment" "The size or hash is not that of the data",
    BundleFullUrl "bundle-full-url" "A fullUrl is missing, or is not the identity of the resource",
    BundleReference "bundle-reference" "A reference in a Bundle does not lead where it should",
    BundleRequest "bundle-request" "The request of an entry does not fit its resource",
    Answers "questionnaire-answers" "The answers do not fit the Questionnaire",
    Report "measure-report" "The report does not fit the Measure",
    DefinitionUnknown "definition-unknown" "The Questionnaire or Measure is not held",
    // Codes
    CodeInvalid "code-invalid" "The code is not valid",
    CodeUnknown "code-unknown" "The code system does not have the code",
    BindingRequired "binding-required" "The code is not in the required value set",
    BindingExtensible "binding-extensible" "The code is not in the extensible value set",
    CodeUnchecked "code-unchecked" "The code could not be checked",
    CodeInactive "code-inactive" "The code is inactive",
    CodeAbstract "code-abstract" "The code groups others and is not to be chosen",
    Display "display" "The display is not that of the code",
    SystemForm "system-form" "The system is not that of a code system",
    Unit "unit" "The unit is not a unit of UCUM, or its words name another",
    BindingPreferred "binding-preferred" "The code is not in the preferred value set",
    BindingUntold "binding-untold" "Whether the code is in the value set cannot be told",
    // Narrative
    NarrativeForm "narrative-form" "The narrative is not one well-formed XHTML div",
    NarrativeContent "narrative-content" "The narrative has what may not stand in it",
    NarrativeActive "narrative-active" "The narrative has content that runs or fetches",
    NarrativeEmpty "narrative-empty" "The narrative has nothing to read",
    NarrativeImage "narrative-image" "The narrative shows an image from elsewhere",
    NarrativeLink "narrative-link" "A link within the narrative leads nowhere",
    // $validate
    IdOfUrl "id-of-url" "The id in the content is not the id in the URL",
    OtherVersion "other-version" "The content was made from another version",
    WouldCreate "would-create" "The update would create the resource",
    WouldDelete "would-delete" "The resource can be deleted",
    NothingToDelete "nothing-to-delete" "There is nothing to delete",
    // Requests
    Invalid "invalid" "The request or content is not valid",
    Security "security" "Security forbids it",
    Login "login" "A sign-in is needed",
    Forbidden "forbidden" "The user may not do that",
    Processing "processing" "The content could not be processed",
    NotSupported "not-supported" "This server does not do that",
    Duplicate "duplicate" "It is there already",
    MultipleMatches "multiple-matches" "The criteria select more than one resource",
    NotFound "not-found" "There is no such thing",
    Deleted "deleted" "The resource was deleted",
    TooCostly "too-costly" "The request would cost too much",
    Conflict "conflict" "Others changed the same, or the version is another one",
    Precondition "precondition" "The resource is not in the version that the request asks for",
    Transient "transient" "The transfer broke off; trying again may help",
    Throttled "throttled" "There were too many requests",
    Exception "exception" "The server failed",
    Incomplete "incomplete" "The answer is not complete",
}

impl Message {
    /// What an issue of that type says where nobody said it more closely.
    pub fn of(code: IssueType) -> Self {
        use IssueType as T;
        match code {
            T::Invalid => Self::Invalid,
            T::Structure => Self::Structure,
            T::Required => Self::ElementMissing,
            T::Value => Self::Value,
            T::Invariant => Self::Constraint,
            T::Security => Self::Security,
            T::Login => Self::Login,
            T::Forbidden => Self::Forbidden,
            T::Processing => Self::Processing,
            T::NotSupported => Self::NotSupported,
            T::Duplicate => Self::Duplicate,
            T::MultipleMatches => Self::MultipleMatches,
            T::NotFound => Self::NotFound,
            T::Deleted => Self::Deleted,
            T::TooLong => Self::TooLong,
            T::CodeInvalid => Self::CodeInvalid,
            T::Extension => Self::Extension,
            T::TooCostly => Self::TooCostly,
            T::BusinessRule => Self::BusinessRule,
            T::Conflict => Self::Conflict,
            T::Transient => Self::Transient,
            T::Throttled => Self::Throttled,
            T::Exception => Self::Exception,
            T::Incomplete => Self::Incomplete,
            T::Informational => Self::Remark,
        }
    }

    /// Whether it says that the content cannot be read as a resource of its type, whatever rules
    /// are set beside.
    pub fn is_unreadable(self) -> bool {
        matches!(
            self,
            Self::Malformed
                | Self::NotAResource
                | Self::ElementUnknown
                | Self::ElementEmpty
                | Self::JsonType
                | Self::ArrayEmpty
                | Self::NullMisplaced
                | Self::SiblingMisplaced
                | Self::ChoiceTwice
        )
    }

    /// Whether it says that the content could harm who looks at it.
    pub fn is_unsafe(self) -> bool {
        matches!(self, Self::NarrativeForm | Self::NarrativeContent | Self::NarrativeActive)
    }

    /// As a Coding.
    pub fn coding(self) -> Value {
        json!({ "system": SYSTEM, "code": self.id(), "display": self.display() })
    }
}

/// The code system of all ids, as a resource.
pub fn code_system() -> Value {
    let concepts = Message::ALL.iter();
    let concepts = concepts.map(|m| json!({ "code": m.id(), "display": m.display() }));
    json!({
        "resourceType": "CodeSystem",
        "id": "message-id",
        "url": SYSTEM,
        "version": "0.1.0",
        "name": "MessageIds",
        "title": "What the server says",
        "status": "active",
        "experimental": false,
        "date": "2026-01-05",
        "publisher": "spondyl",
        "description": "Ids of the messages in OperationOutcome.issue.details. An id never changes its meaning; the words of diagnostics may.",
        "caseSensitive": true,
        "content": "complete",
        "count": Message::ALL.len(),
        "concept": concepts.collect::<Vec<_>>(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    #[test]
    fn ids_are_codes_and_tell_apart() {
        let mut ids = HashSet::new();
        for message in Message::ALL {
            let id = message.id();
            assert!(id.bytes().all(|byte| byte.is_ascii_lowercase() || b"-64".contains(&byte)));
            assert!(ids.insert(id), "{id} is there twice");
            assert!(!message.display().ends_with('.'), "{id}");
        }
    }
}
