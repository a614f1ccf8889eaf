//! Composites: <http://hl7.org/fhir/R4/search.html#composite>.

use super::{Span, Test};
use crate::index::composite;

/// What is asked of each component, with how many parts its keys have.
#[derive(Clone, PartialEq, Debug)]
pub struct Composite(pub Vec<(usize, Test)>);

impl Composite {
    /// The spans of the first component; where they fix all of its parts, those of the next behind
    /// them, and so on.
    pub(super) fn spans(&self) -> Vec<Span> {
        let mut fixed = vec![Vec::new()];
        let mut spans = Vec::new();
        for (arity, test) in &self.0 {
            let own = test.spans();
            spans = fixed
                .iter()
                .flat_map(|parts| own.iter().map(|span| span.clone().behind(parts)))
                .collect();
            if !own.iter().all(|span| span.is_point(*arity)) {
                break;
            }
            fixed = spans.iter().map(|span| span.whole.clone()).collect();
        }
        spans
    }

    pub(super) fn accepts(&self, parts: &[Vec<u8>], value: &[u8]) -> bool {
        let mut rest = parts;
        self.0.iter().enumerate().all(|(place, (arity, test))| {
            let Some((own, after)) = rest.split_at_checked(*arity) else { return false };
            rest = after;
            test.accepts(own, composite::component(value, place))
        })
    }
}
