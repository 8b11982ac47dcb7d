//! A validated plan: what will be done to one clip.

use std::path::{Path, PathBuf};
use std::time::Duration;

use super::choices::{Choices, CodingChoice};
use super::error::ConvertError;
use super::footage::{self, Footage};
use super::framing::{picture_offset, picture_plan, surround};
use super::remarks;
use super::speaker;
use crate::board::Board;
use crate::budget::{self, Choice, Costs, MemoryPlan, PictureCoding, ReelFacts, Wish, power};
use crate::coding::patch::{self, Level};
use crate::coding::{self, ByteOrder, Coding};
use crate::files::Destination;
use crate::picture::text::{Cue, Subtitles};
use crate::picture::{Pace, PicturePlan, Surround};
use crate::reel;
use crate::sound;
use crate::sound::gain::Supply;
use crate::sound::{HighPass, HighShelf, Measured, SoundPlan, VirtualBass};
use crate::source::{ClipInfo, OpenOptions};
use crate::units::{Nanos, Ratio};

/// Slices aim at this size: two of them fit any board's memory, and a card
/// reads so much at once at nearly its full rate.
const SLICE_BYTES: u32 = 64 << 10;
/// Longest slice: so much sound waits in memory at most, and is lost with one block.
const SLICE_SECONDS: f64 = 0.5;
/// Longest slice of a silent reel: fewer heads, and still one in every second, so
/// that the worst second stays what a link must carry in a second.
const SILENT_SLICE_SECONDS: f64 = 1.0;

/// What will be done to one clip. Made by [`ConvertPlan::resolve`].
#[derive(Clone, Debug)]
pub struct ConvertPlan {
    /// The clip.
    pub source: PathBuf,
    /// The reel's name, apart from all that is read for it.
    pub destination: Destination,
    /// Name of the board.
    pub board: String,
    /// How the clip is opened.
    pub open: OpenOptions,
    /// What the clip states of itself.
    pub clip: ClipInfo,
    /// What is done to pictures.
    pub picture: PicturePlan,
    /// How pictures are made where the rates differ.
    pub pace: Pace,
    /// Frames per second.
    pub rate: Ratio,
    /// Text to burn in, on the reel's clock.
    pub subtitles: Vec<Cue>,
    /// Largest file in bytes; a longer reel is written in parts.
    pub part_size: Option<u64>,
    /// Largest file that is written at all: what a FAT32 card takes, unless
    /// parts were asked for.
    pub file_limit: Option<u64>,
    /// What is done to sound; `None` for a silent reel.
    pub sound: Option<SoundPlan>,
    /// Where the board's amplifier clips.
    pub(super) clipping: Clipping,
    /// How pictures are coded.
    pub coding: PlannedCoding,
    /// Order of a pixel's bytes.
    pub pixel_format: reel::ByteOrder,
    /// What is done to pixels for the wire.
    pub wire: reel::Wire,
    /// Column and row of the panel's memory at which the picture starts.
    pub offset: (u16, u16),
    /// The panel around the picture.
    pub surround: Surround,
    /// Title for menus.
    pub title: String,
    /// Bytes that a slice aims at.
    pub slice_bytes: u32,
    /// Milliseconds that play shall ride out right after its start, and most
    /// bytes to start with for it.
    pub ride_out: (u32, u32),
    /// Longest slice in seconds.
    pub slice_seconds: f64,
    /// Longest time between key pictures in seconds.
    pub key_seconds: f64,
    /// What the maker should know.
    pub advice: Vec<String>,
}

/// A picture coding that was settled on.
#[derive(Clone, Debug, PartialEq)]
pub struct PlannedCoding {
    /// The coding.
    pub coding: Coding,
    /// Level of `patch`.
    pub level: Level,
    /// Why, if the choice was left to us.
    pub why: Option<String>,
    /// Quality, search and limits as asked for.
    pub choice: CodingChoice,
}

impl ConvertPlan {
    /// Looks at the clip and plans; refuses a name that is taken.
    ///
    /// # Errors
    /// A value out of its range, a clip that cannot be opened, or a name that
    /// is taken.
    pub fn resolve(choices: &Choices, source: &Path, output: &Path) -> Result<Self, ConvertError> {
        choices.destination(source, output).check()?;
        Self::of(&Footage::look(choices, source)?, choices, output)
    }

    /// As [`resolve`](Self::resolve), for a plan that is only looked at: a name
    /// that is taken becomes advice.
    ///
    /// # Errors
    /// A value out of its range, or a clip that cannot be opened.
    pub fn preview(choices: &Choices, source: &Path, output: &Path) -> Result<Self, ConvertError> {
        let to = choices.destination(source, output);
        to.clone().overwrite(true).check()?;
        let mut plan = Self::of(&Footage::look(choices, source)?, choices, output)?;
        if !choices.overwrite && output.symlink_metadata().is_ok() {
            plan.advice
                .push("the reel exists; only --overwrite would replace it".into());
        }
        Ok(plan)
    }

    /// The plan for footage that was looked at with these choices, or others of
    /// the same subtitles and bars. Reads and opens nothing.
    ///
    /// # Errors
    /// A value out of its range.
    pub fn of(footage: &Footage, choices: &Choices, output: &Path) -> Result<Self, ConvertError> {
        let open = footage::part(choices);
        let clip = footage.clip.clone();
        footage::check_part(&open, &clip)?;
        let board = &choices.board;
        let mut picture = picture_plan(choices)?;
        if choices.crop_bars {
            picture.crop = footage.crop;
        }
        let ahead = footage
            .cues
            .iter()
            .map(|cue| cue.clone().earlier(open.from));
        let subtitles = ahead.filter(|cue| cue.end > Nanos(0)).collect();
        let sound = sound_plan(choices, &clip)?;
        let offset = picture_offset(&board.panel, &picture);
        let chosen = chosen(choices, &clip, &picture, sound.as_ref());
        let coding = planned_coding(choices, chosen.as_ref());
        let own = chosen.as_ref().map_or(clip.picture.rate, |c| c.rate);
        let rate = check_rate(choices.rate.unwrap_or(own))?;
        let slice_seconds = sound
            .as_ref()
            .map_or(SILENT_SLICE_SECONDS, |_| SLICE_SECONDS);
        let mut plan = Self {
            source: footage.source.clone(),
            destination: choices.destination(&footage.source, output),
            board: board.name.clone(),
            title: choices.title_for(&footage.source, clip.title.as_deref()),
            open,
            clip,
            offset,
            surround: surround(&board.panel, offset),
            picture,
            subtitles,
            part_size: choices.part_size,
            file_limit: (board.card.is_some() && choices.part_size.is_none())
                .then_some(reel::FAT32_LIMIT),
            pace: choices.pace,
            rate,
            sound,
            clipping: Clipping::of(board),
            pixel_format: board.panel.pixel_order,
            wire: reel::Wire {
                bgr: board.panel.bgr,
                inverted: board.panel.inverted,
            },
            slice_bytes: SLICE_BYTES,
            ride_out: (0, 0),
            slice_seconds,
            key_seconds: key_seconds(coding.coding),
            coding,
            advice: Vec::new(),
        };
        if plan.pace == Pace::Nearest {
            plan.open.rate = Some(plan.rate);
        }
        plan.open.shrunk = plan.is_shrunk();
        plan.slice_bytes = slice_share(board, &plan).unwrap_or(SLICE_BYTES);
        plan.advice = plan.advise(board);
        plan.advice.extend(remarks::of_plan(&plan, board, choices));
        if let Some(why) = chosen.and_then(|c| c.slowed) {
            plan.advice.push(format!(
                "the reel has {} frames per second of the clip's {}, as {why}; --frame-rate asks for another",
                hertz(plan.rate),
                hertz(plan.clip.picture.rate)
            ));
        }
        if let Some(text) = plan.laid_out()? {
            plan.advice.extend(text.warnings());
        }
        if choices.crop_bars && plan.picture.crop.is_none() {
            plan.advice
                .push("no black bars were found in the clip".into());
        }
        Ok(plan)
    }

    /// The subtitles laid out for the panel.
    pub(super) fn laid_out(&self) -> Result<Option<Subtitles>, ConvertError> {
        if self.subtitles.is_empty() {
            return Ok(None);
        }
        let (width, height) = self.picture.viewed_size();
        let text = Subtitles::new(self.subtitles.clone(), width, height, self.picture.shape)?;
        Ok(Some(text))
    }

    /// Ticks per second of the reel.
    #[must_use]
    pub fn clock_rate(&self) -> u32 {
        self.sound.as_ref().map_or(48_000, |s| s.rate)
    }

    pub(super) fn key_ticks(&self) -> u64 {
        (self.key_seconds * f64::from(self.clock_rate())).round() as u64
    }

    /// The reel.
    #[must_use]
    pub fn output(&self) -> &Path {
        self.destination.path()
    }

    pub(super) fn byte_order(&self) -> ByteOrder {
        self.pixel_format
    }

    pub(super) fn coding_shape(&self) -> coding::Shape {
        self.picture.shape
    }

    /// Length of the reel, as far as the clip states it.
    #[must_use]
    pub fn expected_length(&self) -> Option<Duration> {
        let rest = self.clip.duration.map(|d| d.0 - self.open.from.0);
        let wanted = self.open.length.map(|l| l.0);
        let length = match (rest, wanted) {
            (Some(rest), Some(wanted)) => Some(rest.min(wanted)),
            (rest, wanted) => rest.or(wanted),
        };
        length.map(|ns| Duration::from_nanos(ns.max(0) as u64))
    }

    /// What the container is told.
    pub(super) fn settings(&self, measured: Option<&Measured>) -> reel::Settings {
        reel::Settings {
            width: self.picture.width,
            height: self.picture.height,
            shape: self.picture.shape,
            pixel_format: self.pixel_format,
            wire: self.wire,
            offset: self.offset,
            mounting: reel::Mounting {
                turns: self.picture.turns.count(),
                mirror: self.picture.mirror,
            },
            clock_rate: self.clock_rate(),
            rate: self.rate,
            sound: self
                .sound
                .as_ref()
                .map_or(reel::SoundCoding::None, reel_sound),
            coding: self.coding.coding as u8,
            level: match self.coding.coding {
                Coding::Patch => self.coding.level as u8,
                Coding::Raw | Coding::Jpeg => 0,
            },
            working_memory: match self.coding.coding {
                Coding::Patch => {
                    patch::memory_bytes(self.picture.width, self.picture.height) as u32
                        + patch::STATE_BYTES
                }
                Coding::Raw | Coding::Jpeg => 0,
            },
            title: self.title.clone(),
            note: reel::note_text(&self.note(measured)),
            size_limit: self.file_limit,
            ..reel::Settings::default()
        }
    }

    /// Whether the picture that is shown takes at most half the clip's columns
    /// and rows; bars at its sides and what is cropped make that no more.
    fn is_shrunk(&self) -> bool {
        let (source, panel) = (&self.clip.picture, &self.picture);
        let crop = panel.crop.unwrap_or_default();
        let width = source.width.saturating_sub(crop.left + crop.right);
        let height = source.height.saturating_sub(crop.top + crop.bottom);
        let longer = u32::from(panel.width.max(panel.height));
        width.min(height) >= 2 * longer
    }

    fn advise(&self, board: &Board) -> Vec<String> {
        let mut advice = Vec::new();
        let (rate, bus) = (hertz(self.rate), whole_pictures(board, &self.picture));
        if rate > bus {
            advice.push(format!(
                "the reel has {rate} frames per second, and the panel's bus carries {bus:.1} whole ones (computed): where the whole picture changes, frames come late"
            ));
        }
        let rates = &board.sound.sample_rates;
        if let Some(sound) = &self.sound
            && !rates.contains(&sound.rate)
        {
            let offered: Vec<_> = rates.iter().map(u32::to_string).collect();
            advice.push(format!(
                "the profile of {} does not list a sound rate of {} Hz; it lists {}",
                self.board,
                sound.rate,
                offered.join(", ")
            ));
        }
        if self.sound.is_none() && self.clip.sound_tracks.is_empty() {
            advice.push("the clip has no sound track: the reel is silent".into());
        }
        advice
    }
}

/// What a seek, or play after damage, waits for at most.
const fn key_seconds(coding: Coding) -> f64 {
    match coding {
        Coding::Raw | Coding::Jpeg => 1.0,
        Coding::Patch => 5.0,
    }
}

fn reel_sound(sound: &SoundPlan) -> reel::SoundCoding {
    use crate::sound::SoundCoding;
    match sound.coding {
        SoundCoding::Pcm16 => reel::SoundCoding::PcmS16,
        SoundCoding::Pcm8 => reel::SoundCoding::PcmU8,
        SoundCoding::Adpcm => reel::SoundCoding::ImaAdpcm,
    }
}

fn check_rate(rate: Ratio) -> Result<Ratio, ConvertError> {
    let hertz = f64::from(rate.num) / f64::from(rate.den);
    if (0.1..=f64::from(reel::MAX_RATE)).contains(&hertz) {
        return Ok(rate);
    }
    Err(ConvertError::Choice(format!(
        "{hertz:.3} frames per second cannot be had; --frame-rate takes 0.1 to {}",
        reel::MAX_RATE
    )))
}

fn sound_plan(choices: &Choices, clip: &ClipInfo) -> Result<Option<SoundPlan>, ConvertError> {
    if clip.sound.is_none() {
        return Ok(None);
    }
    let asked = &choices.shaping;
    let board = &choices.board;
    let usual = SoundPlan::default();
    let rate = choices.sound_rate.unwrap_or(board.sound.sample_rate);
    // The corner that the speaker in its box needs, as far as the rate has room.
    let own = || -> Result<HighPass, ConvertError> {
        let mounted = speaker::enclosure(board, None)?;
        let own = mounted.high_pass(board.sound.speaker.rated_w);
        Ok(HighPass {
            hz: own.hz.min(0.2 * f64::from(rate)),
            ..own
        })
    };
    let high_pass = match asked.high_pass {
        Some(hz) if hz > 0.0 => Some(HighPass::at(hz)),
        Some(_) => Some(own()?),
        None => None,
    };
    let bass = match asked.virtual_bass {
        Some(level_db) => {
            let corner = high_pass.map_or_else(own, Ok)?;
            let hz = corner.hz.min(f64::from(rate) / 16.0);
            Some(VirtualBass { hz, level_db })
        }
        None => None,
    };
    let plan = SoundPlan {
        rate,
        coding: choices.sound_coding,
        downmix: choices.downmix,
        loudness: asked.loudness,
        ceiling: asked.ceiling.unwrap_or(usual.ceiling),
        high_pass,
        bass,
        high_shelf: asked.high_shelf.map(|db| HighShelf {
            hz: HighShelf::PRESENCE_HZ.min(0.4 * f64::from(rate)),
            db,
        }),
        dynamic_range: asked.dynamic_range,
        driver_ceiling: driver_ceiling(board),
    };
    plan.check()
        .map_err(|e| ConvertError::Choice(e.to_string()))?;
    Ok(Some(plan))
}

/// Where the amplifier clips at the gain that is strapped, on the weakest supply
/// that the board may meet.
#[derive(Clone, Copy, Debug)]
pub(super) struct Clipping {
    pub(super) gain_db: f64,
    pub(super) supply: Supply,
    /// Level of a sine, dBFS.
    pub(super) level: f64,
}

impl Clipping {
    fn of(board: &Board) -> Self {
        let (supply, gain_db) = (power::weakest_supply(board), board.sound.amplifier.gain_db);
        Self {
            gain_db,
            supply,
            level: speaker::output_stage(board).clip_dbfs(gain_db, 0.0, supply.volts),
        }
    }
}

/// The mean level at which the speaker's rated power is reached at the gain
/// that is strapped, if sound can reach it.
fn driver_ceiling(board: &Board) -> Option<f64> {
    let level = speaker::output_stage(board).rated_dbfs(board.sound.amplifier.gain_db, 0.0);
    (level < 0.0).then(|| level.max(-40.0))
}

/// What the board's budget chooses of what is left open.
fn chosen(
    choices: &Choices,
    clip: &ClipInfo,
    picture: &PicturePlan,
    sound: Option<&SoundPlan>,
) -> Option<Choice> {
    let board = &choices.board;
    let light = choices.coding.level == Some(Level::Light);
    let full = choices.coding.level == Some(Level::Full);
    let may = |coding: &PictureCoding| {
        let of = |c: Coding| choices.coding.coding.is_none_or(|asked| asked == c);
        match coding {
            PictureCoding::Raw => of(Coding::Raw),
            PictureCoding::Jpeg => {
                let unit = board.cpu.jpeg_pixels_per_second > 0.0;
                choices
                    .coding
                    .coding
                    .map_or(unit, |asked| asked == Coding::Jpeg)
            }
            PictureCoding::PatchFull => of(Coding::Patch) && !light,
            PictureCoding::PatchLight => of(Coding::Patch) && !full,
        }
    };
    let codings: Vec<PictureCoding> = PictureCoding::ALL.into_iter().filter(may).collect();
    let coding = sound.map_or(budget::SoundCoding::None, |s| match s.coding {
        sound::SoundCoding::Pcm16 => budget::SoundCoding::Pcm16,
        sound::SoundCoding::Pcm8 => budget::SoundCoding::Pcm8,
        sound::SoundCoding::Adpcm => budget::SoundCoding::Adpcm,
    });
    let wish = Wish {
        size: (picture.width, picture.height),
        clip: clip.picture.rate,
        rate: choices.rate,
        codings: &codings,
        sound: (coding, sound.map_or(48_000, |s| s.rate)),
    };
    Choice::new(board, &wish)
}

/// The coding asked for, or the one chosen.
fn planned_coding(choices: &Choices, chosen: Option<&Choice>) -> PlannedCoding {
    let own = chosen.map_or(PictureCoding::PatchFull, |c| c.coding);
    let (coding, level) = match own {
        PictureCoding::Raw => (Coding::Raw, Level::Full),
        PictureCoding::Jpeg => (Coding::Jpeg, Level::Full),
        PictureCoding::PatchLight => (Coding::Patch, Level::Light),
        PictureCoding::PatchFull => (Coding::Patch, Level::Full),
    };
    let asked = choices.coding.coding;
    PlannedCoding {
        coding: asked.unwrap_or(coding),
        level: choices.coding.level.unwrap_or(level),
        why: chosen.filter(|_| asked.is_none()).map(|c| c.reason.clone()),
        choice: choices.coding.clone(),
    }
}

/// Whole pictures per second that the panel's bus carries.
fn whole_pictures(board: &Board, picture: &PicturePlan) -> f64 {
    let pixels = u64::from(picture.width) * u64::from(picture.height);
    let reel = ReelFacts::unmade(picture.width, picture.height);
    let memory = MemoryPlan::new(&reel, board);
    1e9 / Costs::new(board, PictureCoding::Raw, &memory).send_ns(pixels, 1)
}

/// Frames per second to three places.
fn hertz(rate: Ratio) -> f64 {
    (1000.0 * f64::from(rate.num) / f64::from(rate.den)).round() / 1000.0
}

/// A slice takes a quarter of the ring buffer at most: one is heard, one is read, and
/// one more waits in one piece.
fn slice_share(board: &Board, plan: &ConvertPlan) -> Option<u32> {
    let mut reel = ReelFacts::unmade(plan.picture.width, plan.picture.height);
    reel.working_bytes = plan.settings(None).working_memory;
    reel.coding = match plan.coding.coding {
        Coding::Raw => PictureCoding::Raw,
        Coding::Jpeg => PictureCoding::Jpeg,
        Coding::Patch => PictureCoding::PatchFull,
    };
    let ring = MemoryPlan::new(&reel, board).room;
    (ring > 0).then(|| ((ring / 4) as u32).clamp(2048, SLICE_BYTES))
}
