//! From settings to an encoder.

use super::jpeg::JpegEncoder;
use super::patch::{Level, PatchEncoder, PatchSettings};
use super::rate::{Limits, RateControl};
use super::{ByteOrder, Coding, CodingError, PictureEncoder, RawEncoder, Shape, WINDOW_BYTES};
use crate::units::Ratio;

/// Everything an encoder is made from.
#[derive(Clone, Debug, PartialEq)]
pub struct EncoderPlan {
    /// Pixels across, 1..=512.
    pub width: u16,
    /// Pixels down, 1..=512.
    pub height: u16,
    /// Visible part of the panel.
    pub shape: Shape,
    /// Byte order of `raw` pixels.
    pub order: ByteOrder,
    /// Frames per second.
    pub rate: Ratio,
    /// Which coding.
    pub coding: Coding,
    /// Level of `patch`.
    pub level: Level,
    /// 1..=100; JPEG's own scale for `jpeg`. What JPEG shows at 50, *full* shows
    /// at 54 to 59 and *light* at 61 to 71 (real clips). `raw` has no quality.
    pub quality: u8,
    /// 0 (quick) ..= 3 (thorough); 2 by default.
    pub search: u8,
    /// Dither at output, for `patch`.
    pub dither: bool,
    /// Limits on bytes, bus and instructions.
    pub limits: Limits,
    /// Worth of bus time and instructions against bytes.
    pub weights: Weights,
}

/// What a board's time is worth, in bits of payload.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weights {
    /// Bits that a byte on the panel's bus is worth.
    pub bus: f32,
    /// Bits that an instruction of the decoder is worth.
    pub instruction: f32,
}

impl Default for Weights {
    fn default() -> Self {
        Self {
            bus: 0.004,
            instruction: 0.001,
        }
    }
}

/// Makes the encoder of a plan.
///
/// # Errors
/// A setting outside its range, or limits that the coding can never keep.
pub fn encoder(plan: &EncoderPlan) -> Result<Box<dyn PictureEncoder>, CodingError> {
    let (w, h) = (plan.width, plan.height);
    super::check_size(w, h)?;
    let blocks = usize::from(w.div_ceil(16)) * usize::from(h.div_ceil(16));
    let whole = 2 * u32::from(w) * u32::from(h) + WINDOW_BYTES;
    let limits = plan.limits;
    Ok(match plan.coding {
        Coding::Raw => {
            let raw = RawEncoder::new(w, h, plan.shape, plan.order)?;
            Box::new(RateControl::new(raw, 100, plan.rate, limits, blocks)?)
        }
        Coding::Jpeg => {
            if limits.bus.is_some_and(|most| most < whole) {
                return Err(CodingError::Limit(format!(
                    "JPEG sends whole pictures, {whole} bytes on the bus each, more than the limit of {}: \
                     use --coding patch",
                    limits.bus.unwrap_or(0)
                )));
            }
            let jpeg = JpegEncoder::new(w, h, plan.quality)?;
            Box::new(RateControl::new(
                jpeg,
                plan.quality,
                plan.rate,
                limits,
                blocks,
            )?)
        }
        Coding::Patch => {
            let patch = PatchEncoder::new(PatchSettings {
                width: w,
                height: h,
                shape: plan.shape,
                level: plan.level,
                search: plan.search.min(3),
                dither: plan.dither,
                weights: plan.weights,
            })?;
            Box::new(RateControl::new(
                patch,
                plan.quality,
                plan.rate,
                limits,
                blocks,
            )?)
        }
    })
}
