//! What showing a picture asks of a board, found by decoding it.

use super::patch::Decoder;
use super::raw::Rectangles;
use super::{Coding, CodingError, DecodeError, PanelSettings, WINDOW_BYTES, jpeg, raw_encoder};

/// What showing one picture asks of a board.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Load {
    /// Windows the panel is sent.
    pub windows: u32,
    /// Bytes on the panel's bus: 2 per pixel and [`WINDOW_BYTES`] per window.
    pub bus_bytes: u32,
    /// Estimated instructions to decode and convert, on a scalar core.
    pub instructions: u32,
}

impl Load {
    /// Pixels that cross the bus.
    #[must_use]
    pub const fn pixels(&self) -> u32 {
        (self.bus_bytes - self.windows * WINDOW_BYTES) / 2
    }
}

/// Finds the load of a reel's pictures, in order. It paints nothing, and of a JPEG picture
/// it needs the length alone.
pub struct Weigher {
    coding: Coding,
    width: u16,
    height: u16,
    patch: Decoder<Vec<u8>>,
}

impl Weigher {
    /// For pictures in `coding`.
    ///
    /// # Errors
    /// A size outside 1..=512.
    pub fn new(coding: Coding, settings: &PanelSettings) -> Result<Self, CodingError> {
        let (width, height) = (settings.width, settings.height);
        let patch = Decoder::owned(width, height, settings.level)?;
        Ok(Self {
            coding,
            width,
            height,
            patch,
        })
    }

    /// The load of the next picture; `bytes` are none if it is unchanged.
    ///
    /// # Errors
    /// A damaged payload, or a picture that leans on one that was lost.
    pub fn weigh(&mut self, bytes: &[u8]) -> Result<Load, DecodeError> {
        if bytes.is_empty() {
            return Ok(Load::default());
        }
        match self.coding {
            Coding::Raw => {
                let pieces = Rectangles::new(bytes, self.width, self.height)?;
                pieces.check()?;
                let mut load = Load::default();
                for piece in pieces {
                    load.windows += 1;
                    load.bus_bytes += 2 * piece?.rect.area() + WINDOW_BYTES;
                }
                load.instructions = raw_encoder::INSTRUCTIONS_A_WINDOW * load.windows;
                Ok(load)
            }
            Coding::Jpeg => {
                let pixels = u32::from(self.width) * u32::from(self.height);
                Ok(Load {
                    windows: 1,
                    bus_bytes: 2 * pixels + WINDOW_BYTES,
                    instructions: jpeg::instructions(pixels, bytes.len()),
                })
            }
            Coding::Patch => {
                self.patch.decode(bytes)?;
                let cells = self.patch.changed();
                Ok(Load {
                    windows: cells.windows().into(),
                    bus_bytes: cells.bus_bytes(),
                    instructions: self.patch.instructions(),
                })
            }
        }
    }
}
