//! TLS 1.2 and 1.3 with a certificate that may change while the server runs.
//!
//! Source: <https://www.rfc-editor.org/rfc/rfc9325>.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant, SystemTime};

use rustls::ServerConfig;
use rustls::crypto::aws_lc_rs::default_provider;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::{ClientHello, ResolvesServerCert};
use rustls::sign::CertifiedKey;

/// How often is looked for another certificate.
const OFTEN: Duration = Duration::from_secs(30);

/// The settings for a certificate chain and its key, each in a PEM file.
///
/// # Errors
/// When a file cannot be read, or the two do not belong together.
pub(super) fn settings(chain: &Path, key: &Path) -> io::Result<ServerConfig> {
    let files = Files { chain: chain.to_owned(), key: key.to_owned() };
    let current = Current { key: files.read()?, changed: files.changed(), looked: Instant::now() };
    let resolver = Reloading { files, current: Mutex::new(current) };
    let versions = ServerConfig::builder_with_provider(Arc::new(default_provider()))
        .with_safe_default_protocol_versions();
    let builder = versions.map_err(io::Error::other)?.with_no_client_auth();
    Ok(builder.with_cert_resolver(Arc::new(resolver)))
}

#[derive(Debug)]
struct Files {
    chain: PathBuf,
    key: PathBuf,
}

impl Files {
    fn read(&self) -> io::Result<Arc<CertifiedKey>> {
        let chain = CertificateDer::pem_file_iter(&self.chain).map_err(io::Error::other)?;
        let chain = chain.collect::<Result<Vec<_>, _>>().map_err(io::Error::other)?;
        let key = PrivateKeyDer::from_pem_file(&self.key).map_err(io::Error::other)?;
        let both = CertifiedKey::from_der(chain, key, &default_provider());
        Ok(Arc::new(both.map_err(io::Error::other)?))
    }

    /// When they were changed last, as far as the file system tells.
    fn changed(&self) -> [Option<SystemTime>; 2] {
        [&self.chain, &self.key].map(|file| std::fs::metadata(file).ok()?.modified().ok())
    }
}

#[derive(Debug)]
struct Current {
    key: Arc<CertifiedKey>,
    changed: [Option<SystemTime>; 2],
    looked: Instant,
}

/// The certificate as its files have it now.
#[derive(Debug)]
struct Reloading {
    files: Files,
    current: Mutex<Current>,
}

impl Reloading {
    fn current(&self) -> MutexGuard<'_, Current> {
        self.current.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The certificate, read anew if its files have changed. What cannot be read leaves the old one.
    fn newest(&self) -> Arc<CertifiedKey> {
        let mut current = self.current();
        if current.looked.elapsed() >= OFTEN {
            current.looked = Instant::now();
            let changed = self.files.changed();
            if changed != current.changed {
                match self.files.read() {
                    Ok(key) => {
                        (current.key, current.changed) = (key, changed);
                        tracing::info!("the certificate was read anew");
                    }
                    Err(error) => tracing::warn!(%error, "the new certificate cannot be read"),
                }
            }
        }
        Arc::clone(&current.key)
    }
}

impl ResolvesServerCert for Reloading {
    fn resolve(&self, _: ClientHello<'_>) -> Option<Arc<CertifiedKey>> {
        Some(self.newest())
    }
}

#[cfg(test)]
mod tests {
    use std::net::SocketAddr;
    use std::process::Command;

    use actix_web::{HttpResponse, HttpServer, web};

    use super::*;

    /// A certificate of its own for localhost, by the openssl command; none where that is not at hand.
    fn made(directory: &Path, name: &str) -> Option<Files> {
        let files = Files {
            chain: directory.join(format!("{name}.pem")),
            key: directory.join(format!("{name}.key")),
        };
        let made = Command::new("openssl")
            .args([
                "req",
                "-x509",
                "-newkey",
                "ec",
                "-pkeyopt",
                "ec_paramgen_curve:P-256",
                "-nodes",
            ])
            .args([
                "-days",
                "2",
                "-subj",
                "/CN=localhost",
                "-addext",
                "subjectAltName=DNS:localhost",
            ])
            .args(["-addext", "basicConstraints=critical,CA:FALSE"])
            .arg("-keyout")
            .arg(&files.key)
            .arg("-out")
            .arg(&files.chain)
            .output();
        made.ok().filter(|made| made.status.success()).map(|_| files)
    }

    #[actix_web::test]
    async fn a_client_that_trusts_the_certificate_is_answered() {
        let directory = tempfile::tempdir().unwrap();
        let Some(files) = made(directory.path(), "one") else { return };
        let settings = settings(&files.chain, &files.key).unwrap();
        let server = HttpServer::new(|| {
            actix_web::App::new()
                .default_service(web::to(|| async { HttpResponse::Ok().body("safe") }))
        });
        let listen = SocketAddr::from(([127, 0, 0, 1], 0));
        let server = server.workers(1).bind_rustls_0_23(listen, settings).unwrap();
        let port = server.addrs()[0].port();
        actix_web::rt::spawn(server.run());
        let trusted = std::fs::read(&files.chain).unwrap();
        let trusted = reqwest::Certificate::from_pem(&trusted).unwrap();
        let client = reqwest::Client::builder().tls_certs_only([trusted]).build().unwrap();
        let url = format!("https://localhost:{port}/");
        assert_eq!(client.get(&url).send().await.unwrap().text().await.unwrap(), "safe");
        // Without TLS nothing is answered, and who does not trust it does not go on.
        let plain = client.get(format!("http://localhost:{port}/")).send().await;
        assert!(plain.is_err() || !plain.unwrap().status().is_success());
        assert!(reqwest::Client::new().get(&url).send().await.is_err());
    }

    #[test]
    fn another_certificate_is_taken_up_and_a_broken_one_is_not() {
        let directory = tempfile::tempdir().unwrap();
        let (Some(files), Some(other)) =
            (made(directory.path(), "one"), made(directory.path(), "two"))
        else {
            return;
        };
        let later = |resolver: &Reloading| {
            resolver.current().looked -= OFTEN;
            resolver.newest().cert.clone()
        };
        let current = Current {
            key: files.read().unwrap(),
            changed: files.changed(),
            looked: Instant::now(),
        };
        let first = current.key.cert.clone();
        let second = other.read().unwrap().cert.clone();
        let (chain, key) = (files.chain.clone(), files.key.clone());
        let resolver = Reloading { files, current: Mutex::new(current) };
        assert_eq!(later(&resolver), first);
        std::fs::write(&chain, "broken").unwrap();
        assert_eq!(later(&resolver), first);
        std::fs::copy(&other.key, &key).unwrap();
        std::fs::copy(&other.chain, &chain).unwrap();
        assert_eq!(later(&resolver), second);
        assert!(settings(Path::new("missing.pem"), &key).is_err());
    }
}
