//! The model's answers in words, the same in every command.

use super::model::{Power, USB_PORT};
use super::run_time::{Change, RunTime};
use super::worst::{Carry, State};
use crate::board::{Board, PowerSource};

/// Most that may be connected behind a USB plug without a soft start, µF (USB
/// 2.0, 7.2.4.1).
const INRUSH_UF: f64 = 10.0;

/// Current, run time, worst instants and what to change, a sentence each.
#[must_use]
pub fn sentences(power: &Power, changes: &[Change]) -> Vec<String> {
    let mut all = vec![format!(
        "{:.0} mA from the source on average, {:.0} mA at the worst instant (computed from {})",
        power.mean_ma,
        power.peak_ma,
        if power.sound_measured {
            "the very sound and the profile"
        } else {
            "an assumed film mix and the profile"
        }
    )];
    if let Some(run) = &power.run_time {
        all.push(run.sentence());
        let longer = |c: &Change| format!("{} ({})", c.what, lasting(c.hours));
        let longer: Vec<String> = changes.iter().take(3).map(longer).collect();
        if !longer.is_empty() {
            all.push(format!("It lasts longer if you {}", longer.join(", or ")));
        }
    }
    all.extend(power.states.iter().map(state));
    all.extend((power.peak_ma > power.limit_ma).then(|| power.over_limit()));
    all
}

/// A time of play: minutes below an hour, and days where there are many hours.
#[must_use]
pub fn lasting(hours: f64) -> String {
    if hours < 1.0 {
        format!("{:.0} minutes", 60.0 * hours)
    } else if hours < 100.0 {
        format!("{hours:.1} hours")
    } else {
        format!("{hours:.0} hours ({:.0} days)", hours / 24.0)
    }
}

impl RunTime {
    /// How long it lasts, and what ends it.
    #[must_use]
    pub fn sentence(&self) -> String {
        let (end, open_v) = (self.end.words(), self.open_v);
        if self.hours <= 0.0 {
            return format!(
                "It does not run: already on a full cell, at {open_v:.2} V without load, {end}"
            );
        }
        format!(
            "{} from a full cell, less from an old one; then {end}, while {:.0} % of the charge is left ({open_v:.2} V \
             without load)",
            lasting(self.hours),
            100.0 * self.charge_left
        )
    }
}

fn state(state: &State) -> String {
    let what = format!(
        "{}: {:.2} V at the regulator's input on average ({:.2} V needed), {:.2} V at the worst instant ({:.2} V needed)",
        state.name, state.mean_v, state.mean_need_v, state.least_v, state.need_v
    );
    let lacking = 1e3 * (state.need_v - state.least_v);
    match state.carry {
        Carry::NotNeeded => what,
        Carry::Capacitor { uf } => format!(
            "{what}: brown-out by {lacking:.0} mV; {uf:.0} µF there would carry it, as it fills the dip while the source cannot{}",
            if state.charge.is_none() && uf > INRUSH_UF {
                "; behind a USB plug that much needs a soft start (USB 2.0, 7.2.4.1)"
            } else {
                ""
            }
        ),
        Carry::NotByCapacitor => format!(
            "{what}: out of regulation even on average, which no capacitor carries; the logic gets {:.2} V at worst",
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
        let (mean, limit, part) = (self.mean_ma, self.limit_ma, self.limited_by);
        if mean > limit && part != USB_PORT {
            return format!(
                "already the mean of {mean:.0} mA is above the {limit:.0} mA that the {part} bears for long: it gets hot \
                 and wears out. Take a {part} that bears more by its datasheet, or draw less: darker backlight, lower \
                 gain setting"
            );
        }
        let peak = self.peak_ma;
        let gain = match self.lower_gain_db {
            Some(db) => {
                format!(", or strap {db:.0} dB, which keeps every instant below {limit:.0} mA")
            }
            None => " (no lower gain setting is enough)".into(),
        };
        if part == USB_PORT {
            format!(
                "the worst instant draws {peak:.0} mA where the {part} gives {limit:.0} mA, and the port may cut off: take a \
                 port or charger of {:.0} mA and set power.usb_limit_ma{gain}. A large capacitor is no way out: \
                 more than {INRUSH_UF} µF behind the plug needs a soft start (USB 2.0, 7.2.4.1)",
                (peak / 100.0).ceil() * 100.0
            )
        } else {
            format!(
                "the worst instant draws {peak:.0} mA, more than the {limit:.0} mA that the {part} bears for long: peaks \
                 that short hardly warm it, but lower the voltage. Take a {part} that bears more{gain}"
            )
        }
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

/// What can hurt on every board.
pub const HEAT_AND_SOUND: &str = "Heat and loud sound: regulator, diode and amplifier can get hot enough to burn fingers \
    and to harm a cell; leave air around them, and measure their temperature before you close the case. Loud sound \
    damages hearing, and a small speaker is used close to the ear: at most 80 dBA for 40 hours a week, 75 dBA for \
    children (ITU-T H.870). The parts' own datasheets, local codes and licensed practice go before every figure here.";

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
