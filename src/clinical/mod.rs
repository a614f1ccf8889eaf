//! The trade, as pure functions: facts in, conclusions out.
//!
//! [`Record::build`] takes the facts of one episode out of resources, [`summary()`] computes from
//! them. No IO, no clock, no locale; no advice; no number without its sources. What cannot be read
//! becomes a gap, never a guess. Words for people are not here but in `letter`.
//! Start reading at `record`, then `summary`.

pub mod element;
pub mod number;
pub mod source;
pub mod seen;
pub mod gap;
pub mod series;
pub mod people;
pub mod course;
pub mod segment;
pub mod segment_map;
pub mod range;
pub mod range_side;
pub mod detectable;
pub mod threshold;
pub mod outcome;
pub mod dose;
pub mod trend;
pub mod worded;
pub mod habit;
pub mod goal;
pub mod retest;
pub mod caution;
pub mod exercise;
pub mod consistency;
pub mod record;
mod summary;

pub use record::Record;
pub use summary::{ReferralFacts, Summary, ThresholdChoice, summary, summary_by};
