//! Geometry of the picture on the board's panel.

use super::choices::Choices;
use super::error::ConvertError;
use crate::board;
use crate::picture::{self, PicturePlan, Surround};
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

/// Where in the panel's memory a picture lies that is smaller than the panel: at
/// the anchor, which is the middle if not chosen.
pub(super) fn picture_offset(panel: &board::Panel, picture: &PicturePlan) -> (u16, u16) {
    let before = |panel: u16, picture: u16, share: f32| {
        (f32::from(panel.saturating_sub(picture)) * share).floor() as u16
    };
    let (x, y) = in_memory(picture);
    (
        panel.x_offset + before(panel.width, picture.width, x),
        panel.y_offset + before(panel.height, picture.height, y),
    )
}

/// The anchor, which is the viewer's, as the panel's memory is addressed: turned
/// clockwise, then mirrored.
fn in_memory(picture: &PicturePlan) -> (f32, f32) {
    let (x, y) = (picture.anchor.x, picture.anchor.y);
    let (x, y) = match picture.turns.count() {
        0 => (x, y),
        1 => (1.0 - y, x),
        2 => (1.0 - x, 1.0 - y),
        _ => (y, 1.0 - x),
    };
    match picture.mirror {
        true => (1.0 - x, y),
        false => (x, y),
    }
}

/// The panel around a picture that starts at `offset` of its memory.
pub(super) fn surround(panel: &board::Panel, offset: (u16, u16)) -> Surround {
    Surround {
        width: panel.width,
        height: panel.height,
        x: offset.0 - panel.x_offset,
        y: offset.1 - panel.y_offset,
        round: panel.shape == board::Shape::Ellipse,
    }
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

    /// Checked by turning a sheet of paper: a quarter clockwise takes the upper
    /// left corner to the upper right.
    #[test]
    fn an_anchor_is_the_viewers_however_the_panel_is_mounted() {
        let panel = board::Panel {
            width: 100,
            height: 60,
            ..board::Panel::default()
        };
        for (turns, mirror, offset) in [
            (0, false, (0, 0)),
            (1, false, (60, 0)),
            (2, false, (60, 40)),
            (3, false, (0, 40)),
            (0, true, (60, 0)),
            (1, true, (0, 0)),
        ] {
            let picture = PicturePlan {
                anchor: picture::Anchor { x: 0.0, y: 0.0 },
                turns: QuarterTurns::clockwise(turns),
                mirror,
                ..PicturePlan::new(40, 20)
            };
            assert_eq!(picture_offset(&panel, &picture), offset, "{turns} {mirror}");
        }
    }
}
