//! The visible part of a panel, and the byte order of its pixels.

use byteorder::{BE, ByteOrder as _, LE};

/// The visible part of a panel; the number is the container's.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(
    feature = "model",
    derive(serde::Serialize, serde::Deserialize),
    serde(rename_all = "kebab-case")
)]
pub enum Shape {
    /// Every pixel shows.
    #[default]
    Rectangle = 0,
    /// The ellipse that touches all four sides is visible: a round panel.
    Ellipse = 1,
}

/// Order of a pixel's two bytes on the bus and in `raw` payloads.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(
    feature = "model",
    derive(serde::Serialize, serde::Deserialize),
    serde(rename_all = "kebab-case")
)]
pub enum ByteOrder {
    /// High byte first, as serial panels take it.
    #[default]
    HighFirst = 0,
    /// Low byte first, as a little-endian parallel bus takes it.
    LowFirst = 1,
}

impl ByteOrder {
    /// One pixel's two bytes.
    #[must_use]
    pub fn bytes(self, pixel: u16) -> [u8; 2] {
        let mut bytes = [0; 2];
        match self {
            Self::HighFirst => BE::write_u16(&mut bytes, pixel),
            Self::LowFirst => LE::write_u16(&mut bytes, pixel),
        }
        bytes
    }

    /// The pixel in two bytes.
    #[must_use]
    pub fn pixel(self, bytes: [u8; 2]) -> u16 {
        match self {
            Self::HighFirst => BE::read_u16(&bytes),
            Self::LowFirst => LE::read_u16(&bytes),
        }
    }
}
