//! How many requests a client may make in a second.

use std::net::IpAddr;
use std::num::NonZeroU32;

use governor::clock::DefaultClock;
use governor::state::keyed::DashMapStateStore;
use governor::{Quota, RateLimiter};

use crate::error::Error;

/// Who makes requests: a client by its id, or whoever is at an address.
#[derive(Clone, PartialEq, Eq, Hash, Debug)]
pub(super) enum Who {
    /// A client with a token.
    Client(String),
    /// An address.
    Address(Option<IpAddr>),
}

/// The limit of each, if there is one.
pub(super) struct Rates(Option<RateLimiter<Who, DashMapStateStore<Who>, DefaultClock>>);

/// How many are counted before those that have been quiet are forgotten.
const MANY: usize = 10_000;

impl Rates {
    /// That many requests a second, and as many at once; none: no limit.
    pub(super) fn of(limit: Option<NonZeroU32>) -> Self {
        Self(limit.map(|limit| RateLimiter::keyed(Quota::per_second(limit))))
    }

    /// Whether there is a limit.
    pub(super) fn are_limited(&self) -> bool {
        self.0.is_some()
    }

    /// Counts a request.
    ///
    /// # Errors
    /// [`Error::TooMany`].
    pub(super) fn count(&self, who: &Who) -> Result<(), Error> {
        let Some(limiter) = &self.0 else { return Ok(()) };
        if limiter.len() > MANY {
            limiter.retain_recent();
        }
        limiter.check_key(who).map_err(|_| Error::TooMany)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_has_a_limit_of_its_own() {
        let rates = Rates::of(NonZeroU32::new(2));
        let (one, other) = (Who::Client("a".to_owned()), Who::Address(None));
        assert!(rates.count(&one).is_ok() && rates.count(&one).is_ok());
        assert!(matches!(rates.count(&one), Err(Error::TooMany)));
        assert!(rates.count(&other).is_ok());
        assert!((0..99).all(|_| Rates::of(None).count(&one).is_ok()));
    }
}
