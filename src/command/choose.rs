//! The options that say how a clip becomes a reel, shared by the commands that
//! convert.

use anyhow::Result;
use clap::ValueEnum;

use super::{Usage, values};
use crate::board::Board;
use crate::coding;
use crate::convert::{Choices, CodingChoice, SubtitleSource};
use crate::picture;
use crate::sound;
use crate::source::SoundChoice;
use crate::units::{Nanos, Ratio};

/// How a clip becomes a reel.
#[derive(clap::Args)]
pub(crate) struct ChoiceArgs {
    /// Built-in board, or a profile's path (see: thumbreel boards)
    #[arg(short, long, value_name = "BOARD", help_heading = "Board")]
    board: String,

    /// Start of the wanted part: 90, 1:30 or 0:01:30.5
    #[arg(long, value_name = "TIME", value_parser = values::time, help_heading = "Part")]
    from: Option<Nanos>,
    /// End of the wanted part
    #[arg(long, value_name = "TIME", value_parser = values::time, conflicts_with = "duration", help_heading = "Part")]
    to: Option<Nanos>,
    /// Length of the wanted part
    #[arg(long, value_name = "TIME", value_parser = values::time, help_heading = "Part")]
    duration: Option<Nanos>,

    /// Size of the picture as the viewer sees it [default: the panel's]
    #[arg(long, value_name = "WxH", value_parser = values::size, help_heading = "Picture")]
    size: Option<(u16, u16)>,
    /// Pictures a second, 12.5 or 30000/1001 [default: the clip's, up to what the board can take]
    #[arg(long, value_name = "RATE", value_parser = values::rate, help_heading = "Picture")]
    rate: Option<Ratio>,
    /// Where rates differ: choose one source picture, or blend those on show
    #[arg(long, value_enum, default_value_t, help_heading = "Picture")]
    pace: Pace,
    /// How the picture meets the panel: whole with bars, fill and cut off, or stretch
    #[arg(long, value_enum, default_value_t, help_heading = "Picture")]
    fit_picture: Fit,
    /// What stays when something is cut off: middle, left, top-right, or X,Y from 0 to 1
    #[arg(long, value_name = "PLACE", value_parser = values::anchor, default_value = "middle", help_heading = "Picture")]
    anchor: picture::Anchor,
    /// Clockwise quarter turns, on top of the board's own
    #[arg(long, value_name = "N", default_value_t = 0, value_parser = values::whole::<u8>(0, 3), help_heading = "Picture")]
    turn: u8,
    /// Swap left and right, on top of the board's own
    #[arg(long, help_heading = "Picture")]
    mirror: bool,
    /// Resampling kernel
    #[arg(long, value_enum, default_value_t, help_heading = "Picture")]
    filter: Filter,
    /// Average in light instead of in code values (slower)
    #[arg(long, help_heading = "Picture")]
    linear_light: bool,
    /// How colours become RGB565
    #[arg(long, value_enum, default_value_t, help_heading = "Picture")]
    dither: Dither,
    /// What is done with interlaced pictures
    #[arg(long, value_enum, default_value_t, help_heading = "Picture")]
    deinterlace: Deinterlace,

    /// Find black bars that are part of the pictures, and leave them out
    #[arg(long, help_heading = "Picture")]
    crop_bars: bool,
    /// Burn in text: an SRT or WebVTT file, or a track of the clip by number or language
    #[arg(long, value_name = "FILE|TRACK", value_parser = values::subtitles, help_heading = "Picture")]
    subtitles: Option<SubtitleSource>,

    /// Sound track by number or language: 2, eng [default: the one marked as default]
    #[arg(long, value_name = "TRACK", value_parser = values::sound_track, conflicts_with = "no_sound", help_heading = "Sound")]
    sound_track: Option<SoundChoice>,
    /// Make a silent reel
    #[arg(long, help_heading = "Sound")]
    no_sound: bool,
    /// Sound samples a second, 8000 to 48000 Hz [default: the board's]
    #[arg(long, value_name = "HZ", value_parser = values::whole::<u32>(8000, 48_000), help_heading = "Sound")]
    sound_rate: Option<u32>,
    /// How samples are stored
    #[arg(long, value_enum, default_value_t, help_heading = "Sound")]
    sound_coding: SoundCoding,
    /// How the channels become one: their sum by ITU-R BS.775, one half of the room, or a sum that no opposite phases cancel
    #[arg(long, value_enum, default_value_t, help_heading = "Sound")]
    downmix: Downmix,

    /// Bring the sound to this integrated loudness, -40 to -5 LUFS, by gain and limiter: -16 [default: left alone]
    #[arg(
        long,
        value_name = "LUFS",
        value_parser = values::within(-40.0, -5.0, "LUFS"),
        allow_negative_numbers = true,
        help_heading = "Sound"
    )]
    loudness: Option<f64>,
    /// Highest true peak, -20 to 0 dBTP, held by a look-ahead limiter after everything else [default: -1]
    #[arg(
        long,
        value_name = "DB",
        value_parser = values::within(-20.0, 0.0, "dBTP"),
        allow_negative_numbers = true,
        help_heading = "Sound"
    )]
    ceiling: Option<f64>,
    /// Take out what the speaker cannot move: below this corner in Hz (second order, Q 0.71), or without HZ below the corner of the board's speaker in its box (see: thumbreel enclosure) [default: off]
    #[arg(long, value_name = "HZ", value_parser = values::within(0.0, 24_000.0, "Hz"), num_args = 0..=1, default_missing_value = "0", help_heading = "Sound")]
    high_pass: Option<f64>,
    /// Suggest the bass below the high-pass (or below the speaker's corner) by its harmonics, at this level against it, -24 to 12 dB; without DB at -6 [default: off]
    #[arg(
        long,
        value_name = "DB",
        value_parser = values::within(-24.0, 12.0, "dB"),
        num_args = 0..=1,
        default_missing_value = "-6",
        allow_negative_numbers = true,
        help_heading = "Sound"
    )]
    suggest_bass: Option<f64>,
    /// Tilt: lift or lower all above 2500 Hz, -12 to 12 dB [default: 0]
    #[arg(
        long,
        value_name = "DB",
        value_parser = values::within(-12.0, 12.0, "dB"),
        allow_negative_numbers = true,
        help_heading = "Sound"
    )]
    presence: Option<f64>,
    /// Less range between soft and loud: night (2.5:1) or a noisy room (4:1); the loudness stays
    #[arg(long, value_enum, default_value_t, help_heading = "Sound")]
    compression: Compression,

    /// Picture coding [default: what suits the board]
    #[arg(long, value_enum, help_heading = "Coding")]
    coding: Option<Coding>,
    /// Picture quality, 1 to 100
    #[arg(long, value_name = "Q", value_parser = values::whole::<u8>(1, 100), help_heading = "Coding")]
    quality: Option<u8>,
    /// Most bytes a second that the link carries: 350k
    #[arg(long, value_name = "BYTES", value_parser = values::bytes, help_heading = "Coding")]
    limit_rate: Option<u64>,
    /// How long the encoder may search, 0 to 3
    #[arg(long, value_name = "N", value_parser = values::whole::<u8>(0, 3), help_heading = "Coding")]
    effort: Option<u8>,
    /// Take grain and other noise out before coding: fewer bytes, and nearer to the clean scene
    #[arg(long, help_heading = "Coding")]
    denoise: bool,

    /// Write a longer reel in parts of at most so many bytes: 2GB
    #[arg(long, value_name = "BYTES", value_parser = super::size::bytes, help_heading = "Reel")]
    part_size: Option<u64>,
    /// Title for menus [default: the clip's own, or its name]
    #[arg(long, value_name = "TEXT", help_heading = "Reel")]
    title: Option<String>,
    /// Decoder threads a clip [default: one a core]
    #[arg(
        long,
        value_name = "N",
        default_value_t = 0,
        value_parser = values::whole::<usize>(0, 256),
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
            return Err(
                Usage("the wanted part is empty: --to must lie behind --from".into()).into(),
            );
        }
        Ok(Choices {
            size: self.size,
            rate: self.rate,
            pace: self.pace.into(),
            fit: self.fit_picture.into(),
            anchor: self.anchor,
            turns: self.turn,
            mirror: self.mirror,
            filter: self.filter.into(),
            linear_light: self.linear_light,
            dither: self.dither.into(),
            deinterlace: self.deinterlace.into(),
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
            sound_coding: self.sound_coding.into(),
            downmix: self.downmix.into(),
            shaping: crate::convert::SoundChoice {
                loudness: self.loudness,
                ceiling: self.ceiling,
                high_pass: self.high_pass,
                suggest_bass: self.suggest_bass,
                presence: self.presence,
                compression: self.compression.into(),
            },
            coding: CodingChoice {
                coding: self.coding.map(Into::into),
                quality: self.quality,
                limit_rate: self
                    .limit_rate
                    .map(|r| u32::try_from(r).unwrap_or(u32::MAX)),
                effort: self.effort,
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

/// A word on the command line for each value of a stage's own type.
macro_rules! words {
    ($(#[$meta:meta])* $name:ident => $target:path { $first:ident, $($word:ident),+ $(,)? }) => {
        $(#[$meta])*
        #[derive(Clone, Copy, Debug, Default, ValueEnum)]
        enum $name {
            #[default]
            $first,
            $($word),+
        }

        impl From<$name> for $target {
            fn from(word: $name) -> Self {
                use $target as T;
                match word {
                    $name::$first => T::$first,
                    $($name::$word => T::$word),+
                }
            }
        }
    };
}

words!(Pace => picture::Pace { Choose, Blend });
words!(Fit => picture::Fit { Whole, Fill, Stretch });
words!(Filter => picture::Filter { CatmullRom, Box, Bilinear, Hamming, Mitchell, Lanczos3 });
words!(Dither => picture::Dither { BlueNoise, None, Bayer, ErrorDiffusion });
words!(Deinterlace => picture::Deinterlace { Auto, Off, Always });
words!(SoundCoding => sound::SoundCoding { Pcm16, Pcm8, Adpcm });
words!(Downmix => sound::Downmix { Sum, Left, Right, PhaseSafe });
words!(Compression => sound::Compression { Off, Night, NoisyRoom });
words!(Coding => coding::Coding { Raw, Jpeg, Patch });
