//! Encoder of sound blocks.

use byteorder::{ByteOrder as _, LE};

use super::adpcm::{STEPS, State};
use super::block::{SoundCoding, block_bytes};
use super::shaped8::Shaped8;

/// Codes one slice's samples after another.
#[derive(Debug, Clone)]
pub struct BlockEncoder {
    coding: SoundCoding,
    index: u8,
    shaped: Shaped8,
    most: i32,
}

impl BlockEncoder {
    /// An encoder at the start of a reel whose sound has `rate` samples per second.
    #[must_use]
    pub fn new(coding: SoundCoding, rate: u32) -> Self {
        Self {
            coding,
            index: 0,
            shaped: Shaped8::new(rate),
            most: 32_768,
        }
    }

    /// Lets no decoded sample pass `ceiling` dBFS, neither by the coding's noise
    /// nor by its steps: what the limiter held stays held.
    #[must_use]
    pub fn below(mut self, ceiling: f64) -> Self {
        self.most = (32_768.0 * 10f64.powf(ceiling / 20.0))
            .floor()
            .min(32_768.0) as i32;
        self.shaped.below(self.most / 256);
        self
    }

    /// Codes the samples of one slice; the block decodes alone.
    pub fn encode(&mut self, samples: &[i16]) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(block_bytes(self.coding, samples.len()));
        match self.coding {
            SoundCoding::Pcm16 => {
                bytes.resize(2 * samples.len(), 0);
                LE::write_i16_into(samples, &mut bytes);
            }
            SoundCoding::Pcm8 => bytes.extend(samples.iter().map(|&s| self.shaped.push(s))),
            SoundCoding::Adpcm => self.adpcm(samples, &mut bytes),
        }
        bytes
    }

    fn adpcm(&mut self, samples: &[i16], bytes: &mut Vec<u8>) {
        let Some((&first, rest)) = samples.split_first() else {
            return;
        };
        let mut state = State {
            sample: first,
            index: self.index,
        };
        bytes.extend([0, 0, state.index, 0]);
        LE::write_i16(bytes, first);
        for pair in rest.chunks(2) {
            let low = nearest(&mut state, pair[0], self.most);
            let high = pair
                .get(1)
                .map_or(0, |&s| nearest(&mut state, s, self.most));
            bytes.push(low | high << 4);
        }
        self.index = state.index;
    }
}

/// The nibble whose sample comes closest without passing `most`, and the
/// decoder's step with it.
fn nearest(state: &mut State, sample: i16, most: i32) -> u8 {
    let difference = i32::from(sample) - i32::from(state.sample);
    let step = i32::from(STEPS[usize::from(state.index)]);
    let magnitude = (difference.abs() * 4 / step).min(7) as u8;
    let sign = if difference < 0 { 8 } else { 0 };
    let before = *state;
    for nibble in (0..=magnitude).rev().map(|m| m | sign) {
        *state = before;
        if i32::from(state.step(nibble)).abs() <= most {
            return nibble;
        }
    }
    // Even the smallest step outwards is too much: take it inwards.
    *state = before;
    state.step(8 - sign);
    8 - sign
}
