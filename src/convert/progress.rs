//! How far a conversion is.

use std::time::Duration;

/// How far a conversion is.
#[derive(Clone, Copy, Debug, Default)]
pub struct State {
    /// Pictures written.
    pub pictures: u64,
    /// Time of the reel that is written.
    pub position: Duration,
    /// Length of the whole, if the clip states it.
    pub total: Option<Duration>,
    /// Bytes written.
    pub bytes: u64,
}

/// Someone who is told how far a conversion is. Called from its last thread,
/// once a slice.
pub trait Progress: Sync {
    /// Takes the new state.
    fn update(&self, state: &State);
}

/// Nobody.
pub struct Quiet;

impl Progress for Quiet {
    fn update(&self, _state: &State) {}
}
