//! The registered clients: one file for each, in the directory of the store.
//!
//! Read when a client asks for a token, so that what was added or removed meanwhile counts.

use std::io;
use std::path::{Path, PathBuf};

use crate::smart::client::{Client, Unusable, is_id};

/// The directory of the clients of a store.
pub struct Clients {
    directory: PathBuf,
}

/// Why a client is not to be had.
#[derive(Debug, thiserror::Error)]
pub enum Fault {
    /// The file cannot be read or written.
    #[error("the file of the client cannot be read or written")]
    File(#[from] io::Error),
    /// The file is no registration.
    #[error("the file of the client is no registration")]
    Form(#[from] serde_json::Error),
    /// The registration cannot be used.
    #[error(transparent)]
    Unusable(#[from] Unusable),
}

impl Clients {
    /// Those of the store in that directory.
    pub fn of(data: &Path) -> Self {
        Self { directory: data.join("clients") }
    }

    fn file(&self, id: &str) -> PathBuf {
        self.directory.join(format!("{id}.json"))
    }

    /// The client of that id; none if there is none.
    ///
    /// # Errors
    /// [`Fault`].
    pub fn find(&self, id: &str) -> Result<Option<Client>, Fault> {
        if !is_id(id) {
            return Ok(None);
        }
        let text = match std::fs::read(self.file(id)) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
            text => text?,
        };
        let client: Client = serde_json::from_slice(&text)?;
        client.check()?;
        // A file system may not tell capitals apart.
        Ok(Some(client).filter(|client| client.id == id))
    }

    /// All of them, by id.
    ///
    /// # Errors
    /// [`Fault`].
    pub fn all(&self) -> Result<Vec<Client>, Fault> {
        let files = match std::fs::read_dir(&self.directory) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            files => files?,
        };
        let mut all = Vec::new();
        for file in files {
            let name = file?.file_name();
            let id = name.to_str().and_then(|name| name.strip_suffix(".json"));
            all.extend(id.map(|id| self.find(id)).transpose()?.flatten());
        }
        all.sort_by(|a, b| a.id.cmp(&b.id));
        Ok(all)
    }

    /// Registers a client, or changes its registration.
    ///
    /// # Errors
    /// [`Fault`].
    pub fn put(&self, client: &Client) -> Result<(), Fault> {
        client.check()?;
        std::fs::create_dir_all(&self.directory)?;
        only_owner(&self.directory, 0o700)?;
        let file = self.file(&client.id);
        let fresh = file.with_extension("new");
        std::fs::write(&fresh, serde_json::to_vec_pretty(client)?)?;
        only_owner(&fresh, 0o600)?;
        Ok(std::fs::rename(fresh, file)?)
    }

    /// Removes a client; whether there was one.
    ///
    /// # Errors
    /// [`Fault`].
    pub fn remove(&self, id: &str) -> Result<bool, Fault> {
        if !is_id(id) {
            return Ok(false);
        }
        match std::fs::remove_file(self.file(id)) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(false),
            done => Ok(done.map(|()| true)?),
        }
    }
}

/// Leaves a file or directory to its owner alone.
fn only_owner(path: &Path, mode: u32) -> io::Result<()> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode))?;
    }
    Ok(())
}
