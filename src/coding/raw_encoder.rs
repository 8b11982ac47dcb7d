//! Encoder of the `raw` coding: the whole picture, or only what changed.

use byteorder::{ByteOrder as _, LE};

use super::dirty::Cells;
use super::rate::{Ask, Trial};
use super::raw::{HEAD, RECT_HEAD};
use super::{
    ByteOrder, CodingError, Encoded, PictureEncoder, PictureIn, Shape, WINDOW_BYTES, mask,
};
use crate::units::Rect;

/// Instructions per pixel to hand raw bytes to the bus by DMA: none of the
/// core's; a few for each window.
pub(super) const INSTRUCTIONS_A_WINDOW: u32 = 120;

/// Codes pictures as rectangles in wire order.
pub struct RawEncoder {
    width: u16,
    height: u16,
    order: ByteOrder,
    whole: Vec<Rect>,
    hidden: Vec<bool>,
    shown: Option<Vec<u16>>,
    pending: Option<Vec<u16>>,
}

impl RawEncoder {
    /// An encoder for a panel of `width` x `height`, 1..=512 pixels each.
    ///
    /// # Errors
    /// A size outside that range.
    pub fn new(
        width: u16,
        height: u16,
        shape: Shape,
        order: ByteOrder,
    ) -> Result<Self, CodingError> {
        super::check_size(width, height)?;
        let mut hidden = vec![false; usize::from(width) * usize::from(height)];
        if shape == Shape::Ellipse {
            for (y, row) in hidden.chunks_exact_mut(width.into()).enumerate() {
                let (a, b) = mask::row_span(width, height, y as u16).unwrap_or((0, 0));
                row[..usize::from(a)].fill(true);
                row[usize::from(b)..].fill(true);
            }
        }
        Ok(Self {
            width,
            height,
            order,
            whole: match shape {
                Shape::Rectangle => vec![Rect {
                    x: 0,
                    y: 0,
                    w: width,
                    h: height,
                }],
                Shape::Ellipse => bands(width, height),
            },
            hidden,
            shown: None,
            pending: None,
        })
    }

    fn changed(&self, shown: &[u16], pixels: &[u16]) -> Vec<Rect> {
        let mut cells = Cells::new(self.width, self.height);
        let w = usize::from(self.width);
        let rows = shown.chunks_exact(w).zip(pixels.chunks_exact(w));
        for (y, (old, new)) in rows.enumerate() {
            for (x, (old, new)) in old.chunks(8).zip(new.chunks(8)).enumerate() {
                let hidden = &self.hidden[y * w + 8 * x..][..old.len()];
                let pairs = old.iter().zip(new);
                if old != new
                    && pairs
                        .zip(hidden)
                        .any(|((old, new), hidden)| old != new && !hidden)
                {
                    cells.set(x, y / 8);
                }
            }
        }
        let mut rects = Vec::new();
        cells.rectangles(|r| rects.push(r));
        rects
    }

    fn emit(&self, rects: &[Rect], pixels: &[u16]) -> Vec<u8> {
        let size: usize = rects
            .iter()
            .map(|r| RECT_HEAD + 2 * r.area() as usize + 2)
            .sum();
        let mut out = Vec::with_capacity(HEAD + size);
        out.extend([0; HEAD]);
        LE::write_u16(&mut out, rects.len() as u16);
        for r in rects {
            let start = out.len();
            out.extend([0; RECT_HEAD]);
            LE::write_u16_into(&[r.x, r.y, r.w, r.h], &mut out[start..]);
            for y in r.y..r.y + r.h {
                let at = usize::from(y) * usize::from(self.width) + usize::from(r.x);
                let row = &pixels[at..at + usize::from(r.w)];
                let start = out.len();
                out.resize(start + 2 * row.len(), 0);
                for (to, &p) in out[start..].as_chunks_mut::<2>().0.iter_mut().zip(row) {
                    *to = self.order.bytes(p);
                }
            }
            out.resize(out.len().next_multiple_of(4), 0);
        }
        out
    }
}

impl Trial for RawEncoder {
    fn attempt(
        &mut self,
        input: &PictureIn<'_>,
        key: bool,
        _ask: Ask,
    ) -> Result<Encoded, CodingError> {
        input.check(self.width, self.height)?;
        let key = key || self.shown.is_none();
        let changed = match &self.shown {
            Some(shown) if !key => self.changed(shown, input.pixels),
            _ => self.whole.clone(),
        };
        if changed.is_empty() {
            return Ok(Encoded::unchanged());
        }
        let cost = |rects: &[Rect]| bus_bytes(rects) + (RECT_HEAD * rects.len()) as u32;
        let rects = if cost(&changed) < cost(&self.whole) {
            &changed
        } else {
            &self.whole
        };
        let encoded = Encoded {
            bytes: self.emit(rects, input.pixels),
            key,
            unchanged: false,
            windows: rects.len() as u16,
            bus_bytes: bus_bytes(rects),
            instructions: INSTRUCTIONS_A_WINDOW * rects.len() as u32,
        };
        self.pending = Some(input.pixels.to_vec());
        Ok(encoded)
    }

    fn accept(&mut self) {
        self.shown = self.pending.take();
    }
}

impl PictureEncoder for RawEncoder {
    fn encode(&mut self, input: &PictureIn<'_>, key: bool) -> Result<Encoded, CodingError> {
        let ask = Ask {
            quality: 100.0,
            macroblocks: usize::MAX,
        };
        let encoded = self.attempt(input, key, ask)?;
        if !encoded.unchanged {
            self.accept();
        }
        Ok(encoded)
    }
}

/// Bytes on the bus to set windows on these rectangles and send their pixels.
pub(crate) fn bus_bytes(rects: &[Rect]) -> u32 {
    rects.iter().map(|r| 2 * r.area() + WINDOW_BYTES).sum()
}

/// Bands that cover the ellipse at the least cost of link and bus together:
/// a band costs its pixels twice over and the two heads (dynamic programming
/// over the rows at which a band may end).
fn bands(width: u16, height: u16) -> Vec<Rect> {
    let spans: Vec<_> = (0..height)
        .map(|y| mask::row_span(width, height, y))
        .collect();
    let head = RECT_HEAD as u64 + u64::from(WINDOW_BYTES);
    let mut best: Vec<(u64, usize)> = vec![(0, 0)];
    for end in 1..=spans.len() {
        let (mut a, mut b) = (width, 0);
        let mut found = (u64::MAX, 0);
        if spans[end - 1].is_none() {
            found = (best[end - 1].0, end - 1);
        }
        for start in (0..end).rev() {
            let Some((x0, x1)) = spans[start] else { break };
            (a, b) = (a.min(x0), b.max(x1));
            let cost = best[start].0 + head + 4 * u64::from(b - a) * (end - start) as u64;
            if cost < found.0 {
                found = (cost, start);
            }
        }
        best.push(found);
    }
    let mut rects = Vec::new();
    let mut end = spans.len();
    while end > 0 {
        let start = best[end].1;
        let shown = spans[start..end].iter().flatten();
        let a = shown.clone().map(|s| s.0).min();
        if let (Some(a), Some(b)) = (a, shown.map(|s| s.1).max()) {
            rects.push(Rect {
                x: a,
                y: start as u16,
                w: b - a,
                h: (end - start) as u16,
            });
        }
        end = start;
    }
    rects.reverse();
    rects
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bands_cover_the_ellipse_with_little_waste() {
        for (w, h) in [(240, 240), (128, 64), (5, 9)] {
            let mut hits = vec![false; usize::from(w) * usize::from(h)];
            for r in bands(w, h) {
                for y in r.y..r.y + r.h {
                    for x in r.x..r.x + r.w {
                        let hit = &mut hits[usize::from(y) * usize::from(w) + usize::from(x)];
                        assert!(!*hit);
                        *hit = true;
                    }
                }
            }
            for y in 0..h {
                let (a, b) = mask::row_span(w, h, y).unwrap_or((0, 0));
                assert!((a..b).all(|x| hits[usize::from(y) * usize::from(w) + usize::from(x)]));
            }
        }
        let bus = bus_bytes(&bands(240, 240));
        assert!(bus < 240 * 240 * 2 * 81 / 100, "{bus}");
    }
}
