//! What the sound of a clip or reel draws from the supply.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use anyhow::{Context, bail};
use serde_json::{Value, json};

use super::staging::Levels;
use crate::board::{Board, PowerSource, Provenance};
use crate::budget::Origin;
use crate::command::out::say;
use crate::convert::speaker;
use crate::reel::{self, ReelFile};
use crate::report::Curve;
use crate::sound::gain::Choice;
use crate::sound::supply::{CurrentMeter, CurrentUse, Feed, Heat};
use crate::sound::{
    HighPass, Layout, LoudnessMeter, SoundCoding, SoundPlan, SoundStage, decode_block,
};
use crate::source::{Clip, Item, OpenOptions};

/// Samples of a file's sound, piece by piece, at the returned rate.
///
/// A reel's sound is what it is; a clip's goes through the sound stage at the
/// board's rate, with the high-pass that is given.
fn samples(
    file: &Path,
    board: &Board,
    high_pass: Option<HighPass>,
    each: &mut dyn FnMut(u32, &[i16]) -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    if is_reel(file)? {
        of_reel(file, each)
    } else {
        of_clip(file, board, high_pass, each)
    }
}

/// Whether a reel has sound.
pub(super) fn sounds(reel: &Path) -> anyhow::Result<bool> {
    let file = ReelFile::open(reel).with_context(|| reel.display().to_string())?;
    let header = file.header();
    Ok(SoundCoding::from_number(header.sound as u8).is_some() && header.slice_count > 0)
}

fn is_reel(file: &Path) -> anyhow::Result<bool> {
    let mut start = [0; reel::MAGIC.len()];
    let mut opened = File::open(file).with_context(|| file.display().to_string())?;
    Ok(opened.read_exact(&mut start).is_ok() && start == reel::MAGIC)
}

fn of_reel(
    file: &Path,
    each: &mut dyn FnMut(u32, &[i16]) -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    let name = file.display().to_string();
    let mut reel = ReelFile::open(file).with_context(|| name.clone())?;
    let rate = reel.header().clock_rate;
    let Some(coding) = SoundCoding::from_number(reel.header().sound as u8) else {
        bail!("{name}: the reel is silent");
    };
    while let Some(slice) = reel.next_slice().with_context(|| name.clone())? {
        let mut block = vec![0; slice.ticks as usize];
        decode_block(coding, &slice.sound, &mut block).with_context(|| name.clone())?;
        each(rate, &block)?;
    }
    Ok(())
}

fn of_clip(
    file: &Path,
    board: &Board,
    high_pass: Option<HighPass>,
    each: &mut dyn FnMut(u32, &[i16]) -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    let open = OpenOptions {
        sound_only: true,
        ..OpenOptions::default()
    };
    let mut clip = Clip::open(file, &open)?;
    if clip.info().sound.is_none() {
        bail!("{}: the clip has no sound track", file.display());
    }
    let plan = SoundPlan {
        rate: board.sound.sample_rate,
        high_pass,
        ..SoundPlan::default()
    };
    let mut stage: Option<SoundStage> = None;
    let mut out = Vec::new();
    while let Some(item) = clip.next_item()? {
        let Item::Sound(sound) = item else { continue };
        if stage.is_none() {
            let layout = Layout::from_mask(sound.mask, sound.channels);
            stage = Some(SoundStage::new(sound.rate, &layout, &plan, None)?);
        }
        if let Some(stage) = &mut stage {
            out.clear();
            stage.push(&sound.samples, &mut out)?;
            each(plan.rate, &out)?;
        }
    }
    if let Some(mut stage) = stage {
        out.clear();
        stage.finish(&mut out)?;
        each(plan.rate, &out)?;
    }
    Ok(())
}

/// Peak and loudness of a file's sound.
pub(super) fn levels(file: &Path, board: &Board) -> anyhow::Result<Levels> {
    let mut meter: Option<LoudnessMeter> = None;
    samples(file, board, None, &mut |rate, block| {
        if meter.is_none() {
            meter = Some(LoudnessMeter::new(rate, &Layout::mono())?);
        }
        if let Some(meter) = &mut meter {
            let unit: Vec<f32> = block.iter().map(|&s| f32::from(s) / 32_768.0).collect();
            meter.push(&unit)?;
        }
        Ok(())
    })?;
    let loudness = meter.context("the sound is empty")?.loudness()?;
    if !loudness.integrated.is_finite() {
        bail!("{}: the sound is silent", file.display());
    }
    Ok(Levels {
        peak_dbfs: loudness.true_peak.min(0.0),
        loudness: loudness.integrated,
        measured: true,
    })
}

/// The supply current of a file's sound at one gain and volume.
pub(super) struct Sounding {
    board: Board,
    feed: Feed,
    plain: CurrentUse,
    cut: CurrentUse,
    high_pass: HighPass,
    reel: bool,
    minutes: f64,
}

impl Sounding {
    pub(super) fn new(
        file: &Path,
        board: &Board,
        choice: Choice,
        minutes: f64,
    ) -> anyhow::Result<Self> {
        let reel = is_reel(file)?;
        let enclosure = speaker::enclosure(board, None)?;
        let high_pass = enclosure.high_pass(board.sound.speaker.rated_w);
        let load = speaker::amplifier_load(board, choice.gain_db, choice.volume_db);
        let drawn = |high_pass: Option<HighPass>| -> anyhow::Result<CurrentUse> {
            let mut meter: Option<CurrentMeter> = None;
            let mut filter: Vec<crate::sound::biquad::Biquad> = Vec::new();
            let inside = if reel { None } else { high_pass };
            samples(file, board, inside, &mut |rate, block| {
                let meter = meter.get_or_insert_with(|| {
                    // A reel's samples are fixed: the filter acts on what they are.
                    let after = high_pass
                        .filter(|_| reel)
                        .map(|h| h.sections(f64::from(rate)));
                    filter = after
                        .unwrap_or_default()
                        .into_iter()
                        .map(crate::sound::biquad::Biquad::new)
                        .collect();
                    CurrentMeter::new(load, rate)
                });
                let filtered = |&s: &i16| {
                    let y = filter.iter_mut().fold(f64::from(s), |y, f| f.push(y));
                    y.round().clamp(-32_768.0, 32_767.0) as i16
                };
                let block: Vec<i16> = block.iter().map(filtered).collect();
                meter.push(&block);
                Ok(())
            })?;
            Ok(meter.context("the sound is empty")?.finish())
        };
        Ok(Self {
            plain: drawn(None)?,
            cut: drawn(Some(high_pass))?,
            board: board.clone(),
            feed: speaker::feed(board),
            high_pass,
            reel,
            minutes,
        })
    }

    fn heat(&self, used: &CurrentUse) -> Heat {
        self.feed.heat(used, self.minutes * 60.0)
    }

    pub(super) fn print(&self) {
        say!(
            "\nsupply current of the amplifier while this sound plays (computed from its samples; 5 ms means)"
        );
        self.lines().iter().for_each(|line| say!("{line}"));
    }

    /// What it draws, against which limits, and what gets how warm.
    fn lines(&self) -> Vec<String> {
        let mut lines: Vec<String> = self.draws().iter().map(|d| d.line()).collect();
        lines.push("the same over time, one bar a sixtieth of the length".into());
        let top = self.draws().map(|d| d.used.peak_ma);
        let top = top.into_iter().fold(1e-9, f64::max);
        for draw in self.draws() {
            lines.push(format!(
                "  {:<44} {}",
                draw.name,
                sparkline(&draw.used.curve_ma, top)
            ));
        }
        lines.push(format!("peaks against limits ({})", self.origin()));
        lines.extend(self.limits());
        lines.extend(self.heats());
        lines
    }

    /// What the limits and the currents held against them come from.
    fn origin(&self) -> Origin {
        let power = &self.board.power;
        let source = match power.source {
            PowerSource::Cell => "power.cell_limit_ma",
            PowerSource::Usb => "power.usb_limit_ma",
        };
        let keys = [
            "sound.amplifier",
            "power.regulator.max_ma",
            "power.base_ma",
            source,
        ];
        Origin::plain(Provenance::Computed, "the samples").and(Origin::keys(&self.board, &keys))
    }

    /// As it is, and behind the high-pass.
    fn draws(&self) -> [Draw<'_>; 2] {
        let what = if self.reel {
            "on top of what the reel has"
        } else {
            "in place"
        };
        let behind = format!("high-pass {:.0} Hz {what}", self.high_pass.hz);
        [("as it is".to_owned(), &self.plain), (behind, &self.cut)]
            .map(|(name, used)| Draw { name, used })
    }

    fn limits(&self) -> Vec<String> {
        let power = &self.board.power;
        let (peak, cut) = (
            self.feed.currents(self.plain.peak_ma),
            self.feed.currents(self.cut.peak_ma),
        );
        let cell = power.source == PowerSource::Cell;
        let mut limits = vec![(
            "regulator",
            [peak.regulator, cut.regulator],
            power.regulator.max_ma,
        )];
        let source = [peak.source, cut.source];
        if power.diode_drop_v > 0.0 {
            limits.push(("diode", source, power.diode_limit_ma));
        }
        limits.push(match cell {
            true => ("cell", source, power.cell_limit_ma),
            false => ("USB port", source, power.usb_limit_ma),
        });
        let line = |(part, [drawn, behind], limit): (&str, [f64; 2], f64)| {
            let verdict = if drawn > limit { "TOO MUCH" } else { "fits" };
            format!(
                "  {part:<10} {drawn:6.0} mA of {limit:.0} mA: {verdict}; behind the high-pass {behind:.0} mA"
            )
        };
        let mut lines: Vec<String> = limits.into_iter().map(line).collect();
        if cell {
            let mean = self.feed.currents(self.plain.mean_ma).source;
            lines.push(format!(
                "  cell       {:.2} V left at the peaks; {:.1} h on {:.0} mAh at {mean:.0} mA on average ({:.1} h behind the high-pass), less when old or cold",
                self.feed.sagged_v(peak.source),
                self.feed.hours(power.cell_mah, self.plain.mean_ma),
                power.cell_mah,
                self.feed.hours(power.cell_mah, self.cut.mean_ma),
            ));
        }
        lines
    }

    fn heats(&self) -> Vec<String> {
        let (heat, cut) = (self.heat(&self.plain), self.heat(&self.cut));
        let warmest = if heat.regulator_c >= heat.amplifier_c {
            "the regulator"
        } else {
            "the amplifier"
        };
        let mut lines = vec![format!(
            "after {:.0} min at {:.0} C around (computed): regulator {:.2} W, {:.0} C inside; amplifier {:.2} W, {:.0} C inside ({:.0} and {:.0} C behind the high-pass); {warmest} is the warmest",
            self.minutes,
            self.feed.ambient_c,
            heat.regulator_w,
            heat.regulator_c,
            heat.amplifier_w,
            heat.amplifier_c,
            cut.regulator_c,
            cut.amplifier_c,
        )];
        let most = self.board.power.regulator.max_junction_c;
        if heat.regulator_c > most {
            lines.push(format!(
                "caution: the regulator passes its {most:.0} C; feed the board less voltage or choose a switching converter"
            ));
        } else if heat.regulator_c.max(heat.amplifier_c) > 60.0 {
            lines.push("caution: a part above 60 C burns fingers; leave air around it".into());
        }
        lines
    }

    /// The same as plain values for the report.
    pub(super) fn findings(&self) -> (Vec<String>, [Curve; 2]) {
        let mut words: Vec<String> = self.draws().iter().map(|d| d.line()).collect();
        words.push(format!("All of it is {}.", self.origin()));
        words.extend(self.limits());
        words.extend(self.heats());
        let tidy = |line: &String| line.split_whitespace().collect::<Vec<_>>().join(" ");
        (
            words.iter().map(tidy).collect(),
            self.draws().map(|d| d.curve()),
        )
    }

    pub(super) fn json(&self) -> Value {
        let used = |u: &CurrentUse| {
            let (peak, heat) = (self.feed.currents(u.peak_ma), self.heat(u));
            json!({
                "mean_ma": u.mean_ma, "peak_ma": u.peak_ma, "speaker_w": u.output_w,
                "source_peak_ma": peak.source, "regulator_peak_ma": peak.regulator,
                "regulator_w": heat.regulator_w, "regulator_c": heat.regulator_c,
                "amplifier_w": heat.amplifier_w, "amplifier_c": heat.amplifier_c,
                "step_seconds": u.step_seconds, "curve_ma": u.curve_ma,
            })
        };
        let power = &self.board.power;
        let cell = power.source == PowerSource::Cell;
        let hours = |used: &CurrentUse| cell.then(|| self.feed.hours(power.cell_mah, used.mean_ma));
        json!({
            "as_it_is": used(&self.plain),
            "high_passed": used(&self.cut),
            "high_pass_hz": self.high_pass.hz,
            "limits_ma": {
                "regulator": power.regulator.max_ma,
                "diode": (power.diode_drop_v > 0.0).then_some(power.diode_limit_ma),
                "source": if cell { power.cell_limit_ma } else { power.usb_limit_ma },
            },
            "minutes": self.minutes,
            "cell_hours": hours(&self.plain),
            "cell_hours_high_passed": hours(&self.cut),
        })
    }
}

/// One way of playing the sound.
struct Draw<'a> {
    name: String,
    used: &'a CurrentUse,
}

impl Draw<'_> {
    fn line(&self) -> String {
        format!(
            "  {:<44} mean {:6.1} mA, peak {:6.1} mA, {:.3} W in the speaker",
            self.name, self.used.mean_ma, self.used.peak_ma, self.used.output_w
        )
    }

    fn curve(&self) -> Curve {
        let (step, values) = (self.used.step_seconds, &self.used.curve_ma);
        let at = |(i, &ma): (usize, &f64)| ((i as f64 + 0.5) * step, ma);
        Curve {
            name: self.name.clone(),
            points: values.iter().enumerate().map(at).collect(),
        }
    }
}

/// A row of bars, one for each sixtieth of the time, highest value of each.
fn sparkline(values: &[f64], top: f64) -> String {
    const BARS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    let step = values.len().div_ceil(60).max(1);
    let bar = |chunk: &[f64]| {
        let high = chunk.iter().copied().fold(0.0, f64::max);
        BARS[((high / top * 7.0).round() as usize).min(7)]
    };
    let line: String = values.chunks(step).map(bar).collect();
    format!("{line} (full bar {top:.0} mA)")
}
