//! Whether a reel shows what a clip shows, and where in the clip that begins.

use std::path::Path;

use super::compare::{CompareError, Panel, nanos};
use crate::picture::PictureStage;
use crate::source::{Clip, Item, OpenOptions, SoundChoice};

/// Cells along each side of a signature: coarse, so that dither, coding and small
/// text do not count.
const CELLS: usize = 8;
/// Mean correlation that pictures of the same scene pass, and pictures of
/// different scenes do not reach. Measured on seven real clips, five pictures per
/// second: a clip and its panel's film 0.949 or more (JPEG at quality 5 is the
/// least), different clips 0.313 or less. A fixed camera at another time reaches
/// 0.96: what moves before it tells ([`MOVES_ALIKE`]).
const SAME: f64 = 0.8;
/// Correlation of what changes from picture to picture. Measured on the same
/// clips, ten pictures per second: 0.833 or more for two seconds of a clip at
/// JPEG quality 5 and the same seconds, 0.663 or less for other seconds of a fixed
/// camera (6,006 pairs, 95 % of them 0.308 or less), 0.449 or less for five seconds.
const MOVES_ALIKE: f64 = 0.6;
/// Pictures below which nothing is said of what moves.
const MOVES_COUNT: u32 = 15;
/// Variance, as a share of a picture's own, below which nothing moves: noise.
const MOVES_LEAST: f64 = 0.004;
/// Pictures after which a comparison is given up where nothing is alike.
const ENOUGH: u32 = 48;
/// A picture whose cells differ by less, in levels, root mean square, says
/// nothing.
const FLAT: f32 = 3.0;
/// What text adds to a flat picture at most, in levels of a cell, root mean
/// square: a tenth of the cells by 100 levels.
const TEXT: f32 = 32.0;
/// Pictures of the reel that are looked for.
const PROBES: usize = 48;
/// Signatures of the clip that are kept at once; of a longer clip every second
/// one, and so on.
const KEPT: usize = 1 << 16;

/// The lightness of a picture in a few cells, less its mean, of length one.
#[derive(Clone, PartialEq)]
pub(super) struct Signature([f32; CELLS * CELLS]);

type Cells = [f32; CELLS * CELLS];

impl Signature {
    /// Mean lightness of each cell, of three bytes per pixel; none of a picture
    /// smaller than the cells.
    fn cells(rgb: &[u8], width: u16) -> Option<Cells> {
        let width = usize::from(width);
        let height = rgb.len() / 3 / width.max(1);
        if width < CELLS || height < CELLS {
            return None;
        }
        let (mut sums, mut counts) = ([0.0; CELLS * CELLS], [0.0_f32; CELLS * CELLS]);
        for (y, row) in rgb.chunks_exact(3 * width).enumerate() {
            let start = y * CELLS / height * CELLS;
            for (x, pixel) in row.chunks_exact(3).enumerate() {
                let cell = start + x * CELLS / width;
                let [r, g, b] = [pixel[0], pixel[1], pixel[2]].map(f32::from);
                // BT.709's weights of luma.
                sums[cell] += 0.2126 * r + 0.7152 * g + 0.0722 * b;
                counts[cell] += 1.0;
            }
        }
        let mut cells = sums;
        cells
            .iter_mut()
            .zip(counts)
            .for_each(|(sum, count)| *sum /= count);
        Some(cells)
    }

    /// Of three bytes per pixel; none of a picture that is nearly flat.
    pub(super) fn of(rgb: &[u8], width: u16) -> Option<Self> {
        let mut cells = Self::cells(rgb, width)?;
        let mean = cells.iter().sum::<f32>() / cells.len() as f32;
        cells.iter_mut().for_each(|cell| *cell -= mean);
        let length = cells.iter().map(|c| c * c).sum::<f32>().sqrt();
        if length < FLAT * CELLS as f32 {
            return None;
        }
        cells.iter_mut().for_each(|cell| *cell /= length);
        Some(Self(cells))
    }

    /// Correlation, -1 to 1.
    pub(super) fn correlation(&self, other: &Self) -> f64 {
        let products = self.0.iter().zip(&other.0).map(|(a, b)| a * b);
        f64::from(products.sum::<f32>())
    }
}

/// Whether cells differ by less than text on a flat picture makes them differ.
fn are_near(a: &[u8], b: &[u8], width: u16) -> bool {
    let (Some(a), Some(b)) = (Signature::cells(a, width), Signature::cells(b, width)) else {
        return true;
    };
    let squares: f32 = a.iter().zip(&b).map(|(a, b)| (a - b) * (a - b)).sum();
    squares < TEXT * TEXT * (CELLS * CELLS) as f32
}

/// How far what changes in one row of pictures changes in another: the pictures'
/// own means are taken off.
struct Moves {
    means: [Cells; 2],
    products: f64,
    count: u32,
}

impl Default for Moves {
    fn default() -> Self {
        Self {
            means: [[0.0; CELLS * CELLS]; 2],
            products: 0.0,
            count: 0,
        }
    }
}

impl Moves {
    fn look(&mut self, a: &Signature, b: &Signature) {
        self.products += a.correlation(b);
        self.count += 1;
        let count = self.count as f32;
        for (means, new) in self.means.iter_mut().zip([a, b]) {
            let cells = means.iter_mut().zip(&new.0);
            cells.for_each(|(mean, new)| *mean += (new - *mean) / count);
        }
    }

    /// Correlation, if enough moves and it shows something else.
    fn strange(&self) -> Option<f64> {
        let product = |a: &Cells, b: &Cells| {
            let products = a.iter().zip(b).map(|(a, b)| f64::from(a * b));
            products.sum::<f64>()
        };
        let [a, b] = &self.means;
        // A signature is of length one.
        let variance = 1.0 - (product(a, a) + product(b, b)) / 2.0;
        let together = self.products / f64::from(self.count.max(1)) - product(a, b);
        let tells = self.count >= MOVES_COUNT && variance >= MOVES_LEAST;
        let alike = together / variance;
        (tells && alike < MOVES_ALIKE).then_some(alike)
    }
}

/// How alike reel and clip are, where that shows that they are not the same.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Alike {
    /// Mean correlation of the pictures.
    pub pictures: f64,
    /// Correlation of what changes in them, where that alone tells.
    pub moves: Option<f64>,
}

impl std::fmt::Display for Alike {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let percent = |share: f64| 100.0 * share.max(0.0);
        let pictures = percent(self.pictures);
        match self.moves {
            None => write!(
                f,
                "their pictures are {pictures:.0} % alike (correlation, measured)"
            ),
            Some(moves) => write!(
                f,
                "their pictures are {pictures:.0} % alike, but what moves in them {:.0} % (correlations, measured)",
                percent(moves)
            ),
        }
    }
}

/// How alike the pictures of a comparison are.
#[derive(Default)]
pub(super) struct Likeness {
    sum: f64,
    count: u32,
    moves: Moves,
    /// Text that is burnt in moves too.
    has_text: bool,
}

impl Likeness {
    /// Of nothing yet; whether text is burnt into the reel.
    pub(super) fn new(has_text: bool) -> Self {
        Self {
            has_text,
            ..Self::default()
        }
    }

    /// Takes a pair into account, where both say something.
    pub(super) fn look(&mut self, clip: &[u8], panel: &[u8], width: u16) {
        let pair = (Signature::of(clip, width), Signature::of(panel, width));
        let alike = match pair {
            (Some(clip), Some(panel)) => {
                self.moves.look(&clip, &panel);
                clip.correlation(&panel)
            }
            (None, None) => return,
            // One shows something where the other shows nothing: text on a flat
            // picture, or another scene.
            _ if are_near(clip, panel, width) => return,
            _ => 0.0,
        };
        self.sum += alike;
        self.count += 1;
    }

    /// Mean correlation of the pictures.
    fn mean(&self) -> f64 {
        self.sum / f64::from(self.count.max(1))
    }

    /// How alike they are, if that shows that the clips are not the same.
    pub(super) fn strange(&self) -> Option<Alike> {
        let pictures = self.mean();
        if self.count > 0 && pictures < SAME {
            return Some(Alike {
                pictures,
                moves: None,
            });
        }
        let moves = self.moves.strange().filter(|_| !self.has_text)?;
        Some(Alike {
            pictures,
            moves: Some(moves),
        })
    }

    /// Whether enough was seen of something else.
    pub(super) fn is_hopeless(&self) -> bool {
        self.count >= ENOUGH && self.mean() < SAME / 2.0
    }
}

/// Seconds of the clip at which the reel's first picture is found best, if it
/// is found at all.
///
/// # Errors
/// See [`CompareError`].
pub(super) fn find(reel: &Path, clip: &Path, threads: usize) -> Result<Option<f64>, CompareError> {
    let (probes, stage) = probes(reel)?;
    let pictures = signatures(clip, threads, PictureStage::new(stage)?)?;
    let (Some(first), true) = (pictures.first(), probes.len() >= 3) else {
        return Ok(None);
    };
    let ends = pictures.last().unwrap_or(first).0;
    let last = probes.last().map_or(0.0, |p| p.0);
    let at = |time: f64| {
        let next = pictures.partition_point(|p| p.0 <= time + 1e-6);
        pictures[next.saturating_sub(1)].1.as_ref()
    };
    let alike = |start: f64| {
        let each = probes.iter().map(|(time, probe)| {
            at(start + time).map_or(0.0, |picture| picture.correlation(probe))
        });
        each.sum::<f64>() / probes.len() as f64
    };
    let starts = pictures.iter().map(|p| p.0);
    let best = starts
        .filter(|start| start + last <= ends + 0.5)
        .map(|start| (start, alike(start)))
        .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.total_cmp(&a.0)));
    let moves_too = |start: f64| {
        let mut moves = Moves::default();
        for (time, probe) in &probes {
            if let Some(picture) = at(start + time) {
                moves.look(picture, probe);
            }
        }
        moves.strange().is_none()
    };
    Ok(best
        .filter(|(start, alike)| *alike > SAME && moves_too(*start))
        .map(|(start, _)| start))
}

/// Pictures spread over the reel, by their seconds from its start, and how they
/// were made.
#[allow(clippy::type_complexity, reason = "used once")]
fn probes(
    reel: &Path,
) -> Result<(Vec<(f64, Signature)>, crate::picture::PicturePlan), CompareError> {
    let mut panel = Panel::open(reel)?;
    let stage = panel.note()?.stage;
    let (width, count) = (panel.header.width, panel.header.picture_count as usize);
    let step = count.div_ceil(PROBES).max(1) as u64;
    let mut probes = Vec::new();
    let mut number = 0;
    while let Some(seconds) = panel.seconds_at(number)? {
        let seen = Signature::of(panel.rgb(), width);
        probes.extend(seen.map(|signature| (seconds, signature)));
        number += step;
    }
    Ok((probes, stage))
}

type Timed = (f64, Option<Signature>);

/// The clip's pictures as the panel would show them.
fn signatures(
    clip: &Path,
    threads: usize,
    mut stage: PictureStage,
) -> Result<Vec<Timed>, CompareError> {
    let mut decoder = Clip::open(
        clip,
        &OpenOptions {
            sound: SoundChoice::Silent,
            threads,
            from: nanos(0.0),
            ..OpenOptions::default()
        },
    )?;
    let (mut kept, mut stride, mut number) = (Vec::new(), 1, 0_u64);
    while let Some(item) = decoder.next_item()? {
        let Item::Picture(picture) = item else {
            continue;
        };
        number += 1;
        if (number - 1) % stride != 0 {
            continue;
        }
        let shown = stage.render(&picture)?;
        let signature = Signature::of(&shown.rgb, shown.width);
        kept.push((picture.time.0 as f64 / 1e9, signature));
        if kept.len() > KEPT {
            let mut nth = 0;
            kept.retain(|_| {
                nth += 1;
                nth % 2 == 1
            });
            stride *= 2;
        }
    }
    Ok(kept)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ramp(across: bool, noise: u8) -> Vec<u8> {
        let level = |x: u32, y: u32| 4 * if across { x } else { y };
        let pixel = |i: u32| {
            let (x, y) = (i % 48, i / 48);
            let grain = if (x + y) % 2 == 0 { noise } else { 0 };
            [level(x, y) as u8 + grain; 3]
        };
        (0..48 * 48).flat_map(pixel).collect()
    }

    /// A lamp at `place` of 40 before a scene that stays.
    fn lamp(place: u32) -> Signature {
        let mut rgb = ramp(true, 0);
        for y in 8..24 {
            for x in place..place + 8 {
                let at = 3 * (y * 48 + x) as usize;
                rgb[at..at + 3].fill(255);
            }
        }
        Signature::of(&rgb, 48).unwrap()
    }

    #[test]
    fn before_a_fixed_camera_what_moves_tells_the_time() {
        let told = |later: u32, count: u32| {
            let mut moves = Moves::default();
            for n in 0..count {
                moves.look(&lamp(7 * n % 40), &lamp(7 * (n + later) % 40));
            }
            moves.strange()
        };
        assert!(told(0, 40).is_none() && told(1, 9).is_none());
        assert!(told(3, 40).is_some_and(|alike| alike < 0.3));
        let mut still = Moves::default();
        (0..40).for_each(|_| still.look(&lamp(3), &lamp(3)));
        assert!(still.strange().is_none());
    }

    #[test]
    fn grain_leaves_pictures_alike_and_another_picture_is_not() {
        let of = |rgb: Vec<u8>| Signature::of(&rgb, 48).unwrap();
        assert!(of(ramp(true, 0)).correlation(&of(ramp(true, 30))) > 0.99);
        assert!(of(ramp(true, 0)).correlation(&of(ramp(false, 0))).abs() < 0.01);
        assert!(Signature::of(&[90; 48 * 48 * 3], 48).is_none());
    }
}
