//! A clip's file that stays open from plan to conversion.

use std::sync::{Mutex, PoisonError};

use ffmpeg::format::context::Input;
use ffmpeg_next as ffmpeg;

/// The file of a clip that was opened and looked into, but not read. Whoever
/// asks first has it; a copy holds nothing. Opening and probing again takes a
/// part of a second.
#[derive(Default)]
pub struct Opened(Mutex<Option<Input>>);

impl Opened {
    pub(super) fn new(input: Input) -> Self {
        Self(Mutex::new(Some(input)))
    }

    pub(super) fn take(&self) -> Option<Input> {
        let mut held = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        held.take()
    }
}

impl Clone for Opened {
    fn clone(&self) -> Self {
        Self::default()
    }
}

impl std::fmt::Debug for Opened {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Opened")
    }
}
