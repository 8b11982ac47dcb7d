//! The panel: geometry, wire, tearing signal, and its tone.

use super::keys::section;
pub use crate::units::{ByteOrder, Shape};

section! {
    /// The panel and the bus in front of it.
    Panel {
        /// Visible width in the panel's memory, before `rotation`.
        width: u16 = 240, "pixels", "the panel's datasheet: resolution", 16 ..= 1024;
        /// Visible height in the panel's memory, before `rotation`.
        height: u16 = 240, "pixels", "the panel's datasheet: resolution", 16 ..= 1024;
        /// Shape of the visible area.
        shape: Shape = Shape::Rectangle, "rectangle | ellipse", "look at it";
        /// Bits per pixel on the bus.
        bits_per_pixel: u8 = 16, "12 | 16 | 18", "firmware: the value set by interface pixel format (3Ah), low nibble 3, 5 or 6";
        /// Order of a 16-bit pixel's bytes on the bus.
        pixel_order: ByteOrder = ByteOrder::HighFirst, "high-first | low-first", "MIPI DCS panels take the high byte first; a parallel bus may differ";
        /// The panel swaps red and blue.
        bgr: bool = false, "true | false", "show a red picture: if it is blue, set it";
        /// The panel inverts all colours.
        inverted: bool = false, "true | false", "show a black picture: if it is white, set it";
        /// Bus clock for writing to the panel.
        clock_hz: u32 = 40_000_000, "Hz", "firmware: the SPI set-up; the actual clock, often 80 MHz divided by a whole number", 100_000 ..= 160_000_000;
        /// Data lines of the bus.
        lines: u8 = 1, "1 | 2 | 4 | 8 | 16", "wiring: 1 for SPI, 4 for quad SPI, 8 or 16 for a parallel bus";
        /// Command bytes per window (set column, set row, write memory).
        window_bytes: u32 = 11, "bytes", "MIPI DCS 2Ah, 2Bh, 2Ch: 1+4+1+4+1", 0 ..= 64;
        /// Extra time per window: data/command line changes, driver calls.
        window_us: f64 = 20.0, "microseconds", "probe: bus lines for small windows; else assume 10 to 40", 0 ..= 10000;
        /// DMA feeds the bus, which leaves the core free while pixels are sent.
        dma: bool = true, "true | false", "firmware: the display driver";
        /// A tearing signal tells the firmware when the panel is between two scans.
        tearing_signal: bool = false, "true | false", "wiring: a pin named TE that reaches the microcontroller";
        /// Refresh rate: how often per second the panel scans its memory.
        refresh_hz: f64 = 60.0, "Hz", "the panel's datasheet: frame rate control", 20 ..= 240;
        /// First visible column in the panel's memory.
        x_offset: u16 = 0, "pixels", "the panel's datasheet, or a border of noise at an edge", 0 ..= 512;
        /// First visible row in the panel's memory.
        y_offset: u16 = 0, "pixels", "the panel's datasheet, or a border of noise at an edge", 0 ..= 512;
        /// Clockwise rotation of the picture that makes it upright on the mounted panel.
        rotation: u16 = 0, "0 | 90 | 180 | 270 degrees", "look at it", 0 ..= 270;
        /// Mirror the picture, for example for a panel seen in a mirror.
        mirror: bool = false, "true | false", "look at it";
    }
    nested {
        /// Correction of the panel's look; neutral by default.
        tone: Tone;
    }
}

section! {
    /// Correction of the panel's look; every default is neutral.
    Tone {
        /// Gamma exponent: below 1 lightens the mid-tones, above 1 darkens them.
        gamma: f64 = 1.0, "exponent", "compare a grey ramp on panel and monitor", 0.3 ..= 3.0;
        /// Brightness added to black; it decreases to 0 at white.
        black_lift: f64 = 0.0, "share of full scale", "raise it until dark detail is visible in the room's light", 0.0 ..= 0.25;
        /// Colour saturation; 0 is grey.
        saturation: f64 = 1.0, "factor", "compare colour bars on panel and monitor", 0.0 ..= 3.0;
        /// Strength of edge sharpening after scaling.
        sharpen: f64 = 0.0, "factor", "small panels often look best at 0.2 to 0.5", 0.0 ..= 2.0;
    }
}

impl Panel {
    /// Half bytes per pixel on the bus: 3, 4 or 6.
    #[must_use]
    pub fn half_bytes_per_pixel(&self) -> u64 {
        match self.bits_per_pixel {
            12 => 3,
            18 => 6,
            _ => 4,
        }
    }

    /// Width and height as the viewer sees them, after `rotation`.
    #[must_use]
    pub fn upright_size(&self) -> (u16, u16) {
        if self.rotation % 180 == 90 {
            (self.height, self.width)
        } else {
            (self.width, self.height)
        }
    }
}
