//! Phase cancellation in the sum of left and right.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use super::downmix::{Downmix, weights};
use super::layout::Layout;

/// Octave bands, by their nominal centres in Hz (IEC 61260).
pub const OCTAVES: [f64; 10] = [
    31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0,
];

/// Loss in one octave above which the sum to mono is called unsafe, dB.
pub const UNSAFE_DB: f64 = 6.0;
/// An octave this far below the loudest is not judged, dB.
const FAINT_DB: f64 = 40.0;

/// How much the sum to mono loses, octave by octave.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PhaseLoss {
    /// dB lost against equal sound in left and right: 0 when they are equal, 3
    /// when they have nothing in common, more when they cancel. `None` where
    /// there is too little sound to judge.
    pub octaves: [Option<f64>; OCTAVES.len()],
}

impl PhaseLoss {
    /// The worst octave: its centre in Hz and its loss in dB.
    #[must_use]
    pub fn worst(&self) -> Option<(f64, f64)> {
        let judged = OCTAVES
            .iter()
            .zip(self.octaves)
            .filter_map(|(&hz, loss)| Some((hz, loss?)));
        judged.max_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// Whether any octave loses more than [`UNSAFE_DB`].
    #[must_use]
    pub fn is_unsafe(&self) -> bool {
        self.worst().is_some_and(|(_, db)| db > UNSAFE_DB)
    }
}

const SIZE: usize = 4096;
/// One block of so many is measured: a look every third of a second says as
/// much of a programme as all of it.
const EVERY: usize = 4;

/// Compares the halves of the room, block by block.
pub struct PhaseMeter {
    halves: [Vec<f32>; 2],
    rate: f64,
    window: Vec<f32>,
    blocks: [Vec<f32>; 2],
    spectra: [Vec<Complex<f32>>; 2],
    /// Frames to leave out before the next block.
    skip: usize,
    fft: Arc<dyn RealToComplex<f32>>,
    apart: [f64; OCTAVES.len()],
    together: [f64; OCTAVES.len()],
}

impl PhaseMeter {
    /// A meter for frames of this layout; `None` when it has no two sides.
    #[must_use]
    pub fn new(rate: u32, layout: &Layout) -> Option<Self> {
        let sides = layout.channels().iter().map(|c| c.side());
        if !(sides.clone().any(|s| s < 0) && sides.clone().any(|s| s > 0)) {
            return None;
        }
        let all = weights(layout, Downmix::Sum);
        let half = |side: i8| {
            let share = |s: i8| {
                if s == 0 {
                    0.5
                } else {
                    f64::from(u8::from(s == side))
                }
            };
            sides
                .clone()
                .zip(&all)
                .map(|(s, w)| (w * share(s)) as f32)
                .collect()
        };
        let turn = std::f64::consts::TAU / SIZE as f64;
        let fft = RealFftPlanner::new().plan_fft_forward(SIZE);
        Some(Self {
            halves: [half(-1), half(1)],
            rate: f64::from(rate),
            window: (0..SIZE)
                .map(|i| (0.5 - 0.5 * (turn * i as f64).cos()) as f32)
                .collect(),
            blocks: [Vec::with_capacity(SIZE), Vec::with_capacity(SIZE)],
            skip: 0,
            spectra: [fft.make_output_vec(), fft.make_output_vec()],
            fft,
            apart: [0.0; OCTAVES.len()],
            together: [0.0; OCTAVES.len()],
        })
    }

    /// Takes whole interleaved frames.
    pub fn push(&mut self, frames: &[f32]) {
        let channels = self.halves[0].len();
        let mut rest = frames;
        while !rest.is_empty() {
            if self.skip > 0 {
                let left_out = self.skip.min(rest.len() / channels);
                self.skip -= left_out;
                rest = &rest[left_out * channels..];
                continue;
            }
            let wanted = (SIZE - self.blocks[0].len()).min(rest.len() / channels);
            let (now, later) = rest.split_at(wanted * channels);
            self.gather(now);
            rest = later;
            if self.blocks[0].len() == SIZE {
                self.measure();
                self.skip = (EVERY - 1) * SIZE;
            }
        }
    }

    fn gather(&mut self, frames: &[f32]) {
        for frame in frames.chunks_exact(self.halves[0].len()) {
            for (block, half) in self.blocks.iter_mut().zip(&self.halves) {
                let sum: f32 = frame.iter().zip(half).map(|(s, w)| s * w).sum();
                block.push(if sum.is_finite() { sum } else { 0.0 });
            }
        }
    }

    /// The loss so far, with the last, shorter block.
    pub fn loss(&mut self) -> PhaseLoss {
        if !self.blocks[0].is_empty() {
            self.measure();
        }
        let loudest = self.apart.iter().fold(0.0f64, |m, &x| m.max(x));
        let floor = (loudest * 10f64.powf(-FAINT_DB / 10.0)).max(f64::MIN_POSITIVE);
        let mut loss = PhaseLoss::default();
        for (i, octave) in loss.octaves.iter_mut().enumerate() {
            let (apart, together) = (self.apart[i], self.together[i]);
            *octave = (apart >= floor).then(|| 10.0 * (apart / together.max(apart * 1e-9)).log10());
        }
        loss
    }

    fn measure(&mut self) {
        for (block, spectrum) in self.blocks.iter_mut().zip(&mut self.spectra) {
            block.resize(SIZE, 0.0);
            block
                .iter_mut()
                .zip(&self.window)
                .for_each(|(x, w)| *x *= w);
            self.fft.process(block, spectrum).expect("sizes agree");
            block.clear();
        }
        let [left, right] = &self.spectra;
        for (band, centre) in OCTAVES.iter().enumerate() {
            let bin = |hz: f64| ((hz * SIZE as f64 / self.rate).round() as usize).min(left.len());
            let edge = std::f64::consts::SQRT_2;
            for k in bin(centre / edge)..bin(centre * edge) {
                self.apart[band] += 2.0 * f64::from(left[k].norm_sqr() + right[k].norm_sqr());
                self.together[band] += f64::from((left[k] + right[k]).norm_sqr());
            }
        }
    }
}
