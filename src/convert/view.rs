//! A plan as it is printed, and as a reel's note keeps it.

use serde::Serialize;

use super::encoder;
use super::plan::ConvertPlan;
use crate::coding::patch::Level;
use crate::coding::{Coding, Limits};
use crate::picture::{Pace, PicturePlan};
use crate::sound::{Measured, SoundPlan};

/// A plan as it is printed: names and units are those of the options.
#[derive(Clone, Debug, Serialize)]
pub struct PlanView {
    /// The clip.
    pub source: String,
    /// The reel.
    pub output: String,
    /// The board.
    pub board: String,
    /// Title for menus.
    pub title: String,
    /// Start in seconds.
    pub from: f64,
    /// Wanted length in seconds.
    pub length: Option<f64>,
    /// Length in seconds as far as the clip states it.
    pub expected_length: Option<f64>,
    /// Largest file in bytes before the reel is written in parts.
    pub part_size: Option<u64>,
    /// Pictures.
    pub picture: PictureView,
    /// Sound.
    pub sound: Option<SoundView>,
    /// What the maker should know.
    pub advice: Vec<String>,
}

/// The pictures of a plan.
#[derive(Clone, Debug, Serialize)]
pub struct PictureView {
    /// How they are paced and coded.
    #[serde(flatten)]
    pub made: MadeView,
    /// How they are made where the rates differ.
    pub pace: Pace,
    /// Column of the panel's memory at which they start.
    pub x_offset: u16,
    /// Row of the panel's memory at which they start.
    pub y_offset: u16,
    /// What the picture stage does.
    #[serde(flatten)]
    pub stage: PicturePlan,
}

/// How pictures are paced and coded.
#[derive(Clone, Debug, Serialize)]
pub struct MadeView {
    /// Size, pixel shape, rate and codec of the source.
    pub source: String,
    /// Frames per second.
    pub frame_rate: String,
    /// Cues to burn in.
    pub subtitles: usize,
    /// Coding.
    pub coding: &'static str,
    /// Why that coding, if the choice was left open.
    pub coding_why: Option<String>,
    /// Level of `patch`.
    pub level: Option<&'static str>,
    /// Quality, 1 to 100, of a coding that has one.
    pub quality: Option<u8>,
    /// Effort of the encoder, 0 to 3, of a coding that has one.
    pub search: Option<u8>,
    /// Noise is taken out first, in a coding that loses something.
    pub denoise: Option<bool>,
    /// Most bytes per second of the whole reel.
    pub peak_rate: Option<u32>,
    /// Other limits, if there are any.
    pub limits: Option<Limits>,
    /// Most seconds between key pictures.
    pub key_seconds: f64,
}

/// The sound of a plan.
#[derive(Clone, Debug, Serialize)]
pub struct SoundView {
    /// Number of the sound track.
    pub track: usize,
    /// What the sound stage does.
    #[serde(flatten)]
    pub stage: SoundPlan,
    /// The same in words, in the order in which it is done.
    pub steps: Vec<String>,
}

impl ConvertPlan {
    /// The plan as it is printed.
    #[must_use]
    pub fn view(&self) -> PlanView {
        PlanView {
            source: self.source.display().to_string(),
            output: self.output.display().to_string(),
            board: self.board.clone(),
            title: self.title.clone(),
            from: self.open.from.0 as f64 / 1e9,
            length: self.open.length.map(|l| l.0 as f64 / 1e9),
            expected_length: self.expected_length().map(|d| d.as_secs_f64()),
            part_size: self.part_size,
            picture: PictureView {
                made: made(self),
                pace: self.pace,
                x_offset: self.offset.0,
                y_offset: self.offset.1,
                stage: self.picture.clone(),
            },
            sound: sound(self),
            advice: self.advice.clone(),
        }
    }

    /// A line for people inside the reel. It holds what shaped the reel and
    /// neither paths nor dates, so that equal work gives equal bytes.
    pub(super) fn note(&self, measured: Option<&Measured>) -> String {
        let levels = measured.and_then(|m| Some((m, m.before?)));
        let shaped = serde_json::json!({
            "thumbreel": env!("CARGO_PKG_VERSION"),
            "board": self.board,
            "picture": made(self),
            "sound": sound(self),
            "sound_levels": levels.map(|(m, before)| serde_json::json!({
                "loudness_before_lufs": before.integrated,
                "true_peak_before_dbtp": before.true_peak,
                "gain_db": m.gain_db + m.makeup_db,
            })),
            "from": self.open.from.0 as f64 / 1e9,
            "length": self.open.length.map(|l| l.0 as f64 / 1e9),
            "stage": self.picture,
            "pace": self.pace,
        });
        shaped.to_string()
    }
}

fn sound(plan: &ConvertPlan) -> Option<SoundView> {
    plan.sound.as_ref().map(|stage| SoundView {
        track: plan.clip.sound.as_ref().map_or(0, |s| s.number),
        steps: stage.steps(),
        stage: stage.clone(),
    })
}

fn made(plan: &ConvertPlan) -> MadeView {
    let planned = &plan.coding;
    let lossy = planned.coding != Coding::Raw;
    MadeView {
        source: source(plan),
        frame_rate: match plan.rate.den {
            1 => plan.rate.num.to_string(),
            den => format!("{}/{den}", plan.rate.num),
        },
        subtitles: plan.subtitles.len(),
        coding: planned.coding.name(),
        coding_why: planned.why.clone(),
        level: (planned.coding == Coding::Patch).then_some(match planned.level {
            Level::Light => "light",
            Level::Full => "full",
        }),
        quality: lossy.then(|| encoder::quality(&planned.choice)),
        search: (planned.coding == Coding::Patch).then(|| encoder::search(&planned.choice)),
        denoise: lossy.then_some(planned.choice.denoise),
        peak_rate: planned.choice.peak_rate,
        limits: (planned.choice.limits != Limits::default()).then_some(planned.choice.limits),
        key_seconds: plan.key_seconds,
    }
}

/// The source's pictures in a few words.
fn source(plan: &ConvertPlan) -> String {
    let source = &plan.clip.picture;
    let variable = if source.variable_rate {
        " (variable)"
    } else {
        ""
    };
    format!(
        "{}x{}, pixels {}:{}, {}/{} fps{variable}, {} bits, {}",
        source.width,
        source.height,
        source.sample_aspect.num,
        source.sample_aspect.den,
        source.rate.num,
        source.rate.den,
        source.bits,
        source.codec
    )
}
