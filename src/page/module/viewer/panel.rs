//! The panel in the page: every decoder behind it.

use alloc::vec::Vec;

use spin::{Mutex, MutexGuard};
use thumbreel::coding::patch::{Decoder, Level, memory_bytes};
use thumbreel::coding::raw::Rectangles;
use thumbreel::coding::{ByteOrder, Coding, DecodeError, MOST_SIDE, expand_565};
use thumbreel::reel::{Header, Kind, Wire};
use thumbreel::units::Rect;

const PIXELS: usize = MOST_SIDE as usize * MOST_SIDE as usize;
const RECTANGLES: usize = 4096;
const UNCHANGED: u8 = 2;

const MEMORY: usize = memory_bytes(MOST_SIDE, MOST_SIDE);

static PATCH: Mutex<[u8; MEMORY]> = Mutex::new([0; MEMORY]);
static PANEL: Mutex<[u16; PIXELS]> = Mutex::new([0; PIXELS]);
static RGBA: Mutex<[[u8; 4]; PIXELS]> = Mutex::new([[0; 4]; PIXELS]);
static CHANGED: Mutex<[[u16; 4]; RECTANGLES]> = Mutex::new([[0; 4]; RECTANGLES]);

/// Pixels, and what the last picture sent of them.
pub struct Panel {
    width: usize,
    height: usize,
    order: ByteOrder,
    wire: Wire,
    patch: Option<Decoder<&'static mut [u8]>>,
    tables: Vec<u8>,
    pixels: &'static mut [u16],
    rgba: &'static mut [[u8; 4]],
    changed: &'static mut [[u16; 4]],
    count: usize,
}

impl Panel {
    /// A panel without size; [`open`](Self::open) gives it one. Once only.
    pub fn new() -> Self {
        Self {
            width: 0,
            height: 0,
            order: ByteOrder::HighFirst,
            wire: Wire {
                bgr: false,
                inverted: false,
            },
            patch: None,
            tables: Vec::new(),
            pixels: MutexGuard::leak(PANEL.lock()).as_mut_slice(),
            rgba: MutexGuard::leak(RGBA.lock()).as_mut_slice(),
            changed: MutexGuard::leak(CHANGED.lock()).as_mut_slice(),
            count: 0,
        }
    }

    /// Takes size and wire order from a reel's header.
    pub fn open(&mut self, header: &Header) -> Result<(), DecodeError> {
        if header.width > MOST_SIDE || header.height > MOST_SIDE {
            return Err(DecodeError::Unsuited("the panel is too large for this page"));
        }
        (self.width, self.height) = (header.width.into(), header.height.into());
        self.order = header.pixel_format;
        self.wire = header.wire;
        if let Some(level) = Level::from_number(header.level) {
            let memory = MutexGuard::leak(PATCH.lock()).as_mut_slice();
            self.patch = Some(Decoder::new(header.width, header.height, level, memory)?);
        }
        self.pixels.fill(0);
        Ok(())
    }

    /// Takes tables that the pictures need.
    pub fn side_chunk(&mut self, kind: u8, bytes: &[u8]) {
        if kind == Kind::Tables as u8 {
            self.tables = bytes.to_vec();
        }
    }

    /// Decodes one picture; how many rectangles were sent.
    pub fn decode(&mut self, coding: u8, flags: u8, bytes: &[u8]) -> Result<usize, DecodeError> {
        self.count = 0;
        if flags & UNCHANGED != 0 {
            return Ok(0);
        }
        match Coding::from_number(coding) {
            Some(Coding::Raw) => self.raw(bytes)?,
            Some(Coding::Jpeg) => self.jpeg(bytes)?,
            Some(Coding::Patch) if bytes.first().is_some_and(|head| head >> 2 & 1 != flags & 1) => {
                return Err(DecodeError::Invalid("key flag"));
            }
            Some(Coding::Patch) => self.patch(bytes)?,
            _ => return Err(DecodeError::Invalid("coding number")),
        }
        Ok(self.count)
    }

    fn jpeg(&mut self, bytes: &[u8]) -> Result<(), DecodeError> {
        let size = (self.width, self.height);
        crate::jpeg::decode(bytes, &self.tables, size, &mut self.pixels[..size.0 * size.1])?;
        let (w, h) = (self.width as u16, self.height as u16);
        self.note(Rect { x: 0, y: 0, w, h });
        Ok(())
    }

    fn patch(&mut self, bytes: &[u8]) -> Result<(), DecodeError> {
        let Some(mut decoder) = self.patch.take() else {
            return Err(DecodeError::Invalid("level"));
        };
        let decoded = decoder.decode(bytes);
        if decoded.is_ok() {
            decoder.changed().rectangles(|rect| {
                let at = usize::from(rect.y) * self.width + usize::from(rect.x);
                decoder.paint(rect, &mut self.pixels[at..], self.width);
                self.note(rect);
            });
        }
        self.patch = Some(decoder);
        decoded
    }

    fn note(&mut self, rect: Rect) {
        if let Some(place) = self.changed.get_mut(self.count) {
            *place = [rect.x, rect.y, rect.w, rect.h];
            self.count += 1;
        }
    }

    fn raw(&mut self, bytes: &[u8]) -> Result<(), DecodeError> {
        let pieces = Rectangles::new(bytes, self.width as u16, self.height as u16)?;
        pieces.check()?;
        for piece in pieces {
            let piece = piece?;
            let Rect { x, y, w, h } = piece.rect;
            let mut wire = piece.wire.chunks_exact(2);
            for row in usize::from(y)..usize::from(y) + usize::from(h) {
                let at = row * self.width + usize::from(x);
                for (pixel, w) in self.pixels[at..at + usize::from(w)].iter_mut().zip(wire.by_ref()) {
                    *pixel = self.order.pixel([w[0], w[1]]);
                }
            }
            self.note(piece.rect);
        }
        Ok(())
    }

    /// Estimated instructions of a board's core for the last picture of patch; 0 for others.
    pub fn instructions(&self) -> u32 {
        self.patch.as_ref().map_or(0, Decoder::instructions)
    }

    /// What the last picture sent: x, y, w, h.
    pub fn rectangles(&self) -> &[[u16; 4]] {
        &self.changed[..self.count]
    }

    /// What the panel shows.
    pub fn pixels(&self) -> &[u16] {
        self.pixels
    }

    /// What the panel shows, for a canvas.
    pub fn rgba(&mut self) -> &[[u8; 4]] {
        let count = self.width * self.height;
        for (rgba, &pixel) in self.rgba[..count].iter_mut().zip(&self.pixels[..count]) {
            let [r, g, b] = expand_565(self.wire.turn(pixel));
            *rgba = [r, g, b, 255];
        }
        self.rgba
    }
}
