//! The table of gains and volumes, and the answer that follows from it.

use serde_json::{Value, json};

use crate::board::{Board, PowerSource};
use crate::budget::power;
use crate::command::out::say;
use crate::convert::speaker;
use crate::sound::SoundError;
use crate::sound::gain::{Bound, Choice, DB_PER_BIT, OutputStage, Pairing, Supply, weekly_hours};

/// A full-scale sine in one channel reads -3.01 LKFS (ITU-R BS.1770-4).
const SINE_LUFS: f64 = -3.01;

/// How high and how loud the sound is.
pub(super) struct Levels {
    pub(super) peak_dbfs: f64,
    pub(super) loudness: f64,
    pub(super) measured: bool,
}

impl Levels {
    /// Mean level against a full-scale sine, dB.
    fn mean_db(&self) -> f64 {
        self.loudness - SINE_LUFS
    }

    fn origin(&self) -> &'static str {
        if self.measured { "measured" } else { "assumed" }
    }
}

pub(super) struct Staging {
    board: Board,
    stage: OutputStage,
    supplies: [Supply; 3],
    own: Supply,
    levels: (f64, f64, &'static str),
    rows: Vec<Pairing>,
    choices: Vec<(Supply, Choice)>,
    own_choice: Choice,
    over_limit: Option<String>,
    highest: (f64, f64),
    sound: Option<Loudness>,
    distance: f64,
}

/// Sound pressure of the best pairing.
struct Loudness {
    mean_db: f64,
    peak_db: f64,
}

impl Staging {
    pub(super) fn new(
        board: &Board,
        levels: &Levels,
        volumes: &[f64],
        distance: f64,
    ) -> Result<Self, SoundError> {
        let stage = speaker::output_stage(board);
        stage.check()?;
        let (supplies, own) = (power::supplies(board), power::weakest_supply(board));
        let (peak, mean) = (levels.peak_dbfs, levels.mean_db());
        let rows = stage
            .gains_db
            .iter()
            .flat_map(|&gain| volumes.iter().map(move |&volume| (gain, volume)))
            .map(|(gain, volume)| stage.pairing(gain, volume, &supplies))
            .collect();
        let best = |supply: Supply| {
            stage
                .best(supply.volts, peak, mean)
                .expect("a gain is there")
        };
        let own_choice = best(own);
        let chosen = (own_choice.gain_db, own_choice.volume_db);
        let draws = power::assumed_at(board, (mean, peak), chosen);
        let draws = draws.filter(|power| power.peak_ma > power.limit_ma);
        let highest = stage
            .gains_db
            .iter()
            .copied()
            .fold(f64::NEG_INFINITY, f64::max);
        let cut = own_choice.gain_db + own_choice.volume_db - highest;
        let pressure = |sensitivity: f64| {
            let level = |db: f64| {
                let watts = stage.watts(own_choice.gain_db, own_choice.volume_db, db);
                sensitivity + 10.0 * watts.log10() - 20.0 * distance.log10()
            };
            Loudness {
                mean_db: level(mean),
                peak_db: level(peak),
            }
        };
        Ok(Self {
            choices: supplies.map(|s| (s, best(s))).to_vec(),
            sound: board.sound.speaker.sensitivity_db.map(pressure),
            board: board.clone(),
            levels: (peak, levels.loudness, levels.origin()),
            highest: (highest, cut),
            stage,
            supplies,
            own,
            rows,
            own_choice,
            over_limit: draws.map(|power| power.over_limit()),
            distance,
        })
    }

    pub(super) fn print(&self) {
        let (peak, loudness, origin) = self.levels;
        say!(
            "{}: {} ohms, {} W rated; amplifier reference {:.1} dBV ({}), sound peaks at {peak:.1} dBFS and is {loudness:.1} LUFS loud ({origin})",
            self.board.name,
            self.stage.load_ohm,
            self.stage.rated_w,
            self.stage.reference_dbv,
            self.board.provenance_of("sound.amplifier.reference_dbv"),
        );
        self.print_table();
        self.print_choices();
        self.print_answer();
        self.print_loudness();
    }

    fn print_table(&self) {
        let [a, b, c] = &self.supplies;
        say!("");
        say!("full-scale sine, unclipped, and the level in dBFS at which it clips (computed)");
        say!(
            " gain  volume    volts    watts | {:>9} {:>9} {:>9} | rating at  bits  noise dBV  range dB",
            format!("USB {:.1}V", a.volts),
            format!("full {:.1}V", b.volts),
            format!("low {:.1}V", c.volts),
        );
        let clip = |db: f64| {
            if db >= 0.0 {
                "never".into()
            } else {
                format!("{db:.1}")
            }
        };
        for row in &self.rows {
            say!(
                "{:5.1} {:7.1} {:8.3} {:8.3} | {:>9} {:>9} {:>9} | {:>9} {:5.2} {:10.1} {:9.1}",
                row.gain_db,
                row.volume_db,
                row.volts,
                row.watts,
                clip(row.clip_dbfs[0]),
                clip(row.clip_dbfs[1]),
                clip(row.clip_dbfs[2]),
                clip(row.rated_dbfs),
                row.bits_lost,
                row.noise_dbv,
                row.range_db,
            );
        }
    }

    fn print_choices(&self) {
        say!("");
        say!("loudest without clipping (computed)");
        for (supply, choice) in &self.choices {
            let watts = self
                .stage
                .watts(choice.gain_db, choice.volume_db, self.levels.0);
            say!(
                "  {:<18} gain {:.0} dB, volume {:.1} dB: {watts:.2} W at the peaks; {}",
                format!("{} {:.1} V", supply.name, supply.volts),
                choice.gain_db,
                choice.volume_db,
                reason(choice.bound),
            );
        }
    }

    fn print_answer(&self) {
        say!("");
        say!("{}", self.answer());
        let strapped = self.board.sound.amplifier.gain_db;
        let rating = self.stage.rated_dbfs(strapped, 0.0);
        let limit = match rating < 0.0 {
            true => format!(
                "holds the mean level at {rating:.1} dB of a full-scale sine or below, the speaker's rating"
            ),
            false => "need not limit for the speaker's rating".to_owned(),
        };
        say!(
            "the profile says that {strapped:.0} dB is strapped (sound.amplifier.gain_db): convert for this board {limit}"
        );
    }

    /// The recommended gain and volume, with the reason, and what speaks against
    /// it.
    fn answer(&self) -> String {
        let against = self.over_limit.as_ref();
        let against = against.map_or_else(String::new, |words| format!(" But then {words}."));
        self.recommended() + &against
    }

    fn recommended(&self) -> String {
        let (highest, cut) = self.highest;
        let Choice {
            gain_db, volume_db, ..
        } = self.own_choice;
        let supply = format!("{} {:.1} V", self.own.name, self.own.volts);
        if gain_db >= highest - 0.01 {
            return format!(
                "Recommended: strap {highest:.0} dB, volume {volume_db:.1} dB. On {supply} only the highest gain plays \
                 this sound as loud as the chain allows.{}",
                self.softness()
            );
        }
        let noise = self.stage.noise_volts(highest) / self.stage.noise_volts(gain_db);
        format!(
            "Recommended: strap {gain_db:.0} dB, volume {volume_db:.1} dB. \
             At {highest:.0} dB the same loudness needs a volume of {cut:.1} dB, which loses {:.1} more bits and raises the noise \
             by {:.1} dB; too high a volume then clips on {supply}.",
            (volume_db - cut) / DB_PER_BIT,
            20.0 * noise.log10(),
        )
    }

    /// What is better than gain where the sound itself is soft.
    fn softness(&self) -> String {
        let unused = -self.levels.0 / DB_PER_BIT;
        if unused < 1.0 {
            return String::new();
        }
        format!(
            " But the sound is soft: its peaks leave {unused:.1} of 16 bits unused. Bring it up first \
             (thumbreel convert --loudness -16): a lower gain with less noise is then enough."
        )
    }

    fn print_loudness(&self) {
        let Some(sound) = &self.sound else {
            say!(
                "how loud that is cannot be said: the profile states no sound.speaker.sensitivity_db"
            );
            return;
        };
        say!(
            "at {} m (sensitivity {}): {:.0} dB SPL on average, {:.0} dB SPL at the peaks",
            self.distance,
            self.board.provenance_of("sound.speaker.sensitivity_db"),
            sound.mean_db,
            sound.peak_db,
        );
        for (who, child) in [("an adult", false), ("a child", true)] {
            let hours = weekly_hours(sound.mean_db, child);
            // A working week and more is no caution.
            if hours < 60.0 {
                say!(
                    "caution: at that level {who} may listen {hours:.1} hours a week (ITU-T H.870); limit the volume"
                );
            }
        }
    }

    pub(super) fn json(&self) -> Value {
        let row = |r: &Pairing| {
            json!({
                "gain_db": r.gain_db, "volume_db": r.volume_db, "volts": r.volts, "watts": r.watts,
                "clip_dbfs": {"usb": r.clip_dbfs[0], "full_cell": r.clip_dbfs[1], "empty_cell": r.clip_dbfs[2]},
                "rating_db": r.rated_dbfs, "bits_lost": r.bits_lost, "noise_dbv": r.noise_dbv,
                "range_db": r.range_db,
            })
        };
        let choice = |(supply, c): &(Supply, Choice)| {
            json!({
                "supply": supply.name, "supply_v": supply.volts, "gain_db": c.gain_db,
                "volume_db": c.volume_db, "bound": format!("{:?}", c.bound).to_lowercase(),
            })
        };
        json!({
            "board": self.board.name,
            "sound": {"peak_dbfs": self.levels.0, "loudness_lufs": self.levels.1, "origin": self.levels.2},
            "pairings": self.rows.iter().map(row).collect::<Vec<_>>(),
            "best": self.choices.iter().map(choice).collect::<Vec<_>>(),
            "own": choice(&(self.own, self.own_choice)),
            "answer": self.answer(),
            "distance_m": self.distance,
            "mean_db_spl": self.sound.as_ref().map(|s| s.mean_db),
            "peak_db_spl": self.sound.as_ref().map(|s| s.peak_db),
            "on_a_cell": self.board.power.source == PowerSource::Cell,
        })
    }
}

fn reason(bound: Bound) -> &'static str {
    match bound {
        Bound::Clipping => "louder would clip at this supply",
        Bound::Rating => "louder would exceed the speaker's rated power",
        Bound::Gain => "no higher gain is offered",
    }
}

/// What every answer about power and loudness ends with.
pub(super) fn cautions(board: &Board) {
    say!("");
    say!("cautions");
    for caution in power::cautions(board) {
        say!("  {caution}");
    }
    if board.power.source == PowerSource::Usb {
        say!("  {}", power::cell_caution(board));
    }
    say!("  {}", power::HEAT_AND_SOUND);
}
