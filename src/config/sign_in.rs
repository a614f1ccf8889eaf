//! The settings of sign-in to the pages: where people prove who they are, what they may do then, and
//! for how long.

use std::num::NonZeroU32;
use std::path::PathBuf;

/// How people sign in to the pages.
#[derive(clap::Args, Clone, Debug)]
pub struct SignIn {
    /// An `OpenID` Connect issuer at which people sign in to the pages; read by discovery, so it must
    /// be among the origins that may be called.
    #[arg(
        id = "sign_in_issuer",
        long = "sign-in-issuer",
        env = "SPONDYL_SIGN_IN_ISSUER",
        value_name = "URL",
        requires = "sign_in_client"
    )]
    pub issuer: Option<String>,

    /// The id under which this server is registered with that issuer, with `/sign-in/back` below its
    /// own origin as the place to come back to.
    #[arg(
        id = "sign_in_client",
        long = "sign-in-client",
        env = "SPONDYL_SIGN_IN_CLIENT",
        value_name = "ID"
    )]
    pub client: Option<String>,

    /// A file with the secret of that registration, where it has one.
    #[arg(
        id = "sign_in_secret_file",
        long = "sign-in-secret-file",
        env = "SPONDYL_SIGN_IN_SECRET_FILE",
        value_name = "FILE"
    )]
    pub secret_file: Option<PathBuf>,

    /// What people who have signed in may do, as scopes of context user (what is in their care) or
    /// system (all).
    #[arg(id = "sign_in_scopes", long = "sign-in-scopes", env = "SPONDYL_SIGN_IN_SCOPES",
        value_name = "SCOPES", default_value = SCOPES)]
    pub scopes: String,

    /// After how many minutes without a request a session ends.
    #[arg(id = "session_idle", long = "session-idle", env = "SPONDYL_SESSION_IDLE",
        value_name = "MINUTES", default_value_t = IDLE)]
    pub idle: NonZeroU32,

    /// After how many minutes a session ends in any case.
    #[arg(id = "session_longest", long = "session-longest", env = "SPONDYL_SESSION_LONGEST",
        value_name = "MINUTES", default_value_t = LONGEST)]
    pub longest: NonZeroU32,
}

/// What people may do unless it is set otherwise: read, and write what the form of a visit and the
/// signature of a letter write.
const SCOPES: &str = "user/*.rs user/AdverseEvent.cu user/Binary.c user/Bundle.c user/CarePlan.cu \
user/Communication.cu user/Composition.c user/Consent.cu user/DocumentReference.cu user/Encounter.cu \
user/Flag.cu user/Goal.cu user/Observation.cu user/Procedure.cu user/Provenance.c \
user/ServiceRequest.cu system/Device.crs?_id=spondyl";

const IDLE: NonZeroU32 = NonZeroU32::new(30).unwrap();
const LONGEST: NonZeroU32 = NonZeroU32::new(12 * 60).unwrap();

impl Default for SignIn {
    fn default() -> Self {
        Self {
            issuer: None,
            client: None,
            secret_file: None,
            scopes: SCOPES.to_owned(),
            idle: IDLE,
            longest: LONGEST,
        }
    }
}

impl SignIn {
    /// After how many milliseconds without a request a session ends, and after how many in any case.
    pub fn ends(&self) -> (i64, i64) {
        let millis = |minutes: NonZeroU32| i64::from(minutes.get()) * 60_000;
        (millis(self.idle), millis(self.longest))
    }
}
