//! The encoder that a plan asks for.

use super::choices::CodingChoice;
use super::error::ConvertError;
use super::plan::ConvertPlan;
use crate::coding::{
    self, Bucket, Coding, CodingError, EncoderPlan, Limits, PictureEncoder, PictureIn,
};
use crate::picture::{Dither, PanelPicture};
use crate::sound;

/// Default quality.
const QUALITY: u8 = 60;
/// Default search.
const SEARCH: u8 = 2;

/// The quality that a choice comes to.
pub(super) fn quality(choice: &CodingChoice) -> u8 {
    choice.quality.unwrap_or(QUALITY)
}

/// The search of a choice.
pub(super) fn search(choice: &CodingChoice) -> u8 {
    choice.search.unwrap_or(SEARCH)
}

/// Most bytes of a poster of 240x240 pixels, but for raw.
const POSTER_BYTES: u32 = 10_000;

/// A picture in the plan's coding for menus: the payload of a key picture.
pub(super) fn poster(plan: &ConvertPlan, picture: &PanelPicture) -> Result<Vec<u8>, ConvertError> {
    let pixels = u32::from(picture.width) * u32::from(picture.height);
    let most = (pixels * POSTER_BYTES / (240 * 240)).max(2000);
    let bucket = Bucket {
        rate: most,
        depth: most,
    };
    let limits = Limits {
        link: (plan.coding.coding != Coding::Raw).then_some(bucket),
        ..Limits::default()
    };
    let input = PictureIn {
        width: picture.width,
        height: picture.height,
        rgb: &picture.rgb,
        pixels: &picture.pixels,
        unchanged: false,
    };
    coder(plan, limits)
        .and_then(|mut coder| coder.encode(&input, true))
        .map(|coded| coded.bytes)
        .map_err(|reason| ConvertError::Coding {
            path: plan.source.clone(),
            reason,
        })
}

pub(super) fn for_plan(plan: &ConvertPlan) -> Result<Box<dyn PictureEncoder>, ConvertError> {
    make(plan).map_err(|reason| ConvertError::Coding {
        path: plan.source.clone(),
        reason,
    })
}

fn make(plan: &ConvertPlan) -> Result<Box<dyn PictureEncoder>, CodingError> {
    let choice = &plan.coding.choice;
    let asked = choice.peak_rate.map(|rate| picture_bucket(plan, rate));
    let limits = Limits {
        link: asked.transpose()?.or(choice.limits.link),
        ..choice.limits
    };
    let coder = coder(plan, limits)?;
    match (choice.denoise, plan.coding.coding) {
        (false, _) => Ok(coder),
        (true, Coding::Raw) => Err(CodingError::Setting(
            "raw sends pictures as they are, noise and all: leave --denoise out, or use --coding patch or jpeg"
                .into(),
        )),
        (true, _) => {
            let (w, h) = (plan.picture.width, plan.picture.height);
            Ok(coding::denoised(coder, w, h))
        }
    }
}

fn coder(plan: &ConvertPlan, limits: Limits) -> Result<Box<dyn PictureEncoder>, CodingError> {
    let choice = &plan.coding.choice;
    coding::encoder(&EncoderPlan {
        width: plan.picture.width,
        height: plan.picture.height,
        shape: plan.coding_shape(),
        order: plan.byte_order(),
        rate: plan.rate,
        coding: plan.coding.coding,
        level: plan.coding.level,
        quality: self::quality(choice),
        search: self::search(choice),
        dither: plan.picture.dither != Dither::None,
        limits,
        weights: coding::Weights::default(),
    })
}

/// What a limit on the whole reel leaves for pictures: less the sound, the
/// pictures' own entries and checksums, and for each slice its header, checksums
/// and padding. The bucket holds one second.
pub(super) fn picture_bucket(plan: &ConvertPlan, rate: u32) -> Result<Bucket, CodingError> {
    let sound = plan.sound.as_ref().map_or(0.0, |s| {
        let block = sound::block_bytes(s.coding, s.rate as usize) as f64;
        // A checksum for each 8192 bytes.
        block * (1.0 + 4.0 / 8192.0) + 8.0 / plan.slice_seconds
    });
    let pictures = f64::from(plan.rate.num) / f64::from(plan.rate.den);
    let heads = crate::reel::PICTURE_OVERHEAD as f64 * pictures + 80.0 / plan.slice_seconds;
    let left = f64::from(rate) - sound - heads;
    if left < 500.0 {
        return Err(CodingError::Limit(format!(
            "a peak rate of {rate} bytes per second is too low: sound takes {sound:.0} and headers {heads:.0} of them; \
             allow more, or choose less sound or fewer frames per second"
        )));
    }
    Ok(Bucket {
        rate: left as u32,
        depth: left as u32,
    })
}
