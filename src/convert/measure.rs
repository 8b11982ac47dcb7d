//! Measuring passes over the sound, if the plan has a loudness target.

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

use super::error::ConvertError;
use super::plan::ConvertPlan;
use crate::sound::{Layout, Measured, SoundMeter, SoundPlan, Verdict};
use crate::source::{Clip, Item, OpenOptions};

/// Measures the wanted part as often as the meter asks for.
pub(super) fn measure(
    plan: &ConvertPlan,
    stop: &AtomicBool,
) -> Result<Option<Measured>, ConvertError> {
    let Some(sound) = &plan.sound else {
        return Ok(None);
    };
    measure_sound(&plan.source, &plan.open, sound, || {
        match stop.load(Ordering::Relaxed) {
            true => Err(ConvertError::Stopped(plan.output().into())),
            false => Ok(()),
        }
    })
}

/// The same of a clip, if its plan needs it. Sound that changes its form in
/// mid-stream is judged by its first form. Ends with the error of `go_on`, if it
/// gives one.
pub(super) fn measure_sound(
    source: &Path,
    open: &OpenOptions,
    sound: &SoundPlan,
    go_on: impl Fn() -> Result<(), ConvertError>,
) -> Result<Option<Measured>, ConvertError> {
    if !sound.needs_measuring() {
        return Ok(None);
    }
    let open = OpenOptions {
        sound_only: true,
        ..open.clone()
    };
    let mut meter: Option<SoundMeter> = None;
    loop {
        let mut clip = Clip::open(source, &open)?;
        let mut form = None;
        while let Some(item) = clip.next_item()? {
            go_on()?;
            let Item::Sound(block) = item else { continue };
            let this = (block.rate, block.channels, block.mask);
            if *form.get_or_insert(this) != this {
                continue;
            }
            if meter.is_none() {
                let layout = Layout::from_mask(block.mask, block.channels);
                meter = Some(SoundMeter::new(block.rate, &layout, sound)?);
            }
            if let Some(meter) = &mut meter {
                meter.push(&block.samples)?;
            }
        }
        match meter.take().map(SoundMeter::finish).transpose()? {
            None => return Ok(None),
            Some(Verdict::Done(measured)) => return Ok(Some(measured)),
            Some(Verdict::Again(next)) => meter = Some(*next),
        }
    }
}
