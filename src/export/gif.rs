//! Pictures as an animated GIF that repeats for ever.

use std::io::{self, BufWriter, Write};

use gif::{DisposalMethod, Encoder, EncodingError, Frame, Repeat};

use super::{Damages, ExportError, Look, Span, Step, Walk};
use crate::files::{Draft, OutputError};
use crate::picture::Image;

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
    let refused = |error: EncodingError| {
        let reason = match error {
            EncodingError::Io(reason) => reason,
            other => io::Error::other(other),
        };
        ExportError::from(OutputError::io(&path, reason))
    };
    let (width, height) = look.size();
    let side = |pixels: u32| {
        let too_large = |_| ExportError::Nothing(path.clone(), "a picture too large for a GIF");
        u16::try_from(pixels).map_err(too_large)
    };
    let (width, height) = (side(width)?, side(height)?);
    let mut encoder = Encoder::new(&mut out, width, height, &[]).map_err(&refused)?;
    encoder.set_repeat(Repeat::Infinite).map_err(&refused)?;
    let rate = f64::from(walk.header().clock_rate);
    // A frame's delay is known when the next one comes.
    let mut waiting: Option<(u64, Image)> = None;
    let mut last = 0;
    let mut write = |image: Image, from: u64, to: u64| {
        let mut frame = Frame::from_rgb_speed(width, height, image.bytes(), EFFORT);
        frame.delay = delay(from, to, rate);
        frame.dispose = DisposalMethod::Background;
        encoder.write_frame(&frame).map_err(&refused)
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
fn delay(from: u64, to: u64, rate: f64) -> u16 {
    let hundredths = |tick: u64| (tick as f64 * 100.0 / rate).round() as u32;
    let count = hundredths(to).saturating_sub(hundredths(from)).max(2);
    u16::try_from(count).unwrap_or(u16::MAX)
}
