//! Units shared by every module: rational rates, rectangles, times, the visible
//! part of a panel and its byte order.

pub mod mask;
mod pixel;

pub use pixel::{ByteOrder, Shape};

/// A positive rational number, for example frames per second: 30000/1001.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Ratio {
    /// Numerator, 1 or more.
    pub num: u32,
    /// Denominator, 1 or more.
    pub den: u32,
}

impl Ratio {
    /// A ratio in lowest terms; `None` if either part is zero.
    #[must_use]
    pub const fn new(num: u32, den: u32) -> Option<Self> {
        if num == 0 || den == 0 {
            return None;
        }
        let g = gcd(num, den);
        Some(Self {
            num: num / g,
            den: den / g,
        })
    }

    /// The time of item `n` in ticks of `clock_rate` per second, rounded to the
    /// nearest tick, halves up. Saturates at `u64::MAX`.
    #[must_use]
    pub const fn tick_of(self, n: u64, clock_rate: u32) -> u64 {
        let scaled = n as u128 * self.den as u128 * clock_rate as u128;
        let rounded = (scaled + self.num as u128 / 2) / self.num as u128;
        if rounded > u64::MAX as u128 {
            u64::MAX
        } else {
            rounded as u64
        }
    }
}

/// Greatest common divisor.
pub(crate) const fn gcd(mut a: u32, mut b: u32) -> u32 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

/// A rectangle of panel pixels; `x`, `y` is its upper left corner.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Rect {
    /// Left edge in pixels.
    pub x: u16,
    /// Upper edge in pixels.
    pub y: u16,
    /// Width in pixels.
    pub w: u16,
    /// Height in pixels.
    pub h: u16,
}

impl Rect {
    /// Pixels inside.
    #[must_use]
    pub const fn area(self) -> u32 {
        self.w as u32 * self.h as u32
    }
}

/// A time on the source's clock, in nanoseconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Nanos(pub i64);

#[cfg(test)]
mod tests {
    use super::Ratio;

    #[test]
    fn ratio_is_in_lowest_terms_and_never_zero() {
        assert_eq!(Ratio::new(60000, 2002), Ratio::new(30000, 1001));
        assert_eq!(Ratio::new(0, 1), None);
        assert_eq!(Ratio::new(1, 0), None);
    }

    #[test]
    fn ticks_round_to_nearest_and_do_not_drift() {
        let ntsc = Ratio::new(30000, 1001).unwrap();
        assert_eq!(ntsc.tick_of(1, 48000), 1602); // 1601.6
        assert_eq!(ntsc.tick_of(30000, 48000), 1001 * 48000);
    }
}
