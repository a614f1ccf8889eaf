//! The standard's vocabulary as pure values: no IO, no framework, nothing else of ours.

pub mod bundle;
pub mod hex;
pub mod id;
pub mod instant;
pub mod json;
pub mod message;
pub mod narrative;
pub mod outcome;
pub mod place;
pub mod query;
pub mod reference;
pub mod resource;
pub mod resource_type;

pub use hex::hex;
pub use id::{Id, VersionId};
pub use instant::Instant;
pub use message::Message;
pub use outcome::{Issue, IssueType, Severity};
pub use reference::Reference;
pub use resource::Resource;
pub use resource_type::ResourceType;
