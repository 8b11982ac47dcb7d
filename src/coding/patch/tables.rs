//! Constants of the `patch` bitstream, as `spec/coding.md` lists them.

/// Positions of an 8x8 block in the order of coding.
#[rustfmt::skip]
pub const SCAN8: [u8; 64] = [
     0,  1,  8, 16,  9,  2,  3, 10, 17, 24, 32, 25, 18, 11,  4,  5,
    12, 19, 26, 33, 40, 48, 41, 34, 27, 20, 13,  6,  7, 14, 21, 28,
    35, 42, 49, 56, 57, 50, 43, 36, 29, 22, 15, 23, 30, 37, 44, 51,
    58, 59, 52, 45, 38, 31, 39, 46, 53, 60, 61, 54, 47, 55, 62, 63,
];

/// Positions of a 4x4 block in the order of coding.
pub const SCAN4: [u8; 16] = [0, 1, 4, 8, 5, 2, 3, 6, 9, 12, 13, 10, 7, 11, 14, 15];

/// Quantiser steps of the lowest octave, in sixteenths.
const STEPS: [i32; 6] = [10, 11, 13, 14, 16, 18];

/// Highest quantiser.
pub const MOST_QUANTISER: u8 = 51;

/// Step of `quantiser` 0..=51 in sixteenths of a level: it doubles every six.
#[must_use]
pub const fn step(quantiser: u8) -> i32 {
    STEPS[(quantiser % 6) as usize] << (quantiser / 6)
}

/// Taps for a whole place and for a quarter, half and three quarters; they
/// sum to 64. Each for sixteen lanes.
pub static TAPS: [[[i16; 16]; 4]; 4] = [
    [[0; 16], [64; 16], [0; 16], [0; 16]],
    [[-4; 16], [54; 16], [16; 16], [-2; 16]],
    [[-4; 16], [36; 16], [36; 16], [-4; 16]],
    [[-2; 16], [16; 16], [54; 16], [-4; 16]],
];

/// Class of a position in the scan, for its contexts.
#[rustfmt::skip]
pub const BAND: [u8; 64] = [
    0, 1, 2, 3, 3, 3, 4, 4, 4, 4, 5, 5, 5, 5, 5, 6,
    6, 6, 6, 6, 6, 6, 6, 6, 6, 6, 6, 6, 7, 7, 7, 7,
    7, 7, 7, 7, 7, 7, 7, 7, 7, 7, 7, 7, 7, 7, 7, 7,
    7, 7, 7, 7, 7, 7, 7, 7, 7, 7, 7, 7, 7, 7, 7, 7,
];

/// Rows of history before the current sixteen.
pub const REACH: usize = 48;

/// Ranks of the 8x8 ordered dither (Bayer 1973).
#[rustfmt::skip]
const RANKS: [u8; 64] = [
     0, 32,  8, 40,  2, 34, 10, 42,
    48, 16, 56, 24, 50, 18, 58, 26,
    12, 44,  4, 36, 14, 46,  6, 38,
    60, 28, 52, 20, 62, 30, 54, 22,
     3, 35, 11, 43,  1, 33,  9, 41,
    51, 19, 59, 27, 49, 17, 57, 25,
    15, 47,  7, 39, 13, 45,  5, 37,
    63, 31, 55, 23, 61, 29, 53, 21,
];

/// Dither added to red and blue, and to green, before rounding to RGB565.
/// Green goes the other way, so that the pattern's luma is nearly even.
#[must_use]
pub const fn dither(x: usize, y: usize) -> (i16, i16) {
    let odd = 2 * RANKS[(y & 7) * 8 + (x & 7)] as i32 + 1;
    // odd / 128 x 255 / 31 less half a step of 255 / 31, rounded.
    let five = (odd * 255 + 1984) / 3968 - 4;
    // The same with 63 levels.
    let six = 2 - (odd * 255 + 4032) / 8064;
    (five as i16, six as i16)
}

/// Likelihood of 0 in each context at a key picture, in 1/256; counted over
/// moving pictures of film, animation and a table top at three quantisers.
#[rustfmt::skip]
pub const START: [u8; 299] = [
    251, 147,  43, 250, 166,  62, 242,  59, 131, 198, 139,  27,  88, 168, 247, 252,
    128, 128, 123,  91,  47, 139, 113,  42, 229, 167,  68, 248, 220, 185, 195, 126,
     33, 209, 244, 151,  76, 162, 161, 104, 191, 149, 155,  80, 144, 133, 148, 192,
    227, 236, 128, 128, 128, 101, 101,  88, 102,  82, 181, 250, 209, 128, 128, 247,
    230, 147, 209, 185, 108, 229, 194, 120, 239, 220, 132, 160, 187, 208, 226, 209,
    183, 128, 128, 128, 165, 200, 222, 230, 181, 146, 154, 137, 152, 163, 177, 207,
    199, 205, 128, 158, 194, 218, 228, 171, 128, 128, 128, 128,  57, 128,  61, 128,
     67, 128, 178, 150, 123,  36,  75, 128, 181,  91, 118,  34,  68, 128, 200,  86,
    151,  14,  95, 128, 216,  59, 166,   8,  99, 128, 222,  39, 164,  10,  86, 128,
    227,  35, 178,  16,  90, 128, 217,  85, 153,  58, 130, 128,  49, 128,  49, 128,
     54, 128,  80,  74,  75,   4,  35, 128,  45, 134,  59,  15,  40, 128, 102,  94,
    100,   4,  65, 128, 153,  51, 116,   4,  71, 128, 175,  29, 109,   4,  76, 128,
    192,  31, 120,   4,  85, 128, 186,  47, 126,  12, 100, 128, 200, 128, 191, 128,
    168, 128, 195,   9, 147,   4,  71, 128, 177,  14, 173,   7,  87, 128, 203,   6,
    202,   4, 129, 128, 207,  10, 207,   4, 127, 128, 211,  14, 218,   6, 158, 128,
    216,  24, 209,   7, 163, 128, 202,  84, 224,  42, 179, 128,  42, 128,  52, 128,
     60, 128, 122, 137, 109,  14,  54, 128, 107, 120,  74,  21,  59, 128, 127, 110,
    124,  14,  84, 128, 146,  80, 131,  13, 104, 128, 169,  74, 145,  17, 133, 128,
    187,  68, 155,  14, 142, 128, 179,  62, 149,  37, 118,
];
