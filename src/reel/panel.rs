//! What a reel says of the panel it was made for.

use super::layout::Field;
pub use crate::units::{ByteOrder, Shape};

impl Field for Shape {
    const SIZE: usize = 1;
    fn get(bytes: &[u8]) -> Option<Self> {
        match *bytes.first()? {
            0 => Some(Self::Rectangle),
            1 => Some(Self::Ellipse),
            _ => None,
        }
    }
    fn put(&self, bytes: &mut [u8]) {
        bytes[0] = *self as u8;
    }
}

impl Field for ByteOrder {
    const SIZE: usize = 1;
    fn get(bytes: &[u8]) -> Option<Self> {
        match *bytes.first()? {
            0 => Some(Self::HighFirst),
            1 => Some(Self::LowFirst),
            _ => None,
        }
    }
    fn put(&self, bytes: &mut [u8]) {
        bytes[0] = *self as u8;
    }
}

/// What was done to the pixels so that they can be sent as they are.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Wire {
    /// Blue lies where red would: for panels that cannot be told to swap.
    pub bgr: bool,
    /// All colour bits are inverted: for panels that cannot be told to invert.
    pub inverted: bool,
}

impl Wire {
    /// A pixel of the picture as the wire wants it, and the other way round.
    #[must_use]
    pub const fn turn(self, pixel: u16) -> u16 {
        let swapped = match self.bgr {
            true => pixel >> 11 | pixel & 0x07E0 | pixel << 11,
            false => pixel,
        };
        if self.inverted { !swapped } else { swapped }
    }
}

impl Field for Wire {
    const SIZE: usize = 1;
    fn get(bytes: &[u8]) -> Option<Self> {
        let b = *bytes.first()?;
        (b < 4).then_some(Self {
            bgr: b & 1 != 0,
            inverted: b & 2 != 0,
        })
    }
    fn put(&self, bytes: &mut [u8]) {
        bytes[0] = u8::from(self.bgr) | u8::from(self.inverted) << 1;
    }
}

/// What was done to upright pictures for the way the panel is mounted. Firmware
/// needs nothing of it; who shows the reel elsewhere takes it back.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Mounting {
    /// Quarter turns clockwise, 0..=3.
    pub turns: u8,
    /// Left and right exchanged after them.
    pub mirror: bool,
}

impl Mounting {
    /// Whether an upright picture's width and height have changed places.
    #[must_use]
    pub const fn swaps(self) -> bool {
        self.turns % 2 == 1
    }
}

impl Field for Mounting {
    const SIZE: usize = 1;
    fn get(bytes: &[u8]) -> Option<Self> {
        let b = *bytes.first()?;
        (b < 8).then_some(Self {
            turns: b & 3,
            mirror: b & 4 != 0,
        })
    }
    fn put(&self, bytes: &mut [u8]) {
        bytes[0] = self.turns & 3 | u8::from(self.mirror) << 2;
    }
}
