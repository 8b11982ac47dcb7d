//! The supply model: against formulas, worked examples and a circuit simulator,
//! and the same in every command.

#[path = "../common/extent.rs"]
mod extent;

#[path = "../server/support.rs"]
#[allow(dead_code)]
mod support;

mod agree;
mod amplifier;
mod hand;
mod hazards;
mod spice;

/// Asserts that a figure is within a tolerance.
pub fn near(found: f64, wanted: f64, tolerance: f64) {
    assert!(
        (found - wanted).abs() <= tolerance,
        "{found} instead of {wanted}"
    );
}

/// A small generator, so that seeded cases are the same everywhere.
pub struct Luck(u64);

impl Luck {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    /// A value in 0 to 1 (xorshift64*).
    pub fn unit(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1u64 << 53) as f64
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    pub fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[(self.unit() * of.len() as f64) as usize % of.len()]
    }
}
