//! Measuring passes over the sound, if the plan has a loudness target.

use std::sync::atomic::{AtomicBool, Ordering};

use super::error::ConvertError;
use super::plan::ConvertPlan;
use crate::sound::{Layout, Measured, SoundMeter, Verdict};
use crate::source::{Clip, Item, OpenOptions};

/// Measures the wanted part as often as the meter asks for. Sound that changes
/// its form in mid-stream is judged by its first form.
pub(super) fn measure(
    plan: &ConvertPlan,
    stop: &AtomicBool,
) -> Result<Option<Measured>, ConvertError> {
    let wanted = plan.sound.as_ref().filter(|sound| sound.needs_measuring());
    let Some(sound) = wanted else { return Ok(None) };
    let open = OpenOptions {
        sound_only: true,
        ..plan.open.clone()
    };
    let mut meter: Option<SoundMeter> = None;
    loop {
        let mut clip = Clip::open(&plan.source, &open)?;
        let mut form = None;
        while let Some(item) = clip.next_item()? {
            if stop.load(Ordering::Relaxed) {
                return Err(ConvertError::Stopped(plan.output.clone()));
            }
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
