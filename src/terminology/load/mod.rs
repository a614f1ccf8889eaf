//! Taking in what a clinic is licensed for: resources as JSON, releases of LOINC and SNOMED CT.
//!
//! Loaders take readers and name no files; opening them is for the command. A broken row stops the
//! load with its place: half a release would make right codes look wrong.
//! Source: the pages named in each loader.

pub mod resource;
pub mod loinc;
pub mod snomed;

#[cfg(test)]
mod tests;
