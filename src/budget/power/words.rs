//! The model's answers in words, the same in every command.

use super::model::{Power, USB_PORT};
use super::run_time::Change;
use super::worst::{Carry, State};
use crate::board::{Board, PowerSource};

/// Current, run time, worst instants and what to change, a sentence each.
#[must_use]
pub fn sentences(power: &Power, changes: &[Change]) -> Vec<String> {
    let mut all = vec![format!(
        "{:.0} mA from the source in the mean, {:.0} mA at the worst instant (computed from {})",
        power.mean_ma,
        power.peak_ma,
        if power.sound_measured {
            "the very sound and the profile"
        } else {
            "an assumed film mix and the profile"
        }
    )];
    if let Some(run) = &power.run_time {
        all.push(format!(
            "{:.1} hours on a full cell; then {}, at {:.2} V without load, with {:.0} % of the charge left; less when the cell is old",
            run.hours,
            run.end.words(),
            run.open_v,
            100.0 * run.charge_left
        ));
        let longer = |c: &Change| format!("{} ({:.1} hours)", c.what, c.hours);
        let longer: Vec<String> = changes.iter().take(3).map(longer).collect();
        if !longer.is_empty() {
            all.push(format!("It lasts longer if you {}", longer.join(", or ")));
        }
    }
    all.extend(power.states.iter().map(state));
    all.extend((power.peak_ma > power.limit_ma).then(|| power.over_limit()));
    all
}

fn state(state: &State) -> String {
    let what = format!(
        "{}: {:.2} V behind the diode in the mean ({:.2} V needed), {:.2} V at the worst instant ({:.2} V needed)",
        state.name, state.mean_v, state.mean_need_v, state.least_v, state.need_v
    );
    let lacking = 1e3 * (state.need_v - state.least_v);
    match state.carry {
        Carry::NotNeeded => what,
        Carry::Capacitor { uf } => format!(
            "{what}: brown-out by {lacking:.0} mV; {uf:.0} µF there would carry it, as it fills the dip while the source cannot"
        ),
        Carry::NotByCapacitor => format!(
            "{what}: out of regulation already in the mean, which no capacitor carries; the logic gets {:.2} V at worst",
            state.rail_v
        ),
        Carry::TooLarge => format!(
            "{what}: brown-out by {lacking:.0} mV for too long for a capacitor; lower the gain or the source's resistance"
        ),
    }
}

impl Power {
    /// What to do where the worst instant draws more than source or diode give.
    #[must_use]
    pub fn over_limit(&self) -> String {
        let way_out = if self.limited_by == USB_PORT {
            format!(
                ", and the port may cut off: take a port or charger of {:.0} mA and set power.usb_limit_ma, or lower \
                 the gain setting or the sound's ceiling. A large capacitor is no way out: more than 10 µF behind the \
                 plug needs a soft start (USB 2.0, 7.2.4.1)",
                (self.peak_ma / 100.0).ceil() * 100.0
            )
        } else {
            " for long: short peaks warm it little, but sag; lower the gain setting or the sound's ceiling".into()
        };
        format!(
            "the worst instant draws {:.0} mA where the {} gives {:.0} mA{way_out}",
            self.peak_ma, self.limited_by, self.limit_ma
        )
    }
}

/// What can hurt, for a board: the cell, heat, and the speaker.
#[must_use]
pub fn cautions(board: &Board) -> Vec<String> {
    let mut all = vec![speaker_caution(board)];
    if board.power.source == PowerSource::Cell {
        all.push(cell_caution(board));
    }
    all
}

/// What can hurt a speaker, and its listener.
#[must_use]
pub fn speaker_caution(board: &Board) -> String {
    format!(
        "Speaker: {:.1} W is its rated power for long; the output is a bridge, so that neither wire may touch ground. \
         A still offset in the samples is direct current in the coil, which warms it and moves the cone out of its \
         middle: the conversion removes it. Start I2S with zeros before the amplifier is switched on and ramp the \
         first 10 ms, or it pops; if the data line sticks, the amplifier can put full direct voltage on the speaker \
         and burn it: switch the amplifier off whenever the clocks stop.",
        board.sound.speaker.rated_w
    )
}

/// What can hurt where a lithium cell is used.
#[must_use]
pub fn cell_caution(board: &Board) -> String {
    format!(
        "Lithium cell: charge to {:.2} V at most and between 0 and 45 °C, stop the discharge at {:.2} V, use a \
         protected cell and a charger made for it, never a swollen or damaged one, and never leave it charging \
         unattended. The cell's own datasheet, local codes and licensed practice go before every figure here.",
        board.power.cell_full_v, board.power.cell_empty_v
    )
}
