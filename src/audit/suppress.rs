//! Small numbers withheld, so that no single person can be found behind a figure.
//!
//! A count from 1 to below the least is withheld. Where only one count of a split would be, or the
//! withheld ones add up to less than the least, they could be computed from the whole and the
//! others; then the least of the others is withheld too.
//! Source: primary and complementary (secondary) suppression as statistical offices use them
//! (Hundepool and others, Statistical Disclosure Control, 2012; from memory).

/// What is withheld.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Suppression {
    /// The least count that is told; 0 and 1 withhold nothing.
    pub least: u64,
}

impl Suppression {
    /// Whether a single count is withheld: small, but not none.
    pub fn withholds(self, count: u64) -> bool {
        count > 0 && count < self.least
    }
}

/// For each count of a split of one whole, whether it is withheld.
pub fn suppressed(counts: &[u64], suppression: Suppression) -> Vec<bool> {
    let mut withheld: Vec<bool> = counts.iter().map(|n| suppression.withholds(*n)).collect();
    loop {
        let hidden = || counts.iter().zip(&withheld).filter(|(_, is)| **is).map(|(n, _)| *n);
        let (cells, sum) = (hidden().count(), hidden().sum::<u64>());
        if cells == 0 || (cells > 1 && sum >= suppression.least) {
            return withheld;
        }
        let open = counts
            .iter()
            .enumerate()
            .filter(|(at, n)| **n > 0 && withheld.get(*at) == Some(&false));
        let Some((at, _)) = open.min_by_key(|(_, n)| **n) else { return withheld };
        if let Some(slot) = withheld.get_mut(at) {
            *slot = true;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(counts: &[u64], least: u64, withheld: &[usize]) {
        let found = suppressed(counts, Suppression { least });
        let found: Vec<usize> =
            found.iter().enumerate().filter(|(_, is)| **is).map(|(at, _)| at).collect();
        assert_eq!(found, withheld, "{counts:?}");
    }

    #[test]
    fn what_could_be_subtracted_is_withheld_too() {
        check(&[40, 30, 3], 5, &[1, 2]);
        check(&[40, 2, 3], 5, &[1, 2]);
        check(&[40, 20, 1, 2], 5, &[1, 2, 3]);
        check(&[40, 0, 3], 5, &[0, 2]);
        check(&[4], 5, &[0]);
        check(&[5, 6], 5, &[]);
        check(&[0, 0], 5, &[]);
        check(&[1, 9], 0, &[]);
        check(&[], 5, &[]);
    }
}
