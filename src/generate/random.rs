//! Numbers that look random and are the same for the same seed, on every machine.
//!
//! `SplitMix64`: Steele, Lea, Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014.
//! Only whole numbers and products of them are used, no logarithms, so that no library of the
//! machine can change a digit. Not for secrets.

/// A source of numbers.
#[derive(Clone, Debug)]
pub(super) struct Random(u64);

impl Random {
    /// The numbers of a seed.
    #[cfg(test)]
    pub(super) fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The numbers of a part of a seed, such as one patient: independent of how many parts there are.
    pub(super) fn of(seed: u64, part: u64) -> Self {
        let mut first = Self(seed);
        let mixed = first.next();
        let mut second = Self(mixed ^ part.wrapping_mul(0xD6E8_FEB8_6659_FD93));
        Self(second.next())
    }

    /// The next number.
    pub(super) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }

    /// A number from 0 to below 1.
    #[expect(clippy::cast_precision_loss, reason = "53 bits fit")]
    pub(super) fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Whether something of that probability happens.
    pub(super) fn happens(&mut self, probability: f64) -> bool {
        self.share() < probability
    }

    /// A whole number from the least to the most, both included; the least where there is no room.
    pub(super) fn whole(&mut self, least: i64, most: i64) -> i64 {
        let room = most.saturating_sub(least).saturating_add(1);
        let Some(room) = u64::try_from(room).ok().filter(|room| *room > 0) else { return least };
        let drawn = (u128::from(self.next()) * u128::from(room)) >> 64;
        least.saturating_add(i64::try_from(drawn).unwrap_or_default())
    }

    /// About normal, between -3 and 3 with a deviation of 1: the mean of twelve even numbers.
    pub(super) fn normal(&mut self) -> f64 {
        let sum: f64 = (0..12).map(|_| self.share()).sum();
        (sum - 6.0).clamp(-3.0, 3.0)
    }

    /// One of several; none of nothing.
    pub(super) fn one<'a, T>(&mut self, of: &'a [T]) -> Option<&'a T> {
        let last = i64::try_from(of.len()).ok()?.checked_sub(1)?;
        of.get(usize::try_from(self.whole(0, last)).ok()?)
    }

    /// One of several by weight; none of nothing.
    pub(super) fn weighted<'a, T>(&mut self, of: &'a [T], weight: fn(&T) -> u32) -> Option<&'a T> {
        let sum: i64 = of.iter().map(|one| i64::from(weight(one))).sum();
        let mut drawn = self.whole(0, sum - 1);
        of.iter().find(|one| {
            drawn -= i64::from(weight(one));
            drawn < 0
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The numbers that Vigna's reference code gives for the seed 1234567 (from memory).
    #[test]
    fn numbers_of_the_reference() {
        let mut random = Random::new(1_234_567);
        let numbers: Vec<u64> = (0..3).map(|_| random.next()).collect();
        assert_eq!(
            numbers,
            [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423]
        );
    }

    #[test]
    fn within_bounds() {
        let mut random = Random::of(7, 3);
        for _ in 0..1000 {
            assert!((2..=5).contains(&random.whole(2, 5)));
            assert!((0.0..1.0).contains(&random.share()));
        }
        assert_eq!(random.whole(4, 1), 4);
        assert_eq!(random.one::<u8>(&[]), None);
        assert_eq!(random.weighted(&[(1, 0), (2, 3)], |one| one.1), Some(&(2, 3)));
        let hits = (0..10_000).filter(|_| random.happens(0.3)).count();
        assert!((2_800..3_200).contains(&hits), "{hits}");
    }
}
