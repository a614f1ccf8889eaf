//! The named criteria: what may be asked of an episode, each with its words.
//!
//! To add one: a line in [`CRITERIA`] and its concept in the code system `audit-criterion`; a test
//! holds the two together. A criterion answers yes, no or unknown; unknown is never a no.

use super::facts::{Facts, Pair};

/// What a criterion says of an episode.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Answer {
    /// It holds.
    Yes,
    /// It does not hold.
    No,
    /// The record does not say.
    Unknown,
}

impl Answer {
    /// Yes where both hold; no where one does not, whatever the other.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        match (self, other) {
            (Self::No, _) | (_, Self::No) => Self::No,
            (Self::Yes, Self::Yes) => Self::Yes,
            _ => Self::Unknown,
        }
    }

    /// Yes where one holds, whatever the other; no where neither does.
    #[must_use]
    pub fn or(self, other: Self) -> Self {
        match (self, other) {
            (Self::Yes, _) | (_, Self::Yes) => Self::Yes,
            (Self::No, Self::No) => Self::No,
            _ => Self::Unknown,
        }
    }
}

impl std::ops::Not for Answer {
    type Output = Self;

    fn not(self) -> Self {
        match self {
            Self::Yes => Self::No,
            Self::No => Self::Yes,
            Self::Unknown => Self::Unknown,
        }
    }
}

impl From<bool> for Answer {
    fn from(holds: bool) -> Self {
        if holds { Self::Yes } else { Self::No }
    }
}

impl From<Option<bool>> for Answer {
    fn from(holds: Option<bool>) -> Self {
        holds.map_or(Self::Unknown, Self::from)
    }
}

/// A named criterion.
pub struct Criterion {
    /// Its code in `audit-criterion`.
    pub code: &'static str,
    /// Whether it takes a whole number, as in `visits-at-least(2)`.
    pub takes_number: bool,
    /// What it says of an episode; the number is 0 where none is taken.
    pub of: fn(&Facts, i64) -> Answer,
}

/// A criterion without a number.
const fn plain(code: &'static str, of: fn(&Facts, i64) -> Answer) -> Criterion {
    Criterion { code, takes_number: false, of }
}

/// A criterion with a number.
const fn with(code: &'static str, of: fn(&Facts, i64) -> Answer) -> Criterion {
    Criterion { code, takes_number: true, of }
}

/// Every criterion.
pub const CRITERIA: &[Criterion] = &[
    plain("ended", |facts, _| facts.end.is_some().into()),
    with("visits-at-least", |facts, n| (i64::from(facts.attended) >= n).into()),
    plain("treated", |facts, _| facts.treated.into()),
    plain("treated-by-thrust", |facts, _| facts.thrust.into()),
    plain("dropped-out", |facts, _| {
        let reason = facts.end_reason.as_deref();
        reason.map(|reason| matches!(reason, "did-not-attend" | "self-discharged")).into()
    }),
    plain("referred-at-once", |facts, _| facts.referred_at_once.into()),
    plain("disability-at-start", |facts, _| at_start(facts.disability)),
    plain("disability-again", |facts, _| again(facts.disability)),
    plain("disability-has-room", |facts, _| has_room(facts.disability)),
    plain("disability-improved", |facts, _| improved(facts.disability)),
    plain("disability-past-error", |facts, _| past_error(facts.disability)),
    plain("pain-at-start", |facts, _| at_start(facts.pain)),
    plain("pain-again", |facts, _| again(facts.pain)),
    plain("pain-has-room", |facts, _| has_room(facts.pain)),
    plain("pain-improved", |facts, _| improved(facts.pain)),
    plain("function-at-start", |facts, _| at_start(facts.function)),
    plain("function-again", |facts, _| again(facts.function)),
    plain("function-has-room", |facts, _| has_room(facts.function)),
    plain("function-improved", |facts, _| improved(facts.function)),
    plain("screened-before-treatment", |facts, _| facts.screened.into()),
    plain("consent-before-treatment", |facts, _| facts.consented.into()),
    plain("thrust-prepared", |facts, _| facts.thrust_prepared.into()),
    plain("segments-treated", |facts, _| (facts.sites > 0).into()),
    plain("treated-stiff-only", |facts, _| {
        // A segment treated without an assessment was not graded stiff, nor anything else.
        match facts.sites_loose + facts.sites_not_stiff {
            0 if facts.sites == 0 || facts.sites_not_assessed > 0 => Answer::Unknown,
            others => (others == 0).into(),
        }
    }),
    plain("assessed-before-treated", |facts, _| {
        (facts.sites > 0).then_some(facts.sites_not_assessed == 0).into()
    }),
    plain("loose-found", |facts, _| facts.loose_found.into()),
    plain("loose-left-alone", |facts, _| {
        (facts.sites > 0).then_some(facts.sites_loose == 0).into()
    }),
    plain("segments-mapped", |facts, _| (facts.mapped > 0).into()),
    plain("segments-mapped-again", |facts, _| {
        (facts.mapped > 0).then_some(facts.mapped_again == facts.mapped).into()
    }),
    plain("re-test-planned", |facts, _| (facts.retests_planned > 0).into()),
    plain("re-test-on-time", |facts, _| {
        let planned = facts.retests_planned;
        (planned > 0).then_some(facts.retests_on_time == planned).into()
    }),
    plain("self-manipulation-at-start", |facts, _| facts.habit_first.map(|n| n > 0.0).into()),
    plain("self-manipulation-stopped", |facts, _| facts.habit_latest.map(|n| n == 0.0).into()),
    plain("adverse-event", |facts, _| (facts.adverse_events > 0).into()),
    plain("red-flag", |facts, _| facts.red_flag.into()),
    plain("red-flag-referred", |facts, _| facts.red_flag_referred.into()),
    plain("referred", |facts, _| facts.referred.into()),
    with("letter-within-days", |facts, n| {
        let after = facts.end.map(|end| facts.letter.is_some_and(|day| day.since(end) <= n));
        after.into()
    }),
];

/// The criterion of a code.
pub(super) fn criterion(code: &str) -> Option<&'static Criterion> {
    CRITERIA.iter().find(|criterion| criterion.code == code)
}

fn at_start(pair: Option<Pair>) -> Answer {
    pair.is_some_and(|pair| pair.at_start).into()
}

fn again(pair: Option<Pair>) -> Answer {
    pair.is_some_and(|pair| pair.latest.is_some()).into()
}

fn has_room(pair: Option<Pair>) -> Answer {
    pair.and_then(|pair| pair.room).into()
}

fn improved(pair: Option<Pair>) -> Answer {
    pair.and_then(|pair| pair.improved).into()
}

fn past_error(pair: Option<Pair>) -> Answer {
    pair.and_then(|pair| pair.past_error).into()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    /// Every criterion is a documented concept, and the other way round.
    #[test]
    fn criteria_are_documented() {
        let text = include_str!("../../schemas/profile/code-system-audit-criterion.json");
        let system: serde_json::Value = serde_json::from_str(text).unwrap();
        let concepts = system["concept"].as_array().unwrap();
        let documented: BTreeSet<&str> =
            concepts.iter().map(|concept| concept["code"].as_str().unwrap()).collect();
        let here: BTreeSet<&str> = CRITERIA.iter().map(|criterion| criterion.code).collect();
        let quantities = super::super::quantity::QUANTITIES.iter().map(|q| q.code);
        let here: BTreeSet<&str> = here.into_iter().chain(quantities).collect();
        assert_eq!(documented, here);
        assert!(concepts.iter().all(|c| c["definition"].as_str().is_some_and(|d| d.len() > 20)));
    }

    #[test]
    fn unknown_is_neither_yes_nor_no() {
        use Answer::{No, Unknown, Yes};
        assert_eq!(Yes.and(Unknown), Unknown);
        assert_eq!(No.and(Unknown), No);
        assert_eq!(Yes.or(Unknown), Yes);
        assert_eq!(No.or(Unknown), Unknown);
        assert_eq!(!Unknown, Unknown);
    }

    #[test]
    fn an_empty_episode_answers_without_a_fault() {
        for criterion in CRITERIA {
            let answer = (criterion.of)(&Facts::default(), 2);
            assert_ne!(answer, Answer::Yes, "{} of nothing", criterion.code);
        }
    }
}
