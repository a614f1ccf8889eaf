//! Subscriptions by topic: what may be subscribed to, what a Subscription asks for, which changes are
//! its events, and the Bundles that tell of them. Pure over views: nothing is sent or written here.
//!
//! Topics are data, `schemas/topic/`, in the form of R5. A Subscription of R4 asks for one by the
//! extensions of the backport guide.
//! Source: <http://hl7.org/fhir/uv/subscriptions-backport/> (1.1.0),
//! <http://hl7.org/fhir/R5/subscriptiontopic.html>.

pub mod bundle;
mod filter;
mod request;
mod topic;
mod trigger;

pub use request::{Channels, Content, Status, Subscription, read};
pub use topic::{FINDING, Topic, Topics, resources};
pub use trigger::Change;

/// Where the extensions of the guide are defined.
const GUIDE: &str = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition";

/// The profile of a Subscription by topic.
pub const PROFILE: &str =
    "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-subscription";
/// What a server does that has such Subscriptions.
pub const CAPABILITIES: &str = "http://hl7.org/fhir/uv/subscriptions-backport/CapabilityStatement/backport-subscription-server-r4";
/// The extension that tells which topics there are.
pub const TOPIC_EXTENSION: &str = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/capabilitystatement-subscriptiontopic-canonical";

/// The type of the resource.
pub const TYPE: &str = "Subscription";
