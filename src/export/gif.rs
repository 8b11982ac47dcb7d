//! Pictures as an animated GIF that repeats for ever.

use std::io::{BufWriter, Write};

use image::codecs::gif::{GifEncoder, Repeat};
use image::{Delay, DynamicImage, Frame, RgbImage};

use super::{Damages, ExportError, Look, Span, Step, Walk};
use crate::files::Draft;

/// Palette search effort, 1 (best) to 30.
const EFFORT: i32 = 10;

/// Writes the pictures of `span`.
///
/// # Errors
/// When there are none, or reading or writing fails.
pub fn gif(walk: &mut Walk, span: Span, look: Look, target: Draft) -> Result<Damages, ExportError> {
    let path = target.path().to_owned();
    let file = target.handle()?;
    let mut out = BufWriter::new(file);
    let mut encoder = GifEncoder::new_with_speed(&mut out, EFFORT);
    encoder
        .set_repeat(Repeat::Infinite)
        .map_err(ExportError::image(&path))?;
    let rate = f64::from(walk.header().clock_rate);
    // A frame's delay is known when the next one comes.
    let mut waiting: Option<(u64, RgbImage)> = None;
    let mut last = 0;
    let mut write = |image: RgbImage, from: u64, to: u64| {
        let frame = DynamicImage::from(image).into_rgba8();
        let frame = Frame::from_parts(frame, 0, 0, delay(from, to, rate));
        encoder
            .encode_frame(frame)
            .map_err(ExportError::image(&path))
    };
    let damages = walk.run(span, |step| {
        match step {
            Step::Picture(shown) if !shown.coded.unchanged || waiting.is_none() => {
                let image = look.image(shown.pixels);
                if let Some((tick, before)) = waiting.replace((shown.tick, image)) {
                    write(before, tick, shown.tick)?;
                }
            }
            Step::Slice { time, ticks, .. } => last = (time + u64::from(ticks)).min(span.to),
            _ => (),
        }
        Ok(())
    })?;
    let nothing = || ExportError::Nothing(walk.path().to_owned(), "no pictures in that time");
    let (tick, image) = waiting.ok_or_else(nothing)?;
    write(image, tick, last.max(tick + 1))?;
    drop(encoder);
    out.flush().map_err(target.failed())?;
    drop(out);
    target.publish()?;
    Ok(damages)
}

/// GIF counts hundredths of a second; rounding each end keeps the sum true, and
/// viewers slow down delays below two.
fn delay(from: u64, to: u64, rate: f64) -> Delay {
    let hundredths = |tick: u64| (tick as f64 * 100.0 / rate).round() as u32;
    let count = hundredths(to).saturating_sub(hundredths(from)).max(2);
    Delay::from_numer_denom_ms(10 * count, 1)
}
