//! The settings of notifications.

use std::num::NonZeroU32;

/// How notifications of Subscriptions are sent.
#[derive(clap::Args, Clone, Debug)]
pub struct Notify {
    /// Send notifications of Subscriptions also by plain http. Whole resources go so to this machine
    /// only.
    #[arg(long, env = "SPONDYL_NOTIFY_PLAIN")]
    pub notify_plain: bool,

    /// How often a notification is tried before its Subscription has the status error.
    #[arg(long, env = "SPONDYL_NOTIFY_TRIES", value_name = "NUMBER", default_value_t = TRIES)]
    pub notify_tries: NonZeroU32,

    /// How long to wait before a notification is tried again, in milliseconds; twice as long each
    /// time, up to 15 minutes.
    #[arg(long, env = "SPONDYL_NOTIFY_PAUSE", value_name = "MILLISECONDS", default_value_t = PAUSE)]
    pub notify_pause: NonZeroU32,
}

const TRIES: NonZeroU32 = NonZeroU32::new(12).unwrap();
const PAUSE: NonZeroU32 = NonZeroU32::new(1000).unwrap();

impl Default for Notify {
    fn default() -> Self {
        Self { notify_plain: false, notify_tries: TRIES, notify_pause: PAUSE }
    }
}
