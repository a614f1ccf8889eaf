//! Resources in XML: the other of the two formats of the standard.
//!
//! Both ways go through the element model: XML leaves out what JSON writes down (which elements
//! repeat, which are numbers), and only the model knows it. Nothing is lost on the way: digits of
//! decimals, ids and extensions of primitives, order of repeats, the narrative as it was written.
//! Comments and processing instructions are no content, and are left out. What JSON cannot say (an
//! unknown element, an order that R4 does not have) is a fault here; all other rules are the
//! validator's. Source: <http://hl7.org/fhir/R4/xml.html>.

mod read;
mod write;

pub use read::{is_resource, read};
pub use write::write;

/// The namespace of resources.
pub const NAMESPACE: &str = "http://hl7.org/fhir";

/// The namespace of narrative.
const XHTML: &str = "http://www.w3.org/1999/xhtml";

/// The narrative element, which is the same in both formats.
const NARRATIVE: &str = "xhtml";

#[cfg(test)]
mod tests;
