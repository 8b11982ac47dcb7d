//! Encoder of `patch`: aims at a quality, picture by picture. A scene cut
//! becomes a key picture.

mod choice;
mod elements;
mod intra;
mod macroblock;
mod moved;
mod planes;
mod price;
mod quantise;
mod residual;
mod scene;
mod search;
mod write;

pub use super::work::SHOWN_PIXEL;

use super::neighbour::Neighbour;
use super::predict::Patch;
use super::range::{Contexts, START};
use super::tables::MOST_QUANTISER;
use super::work::Work;
use super::{HEAD_DITHER, HEAD_KEY, Level};
use crate::coding::dirty::Cells;
use crate::coding::rate::{Ask, Trial};
use crate::coding::{CodingError, Encoded, PictureIn, Shape, Weights, mask};
use macroblock::{Picture, Worth};
use planes::Planes;
use scene::{Grid, Look, Scene};
use write::{Rates, Writer};

/// Quantisers that one step of quality is worth.
pub const QUANTISERS_A_QUALITY: f32 = 0.46;

/// Squared error that a bit is worth, over the square of the quantiser step.
const LAMBDA: f32 = 0.12;
/// How far the quantiser follows local activity: 1 would make every place
/// count alike in SSIM at high rates, 0 in squared error.
const ACTIVITY: f32 = 0.5;
/// Quantisers by which a key picture is finer: later pictures lean on it.
const KEY_BOOST: f32 = 2.0;

/// What a [`PatchEncoder`] is made from.
#[derive(Clone, Debug)]
pub struct PatchSettings {
    /// Pixels across.
    pub width: u16,
    /// Pixels down.
    pub height: u16,
    /// Visible part of the panel.
    pub shape: Shape,
    /// Level of the syntax.
    pub level: Level,
    /// 0 (quick) ..= 3 (thorough).
    pub search: u8,
    /// Dither at output.
    pub dither: bool,
    /// Worth of bus time and instructions.
    pub weights: Weights,
}

/// What one picture leaves to the next.
struct State {
    past: Planes,
    contexts: Contexts,
    hints: Vec<[i16; 2]>,
}

/// Encodes pictures of one panel, in order.
pub struct PatchEncoder {
    settings: PatchSettings,
    columns: usize,
    lines: usize,
    source: Planes,
    /// Macroblocks that never show.
    hidden: Vec<bool>,
    spans: Vec<Option<(u16, u16)>>,
    state: State,
    scene: Scene,
    pending: Option<(State, Look)>,
}

impl PatchEncoder {
    /// An encoder for a panel of `width` x `height`, 1..=512 pixels each.
    ///
    /// # Errors
    /// A size outside that range.
    pub fn new(settings: PatchSettings) -> Result<Self, CodingError> {
        crate::coding::check_size(settings.width, settings.height)?;
        let (w, h) = (settings.width, settings.height);
        let (columns, lines) = (usize::from(w.div_ceil(16)), usize::from(h.div_ceil(16)));
        let spans = (0..h)
            .map(|y| match settings.shape {
                Shape::Rectangle => Some((0, w)),
                Shape::Ellipse => mask::row_span(w, h, y),
            })
            .collect::<Vec<_>>();
        let hidden = (0..columns * lines)
            .map(|i| {
                let x = (i % columns * 16) as u16;
                let rows = spans.iter().skip(i / columns * 16).take(16);
                !rows.flatten().any(|&(a, b)| a < x + 16 && b > x)
            })
            .collect();
        Ok(Self {
            columns,
            lines,
            source: Planes::black(w, h),
            hidden,
            spans,
            state: State {
                past: Planes::black(w, h),
                contexts: START,
                hints: vec![[0; 2]; columns * lines],
            },
            scene: Scene::default(),
            pending: None,
            settings,
        })
    }

    /// The planes a decoder has after the last accepted picture.
    #[must_use]
    pub fn planes(&self) -> [&[u8]; 3] {
        [0, 1, 2].map(|i| &self.state.past.0[i].data[..])
    }

    fn load(&mut self, rgb: &[u8]) {
        let (w, h) = (self.settings.width, self.settings.height);
        if self.settings.shape == Shape::Rectangle {
            self.source.fill(rgb, w, h);
            return;
        }
        // Hidden pixels continue the edge: they cost least so.
        let mut smooth = rgb.to_vec();
        for (row, span) in smooth.chunks_exact_mut(usize::from(w) * 3).zip(&self.spans) {
            let Some((a, b)) = span.map(|(a, b)| (usize::from(a), usize::from(b))) else {
                continue;
            };
            let pixel = |row: &[u8], x: usize| [row[3 * x], row[3 * x + 1], row[3 * x + 2]];
            let (first, last) = (pixel(row, a), pixel(row, b - 1));
            for (x, p) in row.chunks_exact_mut(3).enumerate() {
                if x < a {
                    p.copy_from_slice(&first);
                } else if x >= b {
                    p.copy_from_slice(&last);
                }
            }
        }
        self.source.fill(&smooth, w, h);
    }

    /// The quantiser of each macroblock: coarser where the eye, and SSIM, is
    /// masked by local contrast.
    fn aims(&self, base: f32) -> Vec<u8> {
        (0..self.columns * self.lines)
            .map(|i| {
                let offset = ACTIVITY * activity(&self.source, i % self.columns, i / self.columns);
                (base + offset)
                    .round()
                    .clamp(0.0, f32::from(MOST_QUANTISER)) as u8
            })
            .collect()
    }

    /// Macroblocks that must keep their pixels: the hidden, and all but the
    /// `most` that changed most.
    fn frozen(&self, past: &Planes, most: usize) -> Vec<bool> {
        let mut frozen = self.hidden.clone();
        if most >= frozen.len() {
            return frozen;
        }
        let mut order: Vec<(u32, usize)> = (0..frozen.len())
            .filter(|&i| !frozen[i])
            .map(|i| {
                (
                    self.source.error(past, i % self.columns, i / self.columns),
                    i,
                )
            })
            .collect();
        order.sort_by_key(|&(error, i)| (std::cmp::Reverse(error), i));
        for &(_, i) in order.iter().skip(most) {
            frozen[i] = true;
        }
        frozen
    }
}

impl PatchEncoder {
    /// Codes the loaded picture: what came out, and what it leaves.
    fn code(&self, input: &PictureIn<'_>, key: bool, ask: Ask) -> (Encoded, State) {
        let s = &self.settings;
        let (level, blocks) = (s.level, self.columns * self.lines);
        let extreme = ((1.0 - ask.quality) / 4.0).max(0.0).exp2();
        let black = key.then(|| Planes::black(input.width, input.height));
        let past = black.as_ref().unwrap_or(&self.state.past);
        let boost = if key { KEY_BOOST } else { 0.0 };
        let aims = self.aims(51.0 - QUANTISERS_A_QUALITY * ask.quality - boost);
        let mean = aims.iter().map(|&q| usize::from(q)).sum::<usize>() / aims.len();
        let mut now = past.clone();
        let mut hints = self.state.hints.clone();
        let contexts = if key { START } else { self.state.contexts };
        let mut picture = Picture {
            source: &self.source,
            past,
            now: &mut now,
            rates: Rates::new(level, contexts),
            writer: Writer::new(level),
            above: vec![Neighbour::default(); self.columns + 1],
            left: Neighbour::default(),
            quantiser: mean as u8,
            key,
            worth: Worth {
                lambda: LAMBDA * extreme,
                weights: s.weights,
                search: s.search,
            },
            cells: Cells::new(input.width, input.height),
            patch: Patch::new(),
            hints: &mut hints,
            frozen: &self.frozen(past, ask.macroblocks),
            columns: self.columns,
            work: Work::picture(level, blocks, key),
            trail: Box::new([[(0, 0); 12]; 64]),
            rough: false,
            moved_sad: 0.0,
        };
        for line in 0..self.lines {
            picture.left = Neighbour::default();
            for column in 0..self.columns {
                picture.macroblock(column, line, aims[line * self.columns + column]);
            }
        }
        let Picture {
            rates,
            writer,
            cells,
            mut work,
            ..
        } = picture;
        work.flags(writer.elements());
        work.show(cells.pixels());
        let dither = if s.dither { HEAD_DITHER } else { 0 };
        let mut bytes = vec![
            level as u8 | if key { HEAD_KEY } else { 0 } | dither,
            mean as u8,
        ];
        bytes.extend(writer.finish());
        let encoded = Encoded {
            bytes,
            key,
            unchanged: !key && cells.pixels() == 0,
            windows: cells.windows(),
            bus_bytes: cells.bus_bytes(),
            instructions: work.total(),
        };
        let state = State {
            past: now,
            contexts: rates.contexts,
            hints,
        };
        (encoded, state)
    }
}

impl Trial for PatchEncoder {
    fn attempt(
        &mut self,
        input: &PictureIn<'_>,
        key: bool,
        ask: Ask,
    ) -> Result<Encoded, CodingError> {
        input.check(self.settings.width, self.settings.height)?;
        self.load(input.rgb);
        let (w, h) = (input.width.into(), input.height.into());
        let look = self.scene.look(Grid::of(&self.source.0[0], w, h));
        // Under a ceiling of bus or work a cut may have to come bit by bit.
        let whole = ask.macroblocks >= self.columns * self.lines;
        let (encoded, state) = self.code(input, key || whole && look.cut, ask);
        self.pending = Some((state, look));
        Ok(encoded)
    }

    fn accept(&mut self) {
        if let Some((state, look)) = self.pending.take() {
            self.state = state;
            self.scene.go_on(look);
        }
    }
}

/// Three quantisers for each doubling of local contrast about a usual one.
fn activity(source: &Planes, column: usize, line: usize) -> f32 {
    let plane = &source.0[0];
    let mut total = 0.0;
    for i in 0..4 {
        let (x, y) = (column * 16 + (i & 1) * 8, line * 16 + (i >> 1) * 8);
        let (mut sum, mut squares) = (0u32, 0u32);
        for j in 0..8 {
            for &v in plane.row::<8>(x, y + j) {
                sum += u32::from(v);
                squares += u32::from(v) * u32::from(v);
            }
        }
        // SSIM divides by the variances and (0.03 x 255)^2.
        let variance = (64 * squares - sum * sum) as f32 / 4096.0;
        total += (2.0 * variance + 58.5).log2();
    }
    3.0 * (total / 4.0 - 9.0)
}
