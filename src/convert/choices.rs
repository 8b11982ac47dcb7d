//! The maker's choices, before they are checked against board and clip.

use std::path::Path;

use super::footage::SubtitleSource;
use crate::board::Board;
use crate::coding::patch::Level;
use crate::coding::{Coding, Limits};
use crate::picture::{Anchor, Deinterlace, Dither, Filter, Framing, Pace};
use crate::sound::{Downmix, DynamicRange, SoundCoding};
use crate::source::SoundChoice as TrackChoice;
use crate::units::{Nanos, Ratio};

/// The picture coding with quality and limits.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CodingChoice {
    /// The coding; `None` leaves the choice to the board.
    pub coding: Option<Coding>,
    /// Level of `patch`; `None` leaves it to the board.
    pub level: Option<Level>,
    /// Quality, 1 (least) to 100; `None` for the coding's usual one.
    pub quality: Option<u8>,
    /// Most bytes per second that the link carries.
    pub peak_rate: Option<u32>,
    /// Encoder search, 0 to 3; `None` for the default.
    pub search: Option<u8>,
    /// Take noise out of the pictures first.
    pub denoise: bool,
    /// Mean and limits; the link's here is of pictures alone, and counts where
    /// `peak_rate` is not given.
    pub limits: Limits,
}

/// What is done to the sound beside rate and channels. The default is nothing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SoundChoice {
    /// Integrated loudness to bring it to, LUFS.
    pub loudness: Option<f64>,
    /// Highest true peak, dBTP; the stage's own where not given.
    pub ceiling: Option<f64>,
    /// High-pass corner, Hz; 0 for the board's own resonance.
    pub high_pass: Option<f64>,
    /// Level of the virtual bass relative to the removed bass, dB.
    pub virtual_bass: Option<f64>,
    /// High shelf gain, dB.
    pub high_shelf: Option<f64>,
    /// Dynamic range.
    pub dynamic_range: DynamicRange,
}

/// Everything that can be asked for. The default takes all from board and clip.
#[derive(Clone, Debug)]
pub struct Choices {
    /// The board that will play the reel.
    pub board: Board,
    /// Size of the picture as the viewer sees it; the panel's where not given.
    pub size: Option<(u16, u16)>,
    /// Frames per second; the clip's up to the board's limit where not given.
    pub rate: Option<Ratio>,
    /// How pictures are made where the rates differ.
    pub pace: Pace,
    /// How the picture meets the panel.
    pub framing: Framing,
    /// Which part stays when something is cut off.
    pub anchor: Anchor,
    /// Clockwise quarter turns on top of the board's own.
    pub turns: u8,
    /// Mirror, on top of the board's own.
    pub mirror: bool,
    /// Resampling kernel.
    pub filter: Filter,
    /// Average in light.
    pub linear_light: bool,
    /// Dither.
    pub dither: Dither,
    /// Interlaced pictures.
    pub deinterlace: Deinterlace,
    /// Find black bars that are part of the pictures, and leave them out.
    pub crop_bars: bool,
    /// Text to burn in.
    pub subtitles: Option<SubtitleSource>,
    /// Start of the wanted part.
    pub from: Nanos,
    /// Length of the wanted part.
    pub length: Option<Nanos>,
    /// Sound track, or none.
    pub sound: TrackChoice,
    /// Samples per second; the board's where not given.
    pub sound_rate: Option<u32>,
    /// How samples are stored.
    pub sound_coding: SoundCoding,
    /// How the channels become one.
    pub downmix: Downmix,
    /// Loudness and shaping.
    pub shaping: SoundChoice,
    /// Picture coding.
    pub coding: CodingChoice,
    /// Title for menus; the clip's own, or its name, where not given.
    pub title: Option<String>,
    /// Title of a clip that states none; its name where not given.
    pub untitled: Option<String>,
    /// Largest file in bytes; a longer reel is written in parts.
    pub part_size: Option<u64>,
    /// Replace an existing reel.
    pub overwrite: bool,
    /// Decoder threads, 0 for a number that suits the cores.
    pub threads: usize,
}

impl Choices {
    /// The usual choices for a board.
    #[must_use]
    pub fn new(board: Board) -> Self {
        Self {
            board,
            size: None,
            rate: None,
            pace: Pace::default(),
            framing: Framing::default(),
            anchor: Anchor::default(),
            turns: 0,
            mirror: false,
            filter: Filter::default(),
            linear_light: false,
            dither: Dither::default(),
            deinterlace: Deinterlace::default(),
            crop_bars: false,
            subtitles: None,
            from: Nanos(0),
            length: None,
            sound: TrackChoice::default(),
            sound_rate: None,
            sound_coding: SoundCoding::default(),
            downmix: Downmix::default(),
            shaping: SoundChoice::default(),
            coding: CodingChoice::default(),
            title: None,
            untitled: None,
            part_size: None,
            overwrite: false,
            threads: 0,
        }
    }

    /// The title for a clip that states `stated`.
    pub(super) fn title_for(&self, clip: &Path, stated: Option<&str>) -> String {
        let stem = || clip.file_stem().map(|s| s.to_string_lossy().into_owned());
        let given = self.title.clone().or_else(|| stated.map(str::to_owned));
        let given = given.or_else(|| self.untitled.clone());
        given.or_else(stem).unwrap_or_default()
    }
}
