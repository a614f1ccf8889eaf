//! The operations, one file each.
//!
//! Source: <http://hl7.org/fhir/R4/operations.html>.
