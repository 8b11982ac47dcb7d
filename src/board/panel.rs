//! The panel: geometry, wire, tearing signal, and its tone.

use serde::{Deserialize, Serialize};

use super::keys::section;

/// What part of the pixel grid can be seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// Every pixel.
    Rectangle,
    /// The ellipse that touches all four edges.
    Ellipse,
}

/// Which byte of a 16-bit pixel goes over the wire first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PixelOrder {
    /// High byte first.
    HighFirst,
    /// Low byte first.
    LowFirst,
}

section! {
    /// The panel and the bus in front of it.
    Panel {
        /// Visible width as the panel's memory is addressed, before `turns`.
        width: u16 = 240, "pixels", "the panel's datasheet: resolution", 16 ..= 1024;
        /// Visible height as the panel's memory is addressed, before `turns`.
        height: u16 = 240, "pixels", "the panel's datasheet: resolution", 16 ..= 1024;
        /// Which pixels can be seen.
        shape: Shape = Shape::Rectangle, "rectangle | ellipse", "look at it";
        /// Bits that one pixel takes on the wire.
        bits_per_pixel: u8 = 16, "12 | 16 | 18", "firmware: the value set by interface pixel format (3Ah), low nibble 3, 5 or 6";
        /// Which byte of a 16-bit pixel is sent first.
        pixel_order: PixelOrder = PixelOrder::HighFirst, "high-first | low-first", "MIPI DCS panels take the high byte first; a parallel bus may differ";
        /// Blue and red change places on the way to the panel.
        bgr: bool = false, "true | false", "show a red picture: if it is blue, set it";
        /// The panel shows the complement of what it is sent.
        inverted: bool = false, "true | false", "show a black picture: if it is white, set it";
        /// Bus clock that the panel is written at.
        clock_hz: u32 = 40_000_000, "Hz", "firmware: the SPI set-up; the clock that is really reached, often a whole fraction of 80 MHz", 100_000 ..= 160_000_000;
        /// Data lines of the bus.
        lines: u8 = 1, "1 | 2 | 4 | 8 | 16", "wiring: 1 for SPI, 4 for quad SPI, 8 or 16 for a parallel bus";
        /// Bytes that one window costs before its pixels (set column, set row, write memory).
        window_bytes: u32 = 11, "bytes", "MIPI DCS 2Ah, 2Bh, 2Ch: 1+4+1+4+1", 0 ..= 64;
        /// Time that one window costs beside its bytes: command line toggles, driver calls.
        window_us: f64 = 20.0, "microseconds", "probe: bus lines of small windows, or assume 10 to 40", 0 ..= 10000;
        /// The bus is fed by DMA, so that the core is free while pixels go out.
        dma: bool = true, "true | false", "firmware: the display driver";
        /// A line tells the firmware when the panel's scan is between two pictures.
        tearing_signal: bool = false, "true | false", "wiring: a pin named TE that reaches the microcontroller";
        /// Frames per second at which the panel scans its own memory.
        refresh_hz: f64 = 60.0, "Hz", "the panel's datasheet: frame rate control", 20 ..= 240;
        /// First visible column in the panel's memory.
        x_offset: u16 = 0, "pixels", "the panel's datasheet, or a border of noise at an edge", 0 ..= 512;
        /// First visible row in the panel's memory.
        y_offset: u16 = 0, "pixels", "the panel's datasheet, or a border of noise at an edge", 0 ..= 512;
        /// Quarter turns clockwise by which the picture must be turned to stand upright as the panel is mounted.
        turns: u8 = 0, "quarter turns", "look at it", 0 ..= 3;
        /// The picture must be mirrored, as for a panel seen in a mirror or through its back.
        mirror: bool = false, "true | false", "look at it";
        /// Width of the visible picture, to judge detail and flashing area.
        width_mm: f64 = 27.7, "millimetres", "the panel's datasheet: active area, or a ruler", 5 ..= 200;
    }
    nested {
        /// Correction of the panel's look; neutral by default.
        tone: Tone;
    }
}

section! {
    /// Correction of the panel's look; every default is neutral.
    Tone {
        /// Exponent applied to the picture's values: below 1 lightens the middle, above 1 darkens it.
        gamma: f64 = 1.0, "exponent", "compare a grey ramp on panel and monitor", 0.3 ..= 3.0;
        /// Light added to black, fading to none at white.
        black_lift: f64 = 0.0, "share of full scale", "raise it until dark detail shows in the room's light", 0.0 ..= 0.25;
        /// Factor on colourfulness; 0 is grey.
        saturation: f64 = 1.0, "factor", "compare colour bars on panel and monitor", 0.0 ..= 3.0;
        /// Strength of edge sharpening after scaling.
        sharpen: f64 = 0.0, "factor", "small panels often bear 0.2 to 0.5", 0.0 ..= 2.0;
    }
}

impl Panel {
    /// Bytes that one pixel takes on the wire, times two: 3, 4 or 6.
    #[must_use]
    pub fn half_bytes_per_pixel(&self) -> u64 {
        match self.bits_per_pixel {
            12 => 3,
            18 => 6,
            _ => 4,
        }
    }

    /// Width and height as the viewer sees them, after `turns`.
    #[must_use]
    pub fn upright_size(&self) -> (u16, u16) {
        if self.turns % 2 == 1 {
            (self.height, self.width)
        } else {
            (self.width, self.height)
        }
    }

    /// Pixels that can be seen.
    #[must_use]
    pub fn visible_pixels(&self) -> u64 {
        let all = u64::from(self.width) * u64::from(self.height);
        match self.shape {
            Shape::Rectangle => all,
            Shape::Ellipse => (all as f64 * std::f64::consts::FRAC_PI_4).ceil() as u64,
        }
    }
}
