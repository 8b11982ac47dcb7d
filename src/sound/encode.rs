//! Encoder of sound blocks.

use byteorder::{ByteOrder as _, LE};

use super::adpcm_encoder::AdpcmEncoder;
use super::block::{SoundCoding, block_bytes};
use super::shaped8::Shaped8;

/// Codes one slice's samples after another.
#[derive(Debug)]
pub struct BlockEncoder {
    coding: SoundCoding,
    adpcm: Option<AdpcmEncoder>,
    shaped: Shaped8,
    most: i32,
}

impl BlockEncoder {
    /// An encoder at the start of a reel whose sound has `rate` samples per second.
    #[must_use]
    pub fn new(coding: SoundCoding, rate: u32) -> Self {
        Self {
            coding,
            adpcm: (coding == SoundCoding::Adpcm).then(|| AdpcmEncoder::new(rate)),
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
        let (Some(&first), Some(coder)) = (samples.first(), &mut self.adpcm) else {
            return;
        };
        let (index, nibbles) = coder.encode(samples, self.most);
        bytes.extend([0, 0, index, 0]);
        LE::write_i16(bytes, first);
        let byte = |pair: &[u8]| pair[0] | pair.get(1).unwrap_or(&0) << 4;
        bytes.extend(nibbles.chunks(2).map(byte));
    }
}
