//! The audit trail: its chain of hashes.

use super::{Args, Told};
use crate::command::Failure;
use crate::config;
use crate::fhir::hex;
use crate::store::{SledStore, Store};
use crate::trail::check;

/// Memory for the cache: each row is read once.
const CACHE: u64 = 16 << 20;

/// Holds the trail to its chain.
pub(super) fn check(args: &Args) -> Result<Told, Failure> {
    let directory = config::trail(&args.data);
    if !directory.join("db").exists() {
        let is_well = args.expect.is_none();
        return Ok(Told { is_well, lines: vec!["none is kept here".to_owned()] });
    }
    let shown = directory.display().to_string();
    let failed =
        |error: Box<dyn std::error::Error + Send + Sync>| Failure::new(shown.clone(), error);
    let store = SledStore::open(&directory, CACHE).map_err(|error| failed(error.into()))?;
    let view = store.view().map_err(|error| failed(error.into()))?;
    let found = check::check(&*view, args.expect.as_deref());
    let found = found.map_err(|error| failed(error.into()))?;
    let mut lines = found.faults.clone();
    if let Some(at) = found.expected {
        lines.push(format!("the hash that is expected is that of entry {at}"));
    }
    lines.push(format!(
        "{} entries, the last with hash {}",
        found.head.number,
        hex(&found.head.hash)
    ));
    Ok(Told { is_well: found.faults.is_empty(), lines })
}
