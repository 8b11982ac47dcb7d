//! Current and heat while the reel plays.

use crate::board::PowerSource;

use super::super::Link;
use super::super::current::{Currents, Duty};
use super::super::line::{Line, Part, Verdict};
use super::Case;

impl Case<'_> {
    /// Regulator, its heat and the source, from the load of the other lines.
    pub(super) fn power_lines(&self, lines: &[Line]) -> (Vec<Line>, Currents) {
        let load = |part| {
            lines
                .iter()
                .find(|l: &&Line| l.part == part)
                .map_or(0.0, |l| (l.need / 1000.0).min(1.0))
        };
        let mean_link =
            self.reel.slice_bytes() as f64 / self.reel.seconds() / self.link_rate.max(1.0);
        let duty = Duty {
            cores: load(Part::DisplayCore) + load(Part::IoCore),
            card: if self.link == Link::Card {
                mean_link.min(1.0)
            } else {
                0.0
            },
            radio: if self.link == Link::Wifi { 1.0 } else { 0.0 },
        };
        let currents = Currents::new(self.board, duty, self.reel.sound.bits() > 0);
        let power = &self.board.power;
        let regulator = self.power_line(
            Part::Regulator,
            currents.logic_ma,
            power.regulator.max_ma,
            "mA",
            &["power.regulator.max_ma"],
        );
        let rise = currents.regulator_c - power.ambient_c;
        let may_rise = power.regulator.max_junction_c - power.ambient_c;
        let mut heat = self.power_line(
            Part::Heat,
            rise,
            may_rise,
            "degrees C above ambient",
            &["power.regulator.max_junction_c", "power.ambient_c"],
        );
        heat.need_origin = heat
            .need_origin
            .and(self.origin(&["power.regulator.theta_ja"]));
        heat.note = (currents.regulator_c > 70.0).then(|| {
            format!(
                "about {:.0} C inside: hot to the touch; keep it clear of fingers and cells",
                currents.regulator_c
            )
        });
        let (limit, key) = match power.source {
            PowerSource::Usb => (power.usb_limit_ma, "power.usb_limit_ma"),
            PowerSource::Cell => (power.cell_limit_ma, "power.cell_limit_ma"),
        };
        let through = if power.diode_drop_v > 0.0 {
            limit.min(power.diode_limit_ma)
        } else {
            limit
        };
        let key = if through < limit {
            "power.diode_limit_ma"
        } else {
            key
        };
        let mut source = self.power_line(Part::Source, currents.source_ma, through, "mA", &[key]);
        source.note = source_note(&currents, through);
        if source.note.is_some() {
            source.verdict = source.verdict.max(Verdict::Tight);
        }
        (vec![regulator, heat, source], currents)
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
        line.need_origin = self.need_from(&CURRENT_KEYS);
        line.need_origin = line.need_origin.and(self.origin(match self.link {
            Link::Card => &["power.card_ma"],
            Link::Wifi => &["power.wifi_ma"],
        }));
        line.capacity_origin = self.origin(keys);
        line
    }
}

/// Keys that the current comes from, whatever the link.
const CURRENT_KEYS: [&str; 4] = [
    "power.base_ma",
    "power.backlight_ma",
    "power.core_ma",
    "sound.amplifier.gain_db",
];

/// What a full-scale tone would do to the supply, if it does harm.
fn source_note(currents: &Currents, limit: f64) -> Option<String> {
    if currents.source_peak_ma > limit {
        let peak = currents.source_peak_ma;
        return Some(format!(
            "a full-scale tone draws {peak:.0} mA: lower the gain setting or the sound's ceiling"
        ));
    }
    let sag = -currents.headroom_v;
    (sag > 0.0).then(|| format!("a full-scale tone lets the logic's supply sag by {sag:.2} V"))
}
