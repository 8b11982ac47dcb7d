//! Decoder of the `raw` coding: rectangles of pixels ready for the bus.
//!
//! Payload: count u16, reserved u16 = 0, then for each rectangle x, y, w, h
//! u16 and w x h pixels of two bytes in wire order, padded with zeros to 4.

use byteorder::{ByteOrder as _, LE};

use super::DecodeError;
use crate::units::Rect;

/// Bytes before the first rectangle.
pub const HEAD: usize = 4;
/// Bytes before a rectangle's pixels.
pub const RECT_HEAD: usize = 8;

/// The rectangles of one payload, in order. After an error it ends.
#[derive(Clone, Debug)]
pub struct Rectangles<'a> {
    rest: &'a [u8],
    left: u16,
    width: u16,
    height: u16,
}

/// One rectangle and its pixels in wire order, two bytes each.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Piece<'a> {
    /// Where on the panel.
    pub rect: Rect,
    /// 2 x w x h bytes, rows from the top.
    pub wire: &'a [u8],
}

impl<'a> Rectangles<'a> {
    /// Starts on a payload for a panel of `width` x `height`.
    ///
    /// # Errors
    /// The head is cut or its reserved field is not zero.
    pub fn new(payload: &'a [u8], width: u16, height: u16) -> Result<Self, DecodeError> {
        let (head, rest) = payload.split_at_checked(HEAD).ok_or(DecodeError::Short)?;
        if head[2..4] != [0, 0] {
            return Err(DecodeError::Invalid("reserved field of a raw picture"));
        }
        Ok(Self {
            rest,
            left: u16_at(head, 0),
            width,
            height,
        })
    }

    /// Checks every rectangle, so that a damaged picture is refused whole.
    ///
    /// # Errors
    /// The first fault of the payload.
    pub fn check(&self) -> Result<(), DecodeError> {
        let mut all = self.clone();
        while all.left > 0 {
            all.piece()?;
        }
        if all.rest.is_empty() {
            Ok(())
        } else {
            Err(DecodeError::Long)
        }
    }

    fn piece(&mut self) -> Result<Piece<'a>, DecodeError> {
        let (head, rest) = self
            .rest
            .split_at_checked(RECT_HEAD)
            .ok_or(DecodeError::Short)?;
        let rect = Rect {
            x: u16_at(head, 0),
            y: u16_at(head, 2),
            w: u16_at(head, 4),
            h: u16_at(head, 6),
        };
        let fits = |at: u16, size: u16, most: u16| {
            size > 0 && u32::from(at) + u32::from(size) <= u32::from(most)
        };
        if !fits(rect.x, rect.w, self.width) || !fits(rect.y, rect.h, self.height) {
            return Err(DecodeError::Invalid("rectangle outside the panel"));
        }
        let bytes = 2 * usize::from(rect.w) * usize::from(rect.h);
        let (wire, rest) = rest.split_at_checked(bytes).ok_or(DecodeError::Short)?;
        let (padding, rest) = rest.split_at_checked(bytes & 2).ok_or(DecodeError::Short)?;
        if padding.iter().any(|&b| b != 0) {
            return Err(DecodeError::Invalid("padding of a raw rectangle"));
        }
        self.rest = rest;
        self.left -= 1;
        Ok(Piece { rect, wire })
    }
}

impl<'a> Iterator for Rectangles<'a> {
    type Item = Result<Piece<'a>, DecodeError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.left == 0 {
            return None;
        }
        let piece = self.piece();
        if piece.is_err() {
            self.left = 0;
        }
        Some(piece)
    }
}

fn u16_at(bytes: &[u8], at: usize) -> u16 {
    LE::read_u16(&bytes[at..])
}
