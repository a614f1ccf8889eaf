//! The demo clinic: invented patients, therapists and episodes, inside the binary.
//!
//! Each file is a transaction Bundle, loaded like anyone else's; the first holds what the others
//! refer to.

use include_dir::{Dir, include_dir};

static CLINIC: Dir = include_dir!("$CARGO_MANIFEST_DIR/src/demo/clinic");

/// Name and content of the Bundles, in the order in which they are to be loaded.
pub fn bundles() -> Vec<(&'static str, &'static [u8])> {
    let mut bundles: Vec<_> = CLINIC
        .files()
        .filter_map(|file| Some((file.path().to_str()?, file.contents())))
        .filter(|(name, _)| name.rsplit_once('.').is_some_and(|(_, end)| end == "json"))
        .collect();
    bundles.sort_unstable();
    bundles
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_clinic_comes_before_its_patients() {
        let bundles = bundles();
        assert_eq!(bundles.first().map(|(name, _)| *name), Some("00-clinic.json"));
        assert!(bundles.len() >= 7);
    }
}
