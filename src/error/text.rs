//! What is said of errors whose words are always the same.

pub(super) const UNKNOWN_TYPE: &str =
    "R4 has no resource type of that name; names are case-sensitive, as in Patient.";
pub(super) const PRECONDITION: &str =
    "The resource is not in the version that the request asks for; nothing was written.";
pub(super) const ID_IN_USE: &str =
    "Another resource, which the criteria do not select, has this id.";
pub(super) const CONFLICT: &str = "Others keep changing the same resources; try again.";
pub(super) const MULTIPLE_MATCHES: &str =
    "The criteria select more than one resource; nothing was written.";
pub(super) const SEALED: &str = "The resource is part of a signed letter, which is never changed or deleted; a later letter \
     replaces it ($finalize-letter with replaces).";
pub(super) const TOO_MANY: &str = "The client asks for more at once than it may; try again later.";
pub(super) const FOREIGN: &str = "The request does not come from a page of this server that was opened by whoever is signed in; \
     open the page again and repeat it.";
pub(super) const UNRECORDED: &str =
    "The audit trail cannot be written, so nothing is done or told; try again later.";
pub(super) const WITHHELD: &str =
    "A consent of the patient denies that this is given to whoever asks.";
pub(super) const FORBIDDEN: &str = "The token does not permit this.";
pub(super) const SPENT: &str = "More rows would have to be looked at than may be; ask for less, such as a patient, a code or \
     a span of time.";
pub(super) const INTERNAL: &str =
    "The server failed to carry out the request. Its log tells more under the X-Request-Id.";
