//! The end of an export: whose records were given to whom.

use std::sync::Weak;

use crate::bulk::Disclosed;
use crate::error::Error;
use crate::http::now;
use crate::smart::Access;
use crate::trail::{self, Deed, Interaction, Outcome, Trail, Who};

/// Tells of each patient whose records the files of an export hold.
///
/// # Errors
/// [`Error::Unrecorded`] where there is a trail that cannot be told.
pub(in crate::http) fn tell(
    trail: &Weak<Option<Trail>>,
    Disclosed { job, access, patients, denied }: Disclosed<'_>,
) -> Result<(), Error> {
    let Some(trail) = trail.upgrade() else { return Err(Error::Unrecorded) };
    let Some(trail) = trail.as_ref() else { return Ok(()) };
    let who = Who {
        client: access.map(|access| access.client.clone()),
        user: access.and_then(|access: &Access| access.user.clone()),
        ..Who::default()
    };
    let deed = |interaction, outcome, patient| Deed {
        at: now(),
        interaction,
        who: who.clone(),
        outcome,
        request_id: None,
        about: None,
        given: Vec::new(),
        patient: Some(patient),
        query: None,
    };
    let refused = Outcome { status: 403, reason: Some("forbidden") };
    let denied = denied.iter().map(|(patient, consent)| {
        deed(Interaction::Denial(consent.clone()), refused.clone(), patient.clone())
    });
    let disclosed = patients.iter().map(|patient| {
        let interaction = Interaction::Disclosure(trail::Disclosed::Export(job.to_owned()));
        deed(interaction, Outcome::DONE, patient.clone())
    });
    let deeds: Vec<Deed> = denied.chain(disclosed).collect();
    if deeds.is_empty() {
        return Ok(());
    }
    trail.tell(deeds).map_err(|_| Error::Unrecorded)
}
