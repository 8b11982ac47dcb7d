//! Sound blocks: the bytes of one slice's sound, decodable alone.
//!
//! | coding | number | bytes for n samples | layout |
//! |---|---|---|---|
//! | 16-bit signed PCM, low byte first | 1 | 2 n | signed 16-bit, little-endian |
//! | 8-bit unsigned PCM | 2 | n | unsigned 8-bit, 128 is silence |
//! | IMA ADPCM | 3 | 4 + n / 2 | 4-byte header, then nibbles, low one first |

use byteorder::{ByteOrder as _, LE};

use super::adpcm;
use super::block_error::BlockError;

/// How the samples of a block are stored; the numbers are the container's.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(
    feature = "model",
    derive(serde::Serialize, serde::Deserialize),
    serde(rename_all = "kebab-case")
)]
#[cfg_attr(feature = "program", derive(clap::ValueEnum))]
#[repr(u8)]
pub enum SoundCoding {
    /// 16-bit signed PCM.
    #[default]
    Pcm16 = 1,
    /// 8-bit unsigned PCM.
    Pcm8 = 2,
    /// IMA ADPCM, 4 bits per sample.
    Adpcm = 3,
}

impl SoundCoding {
    /// The coding with this number, if there is one.
    #[must_use]
    pub const fn from_number(number: u8) -> Option<Self> {
        match number {
            1 => Some(Self::Pcm16),
            2 => Some(Self::Pcm8),
            3 => Some(Self::Adpcm),
            _ => None,
        }
    }
}

/// Bytes of a block of `samples` samples, without the container's padding.
#[must_use]
pub const fn block_bytes(coding: SoundCoding, samples: usize) -> usize {
    match coding {
        SoundCoding::Pcm16 => 2 * samples,
        SoundCoding::Pcm8 => samples,
        SoundCoding::Adpcm if samples == 0 => 0,
        SoundCoding::Adpcm => adpcm::HEADER_BYTES + samples / 2,
    }
}

/// Decodes one block into `out`, whose length is the slice's sample count. An
/// empty block is silence.
///
/// # Errors
/// [`BlockError::Length`] when `bytes` is not exactly
/// [`block_bytes`]`(coding, out.len())` long, [`BlockError::Header`] when an
/// ADPCM header is out of range. `out` is untouched then.
pub fn decode_block(coding: SoundCoding, bytes: &[u8], out: &mut [i16]) -> Result<(), BlockError> {
    BlockReader::open(coding, bytes, out.len())?.read(bytes, out);
    Ok(())
}

/// Decodes one block in pieces of any size, as firmware does.
#[derive(Debug, Clone, Copy)]
pub struct BlockReader {
    coding: SoundCoding,
    /// Samples given so far.
    at: usize,
    state: adpcm::State,
}

impl BlockReader {
    /// Opens a block of `samples` samples; an empty one is silence.
    ///
    /// # Errors
    /// As [`decode_block`].
    pub fn open(coding: SoundCoding, bytes: &[u8], samples: usize) -> Result<Self, BlockError> {
        let needed = block_bytes(coding, samples);
        if !bytes.is_empty() && bytes.len() != needed {
            return Err(BlockError::Length {
                needed,
                found: bytes.len(),
            });
        }
        let state = match coding {
            SoundCoding::Adpcm if !bytes.is_empty() => adpcm::open(bytes)?,
            _ => adpcm::State::default(),
        };
        Ok(Self {
            coding,
            at: 0,
            state,
        })
    }

    /// Decodes the next samples, no more than the block has left. `bytes` are those
    /// that it was opened with.
    pub fn read(&mut self, bytes: &[u8], out: &mut [i16]) {
        let at = self.at;
        self.at += out.len();
        match self.coding {
            _ if bytes.is_empty() => out.fill(0),
            SoundCoding::Pcm16 => LE::read_i16_into(&bytes[2 * at..2 * self.at], out),
            SoundCoding::Pcm8 => {
                for (&byte, sample) in bytes[at..].iter().zip(out) {
                    *sample = (i16::from(byte) - 128) << 8;
                }
            }
            SoundCoding::Adpcm => adpcm::read(&mut self.state, bytes, at, out),
        }
    }
}
