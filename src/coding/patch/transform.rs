//! Inverse transforms: the 8x8 and 4x4 integer cosine transforms of ITU-T
//! H.265, clause 8.6.4.2, with the shifts of 8-bit video. Values fit 32 bits.

use super::predict::Target;

/// A row or column of eight, in lanes.
type Lanes = [i16; 8];

/// Up to this sum of magnitudes what the columns give fits 16 bits:
/// (47,000 x 89 + 64) >> 7 is 32,680.
const MOST_SUM: u32 = 47_000;

/// Adds the residual of one 8x8 block; `last` is the last place in the scan
/// that may differ from zero, `sum` the sum of magnitudes. Clears `c`.
pub fn add8(c: &mut [i16; 64], last: usize, sum: u32, to: &mut Target<'_>) {
    if last == 0 {
        let dc = round(round(64 * i32::from(c[0]), 7) * 64, 12);
        c[0] = 0;
        return add_flat(dc, to);
    }
    let Some(rows) = c.as_chunks_mut::<8>().0.first_chunk_mut::<8>() else {
        return;
    };
    match last {
        _ if sum > MOST_SUM => wide(rows),
        1..3 => residual::<2>(rows),
        3..10 => residual::<4>(rows),
        _ => residual::<8>(rows),
    }
    for (row, r) in to.rows::<8>().zip(rows) {
        add(row, r);
    }
    *c = [0; 64];
}

/// Adds four 4x4 residuals, upper left, upper right, lower left, lower right.
/// Clears `c`.
pub fn add_fours(c: &mut [i16; 64], to: &mut Target<'_>) {
    for (i, four) in c.as_chunks::<16>().0.iter().enumerate() {
        if four.iter().any(|&v| v != 0) {
            add4(
                four,
                &mut Target {
                    plane: to.plane,
                    stride: to.stride,
                    x: to.x + (i & 1) * 4,
                    y: to.y + (i >> 1) * 4,
                },
            );
        }
    }
    *c = [0; 64];
}

#[inline(always)]
const fn round(v: i32, shift: u32) -> i32 {
    (v + (1 << (shift - 1))) >> shift
}

fn add_flat(dc: i32, to: &mut Target<'_>) {
    let (up, down) = (dc.clamp(0, 255) as u8, (-dc).clamp(0, 255) as u8);
    for row in to.rows::<8>() {
        *row = row.map(|p| p.saturating_add(up).saturating_sub(down));
    }
}

#[inline(always)]
fn add(row: &mut [u8; 8], r: &Lanes) {
    for i in 0..8 {
        row[i] = i16::from(row[i]).saturating_add(r[i]).clamp(0, 255) as u8;
    }
}

/// Coefficients become the residual, in rows of lanes; only the first `N` (2,
/// 4, 8) rows and columns may differ from zero.
#[inline(always)]
fn residual<const N: usize>(rows: &mut [Lanes; 8]) {
    let mut spare = [[0; 8]; 8];
    if N == 2 {
        // Two columns are fewer steps than eight lanes and a turn.
        let corner = [0, 1].map(|x| [rows[0][x], rows[1][x]].map(i32::from));
        for (out, [first, second]) in rows.iter_mut().zip(corner) {
            let column = inverse8::<2>([first, second, 0, 0, 0, 0, 0, 0]);
            *out = column.map(|v| narrow(v, 7));
        }
    } else {
        pass::<N, 7>(&mut spare, rows);
        turn(rows, &mut spare);
    }
    pass::<N, 12>(&mut spare, rows);
    turn(rows, &mut spare);
}

/// One dimension, a lane for each column: rows in, rows out. The first `N` in
/// may differ from zero. A function of its own, so that it becomes vector code.
#[inline(never)]
fn pass<const N: usize, const SHIFT: u32>(out: &mut [Lanes; 8], rows: &[Lanes; 8]) {
    for i in 0..8 {
        let one = inverse8::<N>(core::array::from_fn(|k| i32::from(rows[k][i])));
        for k in 0..8 {
            out[k][i] = narrow(one[k], SHIFT);
        }
    }
}

#[inline(always)]
fn narrow(v: i32, shift: u32) -> i16 {
    round(v, shift).clamp(-32768, 32767) as i16
}

/// Columns of `from` become the rows of `to`, in three steps that every vector
/// unit has; `from` is anything after.
#[inline(always)]
fn turn(to: &mut [Lanes; 8], from: &mut [Lanes; 8]) {
    riffle(to, from);
    riffle(from, to);
    riffle(to, from);
}

/// Row i between its lanes with row i + 4. A function of its own, or the
/// three steps are joined into one that no vector unit has.
#[inline(never)]
fn riffle(out: &mut [Lanes; 8], m: &[Lanes; 8]) {
    for i in 0..4 {
        let (a, b) = (m[i], m[i + 4]);
        for k in 0..4 {
            (out[2 * i][2 * k], out[2 * i][2 * k + 1]) = (a[k], b[k]);
        }
        for k in 0..4 {
            (out[2 * i + 1][2 * k], out[2 * i + 1][2 * k + 1]) = (a[4 + k], b[4 + k]);
        }
    }
}

/// The residual of values of any size.
#[cold]
fn wide(rows: &mut [Lanes; 8]) {
    let mut mid = [[0i32; 8]; 8];
    for x in 0..8 {
        let out = inverse8::<8>(core::array::from_fn(|k| i32::from(rows[k][x])));
        for y in 0..8 {
            mid[y][x] = round(out[y], 7);
        }
    }
    *rows = mid.map(|row| inverse8::<8>(row).map(|v| narrow(v, 12)));
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

fn add4(c: &[i16; 16], to: &mut Target<'_>) {
    let mut mid = [[0i32; 4]; 4];
    for x in 0..4 {
        let out = inverse4(core::array::from_fn(|k| i32::from(c[k * 4 + x])));
        for y in 0..4 {
            mid[y][x] = round(out[y], 7);
        }
    }
    for (row, m) in to.rows::<4>().zip(mid) {
        for (p, r) in row.iter_mut().zip(inverse4(m)) {
            *p = (i32::from(*p) + round(r, 11)).clamp(0, 255) as u8;
        }
    }
}

#[inline(always)]
const fn inverse4(c: [i32; 4]) -> [i32; 4] {
    let (a0, a1) = (64 * (c[0] + c[2]), 64 * (c[0] - c[2]));
    let (b0, b1) = (83 * c[1] + 36 * c[3], 36 * c[1] - 83 * c[3]);
    [a0 + b0, a1 + b1, a1 - b1, a0 - b0]
}
