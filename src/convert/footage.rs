//! Facts that a plan needs from the clip's content: black bars and text.

use std::path::{Path, PathBuf};

use super::error::ConvertError;
use crate::picture::SourceCrop;
use crate::picture::bars::BarFinder;
use crate::picture::text::{self, Cue};
use crate::source::{
    Clip, ClipInfo, Item, OpenOptions, SoundChoice, SourceError, SubtitleChoice, subtitle_text,
};
use crate::units::Nanos;

/// Where subtitles come from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SubtitleSource {
    /// A file of SRT or WebVTT text, its times counted from the clip's start.
    File(PathBuf),
    /// A text track of the clip.
    Track(SubtitleChoice),
}

/// Places in the clip that are looked at for bars.
const PLACES: i64 = 24;
/// Pictures that are looked at where the clip does not state its length.
const PICTURES: usize = 1500;

/// The black bars that all looked-at pictures of the wanted part have.
///
/// # Errors
/// The clip cannot be read.
pub(super) fn bars(
    path: &Path,
    open: &OpenOptions,
    clip: &ClipInfo,
) -> Result<Option<SourceCrop>, ConvertError> {
    let mut finder = BarFinder::default();
    let end = clip.duration.map(|d| d.0 - open.from.0);
    let length = match (end, open.length) {
        (Some(end), Some(length)) => Some(end.min(length.0)),
        (end, length) => end.or(length.map(|l| l.0)),
    };
    match length {
        Some(length) => {
            for place in 0..PLACES {
                let from = Nanos(open.from.0 + length / PLACES * place);
                look(path, open, from, 1, &mut finder)?;
            }
        }
        None => look(path, open, open.from, PICTURES, &mut finder)?,
    }
    Ok(finder.crop())
}

/// Looks at `count` pictures from `from` on.
fn look(
    path: &Path,
    open: &OpenOptions,
    from: Nanos,
    count: usize,
    finder: &mut BarFinder,
) -> Result<(), ConvertError> {
    let part = OpenOptions {
        sound: SoundChoice::Silent,
        from,
        length: None,
        ..open.clone()
    };
    let mut clip = match Clip::open(path, &part) {
        Ok(clip) => clip,
        // The stated length was too long; what was seen before must do.
        Err(SourceError::StartBehindEnd { .. }) => return Ok(()),
        Err(error) => return Err(error.into()),
    };
    let mut seen = 0;
    while seen < count {
        match clip.next_item() {
            Ok(Some(Item::Picture(picture))) => {
                finder.look(&picture)?;
                seen += 1;
            }
            Ok(Some(Item::Sound(_))) => {}
            Ok(None) | Err(SourceError::StartBehindEnd { .. }) => break,
            Err(error) => return Err(error.into()),
        }
    }
    Ok(())
}

/// The cues of the wanted part, on the reel's clock.
///
/// # Errors
/// A file or track that cannot be read or holds no text.
pub(super) fn cues(
    source: &SubtitleSource,
    path: &Path,
    open: &OpenOptions,
    clip: &ClipInfo,
) -> Result<Vec<Cue>, ConvertError> {
    let cues = match source {
        SubtitleSource::File(file) => {
            let failed = |reason: String| ConvertError::Subtitles {
                path: file.clone(),
                reason,
            };
            let bytes = std::fs::read(file).map_err(|e| failed(e.to_string()))?;
            text::parse(&text::decode(&bytes)).map_err(|e| failed(e.to_string()))?
        }
        SubtitleSource::Track(choice) => {
            let texts = subtitle_text(path, &clip.subtitles, choice, clip.origin)?;
            let cues = texts
                .iter()
                .filter_map(|t| Cue::new(t.start, t.end, &t.text));
            cues.collect()
        }
    };
    let ahead = cues.into_iter().map(|cue| cue.earlier(open.from));
    Ok(ahead.filter(|cue| cue.end > Nanos(0)).collect())
}
