//! What the sound of a clip or reel draws from the supply.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use anyhow::{Context, bail};
use serde_json::{Value, json};

use super::staging::Levels;
use crate::board::{Board, PowerSource};
use crate::command::out::say;
use crate::convert::speaker;
use crate::reel::{self, ReelFile};
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
        let what = if self.reel {
            "on top of what the reel has"
        } else {
            "in place"
        };
        for (name, used) in [
            ("as it is".to_owned(), &self.plain),
            (
                format!("high-pass {:.0} Hz {what}", self.high_pass.hz),
                &self.cut,
            ),
        ] {
            say!(
                "  {name:<44} mean {:6.1} mA, peak {:6.1} mA, {:.3} W in the speaker",
                used.mean_ma,
                used.peak_ma,
                used.output_w
            );
        }
        say!("  over time {}", sparkline(&self.plain.curve_ma));
        self.print_limits();
        self.print_heat();
    }

    fn print_limits(&self) {
        let power = &self.board.power;
        let peak = self.feed.currents(self.plain.peak_ma);
        let cell = power.source == PowerSource::Cell;
        let mut limits = vec![("regulator", peak.regulator, power.regulator.max_ma)];
        if power.diode_drop_v > 0.0 {
            limits.push(("diode", peak.source, power.diode_limit_ma));
        }
        limits.push(match cell {
            true => ("cell", peak.source, power.cell_limit_ma),
            false => ("USB port", peak.source, power.usb_limit_ma),
        });
        say!("peaks against limits (computed; limits assumed unless the profile says otherwise)");
        for (part, drawn, limit) in limits {
            let verdict = if drawn > limit { "TOO MUCH" } else { "fits" };
            say!("  {part:<10} {drawn:6.0} mA of {limit:.0} mA: {verdict}");
        }
        if cell {
            let mean = self.feed.currents(self.plain.mean_ma).source;
            say!(
                "  cell       {:.2} V left at the peaks; {:.1} h on {:.0} mAh at {mean:.0} mA on average, less when old or cold",
                self.feed.sagged_v(peak.source),
                self.feed.hours(power.cell_mah, self.plain.mean_ma),
                power.cell_mah,
            );
        }
    }

    fn print_heat(&self) {
        let heat = self.heat(&self.plain);
        let warmest = if heat.regulator_c >= heat.amplifier_c {
            "the regulator"
        } else {
            "the amplifier"
        };
        say!(
            "after {:.0} min at {:.0} C (computed): regulator {:.2} W, {:.0} C inside; amplifier {:.2} W, {:.0} C inside; {warmest} is the warmest",
            self.minutes,
            self.feed.ambient_c,
            heat.regulator_w,
            heat.regulator_c,
            heat.amplifier_w,
            heat.amplifier_c,
        );
        if heat.regulator_c > self.board.power.regulator.max_junction_c {
            say!(
                "caution: the regulator passes its {:.0} C; feed the board less voltage or choose a switching converter",
                self.board.power.regulator.max_junction_c
            );
        } else if heat.regulator_c.max(heat.amplifier_c) > 60.0 {
            say!("caution: a part above 60 C burns fingers; leave air around it");
        }
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
        let cell = self.board.power.source == PowerSource::Cell;
        let hours = self
            .feed
            .hours(self.board.power.cell_mah, self.plain.mean_ma);
        json!({
            "as_it_is": used(&self.plain),
            "high_passed": used(&self.cut),
            "high_pass_hz": self.high_pass.hz,
            "minutes": self.minutes,
            "cell_hours": cell.then_some(hours),
        })
    }
}

/// A row of bars, one for each sixtieth of the time, highest value of each.
fn sparkline(values: &[f64]) -> String {
    const BARS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    let top = values.iter().copied().fold(1e-9, f64::max);
    let step = values.len().div_ceil(60).max(1);
    let bar = |chunk: &[f64]| {
        let high = chunk.iter().copied().fold(0.0, f64::max);
        BARS[((high / top * 7.0).round() as usize).min(7)]
    };
    let line: String = values.chunks(step).map(bar).collect();
    format!("{line} (top {top:.0} mA)")
}
