//! Sound for one small speaker: any layout becomes mono at the reel's rate,
//! shaped and levelled for the speaker that will play it, and coded so that
//! every slice decodes alone.
//!
//! ```text
//! interleaved f32 ─> downmix ─> resample ─> shape ─> level ─> limit ─> i16 ─> block
//! ```
//!
//! [`block`] (with [`adpcm`]) is the half that firmware needs: `no_std`, no
//! allocation, integers only. Everything else is the host's.

pub mod adpcm;
pub mod block;

#[cfg(feature = "host")]
pub mod downmix;
#[cfg(feature = "host")]
pub mod encode;
#[cfg(feature = "host")]
mod error;
#[cfg(feature = "host")]
pub mod layout;
#[cfg(feature = "host")]
mod plan;
#[cfg(feature = "host")]
pub mod resample;
#[cfg(feature = "host")]
mod stage;

pub use block::{BlockError, SoundCoding, block_bytes, decode_block};

#[cfg(feature = "host")]
pub use downmix::Downmix;
#[cfg(feature = "host")]
pub use encode::BlockEncoder;
#[cfg(feature = "host")]
pub use error::SoundError;
#[cfg(feature = "host")]
pub use layout::{Channel, Layout};
#[cfg(feature = "host")]
pub use plan::{Measured, RATE_MAX, RATE_MIN, SoundPlan};
#[cfg(feature = "host")]
pub use stage::SoundStage;
