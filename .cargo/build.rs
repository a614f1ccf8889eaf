//! Tells the build which files go into the binary, so that a new one is noticed, and what the facts
//! of an episode are computed by, so that those of another build are computed anew.

use std::fs;
use std::path::{Path, PathBuf};

/// The code that the facts of an episode depend on.
const FACTS: [&str; 5] = [
    "src/clinical",
    "src/audit/facts.rs",
    "src/audit/row.rs",
    "src/operation/episode.rs",
    "src/operation/facts/compute.rs",
];

fn main() -> std::io::Result<()> {
    println!("cargo::rerun-if-changed=schemas");
    println!("cargo::rerun-if-changed=src/demo/clinic");
    let mut files = Vec::new();
    for place in FACTS {
        println!("cargo::rerun-if-changed={place}");
        collect(Path::new(place), &mut files)?;
    }
    files.sort();
    let mut digest = BASIS;
    for file in files {
        digest = fold(digest, &fs::read(file)?);
    }
    println!("cargo::rustc-env=SPONDYL_FACTS={digest:016x}");
    Ok(())
}

fn collect(place: &Path, files: &mut Vec<PathBuf>) -> std::io::Result<()> {
    if !place.is_dir() {
        files.push(place.to_owned());
        return Ok(());
    }
    for entry in fs::read_dir(place)? {
        collect(&entry?.path(), files)?;
    }
    Ok(())
}

/// FNV-1a with 64 bits: enough to tell two builds apart
/// (<https://datatracker.ietf.org/doc/html/draft-eastlake-fnv>; the numbers from memory).
const BASIS: u64 = 0xcbf2_9ce4_8422_2325;

fn fold(digest: u64, bytes: &[u8]) -> u64 {
    bytes
        .iter()
        .fold(digest, |digest, byte| (digest ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3))
}
