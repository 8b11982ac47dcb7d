//! Geometry of the picture on the board's panel.

use super::choices::Choices;
use super::error::ConvertError;
use crate::board;
use crate::picture::{self, PicturePlan};
use crate::source::QuarterTurns;
use crate::units::Shape;

/// What the picture stage does for this board.
///
/// # Errors
/// A size that the panel cannot show, or a value out of its range.
pub(super) fn picture_plan(choices: &Choices) -> Result<PicturePlan, ConvertError> {
    let panel = &choices.board.panel;
    let turns = QuarterTurns::clockwise(i32::from(panel.rotation / 90) + i32::from(choices.turns));
    let upright = match turns.swaps() {
        true => (panel.height, panel.width),
        false => (panel.width, panel.height),
    };
    let (w, h) = choices.size.unwrap_or(upright);
    if !(8..=upright.0).contains(&w) || !(8..=upright.1).contains(&h) {
        return Err(ConvertError::Choice(format!(
            "a picture of {w}x{h} does not fit {}, whose panel shows {}x{}; choose a --size from 8x8 up to that",
            choices.board.name, upright.0, upright.1
        )));
    }
    let (width, height) = if turns.swaps() { (h, w) } else { (w, h) };
    let whole = (w, h) == upright;
    let plan = PicturePlan {
        framing: choices.framing,
        anchor: choices.anchor,
        turns,
        mirror: panel.mirror != choices.mirror,
        filter: choices.filter,
        linear_light: choices.linear_light,
        dither: choices.dither,
        deinterlace: choices.deinterlace,
        tone: tone(&panel.tone),
        shape: match panel.shape {
            Shape::Ellipse if whole => Shape::Ellipse,
            _ => Shape::Rectangle,
        },
        ..PicturePlan::new(width, height)
    };
    plan.validate()?;
    Ok(plan)
}

/// Where in the panel's memory a picture lies that is in the panel's middle.
pub(super) fn picture_offset(panel: &board::Panel, picture: &PicturePlan) -> (u16, u16) {
    let before = |panel: u16, picture: u16| panel.saturating_sub(picture) / 2;
    (
        panel.x_offset + before(panel.width, picture.width),
        panel.y_offset + before(panel.height, picture.height),
    )
}

fn tone(tone: &board::Tone) -> picture::Tone {
    picture::Tone {
        gamma: tone.gamma as f32,
        black_lift: tone.black_lift as f32,
        saturation: tone.saturation as f32,
        sharpen: tone.sharpen as f32,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_smaller_picture_lies_in_the_middle_of_the_visible_part() {
        let panel = board::Panel {
            width: 135,
            height: 240,
            x_offset: 52,
            y_offset: 40,
            ..board::Panel::default()
        };
        let at = |w, h| picture_offset(&panel, &PicturePlan::new(w, h));
        assert_eq!(at(135, 240), (52, 40));
        assert_eq!(at(100, 240), (69, 40));
        assert_eq!(at(8, 8), (115, 156));
    }
}
