//! Encoder of `patch`.

mod macroblock;
mod planes;
mod quantise;
mod search;
mod write;

use super::neighbour::Neighbour;
use super::predict::Patch;
use super::range::{Contexts, START};
use super::{HEAD_DITHER, HEAD_KEY, Level};
use crate::coding::dirty::Cells;
use crate::coding::{CodingError, Encoded, PictureEncoder, PictureIn, Shape};
use macroblock::{Picture, Weights, bounded};
use planes::Planes;
use write::{Rates, Writer};

/// Settings.
#[derive(Clone, Debug)]
pub struct PatchSettings {
    pub width: u16,
    pub height: u16,
    pub shape: Shape,
    pub level: Level,
    /// 1..=100.
    pub quality: u8,
    pub effort: u8,
    pub dither: bool,
    pub lambda: f32,
    pub activity: f32,
    pub bus: f32,
    pub instruction: f32,
    pub key_boost: f32,
}

/// Encoder.
pub struct PatchEncoder {
    settings: PatchSettings,
    source: Planes,
    past: Planes,
    contexts: Contexts,
    hints: Vec<[i16; 2]>,
    hidden: Vec<bool>,
    started: bool,
    pub quantiser: f32,
}

impl PatchEncoder {
    pub fn new(settings: PatchSettings) -> Result<Self, CodingError> {
        crate::coding::check_size(settings.width, settings.height)?;
        let (w, h) = (settings.width, settings.height);
        let blocks = usize::from(w.div_ceil(16)) * usize::from(h.div_ceil(16));
        Ok(Self {
            source: Planes::black(w, h),
            past: Planes::black(w, h),
            contexts: START,
            hints: vec![[0; 2]; blocks],
            hidden: vec![false; blocks],
            started: false,
            quantiser: 51.0 - 0.46 * f32::from(settings.quality),
            settings,
        })
    }

    fn activity(&self, column: usize, line: usize) -> f32 {
        let plane = &self.source.0[0];
        let mut total = 0.0f32;
        for i in 0..4 {
            let (x, y) = (column * 16 + (i & 1) * 8, line * 16 + (i >> 1) * 8);
            let (mut sum, mut squares) = (0u32, 0u32);
            for j in 0..8 {
                for &v in plane.row::<8>(x, y + j) {
                    sum += u32::from(v);
                    squares += u32::from(v) * u32::from(v);
                }
            }
            let mean = sum as f32 / 64.0;
            let variance = squares as f32 / 64.0 - mean * mean;
            total += (2.0 * variance + 58.5).log2();
        }
        3.0 * (total / 4.0 - 9.0)
    }

    pub fn reconstruction(&self) -> [&[u8]; 3] {
        [0, 1, 2].map(|i| &self.past.0[i].data[..])
    }
}

impl PictureEncoder for PatchEncoder {
    fn encode(&mut self, input: &PictureIn<'_>, key: bool) -> Result<Encoded, CodingError> {
        input.check(self.settings.width, self.settings.height)?;
        let key = key || !self.started;
        self.started = true;
        let s = &self.settings;
        self.source.fill(input.rgb, s.width, s.height);
        let (columns, lines) = (
            usize::from(s.width.div_ceil(16)),
            usize::from(s.height.div_ceil(16)),
        );
        if key {
            self.contexts = START;
            self.past = Planes::black(s.width, s.height);
        }
        let base = self.quantiser - if key { s.key_boost } else { 0.0 };
        let aims: Vec<u8> = (0..columns * lines)
            .map(|i| bounded(base + s.activity * self.activity(i % columns, i / columns)))
            .collect();
        let mut now = self.past.clone();
        let head = bounded(aims.iter().map(|&q| f32::from(q)).sum::<f32>() / aims.len() as f32);
        let mut hints = std::mem::take(&mut self.hints);
        let mut picture = Picture {
            source: &self.source,
            past: &self.past,
            now: &mut now,
            rates: Rates::new(s.level, self.contexts),
            writer: Writer::new(s.level),
            above: vec![Neighbour::default(); columns + 1],
            left: Neighbour::default(),
            quantiser: head,
            key,
            weights: Weights {
                lambda: s.lambda,
                bus: s.bus,
                instruction: s.instruction,
                effort: s.effort,
            },
            cells: Cells::new(s.width, s.height),
            patch: Patch::new(),
            hints: &mut hints,
            hidden: &self.hidden,
            columns,
        };
        for line in 0..lines {
            picture.left = Neighbour::default();
            for column in 0..columns {
                picture.macroblock(column, line, aims[line * columns + column]);
            }
        }
        let Picture {
            rates,
            writer,
            cells,
            ..
        } = picture;
        self.hints = hints;
        self.contexts = rates.contexts;
        let mut bytes = vec![
            s.level as u8 | if key { HEAD_KEY } else { 0 } | if s.dither { HEAD_DITHER } else { 0 },
            head,
        ];
        bytes.extend(writer.finish());
        self.past = now;
        Ok(Encoded {
            bytes,
            key,
            unchanged: false,
            windows: cells.windows(),
            bus_bytes: cells.bus_bytes(),
            instructions: 0,
        })
    }
}
