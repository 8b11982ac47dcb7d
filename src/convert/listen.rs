//! WAV previews of a reel's sound.

use std::io;
use std::path::{Path, PathBuf};

use super::error::ConvertError;
use super::speaker;
use crate::board::Board;
use crate::reel::{Draft, ReelFile};
use crate::sound::listen::{Rendering, WavWriter};
use crate::sound::{SoundCoding, decode_block};

/// Writes two WAV files beside a reel: its sound as a player decodes it, and
/// the same as the board's speaker would render it (its response in its box
/// applied, 6 dB lower so that a peak does not clip). None for a silent reel.
///
/// # Errors
/// The reel cannot be read, a name is taken, or a file cannot be written.
pub fn listen(reel: &Path, board: &Board, overwrite: bool) -> Result<Vec<PathBuf>, ConvertError> {
    let unread = |reason: &dyn std::fmt::Display| {
        ConvertError::output(
            reel,
            io::Error::other(format!("its sound cannot be read back: {reason}")),
        )
    };
    let mut file = ReelFile::open(reel).map_err(|e| unread(&e))?;
    let rate = file.header().clock_rate;
    let Some(coding) = SoundCoding::from_number(file.header().sound as u8) else {
        return Ok(Vec::new());
    };
    let stem = reel
        .file_stem()
        .unwrap_or_default()
        .to_string_lossy()
        .into_owned();
    let names = [format!("{stem}.wav"), format!("{stem}-speaker.wav")];
    let paths = names.map(|name| reel.with_file_name(name));
    let failed = |i: usize, reason: io::Error| ConvertError::output(&paths[i], reason);
    let mut copies = Vec::new();
    for (i, path) in paths.iter().enumerate() {
        let begun = Draft::create(path, overwrite).and_then(|draft| WavWriter::new(draft, rate));
        copies.push(begun.map_err(|e| failed(i, e))?);
    }
    let mounted = speaker::enclosure(board, None)?;
    let mut rendering = Rendering::new(mounted.rendering(f64::from(rate)));
    while let Some(slice) = file.next_slice().map_err(|e| unread(&e))? {
        let mut block = vec![0; slice.ticks as usize];
        decode_block(coding, &slice.sound, &mut block).map_err(|e| unread(&e))?;
        copies[0].push(&block).map_err(|e| failed(0, e))?;
        rendering.run(&mut block);
        copies[1].push(&block).map_err(|e| failed(1, e))?;
    }
    for (i, copy) in copies.into_iter().enumerate() {
        let published = copy.finish().and_then(Draft::publish);
        published.map_err(|e| failed(i, e))?;
    }
    Ok(paths.into())
}
