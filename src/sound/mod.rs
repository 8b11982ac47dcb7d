//! Sound for one small speaker: mono at the reel's rate, filtered and levelled
//! for the speaker, and coded so that every slice decodes independently.
//!
//! ```text
//! interleaved f32 ─> downmix ─> resample ─> shape ─> level ─> limit ─> i16 ─> block
//! ```
//!
//! [`block`] (with [`adpcm`]) is the half that firmware needs: `no_std`, no
//! allocation, integers only. Everything else is the host's.

pub mod adpcm;
pub mod block;
mod block_error;

#[cfg(feature = "convert")]
mod adpcm_encoder;
#[cfg(feature = "convert")]
pub mod biquad;
#[cfg(feature = "convert")]
pub mod chart;
#[cfg(feature = "convert")]
mod compress;
#[cfg(feature = "convert")]
pub mod downmix;
#[cfg(feature = "convert")]
pub mod enclosure;
#[cfg(feature = "convert")]
pub mod encode;
#[cfg(feature = "convert")]
mod envelope;
#[cfg(feature = "model")]
mod error;
#[cfg(feature = "convert")]
mod front;
#[cfg(feature = "model")]
pub mod gain;
#[cfg(feature = "convert")]
mod hearing;
#[cfg(feature = "convert")]
mod judge;
#[cfg(feature = "convert")]
pub mod layout;
#[cfg(feature = "convert")]
mod level;
#[cfg(feature = "convert")]
mod limit;
#[cfg(feature = "convert")]
pub mod listen;
#[cfg(feature = "convert")]
pub mod loudness;
#[cfg(feature = "convert")]
mod meter;
#[cfg(feature = "convert")]
pub mod phase;
#[cfg(feature = "convert")]
mod plan;
#[cfg(feature = "convert")]
pub mod resample;
#[cfg(feature = "convert")]
mod shape;
#[cfg(feature = "convert")]
mod shaped8;
#[cfg(feature = "convert")]
mod stage;

pub use block::{BlockReader, SoundCoding, block_bytes, decode_block};
pub use block_error::BlockError;

#[cfg(feature = "convert")]
pub use {
    compress::DynamicRange,
    downmix::Downmix,
    encode::BlockEncoder,
    error::SoundError,
    judge::{SoundJudge, SoundScore},
    layout::{Channel, Layout},
    limit::LimiterWork,
    loudness::{Loudness, LoudnessMeter},
    meter::{Measured, SoundMeter, Verdict},
    phase::PhaseLoss,
    plan::{RATE_MAX, RATE_MIN, SoundPlan},
    shape::{HighPass, HighShelf, VirtualBass},
    stage::{SoundReport, SoundStage},
};
