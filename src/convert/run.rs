//! One conversion from end to end.

use std::io::Seek;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::Instant;

use crossbeam_channel::bounded;

use super::assemble::{Assembled, assemble};
use super::decode::{Decoded, decode};
use super::error::ConvertError;
use super::measure::measure;
use super::outcome::{Outcome, SoundDone, Timings};
use super::plan::ConvertPlan;
use super::progress::Progress;
use super::remarks;
use super::shape::{Shaped, shape};
use crate::files::Draft;
use crate::picture::{Pace, SourceCrop};
use crate::reel::{ReelFile, split_to};
use crate::sound::phase::UNSAFE_DB;
use crate::sound::{Downmix, Measured, SoundReport};
use crate::units::Ratio;

/// Items between two threads. Enough to even out a slow picture; each item may
/// hold a decoded frame.
const QUEUE: usize = 6;

/// Carries out a plan. `stop` may be set at any time, from anywhere.
///
/// # Errors
/// See [`ConvertError`]; nothing stands under the reel's name then, or what
/// stood there before.
pub fn run(
    plan: &ConvertPlan,
    progress: &dyn Progress,
    stop: &AtomicBool,
) -> Result<Outcome, ConvertError> {
    let start = Instant::now();
    let draft = plan.destination.begin()?;
    let measured = measure(plan, stop)?;
    let first_pass = start.elapsed();
    let made = run_stages(plan, measured, draft, progress, stop)?;
    if stop.load(Ordering::Relaxed) {
        return Err(ConvertError::Stopped(plan.output().into()));
    }
    let (decoded, shaped, assembled) = made;
    let mut outcome = outcome(plan, &decoded, &shaped, &assembled);
    outcome.files = publish(plan, assembled)?;
    outcome.timings.measure = first_pass.as_secs_f64();
    outcome.timings.whole = start.elapsed().as_secs_f64();
    Ok(outcome)
}

type Made = (Decoded, Shaped, Assembled);

fn run_stages(
    plan: &ConvertPlan,
    measured: Option<Measured>,
    draft: Draft,
    progress: &dyn Progress,
    stop: &AtomicBool,
) -> Result<Made, ConvertError> {
    let (work, to_shape) = bounded(QUEUE);
    let (ready, to_assemble) = bounded(QUEUE);
    thread::scope(|scope| {
        // Each thread owns its end of a queue: when one fails, its neighbours
        // find the queue broken and end too.
        let decoding = scope.spawn(move || decode(plan, stop, &work));
        let shaping = scope.spawn(move || shape(plan, measured, &to_shape, &ready));
        let assembled = {
            let ready = to_assemble;
            assemble(plan, measured, &ready, draft, progress, stop)
        };
        let decoded = joined(decoding);
        let shaped = joined(shaping);
        match (decoded, shaped, assembled) {
            (Ok(decoded), Ok(shaped), Ok(assembled)) => Ok((decoded, shaped, assembled)),
            (decoded, shaped, assembled) => {
                let errors = [decoded.err(), shaped.err(), assembled.err()];
                Err(cause(errors))
            }
        }
    })
}

/// Gives the file its name, or cuts it into parts that have theirs.
fn publish(plan: &ConvertPlan, assembled: Assembled) -> Result<Vec<PathBuf>, ConvertError> {
    let path = plan.output();
    let mut draft = assembled.draft;
    let limit = plan
        .part_size
        .filter(|limit| assembled.summary.length > *limit);
    let Some(limit) = limit else {
        draft.publish()?;
        return Ok(vec![path.into()]);
    };
    let unreadable = |reason| ConvertError::Parts {
        path: path.into(),
        reason,
    };
    draft
        .rewind()
        .map_err(|reason| ConvertError::output(path, reason))?;
    let mut whole = ReelFile::new(draft).map_err(|e| unreadable(e.into()))?;
    let parts = split_to(&mut whole, &plan.destination, limit).map_err(unreadable)?;
    Ok(parts.into_iter().map(|(path, _)| path).collect())
}

fn joined<T>(
    thread: thread::ScopedJoinHandle<'_, Result<T, ConvertError>>,
) -> Result<T, ConvertError> {
    thread
        .join()
        .unwrap_or_else(|panic| std::panic::resume_unwind(panic))
}

/// The error that broke the others.
fn cause(errors: [Option<ConvertError>; 3]) -> ConvertError {
    let mut errors = errors.into_iter().flatten();
    let own = |e: &ConvertError| !matches!(e, ConvertError::Broken);
    errors.find(own).unwrap_or(ConvertError::Broken)
}

fn outcome(
    plan: &ConvertPlan,
    decoded: &Decoded,
    shaped: &Shaped,
    assembled: &Assembled,
) -> Outcome {
    let header = &assembled.summary.header;
    let seconds = header.duration as f64 / f64::from(header.clock_rate);
    // Levels are those that a player decodes.
    let report = shaped.report.as_ref().map(|report| SoundReport {
        after: assembled.heard.map_or(report.after, |h| h.loudness),
        ..report.clone()
    });
    Outcome {
        source: plan.source.clone(),
        output: plan.output().into(),
        files: Vec::new(),
        bytes: assembled.summary.length,
        seconds,
        width: header.width,
        height: header.height,
        rate: f64::from(header.rate.num) / f64::from(header.rate.den),
        pictures: header.picture_count,
        pictures_unchanged: assembled.unchanged,
        source_pictures: decoded.pictures,
        judder_ms: decoded.judder.rms,
        flashes: shaped.flashes.iter().map(|&w| w.into()).collect(),
        coding: plan.coding.coding.name(),
        sound_rate: plan.sound.as_ref().map(|s| s.rate),
        mean_rate: header.mean_rate,
        worst_rate: header.worst_rate,
        largest_chunk: header.largest_chunk,
        prebuffer: header.prebuffer,
        damage: decoded.damage.into(),
        sound: report
            .as_ref()
            .zip(plan.sound.as_ref())
            .map(|(report, plan)| SoundDone::of(report, plan, assembled.heard)),
        previews: Vec::new(),
        advice: advice(plan, decoded, shaped.bars, report.as_ref(), seconds),
        plays: Vec::new(),
        timings: Timings {
            decode: decoded.busy.as_secs_f64(),
            picture: shaped.picture.as_secs_f64(),
            sound: shaped.sound.as_secs_f64(),
            encode: assembled.encode.as_secs_f64(),
            write: assembled.write.as_secs_f64(),
            ..Timings::default()
        },
    }
}

/// Clipping by less than this is not reported, dB: it clips
/// for moments only.
const CLIP_TOLD: f64 = 0.5;

/// Judder that is reported, as a share of the frame duration.
const JUDDER_TOLD: f64 = 0.15;

/// Says that motion is uneven where blending or another rate would help.
fn uneven(plan: &ConvertPlan, judder_ms: f64) -> Option<String> {
    let hertz = |rate: Ratio| f64::from(rate.num) / f64::from(rate.den);
    let (clip, reel) = (hertz(plan.clip.picture.rate), hertz(plan.rate));
    let told = judder_ms * reel / 1000.0 > JUDDER_TOLD;
    if !told || plan.pace != Pace::Nearest || plan.clip.picture.variable_rate || clip <= reel {
        return None;
    }
    let source = plan.clip.picture.rate;
    let times = (clip / reel).ceil() as u32;
    let even = Ratio::new(source.num, source.den.checked_mul(times)?)?;
    Some(format!(
        "motion is uneven by {judder_ms:.1} ms (root mean square, measured), for {reel:.3} frames per second do not \
         divide the clip's {clip:.3}: blend them with --pace blend, or take --frame-rate {}/{}",
        even.num, even.den
    ))
}

/// The plan's advice and what only pictures and sound themselves could tell.
fn advice(
    plan: &ConvertPlan,
    decoded: &Decoded,
    bars: Option<SourceCrop>,
    sound: Option<&SoundReport>,
    seconds: f64,
) -> Vec<String> {
    let mut advice = plan.advice.clone();
    advice.extend(uneven(plan, decoded.judder.rms));
    advice.extend(remarks::of_result(plan, seconds, bars, sound));
    let Some(report) = sound else {
        return advice;
    };
    let summed = plan.sound.as_ref().map(|s| s.downmix) == Some(Downmix::Sum);
    if let Some(phase) = report.phase.filter(crate::sound::PhaseLoss::is_unsafe)
        && let Some((hz, db)) = phase.worst()
        && summed
    {
        let judged = || phase.octaves.iter().flatten();
        let lost = judged().filter(|&&db| db > UNSAFE_DB).count();
        advice.push(format!(
            "left and right cancel in {lost} of {} octaves: their sum loses {db:.1} dB near {hz:.0} Hz (measured); \
             try --downmix left, right or phase-safe",
            judged().count()
        ));
    }
    let (clipping, peak) = (plan.clipping, report.after.true_peak);
    if peak > clipping.level + CLIP_TOLD {
        advice.push(format!(
            "the amplifier at {:.0} dB gain clips a sine at {:.1} dBFS on {} ({:.1} V, computed), and the sound \
             peaks at {peak:.1} dBTP: turn it down, or give --ceiling {:.1} (see: thumbreel gain)",
            clipping.gain_db,
            clipping.level,
            clipping.supply.name,
            clipping.supply.volts,
            (10.0 * clipping.level).floor() / 10.0,
        ));
    }
    if !report.reached {
        advice.push(format!(
            "the loudness target was not reached without crushing the sound; it came to {:.1} LUFS (measured)",
            report.after.integrated
        ));
    }
    advice
}
