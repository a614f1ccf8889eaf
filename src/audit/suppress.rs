//! Small numbers withheld, so that no single person can be found behind a figure.
//!
//! A count of cases or of events from 1 to below the least is withheld, and with the events of a rate
//! its exposure, which would tell them. Where only one count of a split would be, or the
//! withheld ones add up to less than the least, they could be computed from the whole and the
//! others; then the least of the others is withheld too. A stratum of which one count is withheld
//! tells its size and nothing else.
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
    let told: Vec<Vec<u64>> = counts.iter().map(|n| vec![*n]).collect();
    complement(&mut withheld, &told, counts, suppression);
    withheld
}

/// Withholds further parts of a split until what is withheld cannot be computed from the whole and
/// the parts that are told: two parts at least, and no sum of theirs small.
///
/// `told` has the counts that each part tells when it is told, in the same order for each; of the
/// open parts the one of least size goes first.
pub(super) fn complement(
    withheld: &mut [bool],
    told: &[Vec<u64>],
    sizes: &[u64],
    suppression: Suppression,
) {
    let width = told.iter().map(Vec::len).max().unwrap_or_default();
    loop {
        let cells = withheld.iter().filter(|is| **is).count();
        let sum = |at: usize| -> u64 {
            let hidden = told.iter().zip(&*withheld).filter(|(_, is)| **is);
            hidden.filter_map(|(counts, _)| counts.get(at)).sum()
        };
        if cells == 0 || (cells > 1 && !(0..width).any(|at| suppression.withholds(sum(at)))) {
            return;
        }
        let open =
            sizes.iter().enumerate().filter(|(at, n)| **n > 0 && withheld.get(*at) == Some(&false));
        let Some((at, _)) = open.min_by_key(|(_, n)| **n) else { return };
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

    /// A part that is withheld for one of its counts takes another with it, so that no count of it
    /// is what the whole leaves over.
    #[test]
    fn every_count_of_a_part_is_kept_from_subtraction() {
        let check = |told: &[[u64; 2]], first: &[usize], expected: &[usize]| {
            let told: Vec<Vec<u64>> = told.iter().map(|counts| counts.to_vec()).collect();
            let sizes: Vec<u64> = told.iter().map(|counts| counts.iter().sum()).collect();
            let mut withheld: Vec<bool> = (0..told.len()).map(|at| first.contains(&at)).collect();
            complement(&mut withheld, &told, &sizes, Suppression { least: 5 });
            let found: Vec<usize> = (0..told.len()).filter(|at| withheld[*at]).collect();
            assert_eq!(found, expected, "{told:?}");
        };
        check(&[[20, 20], [3, 40], [10, 9]], &[1], &[1, 2]);
        check(&[[20, 20], [1, 40], [2, 30], [9, 30]], &[1, 2], &[1, 2, 3]);
        check(&[[20, 20], [0, 40], [0, 30]], &[1, 2], &[1, 2]);
        check(&[[20, 20], [30, 40]], &[], &[]);
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
