//! Sound as WAV: 16 bits, one channel, at the reel's rate.

use std::fs::File;
use std::io::BufWriter;

use super::{Damages, ExportError, Span, Step, Target, Walk};
use crate::sound::listen::WavWriter;

/// Writes the sound of `span`.
///
/// # Errors
/// When there is no sound, it is longer than a WAV can hold (4 GiB), or reading
/// or writing fails.
pub fn wav(walk: &mut Walk, span: Span, target: Target) -> Result<Damages, ExportError> {
    if !walk.has_sound() {
        return Err(ExportError::Nothing(
            walk.path().to_owned(),
            "the reel has no sound",
        ));
    }
    let failed = ExportError::write(target.path());
    let file = File::create(target.path()).map_err(&failed)?;
    let rate = walk.header().clock_rate;
    let mut out = WavWriter::new(BufWriter::new(file), rate).map_err(&failed)?;
    let damages = walk.run(span, |step| match step {
        Step::Sound(sound) => out.push(&sound.samples).map_err(&failed),
        _ => Ok(()),
    })?;
    out.finish().map_err(&failed)?;
    target.publish()?;
    Ok(damages)
}
