//! The promise: a clip becomes a reel that shows and sounds the same, as near
//! as the panel allows, in step, whole, and always in the same bytes.

#[path = "../common/mod.rs"]
mod common;

mod extras;
mod faithful;
mod memory;
mod overhead;
mod same;
mod shown;
mod sounds;

use std::path::Path;
use std::sync::atomic::AtomicBool;

use thumbreel::board::Board;
use thumbreel::convert::{Choices, ConvertError, ConvertPlan, Outcome, Quiet, run};
use thumbreel::units::Ratio;

/// Choices for a 240x240 panel, with what the closure changes.
pub fn choices(change: impl FnOnce(&mut Choices)) -> Choices {
    let mut choices = Choices::new(Board::find("lantern-room").unwrap());
    choices.coding.coding = Some(thumbreel::coding::Coding::Raw);
    change(&mut choices);
    choices
}

pub fn try_convert(choices: &Choices, clip: &Path, reel: &Path) -> Result<Outcome, ConvertError> {
    let plan = ConvertPlan::resolve(choices, clip, reel)?;
    run(&plan, &Quiet, &AtomicBool::new(false))
}

pub fn convert(choices: &Choices, clip: &Path, reel: &Path) -> Outcome {
    try_convert(choices, clip, reel).unwrap()
}

pub fn rate(num: u32, den: u32) -> Option<Ratio> {
    Ratio::new(num, den)
}
