//! What showing a picture asks of a board, found by decoding it.

use super::patch::Decoder;
use super::raw::Rectangles;
use super::{Coding, CodingError, DecodeError, PanelSettings, WINDOW_BYTES, jpeg, raw_encoder};
use crate::units::Rect;

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
    /// For the coding patch alone.
    patch: Option<Decoder<Vec<u8>>>,
}

impl Weigher {
    /// For pictures in `coding`.
    ///
    /// # Errors
    /// A size that patch does not have: a side outside 1..=512.
    pub fn new(coding: Coding, settings: &PanelSettings) -> Result<Self, CodingError> {
        let (width, height) = (settings.width, settings.height);
        let patch = match coding {
            Coding::Patch => Some(Decoder::owned(width, height, settings.level)?),
            Coding::Raw | Coding::Jpeg => None,
        };
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
        if let Some(patch) = &mut self.patch {
            patch.decode(bytes)?;
            let cells = patch.changed();
            return Ok(Load {
                windows: cells.windows().into(),
                bus_bytes: cells.bus_bytes(),
                instructions: patch.instructions(),
            });
        }
        if self.coding == Coding::Jpeg {
            return Ok(jpeg::load(self.width, self.height, bytes.len()));
        }
        let pieces = Rectangles::new(bytes, self.width, self.height)?;
        pieces.check()?;
        let rects: Vec<Rect> = pieces.map(|p| Ok(p?.rect)).collect::<Result<_, _>>()?;
        Ok(Load {
            windows: rects.len() as u32,
            bus_bytes: raw_encoder::bus_bytes(&rects),
            instructions: raw_encoder::INSTRUCTIONS_A_WINDOW * rects.len() as u32,
        })
    }
}
