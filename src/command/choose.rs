//! The options that say how a clip becomes a reel, shared by the commands that
//! convert.

use anyhow::Result;

use super::{Usage, size, values};
use crate::board::Board;
use crate::coding;
use crate::convert::{Choices, CodingChoice, SubtitleSource};
use crate::picture;
use crate::sound;
use crate::source::SoundChoice;
use crate::units::{Nanos, Ratio};

/// How to convert a clip.
#[derive(clap::Args)]
pub(crate) struct ChoiceArgs {
    /// Built-in board, or a profile's path (see: thumbreel boards)
    #[arg(short, long, value_name = "BOARD", help_heading = "Board")]
    board: String,

    /// Start time in the clip: 90, 1:30 or 0:01:30.5
    #[arg(long, value_name = "TIME", value_parser = values::time, help_heading = "Part")]
    from: Option<Nanos>,
    /// End time in the clip
    #[arg(long, value_name = "TIME", value_parser = values::time, help_heading = "Part")]
    to: Option<Nanos>,
    /// Length of the part
    #[arg(long, value_name = "TIME", value_parser = values::time, help_heading = "Part")]
    duration: Option<Nanos>,

    /// Picture size as the viewer sees it [default: the panel's]
    #[arg(long, value_name = "WxH", value_parser = values::size, help_heading = "Picture")]
    size: Option<(u16, u16)>,
    /// Frames per second, for example 12.5 or 30000/1001 [default: the clip's, at most what the board can play]
    #[arg(long, alias = "fps", value_name = "FPS", value_parser = values::rate, help_heading = "Picture")]
    frame_rate: Option<Ratio>,
    /// Where the frame rates differ: show the nearest source frame, or blend the frames in between
    #[arg(long, value_enum, default_value_t, help_heading = "Picture")]
    pace: picture::Pace,
    /// How to fit the picture to the panel: letterbox, crop or stretch
    #[arg(long, value_enum, default_value_t, help_heading = "Picture")]
    framing: picture::Framing,
    /// Part to keep when cropping: middle, left, top-right, or X,Y from 0 to 1
    #[arg(long, value_name = "PLACE", value_parser = values::anchor, default_value = "middle", help_heading = "Picture")]
    anchor: picture::Anchor,
    /// Rotate clockwise by 0, 90, 180 or 270 degrees, on top of the board's rotation
    #[arg(long, value_name = "DEGREES", default_value = "0", value_parser = values::rotation, help_heading = "Picture")]
    rotate: u8,
    /// Mirror left and right, on top of the board's setting
    #[arg(long, help_heading = "Picture")]
    mirror: bool,
    /// Resampling kernel
    #[arg(long, value_enum, default_value_t, help_heading = "Picture")]
    filter: picture::Filter,
    /// Scale in linear light instead of in code values (slower)
    #[arg(long, help_heading = "Picture")]
    linear_light: bool,
    /// Dither for the conversion to RGB565
    #[arg(long, value_enum, default_value_t, help_heading = "Picture")]
    dither: picture::Dither,
    /// Deinterlacing
    #[arg(long, value_enum, default_value_t, help_heading = "Picture")]
    deinterlace: picture::Deinterlace,

    /// Detect black bars in the clip and crop them
    #[arg(long, help_heading = "Picture")]
    crop_bars: bool,
    /// Burn in subtitles: an SRT or WebVTT file, or a track of the clip by number or language
    #[arg(long, value_name = "FILE|TRACK", value_parser = values::subtitles, help_heading = "Picture")]
    subtitles: Option<SubtitleSource>,

    /// Sound track by number or language, for example 2 or eng [default: the clip's default track]
    #[arg(long, value_name = "TRACK", value_parser = values::sound_track, help_heading = "Sound")]
    sound_track: Option<SoundChoice>,
    /// Make a silent reel
    #[arg(long, help_heading = "Sound")]
    no_sound: bool,
    /// Sample rate, 8000 to 48000 Hz [default: the board's]
    #[arg(long, value_name = "HZ", value_parser = values::whole::<u32>(8000, 48_000), allow_negative_numbers = true, help_heading = "Sound")]
    sound_rate: Option<u32>,
    /// Sound coding
    #[arg(long, value_enum, default_value_t, help_heading = "Sound")]
    sound_coding: sound::SoundCoding,
    /// Mix to mono: the sum by ITU-R BS.775, the left or right channels only, or a sum that avoids phase cancellation
    #[arg(long, value_enum, default_value_t, help_heading = "Sound")]
    downmix: sound::Downmix,

    /// Normalise to this integrated loudness, -40 to -5 LUFS, for example -16 [default: unchanged]
    #[arg(
        long,
        value_name = "LUFS",
        value_parser = values::within(-40.0, -5.0, "LUFS"),
        allow_negative_numbers = true,
        help_heading = "Sound"
    )]
    loudness: Option<f64>,
    /// Highest true peak, -20 to 0 dBTP, set by a look-ahead limiter as the last step [default: -1]
    #[arg(
        long,
        value_name = "DB",
        value_parser = values::within(-20.0, 0.0, "dBTP"),
        allow_negative_numbers = true,
        help_heading = "Sound"
    )]
    ceiling: Option<f64>,
    /// High-pass filter at HZ (second order, Q 0.71) to remove bass that the speaker can't play; without HZ, at the cut-off of the board's speaker in its box (see: thumbreel enclosure) [default: off]
    #[arg(long, value_name = "HZ", value_parser = values::within(0.0, 24_000.0, "Hz"), allow_negative_numbers = true, num_args = 0..=1, default_missing_value = "0", help_heading = "Sound")]
    high_pass: Option<f64>,
    /// Replace the bass below the high-pass (or below the speaker's corner) by its harmonics: their level relative to the removed bass, -24 to 12 dB; -6 without DB [default: off]
    #[arg(
        long,
        value_name = "DB",
        value_parser = values::within(-24.0, 12.0, "dB"),
        num_args = 0..=1,
        default_missing_value = "-6",
        allow_negative_numbers = true,
        help_heading = "Sound"
    )]
    virtual_bass: Option<f64>,
    /// High shelf: lift or lower all above 2500 Hz, -12 to 12 dB [default: 0]
    #[arg(
        long,
        value_name = "DB",
        value_parser = values::within(-12.0, 12.0, "dB"),
        allow_negative_numbers = true,
        help_heading = "Sound"
    )]
    high_shelf: Option<f64>,
    /// Compress the dynamic range: night (2.5:1) or noisy-room (4:1); full changes nothing, and the loudness stays the same
    #[arg(long, value_enum, default_value_t, help_heading = "Sound")]
    dynamic_range: sound::DynamicRange,

    /// Picture coding [default: chosen for the board]
    #[arg(long, value_enum, help_heading = "Coding")]
    coding: Option<coding::Coding>,
    /// Picture quality, 1 to 100
    #[arg(long, value_name = "Q", value_parser = values::whole::<u8>(1, 100), allow_negative_numbers = true, help_heading = "Coding")]
    quality: Option<u8>,
    /// Peak rate of the reel in bytes per second, for example 350k [default: what the link carries]
    #[arg(long, value_name = "BYTES", value_parser = size::bytes, help_heading = "Coding")]
    peak_rate: Option<u64>,
    /// Encoder search: 0 fastest, 3 slowest and smallest [default: 2]
    #[arg(long, value_name = "N", value_parser = values::whole::<u8>(0, 3), allow_negative_numbers = true, help_heading = "Coding")]
    search: Option<u8>,
    /// Remove grain and other noise before coding: fewer bytes, and closer to the clean scene
    #[arg(long, help_heading = "Coding")]
    denoise: bool,

    /// Split a longer reel into parts of at most this size, for example 2GB or fat32
    #[arg(long, value_name = "BYTES", value_parser = size::part, help_heading = "Reel")]
    part_size: Option<u64>,
    /// Title for menus [default: the clip's title, else its file name]
    #[arg(long, value_name = "TEXT", help_heading = "Reel")]
    title: Option<String>,
    /// Decoder threads per clip [default: two per core and two more]
    #[arg(
        long,
        value_name = "N",
        default_value_t = 0,
        value_parser = values::whole::<usize>(0, 256), allow_negative_numbers = true,
        hide_default_value = true,
        help_heading = "Reel"
    )]
    threads: usize,
}

impl ChoiceArgs {
    /// The board as typed: a name or a profile's path.
    pub(crate) fn board_name(&self) -> &str {
        &self.board
    }

    /// Whether the reel may come in parts.
    pub(crate) const fn is_split(&self) -> bool {
        self.part_size.is_some()
    }

    /// What was typed, as far as it can be checked without a clip.
    ///
    /// # Errors
    /// An unknown board, or times that contradict each other.
    pub(crate) fn choices(&self) -> Result<Choices> {
        let board = Board::find(&self.board).map_err(|e| Usage(e.to_string()))?;
        let from = self.from.unwrap_or_default();
        let length = match (self.to, self.duration) {
            (Some(to), _) => Some(Nanos(to.0 - from.0)),
            (None, duration) => duration,
        };
        if length.is_some_and(|l| l.0 <= 0) {
            let why = match self.to {
                Some(_) => "--to must be after --from",
                None => "--duration must be above 0",
            };
            return Err(Usage(format!("the part is empty: {why}")).into());
        }
        Ok(Choices {
            size: self.size,
            rate: self.frame_rate,
            pace: self.pace,
            framing: self.framing,
            anchor: self.anchor,
            turns: self.rotate,
            mirror: self.mirror,
            filter: self.filter,
            linear_light: self.linear_light,
            dither: self.dither,
            deinterlace: self.deinterlace,
            crop_bars: self.crop_bars,
            subtitles: self.subtitles.clone(),
            from,
            length,
            sound: match (self.no_sound, &self.sound_track) {
                (true, _) => SoundChoice::Silent,
                (false, Some(track)) => track.clone(),
                (false, None) => SoundChoice::Default,
            },
            sound_rate: self.sound_rate,
            sound_coding: self.sound_coding,
            downmix: self.downmix,
            shaping: crate::convert::SoundChoice {
                loudness: self.loudness,
                ceiling: self.ceiling,
                high_pass: self.high_pass,
                virtual_bass: self.virtual_bass,
                high_shelf: self.high_shelf,
                dynamic_range: self.dynamic_range,
            },
            coding: CodingChoice {
                coding: self.coding,
                quality: self.quality,
                peak_rate: self.peak_rate.map(|r| u32::try_from(r).unwrap_or(u32::MAX)),
                search: self.search,
                denoise: self.denoise,
                ..CodingChoice::default()
            },
            part_size: self.part_size,
            title: self.title.clone(),
            threads: self.threads,
            ..Choices::new(board)
        })
    }
}
