//! Subtitles burnt into canvases.

use ab_glyph::{Font, FontRef, Glyph, ScaleFont, point};

use super::READABLE_PIXELS;
use super::cue::Cue;
use super::layout::{width_of, wrapped};
use crate::picture::canvas::{Canvas, WHITE};
use crate::picture::panel::safe_area;
use crate::picture::plan::{PictureError, Shape};
use crate::units::{Nanos, Rect};

/// Text may cover this share of the picture's height.
const LARGEST_SHARE: f32 = 0.5;

/// Cues laid out for one panel: white letters with a dark edge at the bottom
/// (or top) of the safe area, one size for the whole clip.
pub struct Subtitles {
    font: FontRef<'static>,
    cues: Vec<Cue>,
    area: Rect,
    pixels: u16,
    cut: usize,
    missing: usize,
    unshaped: usize,
    painted: Option<Painted>,
}

/// The text of one moment as coverages, 0..=255, of the whole canvas.
struct Painted {
    shown: Vec<usize>,
    letters: Vec<u8>,
    edge: Vec<u8>,
}

impl Subtitles {
    /// Lays cues out for a canvas of `width` x `height` pixels. The size is
    /// the largest up to a tenth of the height at which every cue fits, and
    /// never below [`READABLE_PIXELS`]; what does not fit then is cut.
    ///
    /// # Errors
    /// [`PictureError::Text`] if the built-in font cannot be read.
    pub fn new(
        mut cues: Vec<Cue>,
        width: u16,
        height: u16,
        shape: Shape,
    ) -> Result<Self, PictureError> {
        let font = FontRef::try_from_slice(dejavu::sans_condensed::bold());
        let font = font.map_err(|e| PictureError::Text(format!("the built-in font: {e}")))?;
        cues.sort_by_key(|cue| (cue.start, cue.end));
        let safe = safe_area(width, height, shape);
        let margin = (safe.w / 40, safe.h / 40);
        let area = Rect {
            x: safe.x + margin.0,
            y: safe.y + margin.1,
            w: safe.w - 2 * margin.0,
            h: safe.h - 2 * margin.1,
        };
        let mut out = Self {
            missing: missing(&font, &cues),
            unshaped: cues.iter().filter(|cue| needs_shaping(cue)).count(),
            font,
            cues,
            area,
            pixels: READABLE_PIXELS,
            cut: 0,
            painted: None,
        };
        let largest = (height / 10).clamp(READABLE_PIXELS, 40);
        let sizes = (READABLE_PIXELS..=largest).rev();
        let fitting = sizes
            .map(|p| (p, out.unfit(p)))
            .find(|(_, unfit)| *unfit == 0);
        (out.pixels, out.cut) = fitting.unwrap_or((READABLE_PIXELS, out.unfit(READABLE_PIXELS)));
        Ok(out)
    }

    /// Line height in pixels.
    #[must_use]
    pub fn pixels(&self) -> u16 {
        self.pixels
    }

    /// What the user must know: cues that are cut because the panel is too
    /// small, letters the font lacks.
    #[must_use]
    pub fn warnings(&self) -> Vec<String> {
        let mut out = Vec::new();
        if self.cut > 0 {
            out.push(format!(
                "the panel is too small for the subtitles: {} of {} do not fit at {} pixels, the \
                 smallest readable size, and are cut; shorten them or use a larger panel",
                self.cut,
                self.cues.len(),
                self.pixels
            ));
        }
        if self.missing > 0 {
            out.push(format!(
                "{} letters of the subtitles are not in the built-in font and show as boxes",
                self.missing
            ));
        }
        if self.unshaped > 0 {
            out.push(format!(
                "{} of {} subtitles are in a script that runs from right to left or joins its \
                 letters, which is not done here: look at them before you show them",
                self.unshaped,
                self.cues.len()
            ));
        }
        out
    }

    /// True if the same cues are on show at both times.
    #[must_use]
    pub fn same(&self, a: Nanos, b: Nanos) -> bool {
        self.on_show(a) == self.on_show(b)
    }

    fn on_show(&self, time: Nanos) -> Vec<usize> {
        let on = |cue: &Cue| cue.start <= time && time < cue.end;
        (0..self.cues.len())
            .filter(|&i| on(&self.cues[i]))
            .collect()
    }

    /// Burns in what is on show at `time`.
    pub fn burn(&mut self, canvas: &mut Canvas, time: Nanos) {
        let shown = self.on_show(time);
        if shown.is_empty() {
            return;
        }
        if self.painted.as_ref().is_none_or(|p| p.shown != shown) {
            self.painted = Some(self.paint(shown, canvas.width, canvas.height));
        }
        if let Some(painted) = &self.painted {
            blend(canvas, painted);
        }
    }

    fn rows(&self, pixels: u16) -> usize {
        let room = f32::from(self.area.h) * LARGEST_SHARE / f32::from(pixels);
        (room as usize).clamp(1, 4)
    }

    fn lines(&self, cue: &Cue, pixels: u16) -> Vec<String> {
        let edge = 2.0 * edge_width(pixels);
        wrapped(
            &self.font,
            pixels.into(),
            &cue.lines,
            f32::from(self.area.w) - edge,
        )
    }

    /// Cues that take more rows than there are, alone or with those that are
    /// still on show when they begin.
    fn unfit(&self, pixels: u16) -> usize {
        let rows = self.rows(pixels);
        let mut on_show: Vec<(&Cue, usize)> = Vec::new();
        let mut unfit = 0;
        for cue in &self.cues {
            on_show.retain(|(before, _)| before.end > cue.start);
            on_show.push((cue, self.lines(cue, pixels).len()));
            let beside = on_show.iter().filter(|(before, _)| before.top == cue.top);
            unfit += usize::from(beside.map(|(_, lines)| lines).sum::<usize>() > rows);
        }
        unfit
    }

    fn paint(&self, shown: Vec<usize>, width: u16, height: u16) -> Painted {
        let mut letters = vec![0; usize::from(width) * usize::from(height)];
        for top in [true, false] {
            let cues = shown
                .iter()
                .map(|&i| &self.cues[i])
                .filter(|cue| cue.top == top);
            let lines: Vec<String> = cues.flat_map(|cue| self.lines(cue, self.pixels)).collect();
            self.write(
                &self.cut_to_rows(lines),
                top,
                usize::from(width),
                &mut letters,
            );
        }
        let edge = thickened(&letters, usize::from(width), edge_width(self.pixels));
        Painted {
            shown,
            letters,
            edge,
        }
    }

    fn cut_to_rows(&self, mut lines: Vec<String>) -> Vec<String> {
        let rows = self.rows(self.pixels);
        if lines.len() > rows {
            lines.truncate(rows);
            let room = f32::from(self.area.w) - 2.0 * edge_width(self.pixels);
            let last = &mut lines[rows - 1];
            while width_of(&self.font, self.pixels.into(), &format!("{last}…")) > room {
                last.pop();
            }
            last.push('…');
        }
        lines
    }

    fn write(&self, lines: &[String], top: bool, width: usize, letters: &mut [u8]) {
        let scaled = self.font.as_scaled(f32::from(self.pixels));
        let block = lines.len() as f32 * f32::from(self.pixels);
        let first = if top {
            f32::from(self.area.y)
        } else {
            f32::from(self.area.y + self.area.h) - block
        };
        for (i, line) in lines.iter().enumerate() {
            let free = f32::from(self.area.w) - width_of(&self.font, self.pixels.into(), line);
            let mut x = (f32::from(self.area.x) + free / 2.0).round();
            let y = (first + i as f32 * f32::from(self.pixels) + scaled.ascent()).round();
            let mut last = None;
            for c in line.chars() {
                let id = scaled.glyph_id(c);
                x += last.map_or(0.0, |last| scaled.kern(last, id));
                let glyph: Glyph = id.with_scale_and_position(scaled.scale(), point(x, y));
                draw(&self.font, glyph, width, letters);
                x += scaled.h_advance(id);
                last = Some(id);
            }
        }
    }
}

/// Letters that the font has no shape for.
fn missing(font: &FontRef<'_>, cues: &[Cue]) -> usize {
    let letters = cues
        .iter()
        .flat_map(|cue| cue.lines.iter().flat_map(|line| line.chars()));
    letters
        .filter(|c| !c.is_whitespace() && font.glyph_id(*c).0 == 0)
        .count()
}

/// Hebrew to Arabic Extended, their presentation forms, and the scripts of
/// India and South-East Asia up to Myanmar: blocks of the Unicode standard
/// whose letters are reordered or joined.
fn needs_shaping(cue: &Cue) -> bool {
    let joined = |c| {
        matches!(c, '\u{590}'..='\u{8FF}' | '\u{900}'..='\u{DFF}' | '\u{1000}'..='\u{109F}'
            | '\u{1780}'..='\u{17FF}' | '\u{FB1D}'..='\u{FDFF}' | '\u{FE70}'..='\u{FEFF}')
    };
    cue.lines.iter().any(|line| line.chars().any(joined))
}

fn edge_width(pixels: u16) -> f32 {
    (f32::from(pixels) / 12.0).max(1.0)
}

fn draw(font: &FontRef<'_>, glyph: Glyph, width: usize, letters: &mut [u8]) {
    let Some(outline) = font.outline_glyph(glyph) else {
        return;
    };
    let corner = outline.px_bounds().min;
    let height = letters.len() / width;
    outline.draw(|x, y, coverage| {
        let (x, y) = (
            corner.x as i64 + i64::from(x),
            corner.y as i64 + i64::from(y),
        );
        if (0..width as i64).contains(&x) && (0..height as i64).contains(&y) {
            let at = &mut letters[y as usize * width + x as usize];
            *at = (*at).max((coverage.clamp(0.0, 1.0) * 255.0).round() as u8);
        }
    });
}

/// Coverages grown by `radius` pixels on all sides.
fn thickened(letters: &[u8], width: usize, radius: f32) -> Vec<u8> {
    let reach = radius.ceil() as i64;
    let near = |d: &(i64, i64)| ((d.0 * d.0 + d.1 * d.1) as f32).sqrt() <= radius + 0.5;
    let square = (-reach..=reach).flat_map(|y| (-reach..=reach).map(move |x| (x, y)));
    let disc: Vec<(i64, i64)> = square.filter(near).collect();
    let height = letters.len() / width;
    let mut out = vec![0; letters.len()];
    for (i, &coverage) in letters.iter().enumerate().filter(|(_, c)| **c > 0) {
        let (x, y) = ((i % width) as i64, (i / width) as i64);
        for (dx, dy) in &disc {
            let (x, y) = (x + dx, y + dy);
            if (0..width as i64).contains(&x) && (0..height as i64).contains(&y) {
                let at = &mut out[y as usize * width + x as usize];
                *at = (*at).max(coverage);
            }
        }
    }
    out
}

fn blend(canvas: &mut Canvas, painted: &Painted) {
    let covers = painted.letters.iter().zip(&painted.edge);
    for (pixel, (&letter, &edge)) in canvas.pixels.iter_mut().zip(covers) {
        if edge == 0 {
            continue;
        }
        let (letter, edge) = (u32::from(letter), u32::from(edge));
        *pixel = pixel.map(|v| {
            let dark = u32::from(v) * (255 - edge) / 255;
            ((dark * (255 - letter) + u32::from(WHITE) * letter) / 255) as u16
        });
    }
}
