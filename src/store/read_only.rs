//! A store that can be looked at only.

use std::sync::Arc;

use tokio::sync::watch;

use super::{Batch, Error, Seq, Store, View};

/// Another store, of which every commit is refused.
pub struct ReadOnly(pub Arc<dyn Store>);

impl Store for ReadOnly {
    fn view(&self) -> Result<Box<dyn View + '_>, Error> {
        self.0.view()
    }

    fn commit(&self, _: Batch) -> Result<Seq, Error> {
        Err(Error::Refused)
    }

    fn head(&self) -> watch::Receiver<Seq> {
        self.0.head()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::MemoryStore;

    #[test]
    fn it_is_seen_and_not_written() {
        let store: Arc<dyn Store> = Arc::new(MemoryStore::new());
        let write = || Batch { writes: vec![(vec![2], Some(vec![1]))], ..Batch::default() };
        store.commit(write()).unwrap();
        let only = ReadOnly(Arc::clone(&store));
        assert!(matches!(only.commit(write()), Err(Error::Refused)));
        assert!(only.view().unwrap().get(&[2]).unwrap().is_some());
        assert_eq!((*only.head().borrow(), only.view().unwrap().seq()), (1, 1));
    }
}
