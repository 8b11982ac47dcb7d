//! A board's sound chain in the terms of the sound stage.

use crate::board::Board;
use crate::sound::SoundError;
use crate::sound::enclosure::{Driver, DriverDatasheet, Enclosure, Mounting};
use crate::sound::gain::OutputStage;

/// The speaker as the profile mounts it: in `litres` if given, else in its own
/// box, else in free air.
///
/// # Errors
/// Figures that no speaker has.
pub fn enclosure(board: &Board, litres: Option<f64>) -> Result<Enclosure, SoundError> {
    let speaker = &board.sound.speaker;
    let driver = Driver::new(&DriverDatasheet {
        diameter_mm: speaker.diameter_mm,
        impedance_ohm: speaker.impedance_ohm,
        rated_w: speaker.rated_w,
        resonance_hz: speaker.resonance_hz,
        q_total: speaker.q_total,
        vas_litres: speaker.vas_litres,
        cone_cm2: speaker.cone_cm2,
        excursion_mm: speaker.excursion_mm,
        sensitivity_db: speaker.sensitivity_db,
    })?;
    let volume = litres.or(speaker.box_litres);
    Enclosure::new(driver, volume.map_or(Mounting::FreeAir, Mounting::Closed))
}

/// Amplifier and speaker.
#[must_use]
pub fn output_stage(board: &Board) -> OutputStage {
    let (amplifier, speaker) = (&board.sound.amplifier, &board.sound.speaker);
    OutputStage {
        gains_db: amplifier.gains_db.clone(),
        reference_dbv: amplifier.reference_dbv,
        max_w: amplifier.max_w,
        output_ohm: amplifier.output_ohm,
        noise_uv: amplifier.noise_uv,
        load_ohm: speaker.impedance_ohm,
        rated_w: speaker.rated_w,
    }
}
