//! That others on this machine cannot read what a server keeps: its directory is its owner's alone, and
//! so is the private key of its certificate.

use std::io;
use std::path::Path;

use crate::config::Config;

/// Why a server does not start.
#[derive(Debug, thiserror::Error)]
pub(super) enum Exposed {
    /// The directory cannot be made, or closed to others.
    #[error("{directory} cannot be kept from others on this machine")]
    Directory {
        /// The directory.
        directory: String,
        /// What the system says.
        source: io::Error,
    },
    /// Everybody may read the private key.
    #[error("anyone on this machine can read the private key in {0}: chmod o-rwx it first")]
    Key(String),
    /// The key cannot be looked at.
    #[error("the private key in {file} cannot be looked at")]
    Unseen {
        /// The file.
        file: String,
        /// What the system says.
        source: io::Error,
    },
}

/// Closes the directory of the store to others, which makes it where it is missing, and looks at the
/// private key.
pub(super) fn keep(config: &Config) -> Result<(), Exposed> {
    let directory = config.data.display().to_string();
    close(&config.data).map_err(|source| Exposed::Directory { directory, source })?;
    let Some((_, key)) = config.tls() else { return Ok(()) };
    let file = key.display().to_string();
    match is_open(key) {
        Ok(false) => Ok(()),
        Ok(true) => Err(Exposed::Key(file)),
        Err(source) => Err(Exposed::Unseen { file, source }),
    }
}

#[cfg(unix)]
fn close(directory: &Path) -> io::Result<()> {
    use std::fs::{DirBuilder, Permissions, metadata, set_permissions};
    use std::os::unix::fs::{DirBuilderExt, PermissionsExt};
    DirBuilder::new().recursive(true).mode(0o700).create(directory)?;
    if metadata(directory)?.permissions().mode() & 0o077 != 0 {
        set_permissions(directory, Permissions::from_mode(0o700))?;
    }
    Ok(())
}

#[cfg(not(unix))]
fn close(directory: &Path) -> io::Result<()> {
    std::fs::create_dir_all(directory)
}

#[cfg(unix)]
fn is_open(file: &Path) -> io::Result<bool> {
    use std::os::unix::fs::PermissionsExt;
    Ok(std::fs::metadata(file)?.permissions().mode() & 0o007 != 0)
}

#[cfg(not(unix))]
fn is_open(file: &Path) -> io::Result<bool> {
    std::fs::metadata(file).map(|_| false)
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn the_directory_is_closed_and_an_open_key_refused() {
        let place = tempfile::tempdir().unwrap();
        let data = place.path().join("records");
        let mode = || std::fs::metadata(&data).unwrap().permissions().mode() & 0o777;
        let set = |path: &Path, mode: u32| {
            std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
        };
        let config = Config { data: data.clone(), ..Config::default() };
        keep(&config).unwrap();
        assert_eq!(mode(), 0o700);
        set(&data, 0o755);
        keep(&config).unwrap();
        assert_eq!(mode(), 0o700);
        let key = place.path().join("key.pem");
        std::fs::write(&key, "key").unwrap();
        let config = Config { tls_chain: Some(key.clone()), tls_key: Some(key.clone()), ..config };
        set(&key, 0o644);
        assert!(matches!(keep(&config), Err(Exposed::Key(_))));
        set(&key, 0o640);
        keep(&config).unwrap();
        std::fs::remove_file(&key).unwrap();
        assert!(matches!(keep(&config), Err(Exposed::Unseen { .. })));
    }
}
