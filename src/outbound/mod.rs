//! Calls to other servers: the only place that makes them for the server.
//!
//! Nothing is called but what the configuration lists by origin. A name that leads into a private
//! network is refused, unless that is allowed too: so nobody can make the server speak to its
//! neighbours by a URL that they choose. No redirect is followed, and no answer is waited for long,
//! or read beyond a limit.
//! Source: <https://www.rfc-editor.org/rfc/rfc6890> for what is private.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use reqwest::dns::{Addrs, Name, Resolve, Resolving};
use reqwest::{Client, Response, Url, redirect};
use serde_json::Value;

/// How long a call may take.
const TIME: Duration = Duration::from_secs(20);
/// The largest answer that is read, in bytes.
const LARGEST: usize = 1 << 20;

/// Who makes the calls.
pub struct Outbound {
    client: Client,
    origins: Vec<String>,
    private: bool,
}

/// Why a call was not made, or has no answer.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The text is no URL of http or https.
    #[error("not a URL of http or https")]
    Url,
    /// The configuration does not list the origin.
    #[error("the origin is not among those that may be called")]
    NotAllowed,
    /// The name leads into a private network.
    #[error("the address is in a private network")]
    Private,
    /// The client could not be made.
    #[error("no client for calls")]
    Client(#[source] reqwest::Error),
    /// The call failed.
    #[error("the call failed")]
    Failed(#[source] reqwest::Error),
    /// The answer is not one that was hoped for.
    #[error("the answer has status {0}")]
    Status(u16),
    /// The answer is too large, or no JSON.
    #[error("the answer cannot be read")]
    Unreadable,
}

impl Outbound {
    /// Calls to those origins (such as `https://login.example`); `private`: also where their names
    /// lead into a private network.
    ///
    /// # Errors
    /// [`Error::Client`].
    pub fn new(origins: &[String], private: bool) -> Result<Self, Error> {
        let client = Client::builder()
            .redirect(redirect::Policy::none())
            .timeout(TIME)
            .connect_timeout(TIME / 4)
            .user_agent(concat!("spondyl/", env!("CARGO_PKG_VERSION")));
        let client = if private { client } else { client.dns_resolver(Arc::new(PublicOnly)) };
        let client = client.build().map_err(Error::Client)?;
        let origins = origins.iter().map(|origin| origin.trim_end_matches('/').to_owned());
        Ok(Self { client, origins: origins.collect(), private })
    }

    /// Whether that URL may be called.
    ///
    /// # Errors
    /// [`Error::Url`], [`Error::NotAllowed`], [`Error::Private`].
    pub fn allowed(&self, url: &str) -> Result<Url, Error> {
        permitted(&self.origins, self.private, url)
    }

    /// The JSON under that URL.
    ///
    /// # Errors
    /// [`Error`].
    pub async fn json(&self, url: &str) -> Result<Value, Error> {
        let url = self.allowed(url)?;
        let request = self.client.get(url).header("Accept", "application/json");
        read(request.send().await.map_err(Error::Failed)?).await
    }

    /// The JSON that a form is answered with; `secret` proves who sends it, by name and password.
    ///
    /// # Errors
    /// [`Error`].
    pub async fn form(
        &self,
        url: &str,
        fields: String,
        secret: Option<(&str, &str)>,
    ) -> Result<Value, Error> {
        let request = self.client.post(self.allowed(url)?).header("Accept", "application/json");
        let request = request.header("Content-Type", "application/x-www-form-urlencoded");
        let request = match secret {
            Some((name, password)) => request.basic_auth(name, Some(password)),
            None => request,
        };
        read(request.body(fields).send().await.map_err(Error::Failed)?).await
    }

    /// Sends a body there, with those headers, and waits so long for an answer.
    ///
    /// # Errors
    /// [`Error`]; [`Error::Status`] unless the answer says that it was taken.
    pub async fn post(
        &self,
        url: &str,
        headers: &[(String, String)],
        body: Vec<u8>,
        within: Duration,
    ) -> Result<(), Error> {
        let mut request = self.client.post(self.allowed(url)?).body(body).timeout(within);
        for (name, value) in headers {
            request = request.header(name, value);
        }
        succeeded(request.send().await.map_err(Error::Failed)?).map(|_| ())
    }
}

/// Whether that URL may be called, where those origins may; `private`: also in a private network.
///
/// # Errors
/// [`Error::Url`], [`Error::NotAllowed`], [`Error::Private`].
pub fn permitted(origins: &[String], private: bool, url: &str) -> Result<Url, Error> {
    let url = Url::parse(url).map_err(|_| Error::Url)?;
    if !matches!(url.scheme(), "http" | "https") || !url.username().is_empty() {
        return Err(Error::Url);
    }
    let origin = url.origin().ascii_serialization();
    if !origins.iter().any(|own| own.trim_end_matches('/') == origin) {
        return Err(Error::NotAllowed);
    }
    if !private && literal(&url).is_some_and(|address| !is_public(address)) {
        return Err(Error::Private);
    }
    Ok(url)
}

/// The address that a URL has in place of a name.
fn literal(url: &Url) -> Option<IpAddr> {
    url.host_str().and_then(|host| host.trim_matches(['[', ']']).parse().ok())
}

/// Whether the URL leads to this machine itself, whatever any name service says.
pub fn is_loopback(url: &Url) -> bool {
    literal(url).is_some_and(|address| address.to_canonical().is_loopback())
}

/// The JSON of an answer that succeeded.
async fn read(answer: Response) -> Result<Value, Error> {
    let mut answer = succeeded(answer)?;
    let mut body = Vec::new();
    while let Some(chunk) = answer.chunk().await.map_err(Error::Failed)? {
        body.extend_from_slice(&chunk);
        if body.len() > LARGEST {
            return Err(Error::Unreadable);
        }
    }
    serde_json::from_slice(&body).map_err(|_| Error::Unreadable)
}

fn succeeded(answer: Response) -> Result<Response, Error> {
    let status = answer.status();
    if status.is_success() { Ok(answer) } else { Err(Error::Status(status.as_u16())) }
}

/// Names that lead to public addresses only.
struct PublicOnly;

impl Resolve for PublicOnly {
    fn resolve(&self, name: Name) -> Resolving {
        Box::pin(async move {
            let found: Vec<SocketAddr> =
                tokio::net::lookup_host((name.as_str(), 0)).await?.collect();
            if found.iter().any(|address| !is_public(address.ip())) {
                return Err(Box::new(Error::Private).into());
            }
            Ok(Box::new(found.into_iter()) as Addrs)
        })
    }
}

/// Whether an address is one of the open network.
fn is_public(address: IpAddr) -> bool {
    match address.to_canonical() {
        IpAddr::V4(address) => is_public_v4(address),
        IpAddr::V6(address) => is_public_v6(address),
    }
}

fn is_public_v4(address: Ipv4Addr) -> bool {
    let [first, second, ..] = address.octets();
    let shared = first == 100 && (64..128).contains(&second);
    let reserved = first == 0
        || first >= 240
        || (first == 192 && second == 0)
        || (first == 198 && (18..20).contains(&second));
    !(address.is_private()
        || address.is_loopback()
        || address.is_link_local()
        || address.is_multicast()
        || address.is_documentation()
        || shared
        || reserved)
}

fn is_public_v6(address: Ipv6Addr) -> bool {
    let [first, second, ..] = address.segments();
    let global = (0x2000..0x4000).contains(&first);
    let documentation = first == 0x2001 && second == 0x0DB8;
    // 6to4 and Teredo carry addresses of the other family within.
    let tunnel = first == 0x2002 || (first == 0x2001 && second == 0);
    global && !documentation && !tunnel
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The special-purpose registries of RFC 6890, and of RFC 3056 and 4380 for tunnels.
    #[test]
    fn private_addresses() {
        for text in [
            "127.0.0.1",
            "10.1.2.3",
            "172.16.0.1",
            "192.168.1.1",
            "169.254.169.254",
            "100.64.0.1",
            "0.0.0.0",
            "224.0.0.1",
            "255.255.255.255",
            "192.0.2.1",
            "198.18.0.1",
            "::1",
            "::",
            "fe80::1",
            "fc00::1",
            "fd12::1",
            "ff02::1",
            "::ffff:10.0.0.1",
            "2001:db8::1",
            "2002:7f00:1::",
            "64:ff9b::a00:1",
        ] {
            assert!(!is_public(text.parse().unwrap()), "{text}");
        }
        for text in ["9.9.9.9", "172.32.0.1", "2606:4700::1111", "100.128.0.1"] {
            assert!(is_public(text.parse().unwrap()), "{text}");
        }
    }

    #[test]
    fn only_what_is_listed_is_called() {
        let origins = ["https://login.example".to_owned(), "http://127.0.0.1:9".to_owned()];
        let calls = Outbound::new(&origins, false).unwrap();
        assert!(calls.allowed("https://login.example/keys").is_ok());
        for url in [
            "https://login.example:444/keys",
            "http://login.example/",
            "https://evil.example/",
            "https://login.example.evil.example/",
            "https://login.example@evil.example/",
        ] {
            assert!(matches!(calls.allowed(url), Err(Error::NotAllowed | Error::Url)), "{url}");
        }
        assert!(matches!(calls.allowed("file:///etc/passwd"), Err(Error::Url)));
        assert!(matches!(calls.allowed("http://127.0.0.1:9/x"), Err(Error::Private)));
        assert!(Outbound::new(&origins, true).unwrap().allowed("http://127.0.0.1:9/x").is_ok());
    }
}
