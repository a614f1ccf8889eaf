//! Rows of what clients are given: under the digest of a secret, never the secret itself.
//!
//! They are no resources: no history tells of them, and nobody finds them but who has the secret.

use sha2::{Digest, Sha256};

use crate::fhir::Instant;
use crate::repository::{Error, key};
use crate::store::{Batch, Expect, View};

/// What a secret is for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Use {
    /// An access token.
    Token,
    /// The id of an assertion that was used, which must not come again.
    Assertion,
    /// A link to one letter.
    Link,
    /// The reading of that letter by whoever opened the link.
    Reading,
    /// A session of a browser.
    Session,
    /// The state of a sign-in that came back, which must not come again.
    SignIn,
}

impl Use {
    const fn byte(self) -> u8 {
        match self {
            Self::Token => b't',
            Self::Assertion => b'a',
            Self::Link => b'l',
            Self::Reading => b'r',
            Self::Session => b's',
            Self::SignIn => b'i',
        }
    }
}

/// What is kept of a secret.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Kept {
    /// When it ends; from then on it is as if it never was.
    pub ends: Instant,
    /// What it is worth.
    pub value: Vec<u8>,
}

/// The key of a secret.
fn row(purpose: Use, secret: &str) -> Vec<u8> {
    [&[key::SECRETS, purpose.byte()], Sha256::digest(secret.as_bytes()).as_slice()].concat()
}

/// What is kept of a secret at that time; none for one that has ended or never was.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn find(
    view: &dyn View,
    purpose: Use,
    secret: &str,
    now: Instant,
) -> Result<Option<Kept>, Error> {
    let Some(row) = view.get(&row(purpose, secret))? else { return Ok(None) };
    Ok(Some(parse(&row.value)?).filter(|kept| kept.ends > now))
}

/// A batch that keeps a secret, and holds only if it was not kept before. What has ended goes.
///
/// # Errors
/// [`Error`] when the store fails or is damaged.
pub fn keep(
    view: &dyn View,
    purpose: Use,
    secret: &str,
    kept: &Kept,
    now: Instant,
) -> Result<Batch, Error> {
    let mut batch = Batch::default();
    let key = row(purpose, secret);
    let all = vec![key::SECRETS, purpose.byte()]..vec![key::SECRETS, purpose.byte() + 1];
    let mut before = None;
    for row in view.scan(all) {
        let row = row?;
        if row.key == key {
            before = Some(row.seq);
        } else if parse(&row.value)?.ends <= now {
            batch.writes.push((row.key, None));
        }
    }
    batch.expects.push(Expect::At(key.clone(), before));
    let value = [kept.ends.millis().to_be_bytes().as_slice(), &kept.value].concat();
    batch.writes.push((key, Some(value)));
    Ok(batch)
}

/// A batch that forgets a secret.
pub fn forget(purpose: Use, secret: &str) -> Batch {
    Batch { writes: vec![(row(purpose, secret), None)], ..Batch::default() }
}

fn parse(value: &[u8]) -> Result<Kept, Error> {
    let (millis, value) = value.split_first_chunk::<8>().ok_or(Error::Damaged(key::SECRETS))?;
    let ends = Instant::from_millis(i64::from_be_bytes(*millis));
    Ok(Kept { ends, value: value.to_vec() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{MemoryStore, Store};

    #[test]
    fn a_secret_is_found_until_it_ends_and_is_nowhere_in_clear() {
        let store = MemoryStore::new();
        let at = Instant::from_millis;
        let kept = Kept { ends: at(100), value: b"worth".to_vec() };
        let batch = keep(&*store.view().unwrap(), Use::Token, "secret", &kept, at(1)).unwrap();
        assert!(!format!("{batch:?}").contains("secret"));
        store.commit(batch).unwrap();
        let find =
            |purpose, secret, now| find(&*store.view().unwrap(), purpose, secret, at(now)).unwrap();
        assert_eq!(find(Use::Token, "secret", 99), Some(kept));
        assert_eq!(find(Use::Token, "secret", 100), None);
        assert_eq!(find(Use::Token, "Secret", 1), None);
        assert_eq!(find(Use::Session, "secret", 1), None);
        let other = Kept { ends: at(300), value: Vec::new() };
        let batch = keep(&*store.view().unwrap(), Use::Token, "other", &other, at(200)).unwrap();
        assert_eq!(batch.writes.len(), 2, "what has ended goes");
        store.commit(batch).unwrap();
        store.commit(forget(Use::Token, "other")).unwrap();
        assert_eq!(find(Use::Token, "other", 1), None);
    }
}
