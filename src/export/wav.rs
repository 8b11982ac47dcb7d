//! Sound as WAV: 16 bits, one channel, at the reel's rate.

use std::io::{BufWriter, Seek, SeekFrom, Write};

use super::{Damages, ExportError, Span, Step, Walk};
use crate::files::Draft;

/// Bytes before the samples.
const HEAD: u32 = 44;

/// Writes the sound of `span`.
///
/// # Errors
/// When there is no sound, it is longer than a WAV can hold (4 GiB), or reading
/// or writing fails.
pub fn wav(walk: &mut Walk, span: Span, target: Draft) -> Result<Damages, ExportError> {
    if !walk.has_sound() {
        return Err(ExportError::Nothing(
            walk.path().to_owned(),
            "the reel has no sound",
        ));
    }
    let rate = walk.header().clock_rate;
    let failed = target.failed();
    let mut out = BufWriter::new(target.handle()?);
    out.write_all(&head(rate, 0)).map_err(&failed)?;
    let mut bytes = 0u64;
    let damages = walk.run(span, |step| {
        let Step::Sound(sound) = step else {
            return Ok(());
        };
        for sample in sound.samples {
            out.write_all(&sample.to_le_bytes()).map_err(&failed)?;
            bytes += 2;
        }
        Ok(())
    })?;
    let length = u32::try_from(bytes).ok().filter(|n| *n <= u32::MAX - HEAD);
    let too_long = || {
        ExportError::Nothing(
            walk.path().to_owned(),
            "its sound is too long for a WAV; export a part of it",
        )
    };
    let length = length.ok_or_else(too_long)?;
    out.seek(SeekFrom::Start(0)).map_err(&failed)?;
    out.write_all(&head(rate, length))
        .and_then(|()| out.flush())
        .map_err(&failed)?;
    drop(out);
    target.publish()?;
    Ok(damages)
}

/// RIFF WAVE header for PCM (Multimedia Programming Interface and Data
/// Specifications 1.0, 1991).
fn head(rate: u32, length: u32) -> Vec<u8> {
    let mut head = Vec::with_capacity(HEAD as usize);
    head.extend(b"RIFF");
    head.extend((length + HEAD - 8).to_le_bytes());
    head.extend(b"WAVEfmt ");
    head.extend(16u32.to_le_bytes());
    // PCM, one channel.
    head.extend([1, 0, 1, 0]);
    head.extend(rate.to_le_bytes());
    head.extend((2 * rate).to_le_bytes());
    // Bytes a frame, bits a sample.
    head.extend([2, 0, 16, 0]);
    head.extend(b"data");
    head.extend(length.to_le_bytes());
    head
}
