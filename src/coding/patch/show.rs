//! From planes to the panel's pixels: RGB565, with or without dither.

use super::decoder::Decoder;
use super::plane::Memory;
use super::tables::dither;
use crate::units::Rect;

/// Pixels across a strip, and across a narrow one.
const STRIP: usize = 16;
const NARROW: usize = STRIP / 2;

/// Lanes carry component - 32768 and saturate, so that limiting to 0..=255
/// is the sum itself and one minimum. To stay clear of the wrong end, luma
/// comes less this and chroma with as much more.
const LIFT: i16 = 264;
const LOWEST: i16 = i16::MIN;
const HIGHEST: i16 = LOWEST + 255;

/// 65536 x 31 / 255 and x 63 / 255. Odd, so that half of them, which 32768
/// leaves in a product's upper 16 bits, ends in the half that rounds.
const FIVE: u32 = 7967;
const SIX: u32 = 16191;
/// Places of red and green in a pixel, as factors.
const RED: u16 = 1 << 11;
const GREEN: u16 = 1 << 5;
/// What 32768 leaves in a whole pixel.
const LEFT: u16 = ((FIVE as u16 / 2).wrapping_mul(RED))
    .wrapping_add((SIX as u16 / 2).wrapping_mul(GREEN))
    .wrapping_add(FIVE as u16 / 2);

/// What is the same in all of a row.
struct Pattern {
    /// Dither for red and blue, and for green, less [`LIFT`].
    five: [i16; STRIP],
    six: [i16; STRIP],
    /// [`RED`] and [`GREEN`]. From memory, since a compiler that knows them
    /// makes one shift of them and the scaling, and that takes 32 bits.
    red: [u16; STRIP],
    green: [u16; STRIP],
}

const NONE: Pattern = Pattern {
    five: [-LIFT; STRIP],
    six: [-LIFT; STRIP],
    red: [RED; STRIP],
    green: [GREEN; STRIP],
};

impl Pattern {
    /// One pixel from luma and what chroma adds, in column `x`.
    #[inline(always)]
    fn pixel(&self, x: usize, luma: u8, [r, g, b]: [i16; 3]) -> u16 {
        let (five, six) = (
            i16::from(luma) + self.five[x],
            i16::from(luma) + self.six[x],
        );
        let scaled = |chroma: i16, luma: i16, scale: u32| {
            let value = chroma.saturating_add(luma).min(HIGHEST) as u16;
            ((u32::from(value) * scale) >> 16) as u16
        };
        (scaled(r, five, FIVE).wrapping_mul(self.red[x]))
            .wrapping_add(scaled(g, six, SIX).wrapping_mul(self.green[x]))
            .wrapping_add(scaled(b, five, FIVE))
            .wrapping_sub(LEFT)
    }
}

/// No dither in eight rows.
static PLAIN: [Pattern; 8] = [NONE; 8];

/// The dither of eight rows, worked out by the compiler.
static ORDERED: [Pattern; 8] = {
    let mut rows = [const { NONE }; 8];
    let mut i = 0;
    while i < 8 * STRIP {
        let (x, y) = (i % STRIP, i / STRIP);
        let (five, six) = dither(x, y);
        rows[y].five[x] += five;
        rows[y].six[x] += six;
        i += 1;
    }
    rows
};

/// Part of the picture: its first pixel, pixels across, rows down.
#[derive(Clone, Copy)]
struct Part {
    x: usize,
    y: usize,
    w: usize,
    h: usize,
}

impl<B: Memory> Decoder<B> {
    /// Converts pixels `x`.. of row `y` to RGB565, R in the high bits, as
    /// many as `out` holds; those outside the panel are left as they are.
    pub fn row(&self, x: usize, y: usize, out: &mut [u16]) {
        let pitch = out.len();
        let (w, h) = (pitch, 1);
        self.convert(Part { x, y, w, h }, out, pitch);
    }

    /// Converts the pixels in `rect` to RGB565, R in the high bits, into
    /// `out`, whose rows are `pitch` apart. Pixels outside the panel are
    /// left as it is. Nothing happens if `out` is too short for `rect`, or
    /// `pitch` is less than its width.
    pub fn paint(&self, rect: Rect, out: &mut [u16], pitch: usize) {
        let [x, y, w, h] = [rect.x, rect.y, rect.w, rect.h].map(usize::from);
        if w <= pitch && h > 0 && out.len() >= (h - 1) * pitch + w {
            self.convert(Part { x, y, w, h }, out, pitch);
        }
    }

    fn convert(&self, part: Part, out: &mut [u16], pitch: usize) {
        let [width, height] = self.size();
        if part.x >= width || part.y >= height || pitch == 0 {
            return;
        }
        let mut part = Part {
            w: part.w.min(width - part.x),
            h: part.h.min(height - part.y),
            ..part
        };
        // Two rows share their chroma; an odd one begins or ends alone.
        let first = part.y & 1 & usize::from(part.h > 0);
        let paired = (part.h - first) & !1;
        let last = part.h - first - paired;
        let mut rest = out;
        for (h, both) in [(first, false), (paired, true), (last, false)] {
            let end = (h * pitch).min(rest.len());
            let (now, after) = core::mem::take(&mut rest).split_at_mut(end);
            part.h = h;
            if both {
                self.band::<2>(part, now, pitch);
            } else {
                self.band::<1>(part, now, pitch);
            }
            part.y += h;
            rest = after;
        }
    }

    /// Converts rows, `R` at a time: strips, and what is left at either side
    /// pixel by pixel.
    fn band<const R: usize>(&self, part: Part, out: &mut [u16], pitch: usize) {
        if part.h == 0 {
            return;
        }
        let lead = (part.x.wrapping_neg() & (NARROW - 1)).min(part.w);
        if lead > 0 {
            self.pixels(Part { w: lead, ..part }, out, pitch);
        }
        let mut at = lead;
        while at + NARROW <= part.w {
            let (x, out) = (part.x + at, &mut out[at..]);
            at += if at + STRIP <= part.w {
                self.strip::<R, STRIP, NARROW>(Part { x, ..part }, out, pitch)
            } else {
                self.strip::<R, NARROW, { NARROW / 2 }>(Part { x, ..part }, out, pitch)
            };
        }
        let (x, w) = (part.x + at, part.w - at);
        if w > 0 {
            self.pixels(Part { x, w, ..part }, &mut out[at..], pitch);
        }
    }

    fn pixels(&self, part: Part, out: &mut [u16], pitch: usize) {
        for y in 0..part.h {
            let pattern = &self.patterns()[(part.y + y) & 7];
            let luma = self.luma_rows(part.y + y, 1);
            let [orange, green] = self.chroma_rows((part.y + y) / 2, 1);
            for x in part.x..part.x + part.w {
                let add = chroma(orange[x / 2].into(), green[x / 2].into());
                out[y * pitch + x - part.x] = pattern.pixel(x & 7, luma[x], add);
            }
        }
    }

    /// Converts a strip of `N` pixels, `H` samples of chroma, from the top
    /// down, `R` rows at a time; gives `N`.
    #[inline(never)]
    fn strip<const R: usize, const N: usize, const H: usize>(
        &self,
        part: Part,
        out: &mut [u16],
        pitch: usize,
    ) -> usize {
        let Part { x, y, h, .. } = part;
        let stride = self.luma_rows(0, 1).len();
        let luma = self.luma_rows(y, h).chunks_exact(R * stride);
        let [orange, green] = self
            .chroma_rows(y / 2, h.div_ceil(2))
            .map(|rows| rows.chunks_exact(stride / 2));
        let patterns = self.patterns();
        let mut at = y;
        for (((luma, orange), green), out) in
            luma.zip(orange).zip(green).zip(out.chunks_mut(R * pitch))
        {
            let half = |row| <[u8]>::get(row, x / 2..)?.first_chunk::<H>();
            let (Some(orange), Some(green)) = (half(orange), half(green)) else {
                break;
            };
            let add = spread::<N, H>(orange, green);
            for r in 0..R {
                let row = luma.get(r * stride + x..).and_then(<[u8]>::first_chunk);
                let to = out.get_mut(r * pitch..).and_then(<[u16]>::first_chunk_mut);
                if let (Some(row), Some(to)) = (row, to) {
                    line::<N>(row, &add, &patterns[at & 7], to);
                }
                at += 1;
            }
        }
        N
    }

    const fn patterns(&self) -> &'static [Pattern; 8] {
        if self.dithers() { &ORDERED } else { &PLAIN }
    }
}

/// What chroma adds to red, green and blue, lifted.
#[inline(always)]
const fn chroma(co: i16, cg: i16) -> [i16; 3] {
    const BASE: i16 = LOWEST + LIFT;
    [BASE + co - cg, BASE + cg - 128, BASE + 256 - co - cg]
}

/// The same for a strip, each sample twice. One simple loop a step, so that
/// they become vector code.
#[inline(always)]
fn spread<const N: usize, const H: usize>(orange: &[u8; H], green: &[u8; H]) -> [[i16; N]; 3] {
    let (mut co, mut cg) = ([0i16; N], [0i16; N]);
    for (twice, once) in [(&mut co, orange), (&mut cg, green)] {
        for i in 0..H {
            let value = i16::from(once[i]);
            (twice[2 * i], twice[2 * i + 1]) = (value, value);
        }
    }
    let mut parts = [[0; N]; 3];
    for i in 0..N {
        let [r, g, b] = chroma(co[i], cg[i]);
        (parts[0][i], parts[1][i], parts[2][i]) = (r, g, b);
    }
    parts
}

#[inline(always)]
fn line<const N: usize>(
    luma: &[u8; N],
    add: &[[i16; N]; 3],
    pattern: &Pattern,
    out: &mut [u16; N],
) {
    for i in 0..N {
        out[i] = pattern.pixel(i, luma[i], [add[0][i], add[1][i], add[2][i]]);
    }
}

#[cfg(all(test, feature = "files"))]
mod tests {
    use super::*;
    use crate::coding::{five, six};

    /// Against the formulas of `spec/coding.md`, section 3.9.
    #[test]
    fn a_pixel_is_what_the_text_says() {
        for place in 0..64 {
            let pattern = &[&ORDERED, &PLAIN][place & 1][place >> 3];
            let x = place & 7;
            let [d5, d6] = [pattern.five[x], pattern.six[x]].map(|d| d + LIFT);
            for n in 0..86 * 37 * 37 {
                let (y, co, cg) = (n % 86 * 3, n / 86 % 37 * 7, n / 86 / 37 * 7);
                let [y, co, cg] = [y, co, cg].map(|v: i32| v as i16);
                let (o, g) = (co - 128, cg - 128);
                let limit = |v: i16| v.clamp(0, 255) as u16;
                let want = five(limit(y + o - g + d5)) << 11
                    | six(limit(y + g + d6)) << 5
                    | five(limit(y - o - g + d5));
                assert_eq!(
                    pattern.pixel(x, y as u8, chroma(co, cg)),
                    want,
                    "{y} {co} {cg}"
                );
            }
        }
    }
}
