//! The choice of a coding by what a board can spend.

use super::patch::{self, Level};
use super::{Coding, patch::STATE_BYTES};
use crate::units::Ratio;

/// What a board can spend, as far as it is known.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Means {
    /// Link bytes per second for pictures.
    pub link: Option<f64>,
    /// Instructions per second for pictures.
    pub instructions: Option<f64>,
    /// Bytes of memory for decoding, in one piece.
    pub memory: Option<f64>,
    /// Pixels per second of the board's JPEG unit or routine; 0 if it has none.
    pub jpeg: f64,
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

/// Share of a link or of a JPEG unit that a choice may count on.
const SHARE: f64 = 0.8;
/// Instructions per pixel in a busy picture, by the encoder's own estimate.
const FULL_WORK: f64 = 45.0;
const LIGHT_WORK: f64 = 25.0;
/// Bytes per pixel of JPEG at the default quality, in busy pictures.
const JPEG_BYTES: f64 = 0.16;

/// Picks the coding of least work that the means allow: `raw` if the link
/// carries it, `jpeg` if a unit decodes it and the link carries that, else
/// `patch`, *full* if there is power for it or *light*.
#[must_use]
pub fn pick(width: u16, height: u16, rate: Ratio, means: &Means) -> Pick {
    let pixels = f64::from(width) * f64::from(height);
    let second = pixels * f64::from(rate.num) / f64::from(rate.den);
    let raw = 2.0 * second;
    let (coding, level, reason) = match means.link {
        None => raw_fits(raw, "an unlimited link".into()),
        Some(link) if raw <= SHARE * link => raw_fits(raw, format!("the link's {}", rate_of(link))),
        Some(link) => {
            let why = format!(
                "raw's {} exceed {:.0} % of the link's {}",
                rate_of(raw),
                100.0 * SHARE,
                rate_of(link)
            );
            coded(second, link, means, memory(width, height), &why)
        }
    };
    Pick {
        coding,
        level,
        reason,
    }
}

fn rate_of(bytes: f64) -> String {
    format!("{:.0} kB/s", bytes / 1000.0)
}

fn memory(width: u16, height: u16) -> f64 {
    patch::memory_bytes(width, height) as f64 + f64::from(STATE_BYTES)
}

fn raw_fits(raw: f64, room: String) -> (Coding, Level, String) {
    let reason = format!(
        "raw: {} fit {room} and cost the processor nothing",
        rate_of(raw)
    );
    (Coding::Raw, Level::Full, reason)
}

/// The choice for a link too narrow for `raw`.
fn coded(second: f64, link: f64, means: &Means, memory: f64, why: &str) -> (Coding, Level, String) {
    let jpeg = JPEG_BYTES * second;
    if second <= SHARE * means.jpeg && jpeg <= SHARE * link {
        let reason = format!(
            "jpeg: {why}; the board's JPEG unit takes {:.1} of the {:.1} million pixels per second it can, and \
             about {} fit the link",
            second / 1e6,
            means.jpeg / 1e6,
            rate_of(jpeg)
        );
        return (Coding::Jpeg, Level::Full, reason);
    }
    if let Some(have) = means.memory.filter(|&m| m < memory) {
        let coding = if means.jpeg > 0.0 {
            Coding::Jpeg
        } else {
            Coding::Raw
        };
        let reason = format!(
            "{}: {why}, and patch would need {:.0} kB of memory in one piece where the board has {:.0}",
            coding.name(),
            memory / 1000.0,
            have / 1000.0
        );
        return (coding, Level::Full, reason);
    }
    let million = |work: f64| work * second / 1e6;
    if means
        .instructions
        .is_none_or(|most| FULL_WORK * second <= most)
    {
        let reason = format!(
            "patch full: {why}; it takes at most {:.0} million instructions per second",
            million(FULL_WORK)
        );
        return (Coding::Patch, Level::Full, reason);
    }
    let reason = format!(
        "patch light: {why}, and full would need {:.0} million instructions per second; light takes {:.0}",
        million(FULL_WORK),
        million(LIGHT_WORK)
    );
    (Coding::Patch, Level::Light, reason)
}
