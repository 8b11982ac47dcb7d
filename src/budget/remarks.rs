//! What a board's supply and speaker do not bear, whatever plays.

use super::power::{AmplifierLoad, stand_in};
use super::{Budget, Line, Link, Part, Terms, Verdict};
use crate::board::{Advice, Board};

/// A full-scale sine may put so many times its rated power into a speaker
/// before it is worth a word: sound is far below a sine of its peak.
const OVERDRIVEN: f64 = 3.0;

/// Remarks on a board by its budget for typical pictures and sound: each part of
/// the supply that does not fit, over the link that loads it most, and an
/// amplifier that is far too strong for the speaker.
#[must_use]
pub fn remarks(board: &Board) -> Vec<Advice> {
    let reel = stand_in(board);
    let of = |link| Budget::new(&reel, board, link, Terms::default()).ok();
    let budgets: Vec<Budget> = Link::of(board).into_iter().filter_map(of).collect();
    let parts = [Part::Regulator, Part::Heat, Part::Source, Part::Rail];
    let short = |part| {
        let lines = budgets
            .iter()
            .flat_map(|b| b.lines.iter().zip(std::iter::repeat(b.link)));
        lines
            .filter(|(line, _)| line.part == part && line.verdict != Verdict::Fits)
            .max_by(|a, b| a.0.ratio().total_cmp(&b.0.ratio()))
    };
    let mut all: Vec<Advice> = parts.into_iter().filter_map(short).map(shortage).collect();
    let volts = budgets.iter().map(|b| b.power.amplifier_v);
    all.extend(too_strong(board, volts.fold(0.0, f64::max)));
    all
}

fn shortage((line, link): (&Line, Link)) -> Advice {
    let key = match line.part {
        Part::Regulator | Part::Heat => "power.regulator",
        _ => "power",
    };
    let reason = line.reason();
    let more = line.note.as_ref().filter(|note| !reason.contains(*note));
    let more = more.map_or_else(String::new, |note| format!(": {note}"));
    let from = match link {
        Link::Card => "from the card",
        Link::Wifi => "over Wi-Fi",
    };
    Advice {
        key: key.into(),
        text: format!("typical pictures and sound {from} (computed): {reason}{more}"),
    }
}

/// An amplifier at `supply_v` that gives far more than the speaker is rated for.
fn too_strong(board: &Board, supply_v: f64) -> Option<Advice> {
    let (gain_db, rated_w) = (board.sound.amplifier.gain_db, board.sound.speaker.rated_w);
    let amplifier = AmplifierLoad::of(board, gain_db, 0.0, supply_v);
    let peak_v = amplifier.full_scale_v.min(amplifier.swing_v(supply_v));
    let watts = amplifier.output_w(peak_v * peak_v / 2.0);
    (watts > OVERDRIVEN * rated_w).then(|| Advice {
        key: "sound.amplifier.gain_db".into(),
        text: format!(
            "at {gain_db:.0} dB a full-scale sine puts {watts:.1} W into a speaker that is rated {rated_w} W (computed): \
             `convert` for this board keeps the mean below the rating; turn down whatever else plays there, or strap a \
             lower gain"
        ),
    })
}
