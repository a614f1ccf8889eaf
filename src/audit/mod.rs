//! Indicators over many episodes: what is counted, and what the counts mean.
//!
//! [`Facts::of`] takes from the summary of an episode what an audit asks; an [`Indicator`] is read
//! from a Measure; [`evaluate()`] counts; [`report`] writes the `MeasureReport`. Pure: no IO, no
//! clock. Each case is one episode of care. What is not known counts neither for nor against: it is
//! counted as missing and stands beside every figure.
//! Source: <http://hl7.org/fhir/R4/measure.html>.

pub mod chart;
mod criterion;
mod evaluate;
mod expression;
mod facts;
pub mod flat;
mod indicator;
mod ledger;
mod mix;
mod place;
mod quantity;
pub mod report;
mod row;
mod stratum;
mod suppress;
pub mod table;

pub use criterion::{Answer, CRITERIA, Criterion};
pub use evaluate::{Evaluation, Figure, Group, Tally, evaluate};
pub use facts::{Facts, Pair};
pub use indicator::{Fault, GroupRule, Indicator, LANGUAGE, Population, Scoring};
pub use ledger::Ledger;
pub use quantity::{QUANTITIES, Quantity};
pub use stratum::{STRATIFIERS, Stratifier, Stratum};
pub use suppress::{Suppression, suppressed};
