//! What the sound of a clip or reel draws from the supply.

use std::path::Path;

use anyhow::{Context, bail};
use serde_json::{Value, json};

use super::staging::Levels;
use crate::board::{Board, PowerSource, Provenance};
use crate::budget::power::{
    AmplifierLoad, Change, CurrentMeter, CurrentUse, Heat, Power, PowerModel, Programme,
    ProgrammeMeter, changes, lasting, sentences,
};
use crate::budget::{Link, Origin, PictureCoding, ReelFacts, Settings};
use crate::chart::Curve;
use crate::command::nature::is_reel;
use crate::command::out::say;
use crate::convert::speaker;
use crate::reel::ReelFile;
use crate::sound::biquad::Biquad;
use crate::sound::{
    HighPass, Layout, LoudnessMeter, SoundCoding, SoundPlan, SoundStage, decode_block,
};
use crate::source::{Clip, Item, OpenOptions};
use crate::units::Ratio;

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
    if is_reel(file) {
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

fn of_reel(
    file: &Path,
    each: &mut dyn FnMut(u32, &[i16]) -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    let name = file.display().to_string();
    let mut reel = ReelFile::open(file).with_context(|| name.clone())?;
    let rate = reel.header().clock_rate;
    let Some(coding) = SoundCoding::from_number(reel.header().sound as u8) else {
        bail!("{name} is silent; name a reel with sound");
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
        bail!(
            "{} has no sound track; name a clip with sound",
            file.display()
        );
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
        bail!(
            "{}: the sound is silent, or too short or soft for a loudness; name a file with more sound",
            file.display()
        );
    }
    Ok(Levels {
        peak_dbfs: loudness.true_peak.min(0.0),
        loudness: loudness.integrated,
        measured: true,
    })
}

/// What a file's sound does to the supply at the gain that is strapped, as it
/// is and behind the speaker's high-pass.
pub(super) struct Sounding {
    board: Board,
    high_pass: HighPass,
    minutes: f64,
    /// Over each link of the board.
    links: Vec<Pair>,
    used: [CurrentUse; 2],
    heat: [Heat; 2],
    lufs: [f64; 2],
}

/// One link's supply: as it is, and with the high-pass.
struct Pair {
    power: [Power; 2],
    changes: Vec<Change>,
}

/// A reel's facts; of a clip those of typical pictures, its sound put in later.
fn facts(file: &Path, board: &Board, reel: bool) -> anyhow::Result<ReelFacts> {
    if reel {
        return Ok(ReelFacts::read(file)?);
    }
    let (width, height) = board.panel.upright_size();
    let rate = Ratio { num: 24, den: 1 };
    let mut settings = Settings::typical(width, height, rate, PictureCoding::PatchFull);
    settings.sound_rate = board.sound.sample_rate;
    Ok(settings.facts())
}

/// The file's sound, through a filter behind it where one is given: as the
/// supply sees it, and its current over time.
fn heard(
    file: &Path,
    board: &Board,
    high_pass: Option<HighPass>,
    supply_v: f64,
) -> anyhow::Result<Heard> {
    let reel = is_reel(file);
    let load = AmplifierLoad::of(board, board.sound.amplifier.gain_db, 0.0, supply_v);
    let mut meters: Option<(ProgrammeMeter, CurrentMeter, LoudnessMeter, Vec<Biquad>)> = None;
    let inside = if reel { None } else { high_pass };
    samples(file, board, inside, &mut |rate, block| {
        if meters.is_none() {
            // A reel's samples are fixed: the filter acts on what they are.
            let after = high_pass
                .filter(|_| reel)
                .map(|h| h.sections(f64::from(rate)));
            let filter = after.unwrap_or_default().into_iter().map(Biquad::new);
            meters = Some((
                ProgrammeMeter::new(rate),
                CurrentMeter::new(load, rate),
                LoudnessMeter::new(rate, &Layout::mono())?,
                filter.collect(),
            ));
        }
        let Some((programme, current, loudness, filter)) = &mut meters else {
            return Ok(());
        };
        let filtered = |&s: &i16| {
            let y = filter.iter_mut().fold(f64::from(s), |y, f| f.push(y));
            y.round().clamp(-32_768.0, 32_767.0) as i16
        };
        let block: Vec<i16> = block.iter().map(filtered).collect();
        programme.push(&block);
        current.push(&block);
        let unit: Vec<f32> = block.iter().map(|&s| f32::from(s) / 32_768.0).collect();
        loudness.push(&unit)?;
        Ok(())
    })?;
    let (programme, current, loudness, _) = meters.context("the sound is empty")?;
    Ok(Heard {
        programme: programme.finish(),
        current: current.finish(),
        lufs: loudness.loudness()?.integrated,
    })
}

/// A file's sound as supply and ear get it.
struct Heard {
    programme: Programme,
    current: CurrentUse,
    lufs: f64,
}

/// A fall of the loudness that is worth a word, LU.
const FALL_TOLD: f64 = 3.0;

impl Sounding {
    pub(super) fn new(file: &Path, board: &Board, minutes: f64) -> anyhow::Result<Self> {
        let reel = is_reel(file);
        let enclosure = speaker::enclosure(board, None)?;
        let high_pass = enclosure.high_pass(board.sound.speaker.rated_w);
        let of_board = Link::of(board);
        let first = of_board.first().copied().context("the board has no link")?;
        let mut plain = facts(file, board, reel)?;
        let supply_v = PowerModel::new(&plain, board, first).power().amplifier_v;
        let as_it_is = heard(file, board, None, supply_v)?;
        let behind = heard(file, board, Some(high_pass), supply_v)?;
        let lufs = [as_it_is.lufs, behind.lufs];
        plain.programme = as_it_is.programme;
        let mut cut = plain.clone();
        cut.programme = behind.programme;
        let both = [&plain, &cut];
        let pair = |&link: &Link| Pair {
            power: both.map(|facts| PowerModel::new(facts, board, link).power()),
            changes: changes(&plain, board, link),
        };
        let heat = |facts| PowerModel::new(facts, board, first).heat(minutes * 60.0);
        Ok(Self {
            links: of_board.iter().map(pair).collect(),
            heat: both.map(heat),
            used: [as_it_is.current, behind.current],
            lufs,
            board: board.clone(),
            high_pass,
            minutes,
        })
    }

    pub(super) fn print(&self) {
        say!(
            "\nsupply current of the amplifier while this sound plays at the strapped gain of {:.0} dB (computed from its samples)",
            self.board.sound.amplifier.gain_db
        );
        self.draw_lines().iter().for_each(|line| say!("{line}"));
        self.softer().iter().for_each(|line| say!("  {line}"));
        say!(
            "the same over time, one bar a sixtieth of the length, highest mean over 5 ms in each"
        );
        let top = self.used.iter().map(|u| u.peak_ma).fold(1e-9, f64::max);
        for (name, used) in self.names().iter().zip(&self.used) {
            say!("  {name:<33} {}", sparkline(&used.curve_ma, top));
        }
        for pair in &self.links {
            say!("from {} ({}):", pair.power[0].link.name(), self.origin());
            self.words(pair).iter().for_each(|line| say!("  {line}"));
        }
        self.heats().iter().for_each(|line| say!("{line}"));
    }

    /// What limits and currents come from.
    fn origin(&self) -> Origin {
        let source = match self.board.power.source {
            PowerSource::Cell => "power.cell_mah",
            PowerSource::Usb => "power.usb_limit_ma",
        };
        let keys = ["sound.amplifier", "power.base_ma", source];
        Origin::plain(Provenance::Computed, "the samples").and(Origin::keys(&self.board, &keys))
    }

    fn names(&self) -> [String; 2] {
        let behind = format!("through a high-pass of {:.0} Hz", self.high_pass.hz);
        ["as it is".to_owned(), behind]
    }

    /// The amplifier's mean and instant, as it is and with the high-pass.
    fn draw_lines(&self) -> Vec<String> {
        let power = &self.links[0].power;
        let line = |(name, power): (&String, &Power)| {
            format!(
                "  {:<33} mean {:6.1} mA, instant {:6.1} mA, {:.3} W in the speaker",
                format!("{name}:"),
                power.amplifier_ma,
                power.amplifier_peak_ma,
                power.speaker_w
            )
        };
        self.names().iter().zip(power).map(line).collect()
    }

    /// What the high-pass takes of the loudness, and how to have it back.
    fn softer(&self) -> Option<String> {
        let [plain, cut] = self.lufs;
        (plain - cut >= FALL_TOLD && cut.is_finite()).then(|| {
            format!(
                "with the high-pass the sound has {cut:.1} LUFS in place of {plain:.1} (measured); to have it back, as far as ceiling and \
                 speaker allow, convert the clip with --high-pass --loudness={:.0}{}",
                plain.clamp(-40.0, -5.0),
                self.higher_gain(plain - cut)
            )
        })
    }

    /// The strap that makes up for most of a fall of the loudness, as the end of a
    /// sentence.
    fn higher_gain(&self, fall_lu: f64) -> String {
        let amplifier = &self.board.sound.amplifier;
        let gains = amplifier.gains_db.iter().copied();
        let higher = gains.filter(|g| (0.0..=fall_lu).contains(&(g - amplifier.gain_db)));
        let best = higher.fold(amplifier.gain_db, f64::max);
        if best > amplifier.gain_db {
            format!(
                ", or strap {best:.0} dB, {:.0} dB more, for sound that is always high-passed",
                best - amplifier.gain_db
            )
        } else {
            String::new()
        }
    }

    /// One link's supply in words, and what the high-pass would change.
    fn words(&self, pair: &Pair) -> Vec<String> {
        let [plain, cut] = &pair.power;
        let mut lines = sentences(plain, &pair.changes);
        let hours = cut
            .run_time
            .as_ref()
            .map_or_else(String::new, |run| format!(", {}", lasting(run.hours)));
        lines.push(format!(
            "with the high-pass: {:.0} mA on average, {:.0} mA at the worst instant{hours}",
            cut.mean_ma, cut.peak_ma
        ));
        lines
    }

    fn heats(&self) -> Vec<String> {
        let [heat, cut] = self.heat;
        let warmest = if heat.regulator_c >= heat.amplifier_c {
            "the regulator"
        } else {
            "the amplifier"
        };
        let mut lines = vec![format!(
            "after {:.0} min at {:.0} °C around (computed): regulator {:.2} W, {:.0} °C inside; amplifier {:.2} W, {:.0} °C inside ({:.0} and {:.0} °C with the high-pass); {warmest} is the warmest",
            self.minutes,
            self.board.power.ambient_c,
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
                "caution: the regulator passes its {most:.0} °C; feed the board less voltage or choose a switching converter"
            ));
        } else if heat.regulator_c.max(heat.amplifier_c) > 60.0 {
            lines.push("caution: a part above 60 °C burns fingers; leave air around it".into());
        }
        lines
    }

    /// The amplifier's current and the temperatures for the report; what each
    /// link's supply does stands with the link.
    pub(super) fn findings(&self) -> (Vec<String>, [Curve; 2]) {
        let mut words = self.draw_lines();
        words.extend(self.softer());
        words.push(format!("All of it is {}.", self.origin()));
        words.extend(self.heats());
        let tidy = |line: &String| line.split_whitespace().collect::<Vec<_>>().join(" ");
        let [a, b] = self.names();
        let curve = |name: String, used: &CurrentUse| Curve {
            points: (0..)
                .zip(&used.curve_ma)
                .map(|(i, &ma)| ((f64::from(i) + 0.5) * used.step_seconds, ma))
                .collect(),
            name,
        };
        (
            words.iter().map(tidy).collect(),
            [curve(a, &self.used[0]), curve(b, &self.used[1])],
        )
    }

    pub(super) fn json(&self) -> Value {
        let used = |i: usize| {
            let (power, used, heat) = (&self.links[0].power[i], &self.used[i], &self.heat[i]);
            json!({
                "mean_ma": power.amplifier_ma, "peak_ma": power.amplifier_peak_ma,
                "speaker_w": power.speaker_w,
                "regulator_w": heat.regulator_w, "regulator_c": heat.regulator_c,
                "amplifier_w": heat.amplifier_w, "amplifier_c": heat.amplifier_c,
                "step_seconds": used.step_seconds, "curve_ma": used.curve_ma,
            })
        };
        let link = |pair: &Pair| {
            json!({
                "link": pair.power[0].link, "as_it_is": pair.power[0],
                "high_passed": pair.power[1], "changes": pair.changes,
            })
        };
        json!({
            "as_it_is": used(0),
            "high_passed": used(1),
            "high_pass_hz": self.high_pass.hz,
            "loudness_lufs": {"as_it_is": self.lufs[0], "high_passed": self.lufs[1]},
            "links": self.links.iter().map(link).collect::<Vec<_>>(),
            "minutes": self.minutes,
        })
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
