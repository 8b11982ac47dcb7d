//! The demo's own film: a few seconds of a harbour at dusk, drawn and played
//! by code, so that a first reel needs neither a clip nor a network.
//!
//! All of it is invented: a turning lighthouse beam, waves, a passing boat,
//! fine print and a smooth sky for the eye; a bell, a foghorn and chirps like
//! gulls' for the ear. Each is there because it is hard for something: flat
//! gradients for the dither, fine print for the scaling, still parts and moving
//! ones for the coding, low and high notes for a small speaker.

mod draw;
mod film;
mod play;
mod scene;

pub use film::{FilmError, write_film};
pub use scene::Scene;

/// Width of the film in pixels.
pub const WIDTH: usize = 512;
/// Height of the film in pixels.
pub const HEIGHT: usize = 384;
/// Frames per second.
pub const RATE: u32 = 24;
/// Length in seconds.
pub const SECONDS: u32 = 8;
/// Samples per second, two channels.
pub const SOUND_RATE: u32 = 48_000;
