//! What a maker should hear of a plan and of what came of it: only what matters,
//! each with the option that changes it.

use super::choices::Choices;
use super::plan::ConvertPlan;
use crate::board::{Board, Shape};
use crate::coding::Coding;
use crate::picture::{Dither, Framing, Pace, SourceCrop};
use crate::sound::{DynamicRange, SoundReport};
use crate::units::Ratio;

/// Sound below this integrated loudness is quiet on a small speaker, LUFS;
/// common practice, no source.
const QUIET: f64 = -28.0;
/// A loudness that suits a small speaker, LUFS; common practice, no source.
pub const AUDIBLE: i32 = -18;
/// A true peak above the ceiling by less is not worth a word, dB.
const OVER_TOLD: f64 = 0.2;
/// Bars that take less of a side are not worth a word.
const BARS_TOLD: f64 = 0.04;
/// A whole picture that covers less of the panel is worth a word; common sense,
/// no source.
const LITTLE: f64 = 0.2;
/// Seconds that a clip may lack of what it states; also a twentieth of it.
const CUT_TOLD: f64 = 0.5;

/// Remarks on a plan, before anything is converted.
pub(super) fn of_plan(plan: &ConvertPlan, board: &Board, choices: &Choices) -> Vec<String> {
    let remarks = [
        cut_corners(plan, board),
        little_seen(plan),
        too_short(plan),
        idle_blend(plan),
        idle_anchor(plan, board),
        idle_dither(plan),
        silent(plan, choices),
    ];
    remarks.into_iter().flatten().collect()
}

/// Remarks on what was made: `seconds` long, with these bars and this sound
/// behind its coding.
pub(super) fn of_result(
    plan: &ConvertPlan,
    seconds: f64,
    bars: Option<SourceCrop>,
    sound: Option<&SoundReport>,
) -> Vec<String> {
    let remarks = [
        ended_early(plan, seconds),
        cut_off(plan, seconds),
        bars.and_then(|bars| has_bars(plan, bars)),
        sound.and_then(|sound| quiet(plan, sound)),
        sound.and_then(|sound| over_ceiling(plan, sound)),
    ];
    remarks.into_iter().flatten().collect()
}

fn ratio(of: Ratio) -> f64 {
    f64::from(of.num) / f64::from(of.den)
}

/// A whole picture on a round panel loses its corners and gets bars as well.
fn cut_corners(plan: &ConvertPlan, board: &Board) -> Option<String> {
    let round = board.panel.shape == Shape::Ellipse;
    (round && plan.picture.framing == Framing::Letterbox).then(|| {
        "the panel is round: it cuts the picture's corners, and black bars stay beside it; --framing crop shows no bars"
            .into()
    })
}

/// The clip's width over its height, by the picture's: 1 where the shapes are alike.
fn unlikeness(plan: &ConvertPlan) -> f64 {
    let source = &plan.clip.picture;
    let upright = ratio(source.sample_aspect) * f64::from(source.width) / f64::from(source.height);
    let clip = match source.rotation.swaps() {
        true => upright.recip(),
        false => upright,
    };
    let (width, height) = plan.picture.viewed_size();
    clip * f64::from(height) / f64::from(width)
}

/// The clip's shape is so unlike the panel's that most of the panel stays black.
fn little_seen(plan: &ConvertPlan) -> Option<String> {
    let source = &plan.clip.picture;
    let unlike = unlikeness(plan);
    let covered = unlike.min(unlike.recip());
    (plan.picture.framing == Framing::Letterbox && covered < LITTLE).then(|| {
        let (w, h, percent) = (source.width, source.height, 100.0 * covered);
        format!(
            "shown whole, the clip of {w}x{h} covers {percent:.1} % of the reel's picture; --framing crop covers all of it, with {percent:.1} % of the clip"
        )
    })
}

/// The clip states that it ends before the part that is wanted.
fn too_short(plan: &ConvertPlan) -> Option<String> {
    let wanted = plan.open.length?.0 as f64 / 1e9;
    let there = plan.expected_length()?.as_secs_f64();
    (there + slack(plan) < wanted).then(|| shorter(wanted, there))
}

/// It did not state it, or not truly.
fn ended_early(plan: &ConvertPlan, seconds: f64) -> Option<String> {
    let wanted = plan.open.length?.0 as f64 / 1e9;
    let told = too_short(plan).is_some();
    (!told && seconds + slack(plan) < wanted).then(|| shorter(wanted, seconds))
}

/// The clip states that it lasts longer than what was found in it.
fn cut_off(plan: &ConvertPlan, seconds: f64) -> Option<String> {
    if plan.open.length.is_some() {
        return None;
    }
    let stated = plan.expected_length()?.as_secs_f64();
    (seconds + CUT_TOLD.max(0.05 * stated) < stated).then(|| {
        format!("the clip states {stated:.2} s, but ends after {seconds:.2} s; check that the file is complete")
    })
}

/// Half a picture is not told.
fn slack(plan: &ConvertPlan) -> f64 {
    0.01 + 0.5 / ratio(plan.rate)
}

fn shorter(wanted: f64, there: f64) -> String {
    format!("{wanted:.2} s were asked for, but the clip ends {there:.2} s after the wanted start")
}

fn idle_blend(plan: &ConvertPlan) -> Option<String> {
    let every = ratio(plan.rate) >= 0.999 * ratio(plan.clip.picture.rate);
    (plan.pace == Pace::Blend && every && !plan.clip.picture.variable_rate)
        .then(|| "--pace blend changes nothing, as the reel shows every picture of the clip".into())
}

/// Whole, a picture has room along one side of the panel only; cropped, it is cut
/// along one only.
fn idle_anchor(plan: &ConvertPlan, board: &Board) -> Option<String> {
    let (picture, panel) = (&plan.picture, &board.panel);
    let fills = (picture.width, picture.height) == (panel.width, panel.height);
    let sideways = match picture.framing {
        Framing::Letterbox => unlikeness(plan) < 1.0,
        Framing::Crop => unlikeness(plan) > 1.0,
        Framing::Stretch => return None,
    };
    let moved = |share: f32| (share - 0.5).abs() > f32::EPSILON;
    let [used, idle] = match sideways {
        true => [picture.anchor.x, picture.anchor.y],
        false => [picture.anchor.y, picture.anchor.x],
    };
    (fills && moved(idle) && !moved(used)).then(|| {
        let (free, out) = match sideways {
            true => ("left or right", "--anchor left or right moves it"),
            false => ("up or down", "--anchor top or bottom moves it"),
        };
        format!("--anchor changes nothing, as this picture can only go {free}; {out}")
    })
}

/// Codings with decoders of their own dither in their own way.
fn idle_dither(plan: &ConvertPlan) -> Option<String> {
    let asked = plan.picture.dither;
    match plan.coding.coding {
        Coding::Jpeg if asked != Dither::default() => Some(
            "--dither changes nothing, as jpeg pictures are not dithered; --coding raw or patch dithers"
                .into(),
        ),
        Coding::Patch if ![Dither::default(), Dither::None].contains(&asked) => Some(
            "patch has one dither of its own, which --dither none switches off; --coding raw takes any"
                .into(),
        ),
        _ => None,
    }
}

fn silent(plan: &ConvertPlan, choices: &Choices) -> Option<String> {
    if plan.sound.is_some() || !plan.clip.sound_tracks.is_empty() {
        return None;
    }
    let shaping = &choices.shaping;
    let asked = shaping.loudness.is_some()
        || shaping.ceiling.is_some()
        || shaping.high_pass.is_some()
        || shaping.virtual_bass.is_some()
        || shaping.high_shelf.is_some()
        || shaping.dynamic_range != DynamicRange::Full
        || choices.sound_rate.is_some();
    asked.then(|| "the options for sound have no effect, as the clip has none".into())
}

fn has_bars(plan: &ConvertPlan, bars: SourceCrop) -> Option<String> {
    let source = &plan.clip.picture;
    let share = |bars: u32, side: u32| f64::from(bars) / f64::from(side.max(1));
    let rows = share(bars.top + bars.bottom, source.height);
    let columns = share(bars.left + bars.right, source.width);
    (rows.max(columns) >= BARS_TOLD).then(|| {
        format!(
            "the clip has black bars of its own ({} rows and {} columns of {}x{}, measured); --crop-bars leaves them out",
            bars.top + bars.bottom,
            bars.left + bars.right,
            source.width,
            source.height
        )
    })
}

fn quiet(plan: &ConvertPlan, sound: &SoundReport) -> Option<String> {
    let asked = plan.sound.as_ref().is_some_and(|s| s.loudness.is_some());
    let loudness = sound.after.integrated;
    let cut = plan.sound.as_ref().and_then(|s| s.high_pass);
    if let (Some(cut), false) = (cut, asked || loudness >= f64::from(AUDIBLE) - 1.0) {
        return loudness.is_finite().then(|| {
            format!(
                "without the bass below {:.0} Hz the sound has {loudness:.1} LUFS (measured); --loudness={AUDIBLE} makes up for it",
                cut.hz
            )
        });
    }
    (!asked && loudness.is_finite() && loudness < QUIET).then(|| {
        format!(
            "the sound is quiet, {loudness:.1} LUFS (measured); --loudness={AUDIBLE} brings it up"
        )
    })
}

/// The coding's own noise lifts peaks.
fn over_ceiling(plan: &ConvertPlan, sound: &SoundReport) -> Option<String> {
    let ceiling = plan.sound.as_ref()?.ceiling;
    let (peak, over) = (sound.after.true_peak, sound.after.true_peak - ceiling);
    (over >= OVER_TOLD).then(|| {
        format!(
            "the sound coding lifts the true peak to {peak:.1} dBTP (measured), above the ceiling of {ceiling:.1} dBTP; \
             --ceiling {:.1} makes room for it",
            ceiling - (10.0 * over).ceil() / 10.0
        )
    })
}
