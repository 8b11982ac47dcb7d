//! The levels a 5- or 6-bit component can show.

use std::sync::OnceLock;

use crate::picture::canvas::WHITE;

/// One step between two neighbouring panel levels.
pub const ONE: u32 = 1024;

/// What a panel makes of a 5-bit component: its bits repeated.
#[must_use]
pub const fn expand5(v: u16) -> u8 {
    ((v << 3) | (v >> 2)) as u8
}

/// What a panel makes of a 6-bit component: its bits repeated.
#[must_use]
pub const fn expand6(v: u16) -> u8 {
    ((v << 2) | (v >> 4)) as u8
}

/// An RGB565 pixel as 8-bit red, green, blue.
#[must_use]
pub const fn expand(pixel: u16) -> [u8; 3] {
    [
        expand5(pixel >> 11),
        expand6(pixel >> 5 & 0x3F),
        expand5(pixel & 0x1F),
    ]
}

/// Components to RGB565.
#[must_use]
pub const fn pack(r: u16, g: u16, b: u16) -> u16 {
    r << 11 | g << 5 | b
}

/// Positions between panel levels in 1/[`ONE`] step, for every sixteenth of
/// an 8-bit level; what is above white is white.
pub struct Levels(Box<[u16; ENTRIES]>);

const ENTRIES: usize = ((u16::MAX as usize + 8) >> 4) + 1;

impl Levels {
    fn new(count: u16, expand: fn(u16) -> u8) -> Self {
        let position = |entry: usize| {
            let value = (entry as f64 / 16.0).min(f64::from(WHITE) / 256.0);
            let below = (0..count - 1)
                .rev()
                .find(|&k| f64::from(expand(k)) <= value)
                .unwrap_or(0);
            let (low, high) = (f64::from(expand(below)), f64::from(expand(below + 1)));
            let part = (value - low) / (high - low);
            ((f64::from(below) + part) * f64::from(ONE)).round() as u16
        };
        Self(Box::new(std::array::from_fn(position)))
    }

    /// The place of a canvas value between the panel's levels.
    #[inline]
    pub fn position(&self, value: u16) -> u32 {
        self.0[(usize::from(value) + 8) >> 4].into()
    }

    /// The level below, plus one if the rest reaches `ONE - threshold`.
    #[inline]
    pub fn step(&self, value: u16, threshold: u16) -> u16 {
        ((self.position(value) + u32::from(threshold)) / ONE) as u16
    }
}

/// The 32 levels of red and blue.
pub fn levels5() -> &'static Levels {
    static LEVELS: OnceLock<Levels> = OnceLock::new();
    LEVELS.get_or_init(|| Levels::new(32, expand5))
}

/// The 64 levels of green.
pub fn levels6() -> &'static Levels {
    static LEVELS: OnceLock<Levels> = OnceLock::new();
    LEVELS.get_or_init(|| Levels::new(64, expand6))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bit repetition differs from round(v x 255 / max) at these values only
    /// (computed from both formulas).
    #[test]
    fn expansion_repeats_bits() {
        let off5: Vec<u16> = (0..32)
            .filter(|&v| f64::from(expand5(v)) != (f64::from(v) * 255.0 / 31.0).round())
            .collect();
        assert_eq!(off5, [3, 7, 24, 28]);
        let off6: Vec<u16> = (0..64)
            .filter(|&v| f64::from(expand6(v)) != (f64::from(v) * 255.0 / 63.0).round())
            .collect();
        assert_eq!(off6, [11, 12, 13, 14, 15, 48, 49, 50, 51, 52]);
    }

    #[test]
    fn shown_levels_map_to_themselves_under_any_threshold() {
        for v in 0..32 {
            for threshold in [0, 511, 1023] {
                assert_eq!(levels5().step(u16::from(expand5(v)) << 8, threshold), v);
            }
        }
        for v in 0..64 {
            for threshold in [0, 511, 1023] {
                assert_eq!(levels6().step(u16::from(expand6(v)) << 8, threshold), v);
            }
        }
    }
}
