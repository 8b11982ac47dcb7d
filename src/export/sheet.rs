//! A contact sheet: pictures spread evenly over the reel, with their times.

use ab_glyph::{Font, FontRef, PxScale, ScaleFont, point};

use super::picture::save_to;
use super::{ExportError, Look, Span, Step, Walk};
use crate::files::Draft;
use crate::picture::Image;

const PAPER: [u8; 3] = [246, 244, 238];
const INK: [u8; 3] = [32, 38, 42];
/// Pixels between pictures, and for the line of text below each.
const GAP: u32 = 10;
const LINE: u32 = 20;
const TEXT: f32 = 15.0;

/// How many pictures, and how they are set.
#[derive(Clone, Copy, Debug)]
pub struct SheetPlan {
    /// Pictures in all.
    pub count: u32,
    /// Pictures in a row.
    pub columns: u32,
}

impl Default for SheetPlan {
    fn default() -> Self {
        Self {
            count: 12,
            columns: 4,
        }
    }
}

/// Writes a contact sheet of `span` as PNG.
///
/// # Errors
/// As [`sheet_image`], or when writing fails.
pub fn sheet(
    walk: &mut Walk,
    span: Span,
    look: Look,
    plan: SheetPlan,
    target: Draft,
) -> Result<(), ExportError> {
    let image = sheet_image(walk, span, look, plan)?;
    save_to(&image, &target)?;
    Ok(target.publish()?)
}

/// Draws a contact sheet of `span`.
///
/// # Errors
/// When the span holds no picture or the reel cannot be read.
pub fn sheet_image(
    walk: &mut Walk,
    span: Span,
    look: Look,
    plan: SheetPlan,
) -> Result<Image, ExportError> {
    let (from, to) = bounds(walk, span)?;
    let count = plan.count.max(1);
    // The middle of each of `count` equal stretches.
    let times =
        (0..count).map(|i| from + (to - from) * u64::from(2 * i + 1) / u64::from(2 * count));
    let mut cells: Vec<(u64, Option<Image>)> = times.map(|tick| (tick, None)).collect();
    let mut standing = None;
    walk.run(Span { from, to }, |step| {
        if let Step::Picture(shown) = step {
            for (at, cell) in &mut cells {
                if *at < shown.tick && cell.is_none() {
                    cell.clone_from(&standing);
                }
            }
            standing = Some(look.image(shown.pixels));
        }
        Ok(())
    })?;
    if standing.is_none() {
        return Err(ExportError::Nothing(
            walk.path().to_owned(),
            "no pictures in that time",
        ));
    }
    let pictures = cells.into_iter().map(|(tick, cell)| {
        let seconds = walk.seconds(tick);
        (
            time_text(seconds),
            cell.or_else(|| standing.clone()).unwrap_or_default(),
        )
    });
    let pictures: Vec<(String, Image)> = pictures.collect();
    Ok(arrange(
        &pictures,
        look.size(),
        plan.columns.clamp(1, count),
    ))
}

fn bounds(walk: &mut Walk, span: Span) -> Result<(u64, u64), ExportError> {
    let header = walk.header();
    let from = span.from.max(header.first_tick);
    if let Some(end) = header.end_tick() {
        return Ok((from, span.to.min(end).max(from + 1)));
    }
    // A live stream that was saved: its end is where it ends.
    let mut end = from;
    walk.run(span, |step| {
        if let Step::Slice { time, ticks, .. } = step {
            end = time + u64::from(ticks);
        }
        Ok(())
    })?;
    Ok((from, span.to.min(end).max(from + 1)))
}

fn arrange(pictures: &[(String, Image)], (w, h): (u32, u32), columns: u32) -> Image {
    let rows = (pictures.len() as u32).div_ceil(columns);
    let width = GAP + columns * (w + GAP);
    let height = GAP + rows * (h + LINE + GAP);
    let mut sheet = Image::filled(width, height, PAPER);
    for (i, (text, picture)) in (0u32..).zip(pictures) {
        let x = GAP + (i % columns) * (w + GAP);
        let y = GAP + (i / columns) * (h + LINE + GAP);
        sheet.place(picture, x, y);
        write(&mut sheet, text, x, y + h + 2);
    }
    sheet
}

/// Minutes, seconds and hundredths.
fn time_text(seconds: f64) -> String {
    let hundredths = (seconds * 100.0).round() as u64;
    format!(
        "{}:{:02}.{:02}",
        hundredths / 6000,
        hundredths / 100 % 60,
        hundredths % 100
    )
}

/// Writes one line of text with its upper left corner at `x`, `y`.
fn write(sheet: &mut Image, text: &str, x: u32, y: u32) {
    // The font is part of the program: it loads, or the tests fail.
    let Ok(font) = FontRef::try_from_slice(dejavu::sans::regular()) else {
        return;
    };
    let font = font.as_scaled(PxScale::from(TEXT));
    let mut pen = x as f32;
    for c in text.chars() {
        let glyph = font.scaled_glyph(c);
        let advance = font.h_advance(glyph.id);
        let mut placed = glyph;
        placed.position = point(pen, y as f32 + font.ascent());
        pen += advance;
        let Some(outline) = font.outline_glyph(placed) else {
            continue;
        };
        let corner = outline.px_bounds().min;
        outline.draw(|dx, dy, cover| {
            let at = (
                corner.x as i64 + i64::from(dx),
                corner.y as i64 + i64::from(dy),
            );
            let inside = |v: i64, most: u32| (0..i64::from(most)).contains(&v);
            if inside(at.0, sheet.width()) && inside(at.1, sheet.height()) {
                let (x, y) = (at.0 as u32, at.1 as u32);
                sheet.set(x, y, blend(sheet.pixel(x, y), cover));
            }
        });
    }
}

fn blend(mut pixel: [u8; 3], cover: f32) -> [u8; 3] {
    for (paper, ink) in pixel.iter_mut().zip(INK) {
        let mixed = f32::from(*paper) * (1.0 - cover) + f32::from(ink) * cover;
        *paper = mixed.round() as u8;
    }
    pixel
}
