//! Progress of a conversion.

use std::time::Duration;

/// Progress of a conversion.
#[derive(Clone, Copy, Debug, Default)]
pub struct State {
    /// Frames written.
    pub pictures: u64,
    /// Length written so far.
    pub position: Duration,
    /// Total length, if the clip states it.
    pub total: Option<Duration>,
    /// Bytes written.
    pub bytes: u64,
}

/// Progress observer. Called from the last thread, once per slice.
pub trait Progress: Sync {
    /// Takes the new state.
    fn update(&self, state: &State);
}

/// An observer that does nothing.
pub struct Quiet;

impl Progress for Quiet {
    fn update(&self, _state: &State) {}
}
