//! What was found in the reels last asked for, so that a reel is read once, not
//! once a client.

use std::sync::{Arc, Mutex, PoisonError};

/// How many findings are kept.
const KEPT: usize = 16;

/// Findings by entity tag, the last used first.
pub struct Kept<T>(Mutex<Vec<(String, Arc<T>)>>);

impl<T> Default for Kept<T> {
    fn default() -> Self {
        Self(Mutex::default())
    }
}

impl<T> Kept<T> {
    /// What is known of the reel whose state is `etag`, else what `find` finds.
    ///
    /// # Errors
    /// As `find`.
    pub fn get<E>(&self, etag: &str, find: impl FnOnce() -> Result<T, E>) -> Result<Arc<T>, E> {
        let mut known = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(at) = known.iter().position(|(tag, _)| tag == etag) {
            let entry = known.remove(at);
            known.insert(0, entry);
            return Ok(Arc::clone(&known[0].1));
        }
        drop(known);
        let found = Arc::new(find()?);
        known = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        known.insert(0, (etag.to_owned(), Arc::clone(&found)));
        known.truncate(KEPT);
        Ok(found)
    }
}
