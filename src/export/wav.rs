//! Sound as WAV: 16 bits, one channel, at the reel's rate.

use std::io::BufWriter;

use super::{Damages, ExportError, Span, Step, Walk};
use crate::files::Draft;
use crate::sound::listen::WavWriter;

/// Writes the sound of `span`.
///
/// # Errors
/// When there is no sound, it is longer than a WAV can hold (4 GiB), or reading
/// or writing fails.
pub fn wav(walk: &mut Walk, span: Span, target: Draft) -> Result<Damages, ExportError> {
    if !walk.has_sound() {
        return Err(ExportError::Nothing(
            walk.path().to_owned(),
            "the reel has no sound; export its pictures as .mp4, .gif or .png",
        ));
    }
    let failed = target.failed();
    let file = target.handle()?;
    let rate = walk.header().clock_rate;
    let mut out = WavWriter::new(BufWriter::new(file), rate).map_err(&failed)?;
    let damages = walk.run(span, |step| match step {
        Step::Sound(sound) => Ok(out.push(&sound.samples).map_err(&failed)?),
        _ => Ok(()),
    })?;
    out.finish().map_err(&failed)?;
    target.publish()?;
    Ok(damages)
}
