//! Inverse transforms: the 8x8 and 4x4 integer cosine transforms of ITU-T
//! H.265, clause 8.6.4.2, with the shifts of 8-bit video. Values fit 32 bits.

/// Adds the residual of one 8x8 block to `plane` at `at`; `last` is the last
/// place in the scan that may differ from zero. Clears `c`.
pub fn add8(c: &mut [i16; 64], last: usize, plane: &mut [u8], at: usize, stride: usize) {
    if last == 0 {
        let dc = round(round(64 * i32::from(c[0]), 7) * 64, 12);
        add_flat(dc, plane, at, stride);
        c[0] = 0;
    } else if last < 3 {
        add_sparse::<2>(c, plane, at, stride);
    } else if last < 10 {
        add_sparse::<4>(c, plane, at, stride);
    } else {
        add_sparse::<8>(c, plane, at, stride);
    }
}

/// Adds four 4x4 residuals, upper left, upper right, lower left, lower right.
pub fn add_fours(c: &mut [i16; 64], plane: &mut [u8], at: usize, stride: usize) {
    for (i, four) in c.as_chunks::<16>().0.iter().enumerate() {
        let at = at + (i & 1) * 4 + (i >> 1) * 4 * stride;
        if four.iter().any(|&v| v != 0) {
            add4(four, plane, at, stride);
        }
    }
    *c = [0; 64];
}

#[inline(always)]
const fn round(v: i32, shift: u32) -> i32 {
    (v + (1 << (shift - 1))) >> shift
}

#[inline(always)]
fn clamp(v: i32) -> u8 {
    v.clamp(0, 255) as u8
}

fn add_flat(dc: i32, plane: &mut [u8], at: usize, stride: usize) {
    let size = dc.unsigned_abs().min(255) as u8;
    for y in 0..8 {
        if let Some(row) = plane[at + y * stride..].first_chunk_mut::<8>() {
            if dc >= 0 {
                *row = row.map(|p| p.saturating_add(size));
            } else {
                *row = row.map(|p| p.saturating_sub(size));
            }
        }
    }
}

/// Only the first `N` rows and columns of `c` may differ from zero.
#[inline(always)]
fn add_sparse<const N: usize>(c: &mut [i16; 64], plane: &mut [u8], at: usize, stride: usize) {
    let mut mid = [[0i32; 8]; 8];
    for x in 0..N {
        let column = core::array::from_fn(|k| if k < N { i32::from(c[k * 8 + x]) } else { 0 });
        let out = inverse8::<N>(column);
        for y in 0..8 {
            mid[y][x] = round(out[y], 7);
        }
    }
    for (y, row) in mid.iter().enumerate() {
        let out = inverse8::<N>(*row);
        if let Some(pixels) = plane[at + y * stride..].first_chunk_mut::<8>() {
            for (p, r) in pixels.iter_mut().zip(out) {
                // In 16 bits, so that it becomes vector code.
                let r = round(r, 12).clamp(-32768, 32767) as i16;
                *p = i16::from(*p).saturating_add(r).clamp(0, 255) as u8;
            }
        }
    }
    for row in c.as_chunks_mut::<8>().0.iter_mut().take(N) {
        row[..N].fill(0);
    }
}

/// One dimension of eight, of which the first `N` (2, 4 or 8) may differ from zero.
#[inline(always)]
fn inverse8<const N: usize>(c: [i32; 8]) -> [i32; 8] {
    let (c4, c5, c6, c7) = if N == 8 {
        (c[4], c[5], c[6], c[7])
    } else {
        (0, 0, 0, 0)
    };
    let (c2, c3) = if N > 2 { (c[2], c[3]) } else { (0, 0) };
    let (a0, a1) = (64 * (c[0] + c4), 64 * (c[0] - c4));
    let (b0, b1) = (83 * c2 + 36 * c6, 36 * c2 - 83 * c6);
    let even = [a0 + b0, a1 + b1, a1 - b1, a0 - b0];
    let odd = [
        89 * c[1] + 75 * c3 + 50 * c5 + 18 * c7,
        75 * c[1] - 18 * c3 - 89 * c5 - 50 * c7,
        50 * c[1] - 89 * c3 + 18 * c5 + 75 * c7,
        18 * c[1] - 50 * c[3] + 75 * c5 - 89 * c7,
    ];
    core::array::from_fn(|i| {
        if i < 4 {
            even[i] + odd[i]
        } else {
            even[7 - i] - odd[7 - i]
        }
    })
}

fn add4(c: &[i16; 16], plane: &mut [u8], at: usize, stride: usize) {
    let mut mid = [[0i32; 4]; 4];
    for x in 0..4 {
        let out = inverse4(core::array::from_fn(|k| i32::from(c[k * 4 + x])));
        for y in 0..4 {
            mid[y][x] = round(out[y], 7);
        }
    }
    for (y, row) in mid.iter().enumerate() {
        let out = inverse4(*row);
        if let Some(pixels) = plane[at + y * stride..].first_chunk_mut::<4>() {
            for (p, r) in pixels.iter_mut().zip(out) {
                *p = clamp(i32::from(*p) + round(r, 11));
            }
        }
    }
}

#[inline(always)]
const fn inverse4(c: [i32; 4]) -> [i32; 4] {
    let (a0, a1) = (64 * (c[0] + c[2]), 64 * (c[0] - c[2]));
    let (b0, b1) = (83 * c[1] + 36 * c[3], 36 * c[1] - 83 * c[3]);
    [a0 + b0, a1 + b1, a1 - b1, a0 - b0]
}
