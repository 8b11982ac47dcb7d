//! WAV previews of a reel's sound.

use std::io;
use std::path::{Path, PathBuf};

use super::error::ConvertError;
use super::speaker;
use crate::board::Board;
use crate::files::{Destination, Kind, publish_all};
use crate::reel::ReelFile;
use crate::sound::listen::{Rendering, WavWriter};
use crate::sound::{SoundCoding, decode_block};

/// Writes two WAV files beside a reel: its sound as a player decodes it, and
/// the same as the board's speaker would render it (its response in its box
/// applied, 6 dB lower so that a peak does not clip). None for a silent reel.
///
/// # Errors
/// The reel cannot be read, a name is taken, or a file cannot be written.
pub fn listen(reel: &Destination, board: &Board) -> Result<Vec<PathBuf>, ConvertError> {
    let copy = reel.clone();
    let reel = reel.path();
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
    let paths = listening_copies(reel);
    let failed = |i: usize, reason: io::Error| ConvertError::output(&paths[i], reason);
    let mut copies = Vec::new();
    for (i, path) in paths.iter().enumerate() {
        let draft = copy.of_kind(path, Kind::Sound).begin()?;
        copies.push(WavWriter::new(draft, rate).map_err(|e| failed(i, e))?);
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
    let mut drafts = Vec::new();
    for (i, copy) in copies.into_iter().enumerate() {
        drafts.push(copy.finish().map_err(|e| failed(i, e))?);
    }
    publish_all(drafts)?;
    Ok(paths.into())
}

/// Names of the copies of a reel.
fn listening_copies(reel: &Path) -> [PathBuf; 2] {
    let stem = reel.file_stem().unwrap_or_default();
    ["", "-speaker"].map(|what| {
        let mut name = stem.to_owned();
        name.push(what);
        name.push(".wav");
        reel.with_file_name(name)
    })
}

/// Checks the names of a reel's listening copies before any work is done.
///
/// # Errors
/// A name is taken, or an input's.
pub fn check_copies(reel: &Destination) -> Result<(), ConvertError> {
    for path in listening_copies(reel.path()) {
        reel.of_kind(path, Kind::Sound).check()?;
    }
    Ok(())
}
