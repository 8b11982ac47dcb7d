//! From settings to an encoder, and the choice of a coding by budgets.

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
    /// Pictures a second.
    pub rate: Ratio,
    /// Which coding.
    pub coding: Coding,
    /// Level of `patch`.
    pub level: Level,
    /// 1..=100; 50 looks like JPEG of quality 50. `raw` has no quality.
    pub quality: u8,
    /// 0 (quick) ..= 3 (thorough); 2 by default.
    pub effort: u8,
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
    match plan.coding {
        Coding::Raw => {
            let raw = RawEncoder::new(w, h, plan.shape, plan.order)?;
            Ok(Box::new(RateControl::new(
                raw, 100, plan.rate, limits, blocks,
            )?))
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
            Ok(Box::new(RateControl::new(
                jpeg,
                plan.quality,
                plan.rate,
                limits,
                blocks,
            )?))
        }
        Coding::Patch => {
            let patch = PatchEncoder::new(PatchSettings {
                width: w,
                height: h,
                shape: plan.shape,
                level: plan.level,
                effort: plan.effort.min(3),
                dither: plan.dither,
                weights: plan.weights,
            })?;
            Ok(Box::new(RateControl::new(
                patch,
                plan.quality,
                plan.rate,
                limits,
                blocks,
            )?))
        }
    }
}

/// What a board can spend, as far as it is known.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Means {
    /// Link bytes a second for pictures.
    pub link: Option<f64>,
    /// Instructions a second for pictures.
    pub instructions: Option<f64>,
    /// Bytes of memory for decoding.
    pub memory: Option<f64>,
    /// The board has a JPEG unit or routine.
    pub jpeg: bool,
}

/// A coding, its level, and the reason in one sentence.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pick {
    /// The coding.
    pub coding: Coding,
    /// The level, for `patch`.
    pub level: Level,
    /// Why, for the report.
    pub reason: String,
}

/// Instructions a pixel in a busy picture, by the encoder's own estimate.
const FULL_WORK: f64 = 45.0;
const LIGHT_WORK: f64 = 25.0;

/// Picks the coding of least work that the means allow: `raw` if the link
/// carries it, else `patch` *full* if there is power for it, else *light*.
#[must_use]
pub fn pick(width: u16, height: u16, rate: Ratio, means: &Means) -> Pick {
    let pixels = f64::from(width) * f64::from(height);
    let second = pixels * f64::from(rate.num) / f64::from(rate.den);
    let kb = |v: f64| format!("{:.0} kB/s", v / 1000.0);
    let raw = 2.0 * second;
    if means.link.is_none_or(|link| raw <= 0.8 * link) {
        let room = means.link.map_or("an unlimited link".into(), kb);
        return Pick {
            coding: Coding::Raw,
            level: Level::Full,
            reason: format!(
                "raw: {} fit the link's {room} and cost the processor nothing",
                kb(raw)
            ),
        };
    }
    let link = means.link.map_or(String::new(), kb);
    let memory =
        super::patch::memory_bytes(width, height) as f64 + f64::from(super::patch::STATE_BYTES);
    let lacks = |level: &str, what: String| format!("{level} would need {what}");
    if means.memory.is_some_and(|m| m < memory) {
        let need = lacks("patch", format!("{:.0} kB of memory", memory / 1000.0));
        return Pick {
            coding: if means.jpeg {
                Coding::Jpeg
            } else {
                Coding::Raw
            },
            level: Level::Full,
            reason: format!("raw's {} exceed the link's {link}, and {need}", kb(raw)),
        };
    }
    let full = FULL_WORK * second;
    if means.instructions.is_none_or(|most| full <= most) {
        return Pick {
            coding: Coding::Patch,
            level: Level::Full,
            reason: format!(
                "patch full: raw's {} exceed 80 % of the link's {link}; it takes at most {:.0} million instructions a second",
                kb(raw),
                full / 1e6
            ),
        };
    }
    Pick {
        coding: Coding::Patch,
        level: Level::Light,
        reason: format!(
            "patch light: raw's {} exceed 80 % of the link's {link}, and {}; light takes {:.0}",
            kb(raw),
            lacks(
                "full",
                format!("{:.0} million instructions a second", full / 1e6)
            ),
            LIGHT_WORK * second / 1e6
        ),
    }
}
