//! The kinds of letters, and in which order each says its sections.
//!
//! The answer always comes first, then what is asked. A progress letter goes on with results, a
//! discharge letter with the whole course, a referral on with what the next reader must know to be
//! safe; an urgent one puts that into the answer itself.
//! Order: Hayward & Willcock 2015, Prim Health Care Res Dev 16:304-8; for urgent letters common
//! practice, no source.

use crate::clinical::Summary;

/// The kinds of letters.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Kind {
    /// Treatment continues.
    Progress,
    /// The episode has ended.
    Discharge,
    /// The patient is referred on.
    Referral,
    /// The patient is referred on, and it is urgent.
    UrgentReferral,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Self; 4] =
        [Self::Progress, Self::Discharge, Self::Referral, Self::UrgentReferral];

    /// The kind that the state of the episode calls for.
    pub fn of(summary: &Summary) -> Self {
        let course = &summary.course;
        let priorities =
            summary.onward.iter().filter_map(|facts| facts.referral.priority.as_deref());
        let urgent = priorities.into_iter().any(|p| ["urgent", "asap", "stat"].contains(&p));
        match (course.status.as_deref(), course.end_reason.as_deref()) {
            (_, Some("referred-on")) if urgent => Self::UrgentReferral,
            (_, Some("referred-on")) => Self::Referral,
            (Some("finished" | "cancelled"), _) => Self::Discharge,
            _ if urgent => Self::UrgentReferral,
            _ => Self::Progress,
        }
    }

    /// The kind of a code.
    pub fn parse(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.code() == code)
    }

    /// Its code.
    pub fn code(self) -> &'static str {
        match self {
            Self::Progress => "progress",
            Self::Discharge => "discharge",
            Self::Referral => "referral",
            Self::UrgentReferral => "urgent-referral",
        }
    }

    /// The LOINC code under which it is filed.
    pub(super) fn category(self) -> &'static str {
        match self {
            Self::Progress => "11508-9",
            Self::Discharge => "18842-5",
            Self::Referral | Self::UrgentReferral => "57154-7",
        }
    }

    /// The id of its profile.
    pub(super) fn profile(self) -> &'static str {
        match self {
            Self::Progress => "progress-letter",
            Self::Discharge => "discharge-letter",
            Self::Referral | Self::UrgentReferral => "onward-letter",
        }
    }

    /// Its sections, in reading order.
    pub(super) fn sections(self) -> [&'static str; 10] {
        match self {
            Self::Progress => [
                "short",
                "request",
                "scores",
                "examination",
                "treatment",
                "safety",
                "plan",
                "course",
                "gaps",
                "method",
            ],
            Self::Discharge => [
                "short",
                "request",
                "course",
                "scores",
                "examination",
                "treatment",
                "safety",
                "plan",
                "gaps",
                "method",
            ],
            Self::Referral => [
                "short",
                "request",
                "course",
                "safety",
                "examination",
                "scores",
                "treatment",
                "plan",
                "gaps",
                "method",
            ],
            Self::UrgentReferral => [
                "short",
                "request",
                "safety",
                "examination",
                "scores",
                "course",
                "treatment",
                "plan",
                "gaps",
                "method",
            ],
        }
    }
}
