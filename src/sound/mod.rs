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

#[cfg(feature = "host")]
mod adpcm_encoder;
#[cfg(feature = "host")]
pub mod biquad;
#[cfg(feature = "host")]
pub mod chart;
#[cfg(feature = "host")]
mod compress;
#[cfg(feature = "host")]
pub mod downmix;
#[cfg(feature = "host")]
pub mod enclosure;
#[cfg(feature = "host")]
pub mod encode;
#[cfg(feature = "host")]
mod envelope;
#[cfg(feature = "model")]
mod error;
#[cfg(feature = "host")]
mod front;
#[cfg(feature = "model")]
pub mod gain;
#[cfg(feature = "host")]
mod hearing;
#[cfg(feature = "host")]
mod judge;
#[cfg(feature = "host")]
pub mod layout;
#[cfg(feature = "host")]
mod level;
#[cfg(feature = "host")]
mod limit;
#[cfg(feature = "host")]
pub mod listen;
#[cfg(feature = "host")]
pub mod loudness;
#[cfg(feature = "host")]
mod meter;
#[cfg(feature = "host")]
pub mod phase;
#[cfg(feature = "host")]
mod plan;
#[cfg(feature = "host")]
pub mod resample;
#[cfg(feature = "host")]
mod shape;
#[cfg(feature = "host")]
mod shaped8;
#[cfg(feature = "host")]
mod stage;

pub use block::{BlockReader, SoundCoding, block_bytes, decode_block};
pub use block_error::BlockError;

#[cfg(feature = "host")]
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
