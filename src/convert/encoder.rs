//! The encoder that a plan asks for.

use super::error::ConvertError;
use super::plan::ConvertPlan;
use crate::coding::{Coding, CodingError, PictureEncoder, RawEncoder};

pub(super) fn for_plan(plan: &ConvertPlan) -> Result<Box<dyn PictureEncoder>, ConvertError> {
    make(plan).map_err(|reason| ConvertError::Coding {
        path: plan.source.clone(),
        reason,
    })
}

fn make(plan: &ConvertPlan) -> Result<Box<dyn PictureEncoder>, CodingError> {
    let (w, h) = (plan.picture.width, plan.picture.height);
    match plan.coding.coding {
        Coding::Raw => Ok(Box::new(RawEncoder::new(
            w,
            h,
            plan.coding_shape(),
            plan.byte_order(),
        )?)),
        other => Err(CodingError::Setting(format!(
            "the coding {} is not ready",
            other.name()
        ))),
    }
}
