//! A panel with every decoder behind it, for the host: what the board shows.

use super::jpeg;
use super::patch::{self, Level};
use super::raw::Rectangles;
use super::{ByteOrder, Coding, CodingError, DecodeError, Shape};
use crate::units::Rect;

/// Picture flag: decoding can start here.
pub const FLAG_KEY: u8 = 1;
/// Picture flag: the payload is empty and the panel keeps its picture.
pub const FLAG_UNCHANGED: u8 = 2;

/// What a reel's header says about its pictures.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PanelSettings {
    /// Pixels across.
    pub width: u16,
    /// Pixels down.
    pub height: u16,
    /// Visible part.
    pub shape: Shape,
    /// Byte order of `raw` pixels.
    pub order: ByteOrder,
    /// Level of `patch`.
    pub level: Level,
    /// The reel's `tables` chunk; empty if it has none.
    pub jpeg_tables: Vec<u8>,
}

/// Whether a payload of `patch` calls itself a key picture.
fn is_key(bytes: &[u8]) -> bool {
    bytes.first().is_some_and(|head| head & 4 != 0)
}

/// Decodes a reel's pictures onto a panel held in memory.
pub struct PanelDecoder {
    settings: PanelSettings,
    patch: patch::Decoder<Vec<u8>>,
    pixels: Vec<u16>,
    changed: Vec<Rect>,
}

impl PanelDecoder {
    /// A black panel.
    ///
    /// # Errors
    /// A size outside 1..=512.
    pub fn new(settings: PanelSettings) -> Result<Self, CodingError> {
        super::check_size(settings.width, settings.height)?;
        let n = usize::from(settings.width) * usize::from(settings.height);
        Ok(Self {
            patch: patch::Decoder::owned(settings.width, settings.height, settings.level)?,
            settings,
            pixels: vec![0; n],
            changed: Vec::new(),
        })
    }

    /// Decodes one picture and gives the rectangles that were sent to the
    /// panel. `coding` and `flags` are those of the container's picture
    /// header. After an error the panel shows the last good picture.
    ///
    /// # Errors
    /// A coding that is not known, a damaged payload, or a picture that leans
    /// on one that was lost.
    pub fn decode(&mut self, coding: u8, flags: u8, bytes: &[u8]) -> Result<&[Rect], CodingError> {
        self.changed.clear();
        if flags & FLAG_UNCHANGED != 0 {
            return if bytes.is_empty() {
                Ok(&self.changed)
            } else {
                Err(DecodeError::Invalid("an unchanged picture with a payload").into())
            };
        }
        match Coding::from_number(coding) {
            Some(Coding::Raw) => self.raw(bytes)?,
            Some(Coding::Jpeg) => self.jpeg(bytes)?,
            Some(Coding::Patch) if is_key(bytes) != (flags & FLAG_KEY != 0) => {
                return Err(DecodeError::Invalid("key flag").into());
            }
            Some(Coding::Patch) => self.patch(bytes)?,
            None => return Err(DecodeError::Invalid("coding number").into()),
        }
        Ok(&self.changed)
    }

    /// What the panel shows, RGB565 with R in the high bits, rows from the top.
    #[must_use]
    pub fn pixels(&self) -> &[u16] {
        &self.pixels
    }

    /// The settings it was made with.
    #[must_use]
    pub const fn settings(&self) -> &PanelSettings {
        &self.settings
    }

    fn patch(&mut self, bytes: &[u8]) -> Result<(), DecodeError> {
        self.patch.decode(bytes)?;
        self.patch.changed().rectangles(|r| self.changed.push(r));
        let pitch = usize::from(self.settings.width);
        for &rect in &self.changed {
            let from = usize::from(rect.y) * pitch + usize::from(rect.x);
            self.patch.paint(rect, &mut self.pixels[from..], pitch);
        }
        Ok(())
    }

    fn jpeg(&mut self, bytes: &[u8]) -> Result<(), CodingError> {
        let (w, h) = (self.settings.width, self.settings.height);
        self.pixels = jpeg::decode(bytes, &self.settings.jpeg_tables, w, h)?;
        self.changed.push(Rect { x: 0, y: 0, w, h });
        Ok(())
    }

    fn raw(&mut self, bytes: &[u8]) -> Result<(), DecodeError> {
        let pieces = Rectangles::new(bytes, self.settings.width, self.settings.height)?;
        pieces.check()?;
        for piece in pieces {
            let piece = piece?;
            let mut wire = piece.wire.chunks_exact(2);
            for row in rows(&mut self.pixels, self.settings.width, piece.rect) {
                for (pixel, w) in row.iter_mut().zip(wire.by_ref()) {
                    *pixel = self.settings.order.pixel([w[0], w[1]]);
                }
            }
            self.changed.push(piece.rect);
        }
        Ok(())
    }
}

/// The rows of `rect` in a picture `width` pixels across.
fn rows(pixels: &mut [u16], width: u16, rect: Rect) -> impl Iterator<Item = &mut [u16]> {
    pixels
        .chunks_exact_mut(width.into())
        .skip(rect.y.into())
        .take(rect.h.into())
        .map(move |row| &mut row[rect.x.into()..(rect.x + rect.w).into()])
}
