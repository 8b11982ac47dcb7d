//! IMA ADPCM, decoding half (IMA Digital Audio Focus and Technical Working
//! Groups, "Recommended Practices for Enhancing Digital Audio Compatibility in
//! Multimedia Systems", revision 3.00, 1992).
//!
//! A block: first sample `i16` little-endian, step index `u8` (0..=88), zero
//! `u8`, then one nibble for each further sample, the low nibble of a byte
//! first. An unused last nibble is zero. With a sample count of 8 k + 1 this is
//! the mono block of the well-known WAV form, byte for byte.

use super::block_error::BlockError;

/// Bytes before the nibbles.
pub const HEADER_BYTES: usize = 4;

/// Added to the step index after each nibble, by the nibble's magnitude bits.
pub const INDEX_CHANGE: [i8; 8] = [-1, -1, -1, -1, 2, 4, 6, 8];

/// The quantiser's step sizes.
pub const STEPS: [i16; 89] = [
    7, 8, 9, 10, 11, 12, 13, 14, 16, 17, 19, 21, 23, 25, 28, 31, 34, 37, 41, 45, 50, 55, 60, 66,
    73, 80, 88, 97, 107, 118, 130, 143, 157, 173, 190, 209, 230, 253, 279, 307, 337, 371, 408, 449,
    494, 544, 598, 658, 724, 796, 876, 963, 1060, 1166, 1282, 1411, 1552, 1707, 1878, 2066, 2272,
    2499, 2749, 3024, 3327, 3660, 4026, 4428, 4871, 5358, 5894, 6484, 7132, 7845, 8630, 9493,
    10442, 11487, 12635, 13899, 15289, 16818, 18500, 20350, 22385, 24623, 27086, 29794, 32767,
];

/// What a decoder carries from one nibble to the next.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct State {
    /// The last sample.
    pub sample: i16,
    /// Index into [`STEPS`], 0..=88.
    pub index: u8,
}

impl State {
    /// Takes one nibble (its low four bits) and returns the next sample.
    pub fn step(&mut self, nibble: u8) -> i16 {
        let step = i32::from(STEPS[usize::from(self.index)]);
        let mut difference = step >> 3;
        if nibble & 4 != 0 {
            difference += step;
        }
        if nibble & 2 != 0 {
            difference += step >> 1;
        }
        if nibble & 1 != 0 {
            difference += step >> 2;
        }
        if nibble & 8 != 0 {
            difference = -difference;
        }
        self.sample = clamp16(i32::from(self.sample) + difference);
        let change = INDEX_CHANGE[usize::from(nibble & 7)];
        self.index = self.index.saturating_add_signed(change).min(88);
        self.sample
    }
}

const fn clamp16(value: i32) -> i16 {
    if value > 32767 {
        32767
    } else if value < -32768 {
        -32768
    } else {
        value as i16
    }
}

/// What the block's header states: the first sample, and where the nibbles go on.
pub(super) fn open(bytes: &[u8]) -> Result<State, BlockError> {
    let head = bytes.first_chunk::<HEADER_BYTES>();
    let &[low, high, index, zero] = head.ok_or(BlockError::Header)?;
    if index > 88 || zero != 0 {
        return Err(BlockError::Header);
    }
    let sample = i16::from_le_bytes([low, high]);
    Ok(State { sample, index })
}

/// Decodes the samples from number `at` on, of a block whose length has been checked.
pub(super) fn read(state: &mut State, bytes: &[u8], at: usize, mut out: &mut [i16]) {
    if at == 0
        && let Some(first) = out.split_off_first_mut()
    {
        *first = state.sample;
    }
    let nibble = at.saturating_sub(1);
    let mut bytes = bytes[HEADER_BYTES + nibble / 2..].iter();
    if nibble % 2 == 1
        && let (Some(sample), Some(byte)) = (out.split_off_first_mut(), bytes.next())
    {
        *sample = state.step(byte >> 4);
    }
    for (pair, &byte) in out.chunks_mut(2).zip(bytes) {
        pair[0] = state.step(byte & 15);
        if let Some(second) = pair.get_mut(1) {
            *second = state.step(byte >> 4);
        }
    }
}
