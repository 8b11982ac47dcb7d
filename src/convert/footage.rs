//! A look into the clip, apart from any plan: what it states, black bars, text.

use std::path::{Path, PathBuf};

use super::choices::Choices;
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

/// What a clip is, as far as plans need it: looked at once, planned from often.
#[derive(Clone, Debug)]
pub struct Footage {
    /// The clip.
    pub source: PathBuf,
    /// What it states of itself.
    pub clip: ClipInfo,
    /// Black bars to leave out, where they were looked for.
    pub(super) crop: Option<SourceCrop>,
    /// Text to burn in, from the clip's start.
    pub(super) cues: Vec<Cue>,
}

impl Footage {
    /// Looks at a clip: opens it once, and reads in it only for bars and text
    /// that are asked for.
    ///
    /// # Errors
    /// It cannot be opened, or what is asked for is not in it.
    pub fn look(choices: &Choices, source: &Path) -> Result<Self, ConvertError> {
        let part = part(choices);
        let whole = OpenOptions {
            from: Nanos(0),
            ..part.clone()
        };
        let clip = Clip::look(source, &whole)?;
        check_part(&part, &clip)?;
        Ok(Self {
            crop: match choices.crop_bars {
                true => bars(source, &part, &clip)?,
                false => None,
            },
            cues: match &choices.subtitles {
                Some(text) => cues(text, source, &clip)?,
                None => Vec::new(),
            },
            source: source.into(),
            clip,
        })
    }
}

/// How the wanted part of the clip is opened.
pub(super) fn part(choices: &Choices) -> OpenOptions {
    OpenOptions {
        sound: choices.sound.clone(),
        threads: choices.threads,
        from: choices.from,
        length: choices.length,
        rate: None,
        shrunk: false,
        sound_only: false,
    }
}

/// Places in the clip that are looked at for bars.
const PLACES: i64 = 24;
/// Pictures that are looked at where the clip does not state its length.
const PICTURES: usize = 1500;

/// The black bars that all looked-at pictures of the wanted part have.
///
/// # Errors
/// The clip cannot be read.
fn bars(
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

/// The cues, from the clip's start.
///
/// # Errors
/// A file or track that cannot be read or holds no text.
fn cues(source: &SubtitleSource, path: &Path, clip: &ClipInfo) -> Result<Vec<Cue>, ConvertError> {
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
    Ok(cues)
}

/// Refuses a part that the clip does not have.
pub(super) fn check_part(open: &OpenOptions, clip: &ClipInfo) -> Result<(), ConvertError> {
    let refuse = |text: String| Err(ConvertError::Choice(text));
    if open.from.0 < 0 {
        return refuse("the start lies before the clip; --from counts from its beginning".into());
    }
    if open.length.is_some_and(|l| l.0 <= 0) {
        return refuse("the end is not after the start; choose a later --to".into());
    }
    match clip.duration {
        Some(duration) if open.from >= duration => refuse(format!(
            "the clip is {:.3} s long and --from is {:.3} s; choose an earlier start",
            duration.0 as f64 / 1e9,
            open.from.0 as f64 / 1e9
        )),
        _ => Ok(()),
    }
}
