//! Chance that does not depend on the order of events: each draw is a
//! function of seed, stream and index, so that a faster link meets the very
//! same stalls at the very same places.

/// Streams of draws, one for each thing that varies.
#[derive(Clone, Copy)]
pub(super) enum Stream {
    Access = 1,
    Stall = 2,
    StallLength = 3,
    Loss = 4,
    Decode = 5,
    Tearing = 6,
    Again = 7,
    Sleep = 8,
    Parting = 9,
}

const GOLDEN: u64 = 0x9E37_79B9_7F4A_7C15;

/// The finaliser of SplitMix64 (Steele, Lea, Flood 2014).
const fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// One stream under one seed.
#[derive(Clone, Copy)]
pub(super) struct Dice {
    key: u64,
}

impl Dice {
    pub(super) fn new(seed: u64, stream: Stream) -> Self {
        Self {
            key: mix(seed.wrapping_mul(GOLDEN).wrapping_add(stream as u64)),
        }
    }

    /// A number uniform over all of `u32`.
    pub(super) fn roll(self, index: u64) -> u32 {
        (mix(self.key.wrapping_add(index.wrapping_mul(GOLDEN))) >> 32) as u32
    }

    /// Uniform over [0, 1).
    pub(super) fn unit(self, index: u64) -> f64 {
        f64::from(self.roll(index)) / 4_294_967_296.0
    }
}

/// The roll below which something of probability `p` happens.
pub(super) fn threshold(p: f64) -> u64 {
    (p.clamp(0.0, 1.0) * 4_294_967_296.0) as u64
}

/// `span` scaled by a roll: uniform over 0 to `span`.
pub(super) fn scale(span: u64, roll: u32) -> u64 {
    ((u128::from(span) * u128::from(roll)) >> 32) as u64
}
