//! Current, voltage and heat while the reel plays, as the power model says.

use crate::board::PowerSource;
use crate::budget::power::{Carry, Power, PowerModel, State, USB_PORT};

use super::super::Link;
use super::super::line::{Line, Origin, Part, Verdict};
use super::Case;
use crate::board::Provenance;

impl Case<'_> {
    /// Regulator, its heat, the source and the voltage that is left.
    pub(super) fn power_lines(&self) -> (Vec<Line>, Power) {
        let power = PowerModel::new(self.reel, self.board, self.link).power();
        let lines = vec![
            self.regulator_line(&power),
            self.heat_line(&power),
            self.source_line(&power),
            self.rail_line(&power),
        ];
        (lines, power)
    }

    fn regulator_line(&self, power: &Power) -> Line {
        let mut line = self.power_line(
            Part::Regulator,
            power.regulator_peak_ma,
            self.board.power.regulator.max_ma,
            "mA",
            &["power.regulator.max_ma"],
        );
        let wanted = power.regulator_peak_ma / (1.0 - line.margin);
        line.note = (line.verdict != Verdict::Fits).then(|| {
            format!(
                "take a regulator of {:.0} mA or more",
                (wanted / 50.0).ceil() * 50.0
            )
        });
        line
    }

    fn heat_line(&self, power: &Power) -> Line {
        let (supply, inside) = (&self.board.power, power.heat.regulator_c);
        let mut heat = self.power_line(
            Part::Heat,
            inside - supply.ambient_c,
            supply.regulator.max_junction_c - supply.ambient_c,
            "degrees C above ambient",
            &["power.regulator.max_junction_c", "power.ambient_c"],
        );
        heat.need_origin = heat
            .need_origin
            .and(self.origin(&["power.regulator.theta_ja"]));
        let most = supply.regulator.max_junction_c;
        heat.note = if inside > most {
            Some(format!(
                "about {inside:.0} °C inside, where it bears {most:.0} °C: it switches off or breaks, and burns what touches \
                 it. Use a switching converter, a package that sheds more heat (power.regulator.theta_ja), or draw less"
            ))
        } else {
            (inside > 70.0).then(|| {
                format!("about {inside:.0} °C inside: hot to the touch; keep it clear of fingers and cells")
            })
        };
        heat
    }

    fn source_line(&self, power: &Power) -> Line {
        let key = match (power.limited_by, self.board.power.source) {
            ("diode", _) => "power.diode_limit_ma",
            (_, PowerSource::Usb) => "power.usb_limit_ma",
            (_, PowerSource::Cell) => "power.cell_limit_ma",
        };
        let mut source = self.power_line(Part::Source, power.mean_ma, power.limit_ma, "mA", &[key]);
        // What the instant does to the voltage is judged by the line below; a
        // port switches off by its current.
        if power.peak_ma > power.limit_ma {
            source.note = Some(power.over_limit());
            if power.limited_by == USB_PORT {
                source.verdict = source.verdict.max(Verdict::Tight);
            }
        }
        source
    }

    /// What the logic needs against what is left at the worst instant: on USB,
    /// or of a cell while it is full. Volts are met or not; a half full cell
    /// that does not meet them makes it tight.
    fn rail_line(&self, power: &Power) -> Line {
        let (first, half) = (&power.states[0], power.states.get(1));
        let mut rail = self.power_line(
            Part::Rail,
            first.need_v,
            first.least_v,
            "V",
            &["power.diode_drop_v", "power.bulk_uf"],
        );
        rail.margin = 0.0;
        rail.verdict = Verdict::of(rail.ratio(), 0.0);
        if half.is_some_and(|s| s.drops_out) {
            rail.verdict = rail.verdict.max(Verdict::Tight);
        }
        rail.need_origin = Origin::keys(
            self.board,
            &["power.regulator.output_v", "power.regulator.dropout_v"],
        );
        let dips = power.states.iter().find(|s| s.drops_out);
        rail.note = dips.map(brown_out);
        rail
    }

    fn power_line(
        &self,
        part: Part,
        need: f64,
        capacity: f64,
        unit: &'static str,
        keys: &[&str],
    ) -> Line {
        let mut line = self.line(part, need, capacity, unit);
        line.by_rate = false;
        line.by_area = false;
        line.need_origin = self.need_from(&CURRENT_KEYS).and(self.sound_origin());
        line.need_origin = line.need_origin.and(self.origin(match self.link {
            Link::Card => &["power.card_ma"],
            Link::Wifi => &["power.wifi_ma", "power.wifi_send_ma"],
        }));
        line.capacity_origin = self.origin(keys);
        line
    }

    /// Where the sound's power comes from.
    fn sound_origin(&self) -> Origin {
        if self.reel.programme.measured {
            Origin::plain(Provenance::Computed, "the sound's samples")
        } else {
            Origin::plain(Provenance::Assumed, "a film mix")
        }
    }
}

/// Keys that the current comes from, whatever the link.
const CURRENT_KEYS: [&str; 4] = [
    "power.base_ma",
    "power.backlight_ma",
    "power.core_ma",
    "sound.amplifier.gain_db",
];

/// What happens at the first state that drops out.
fn brown_out(state: &State) -> String {
    let lacking = 1e3 * (state.need_v - state.least_v);
    match state.carry {
        Carry::NotByCapacitor => {
            format!("{}: out of regulation even at the mean current", state.name)
        }
        Carry::Capacitor { uf } => format!(
            "{}: brown-out by {lacking:.0} mV; {uf:.0} µF at the regulator's input would carry it",
            state.name
        ),
        _ => format!(
            "{}: brown-out by {lacking:.0} mV, for too long for a capacitor",
            state.name
        ),
    }
}
