//! The settings of `serve`: one documented field each, from flags or the environment.
//!
//! Checked once at start by [`Config::check`]; passed by reference, never global. To add one: a
//! field with its doc line (the help text), its flag and its variable.

mod notify;
mod operating;
mod sign_in;

use std::net::SocketAddr;
use std::num::{NonZeroU32, NonZeroUsize};
use std::path::{Path, PathBuf};

pub use notify::Notify;
pub use operating::{LogFormat, Operating, Switch};
pub use sign_in::SignIn;

/// How the server runs.
#[derive(clap::Args, Clone, Debug)]
#[expect(clippy::struct_excessive_bools, reason = "each is a flag of the command line")]
pub struct Config {
    /// Address and port to listen on; port 0 takes a free one.
    #[arg(long, env = "SPONDYL_LISTEN", value_name = "ADDRESS", default_value = LISTEN)]
    pub listen: SocketAddr,

    /// Directory of the store; made where it is missing.
    #[arg(long, env = "SPONDYL_DATA", value_name = "DIR", default_value = DATA)]
    pub data: PathBuf,

    /// Load the invented demo clinic into an empty store.
    #[arg(long, env = "SPONDYL_DEMO")]
    pub demo: bool,

    /// Who may use the API: anyone on this machine, or clients with a token (SMART App Launch).
    #[arg(long, env = "SPONDYL_ACCESS", value_enum, default_value_t = Authorisation::Open)]
    pub access: Authorisation,

    /// The certificate chain of this server, in a PEM file that is read anew when it changes; with it
    /// the server speaks TLS only.
    #[arg(long, env = "SPONDYL_TLS_CHAIN", value_name = "FILE", requires = "tls_key")]
    pub tls_chain: Option<PathBuf>,

    /// The private key of that certificate, in a PEM file.
    #[arg(long, env = "SPONDYL_TLS_KEY", value_name = "FILE", requires = "tls_chain")]
    pub tls_key: Option<PathBuf>,

    /// How many requests a client may make in a second, and as many at once; who has no token is told
    /// by address.
    #[arg(long, env = "SPONDYL_RATE", value_name = "NUMBER")]
    pub rate: Option<NonZeroU32>,

    /// An `OpenID` Connect issuer whose tokens (JWTs) are taken beside those of this server; its keys
    /// are read by discovery, and it must be among the origins that may be called.
    #[arg(long, env = "SPONDYL_ISSUER", value_name = "URL")]
    pub issuer: Option<String>,

    /// For whom tokens of that issuer must be; by default the base URL of this server.
    #[arg(long, env = "SPONDYL_AUDIENCE", value_name = "TEXT")]
    pub audience: Option<String>,

    /// How people sign in to the pages.
    #[command(flatten)]
    pub sign_in: SignIn,

    /// An origin such as <https://login.example> that the server may call: for keys of clients and
    /// issuers, notifications, other servers. May be given more than once; nothing else is called.
    #[arg(long, env = "SPONDYL_OUTBOUND", value_name = "ORIGIN", value_delimiter = ',')]
    pub outbound: Vec<String>,

    /// Call those origins also where they are in a private network.
    #[arg(long, env = "SPONDYL_OUTBOUND_PRIVATE")]
    pub outbound_private: bool,

    /// The URL under which clients see the API, such as <https://clinic.example/fhir>. Without it,
    /// links follow the Host header of each request.
    #[arg(long, env = "SPONDYL_BASE_URL", value_name = "URL")]
    pub base_url: Option<String>,

    /// Thresholds of change of this clinic, in the form of `src/clinical/thresholds.json`; they come
    /// beside those that ship with the server.
    #[arg(long, env = "SPONDYL_THRESHOLDS", value_name = "FILE")]
    pub thresholds: Option<PathBuf>,

    /// The largest body of a single resource, in bytes or with KiB, MiB, GiB.
    #[arg(long, env = "SPONDYL_MAX_BODY", value_name = "SIZE", default_value = MAX_BODY,
        value_parser = size)]
    pub max_body: usize,

    /// The largest body of a Bundle, in bytes or with KiB, MiB, GiB.
    #[arg(long, env = "SPONDYL_MAX_BUNDLE", value_name = "SIZE", default_value = MAX_BUNDLE,
        value_parser = size)]
    pub max_bundle: usize,

    /// How many rows of the store one search may look at; what would need more is refused.
    #[arg(long, env = "SPONDYL_MAX_SEARCH_ROWS", value_name = "NUMBER", default_value = MAX_SEARCH)]
    pub max_search_rows: u64,

    /// Memory that the store may use for its cache, in bytes or with KiB, MiB, GiB.
    #[arg(long, env = "SPONDYL_CACHE", value_name = "SIZE", default_value = CACHE,
        value_parser = size)]
    pub cache: usize,

    /// How many issues are told at most about one request; the last then says how many are left
    /// out.
    #[arg(long, env = "SPONDYL_MAX_ISSUES", value_name = "NUMBER", default_value_t = MAX_ISSUES)]
    pub max_issues: NonZeroUsize,

    /// Which references a resource may have to others on this server: to any, or only to those that
    /// exist when it is written.
    #[arg(long, env = "SPONDYL_REFERENCES", value_enum, default_value_t = References::Any)]
    pub references: References,

    /// What becomes of content that breaks rules, as TYPE=LEVEL, or *=LEVEL for all other types:
    /// refuse it, store it with a tag, or switch validation off. May be given more than once.
    /// Unsafe narratives and what cannot be read as R4 are refused at every level.
    #[arg(long, env = "SPONDYL_VALIDATION", value_name = "TYPE=LEVEL", value_delimiter = ',')]
    pub validation: Vec<String>,

    /// A profile that resources of a type must meet, whatever they claim, as TYPE=CANONICAL, or
    /// TYPE?ELEMENT=CODE=CANONICAL for those with that code (or SYSTEM|CODE) in that element. May be
    /// given more than once.
    #[arg(
        long,
        env = "SPONDYL_REQUIRE_PROFILE",
        value_name = "TYPE=CANONICAL",
        value_delimiter = ','
    )]
    pub require_profile: Vec<String>,

    /// Whether a resource may claim a profile that this server does not hold.
    #[arg(long, env = "SPONDYL_UNKNOWN_PROFILE", value_enum, default_value = "warn")]
    pub unknown_profile: UnknownProfile,

    /// Change what exists only for clients that name its version with If-Match.
    #[arg(long, env = "SPONDYL_REQUIRE_IF_MATCH")]
    pub require_if_match: bool,

    /// What a conditional delete does when several resources meet the criteria.
    #[arg(long, env = "SPONDYL_CONDITIONAL_DELETE", value_name = "HOW", default_value = "single")]
    pub conditional_delete: ConditionalDelete,

    /// The least number of cases or events that a summary of an audit tells; smaller ones are
    /// withheld, and what they could be computed from. 0 withholds nothing.
    #[arg(long, env = "SPONDYL_AUDIT_LEAST", value_name = "NUMBER", default_value_t = AUDIT_LEAST)]
    pub audit_least: u64,

    /// List the cases behind each figure on the pages of the audit. Who sees that list may open the
    /// records, so that nothing is withheld from them.
    #[arg(long, env = "SPONDYL_AUDIT_CASES")]
    pub audit_cases: bool,

    /// An origin such as <https://app.example> whose pages may call the API in a browser. May be
    /// given more than once.
    #[arg(long, env = "SPONDYL_CORS_ORIGIN", value_name = "ORIGIN", value_delimiter = ',')]
    pub cors_origin: Vec<String>,

    /// How notifications are sent.
    #[command(flatten)]
    pub notify: Notify,
    /// How it is run.
    #[command(flatten)]
    pub operating: Operating,
}

/// Who may use the API.
#[derive(clap::ValueEnum, Clone, Copy, PartialEq, Eq, Debug)]
pub enum Authorisation {
    /// Anyone who reaches it; it listens on loopback addresses only.
    Open,
    /// Clients with an access token, within its scopes.
    Smart,
}

/// What a claim of an unknown profile leads to.
#[derive(clap::ValueEnum, Clone, Copy, PartialEq, Eq, Debug)]
pub enum UnknownProfile {
    /// A warning; the resource is not held to that profile.
    Warn,
    /// An error; the resource is refused.
    Refuse,
}

/// What a conditional delete does when several resources meet the criteria
/// (<http://hl7.org/fhir/R4/valueset-conditional-delete-status.html>).
#[derive(clap::ValueEnum, Clone, Copy, PartialEq, Eq, Debug)]
pub enum ConditionalDelete {
    /// Refuses.
    Single,
    /// Deletes them all.
    Multiple,
}

impl ConditionalDelete {
    /// The code of the standard.
    pub fn code(self) -> &'static str {
        match self {
            Self::Single => "single",
            Self::Multiple => "multiple",
        }
    }
}

const LISTEN: &str = "127.0.0.1:8080";
/// The directory of the store where none is named.
pub const DATA: &str = "spondyl-data";
const MAX_BODY: &str = "8MiB";
const MAX_BUNDLE: &str = "64MiB";
const MAX_SEARCH: &str = "2000000";
const AUDIT_LEAST: u64 = 5;
const CACHE: &str = "256MiB";
const MAX_ISSUES: NonZeroUsize = NonZeroUsize::new(200).unwrap();

/// Settings that the server refuses to start with.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Unusable {
    /// Patient data would be open to the network.
    #[error(
        "{0} is not a loopback address, and no authorisation is configured: anyone on the network \
         could read and change the records. Listen on 127.0.0.1 or [::1], or ask for tokens \
         (--access smart)"
    )]
    OpenToTheNetwork(SocketAddr),
    /// The base URL has another form.
    #[error(
        "the base URL must begin with http:// or https:// and name a host, without query or \
         fragment, such as https://clinic.example/fhir"
    )]
    BaseUrl,
    /// Tokens are asked for at a URL that nobody was told.
    #[error(
        "with --access smart on {0} the server needs the URL under which clients see it (--base-url)"
    )]
    NoBaseUrl(SocketAddr),
    /// The demo clinic is for who need no token.
    #[error("the demo clinic is loaded without a token: leave out --demo or --access smart")]
    GuardedDemo,
    /// Nobody needs to sign in where anyone may read.
    #[error(
        "people sign in where the server asks who they are: add --access smart, or leave out --sign-in-issuer"
    )]
    OpenSignIn,
    /// The issuer has another form.
    #[error(
        "the issuer at which people sign in is a URL such as https://login.example, without query or fragment"
    )]
    SignInIssuer,
}

/// Which references a resource may have to others on this server.
#[derive(clap::ValueEnum, Clone, Copy, PartialEq, Eq, Debug)]
pub enum References {
    /// To any: the target may come later, or be elsewhere.
    Any,
    /// Only to those that exist when it is written.
    Existing,
}

impl Config {
    /// Whether the server may start with these settings.
    ///
    /// # Errors
    /// [`Unusable`] says which setting is wrong and what would be right.
    pub fn check(&self) -> Result<(), Unusable> {
        let is_open = self.access == Authorisation::Open;
        if is_open && !self.listen.ip().to_canonical().is_loopback() {
            return Err(Unusable::OpenToTheNetwork(self.listen));
        }
        if !is_open && self.demo {
            return Err(Unusable::GuardedDemo);
        }
        if let Some(issuer) = &self.sign_in.issuer {
            if is_open {
                return Err(Unusable::OpenSignIn);
            }
            if !is_base(issuer) {
                return Err(Unusable::SignInIssuer);
            }
        }
        match self.base_url.as_deref() {
            None if !self.listen.ip().to_canonical().is_loopback() => {
                Err(Unusable::NoBaseUrl(self.listen))
            }
            Some(url) if !is_base(url) => Err(Unusable::BaseUrl),
            _ => Ok(()),
        }
    }

    /// The files of the certificate chain and its key, where the server speaks TLS.
    pub fn tls(&self) -> Option<(&Path, &Path)> {
        self.tls_chain.as_deref().zip(self.tls_key.as_deref())
    }

    /// The scheme of the server's own URLs, where no base URL is configured.
    pub fn scheme(&self) -> &'static str {
        if self.tls().is_some() { "https" } else { "http" }
    }

    /// Whether clients see the server by TLS, its own or that of a proxy before it.
    pub fn is_secure(&self) -> bool {
        self.tls().is_some() || self.public_base().is_some_and(|base| base.starts_with("https://"))
    }

    /// The directory of the terminology that was loaded.
    pub fn terminology(&self) -> PathBuf {
        terminology(&self.data)
    }

    /// Whether an audit trail is kept.
    pub fn has_trail(&self) -> bool {
        let by_default = if self.access == Authorisation::Smart { Switch::On } else { Switch::Off };
        self.operating.trail.unwrap_or(by_default) == Switch::On
    }

    /// The directory of the audit trail.
    pub fn trail_directory(&self) -> PathBuf {
        trail(&self.data)
    }

    /// Whether what a resource refers to on this server must exist.
    pub fn asks_for_targets(&self) -> bool {
        self.references == References::Existing
    }

    /// The base URL that clients see, without a slash at its end, where one is configured.
    pub fn public_base(&self) -> Option<&str> {
        self.base_url.as_deref().map(|url| url.trim_end_matches('/'))
    }
}

/// The directory of loaded terminology beside a store.
pub fn terminology(data: &Path) -> PathBuf {
    data.join("terminology")
}

/// The directory of the audit trail beside a store.
pub fn trail(data: &Path) -> PathBuf {
    data.join("trail")
}

impl Default for Config {
    fn default() -> Self {
        Self {
            listen: SocketAddr::from(([127, 0, 0, 1], 8080)),
            data: PathBuf::from(DATA),
            demo: false,
            access: Authorisation::Open,
            tls_chain: None,
            tls_key: None,
            rate: None,
            issuer: None,
            audience: None,
            sign_in: SignIn::default(),
            outbound: Vec::new(),
            outbound_private: false,
            base_url: None,
            thresholds: None,
            max_body: 8 << 20,
            max_bundle: 64 << 20,
            max_search_rows: 2_000_000,
            cache: 256 << 20,
            max_issues: MAX_ISSUES,
            references: References::Any,
            validation: Vec::new(),
            require_profile: Vec::new(),
            unknown_profile: UnknownProfile::Warn,
            require_if_match: false,
            conditional_delete: ConditionalDelete::Single,
            audit_least: AUDIT_LEAST,
            audit_cases: false,
            cors_origin: Vec::new(),
            notify: Notify::default(),
            operating: Operating::default(),
        }
    }
}

fn is_base(url: &str) -> bool {
    let rest = url.strip_prefix("http://").or_else(|| url.strip_prefix("https://"));
    let legal = |c: char| c.is_ascii_graphic() && !"?#\"<>\\^`{|}".contains(c);
    rest.is_some_and(|rest| !rest.is_empty() && !rest.starts_with('/') && rest.chars().all(legal))
}

/// A number of bytes, with or without a binary unit.
fn size(text: &str) -> Result<usize, String> {
    let units = [("KiB", 10), ("MiB", 20), ("GiB", 30)];
    let unit = units.into_iter().find_map(|(unit, bits)| Some((text.strip_suffix(unit)?, bits)));
    let (digits, bits) = unit.unwrap_or((text, 0));
    let number: Option<usize> = digits.trim().parse().ok();
    number
        .and_then(|number| number.checked_mul(1 << bits))
        .filter(|bytes| *bytes > 0)
        .ok_or_else(|| "give a number of bytes such as 8388608, or 8MiB".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        config: Config,
    }

    #[test]
    fn defaults_are_those_of_the_flags() {
        let parsed = Line::parse_from(["spondyl"]).config;
        let default = Config::default();
        assert_eq!(format!("{parsed:?}"), format!("{default:?}"));
        assert_eq!(default.check(), Ok(()));
    }

    #[test]
    fn sizes() {
        for (text, expected) in [
            ("1", Some(1)),
            ("8MiB", Some(8 << 20)),
            ("2 KiB", Some(2048)),
            ("0", None),
            ("-1", None),
            ("8MB", None),
            ("99999999999GiB", None),
        ] {
            assert_eq!(size(text).ok(), expected, "{text}");
        }
    }

    #[test]
    fn without_authorisation_only_loopback_is_served() {
        for (listen, good) in [
            ("127.0.0.1:1", true),
            ("127.8.0.1:1", true),
            ("[::1]:1", true),
            ("[::ffff:127.0.0.1]:1", true),
            ("0.0.0.0:1", false),
            ("[::]:1", false),
            ("192.0.2.1:1", false),
        ] {
            let config = Config { listen: listen.parse().unwrap(), ..Config::default() };
            assert_eq!(config.check().is_ok(), good, "{listen}");
        }
    }

    #[test]
    fn people_sign_in_only_where_they_must() {
        for (access, issuer, good) in [
            (Authorisation::Smart, "https://login.example", Ok(())),
            (Authorisation::Open, "https://login.example", Err(Unusable::OpenSignIn)),
            (Authorisation::Smart, "login.example", Err(Unusable::SignInIssuer)),
        ] {
            let sign_in = SignIn { issuer: Some(issuer.to_owned()), ..SignIn::default() };
            let config = Config { access, sign_in, ..Config::default() };
            assert_eq!(config.check(), good, "{issuer}");
        }
    }

    #[test]
    fn base_urls() {
        for (url, good) in [
            ("https://clinic.example/fhir", true),
            ("http://localhost:8080", true),
            ("clinic.example", false),
            ("https:///fhir", false),
            ("https://a.example/?x", false),
        ] {
            let config = Config { base_url: Some(url.to_owned()), ..Config::default() };
            assert_eq!(config.check().is_ok(), good, "{url}");
        }
    }
}
