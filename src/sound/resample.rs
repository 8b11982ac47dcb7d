//! Mono sound from one rate to another, by the FFT resampler of `rubato`.
//!
//! The filter is a windowed sinc (squared Blackman-Harris) of at least 512
//! samples of the lower rate: flat to beyond 0.45 of that rate, and down by far
//! more than 80 dB at half of it.

use audioadapter_buffers::direct::SequentialSlice;
use rubato::audioadapter_buffers;
use rubato::{Fft, FixedSync, Indexing, Resampler as _, WindowFunction};

use super::error::SoundError;

/// Least filter length, in samples of the lower rate. The transition band of
/// the window is about 27.5 / length of half the rate: 0.054 here, and 0.1 is
/// what "flat to 0.45 of the rate" leaves.
const FILTER: u32 = 512;

/// A resampler with exact length and no delay: output sample `i` is the source
/// at time `i / to`, and `n` source samples give `round(n to / from)`.
pub struct Resampler {
    from: u32,
    to: u32,
    engine: Option<Engine>,
    taken: u64,
    given: u64,
}

struct Engine {
    fft: Fft<f32>,
    waiting: Vec<f32>,
    block: Vec<f32>,
    skip: usize,
}

impl Resampler {
    /// A resampler between two rates in Hz; equal rates pass samples through.
    ///
    /// # Errors
    /// When a rate is zero.
    pub fn new(from: u32, to: u32) -> Result<Self, SoundError> {
        let engine = if from == to && from != 0 {
            None
        } else {
            Some(Engine::new(from, to)?)
        };
        Ok(Self {
            from,
            to,
            engine,
            taken: 0,
            given: 0,
        })
    }

    /// Takes source samples and appends what can be given already to `out`.
    ///
    /// # Errors
    /// Only when the library fails, which its documentation rules out here.
    pub fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) -> Result<(), SoundError> {
        self.taken += samples.len() as u64;
        let Some(engine) = &mut self.engine else {
            out.extend_from_slice(samples);
            return Ok(());
        };
        let before = out.len();
        engine.waiting.extend_from_slice(samples);
        engine
            .run(out)
            .map_err(|cause| failed(self.from, self.to, cause))?;
        self.given += (out.len() - before) as u64;
        Ok(())
    }

    /// Appends the rest, so that the total length is exact.
    ///
    /// # Errors
    /// As [`Resampler::push`].
    pub fn finish(&mut self, out: &mut Vec<f32>) -> Result<(), SoundError> {
        let wanted = resampled_length(self.taken, self.from, self.to);
        let Some(engine) = &mut self.engine else {
            return Ok(());
        };
        let before = out.len() as u64;
        while self.given + (out.len() as u64 - before) < wanted {
            let size = engine.fft.input_frames_next();
            engine
                .waiting
                .resize(engine.waiting.len().max(1).next_multiple_of(size), 0.0);
            engine
                .run(out)
                .map_err(|cause| failed(self.from, self.to, cause))?;
        }
        out.truncate((before + wanted.saturating_sub(self.given)) as usize);
        self.given = wanted;
        Ok(())
    }
}

/// Samples that `samples` samples at `from` Hz become at `to` Hz: the nearest
/// whole number.
#[must_use]
pub fn resampled_length(samples: u64, from: u32, to: u32) -> u64 {
    let scaled = u128::from(samples) * u128::from(to) * 2 + u128::from(from);
    (scaled / (2 * u128::from(from))) as u64
}

impl Engine {
    fn new(from: u32, to: u32) -> Result<Self, SoundError> {
        if from == 0 || to == 0 {
            return Err(failed(from, to, "a rate of zero"));
        }
        let common = crate::units::gcd(from, to);
        let units = FILTER.div_ceil((from / common).min(to / common));
        // An even number of units makes both halves of the delay whole samples.
        let chunk = (units.next_multiple_of(2) * (from / common)) as usize;
        let fft = Fft::new_custom(
            from as usize,
            to as usize,
            chunk,
            1,
            1,
            WindowFunction::BlackmanHarris2,
            FixedSync::Both,
        )
        .map_err(|cause| failed(from, to, cause))?;
        let skip = fft.output_delay();
        let block = vec![0.0; fft.output_frames_max()];
        Ok(Self {
            fft,
            waiting: Vec::new(),
            block,
            skip,
        })
    }

    fn run(&mut self, out: &mut Vec<f32>) -> Result<(), rubato::ResampleError> {
        let size = self.fft.input_frames_next();
        let mut start = 0;
        while self.waiting.len() - start >= size {
            let made = self.one(start..start + size)?;
            start += size;
            let skipped = self.skip.min(made);
            self.skip -= skipped;
            out.extend_from_slice(&self.block[skipped..made]);
        }
        self.waiting.drain(..start);
        Ok(())
    }

    fn one(&mut self, range: std::ops::Range<usize>) -> Result<usize, rubato::ResampleError> {
        let (from, to) = (range.len(), self.block.len());
        let source = SequentialSlice::new(&self.waiting[range], 1, from).expect("sizes agree");
        let mut target = SequentialSlice::new_mut(&mut self.block, 1, to).expect("sizes agree");
        let (_, made) =
            self.fft
                .process_into_buffer(&source, &mut target, Some(&Indexing::default()))?;
        Ok(made)
    }
}

fn failed(from: u32, to: u32, cause: impl ToString) -> SoundError {
    SoundError::Resample {
        from,
        to,
        cause: cause.to_string(),
    }
}
