//! Measuring passes over the sound: finds the gain that reaches the loudness
//! target, with compression and limits included.

use super::compress::DynamicRange;
use super::error::SoundError;
use super::front::Front;
use super::layout::Layout;
use super::level::{Gain, Limits};
use super::loudness::{Loudness, LoudnessMeter};
use super::plan::SoundPlan;

/// What the passes found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// Gain from the mono sound's loudness to the target, dB.
    pub gain_db: f64,
    /// Further gain that makes up for compressor and limiter, dB.
    pub makeup_db: f64,
    /// Loudness of the shaped mono sound.
    pub before: Option<Loudness>,
    /// Whether the target is reached, within 0.2 LU.
    pub reached: bool,
}

impl Default for Measured {
    fn default() -> Self {
        Self {
            gain_db: 0.0,
            makeup_db: 0.0,
            before: None,
            reached: true,
        }
    }
}

impl Measured {
    /// Loudness that the plan asks for, LUFS: the plan's, else the sound's own.
    pub(super) fn target(&self, plan: &SoundPlan) -> f64 {
        let own = self.before.map_or(0.0, |b| b.integrated + self.gain_db);
        plan.loudness.unwrap_or(own)
    }
}

/// Most gain that is given to soft sound, dB: beyond it only noise would rise.
const GAIN_MAX: f64 = 40.0;
/// Most make-up against limits, dB: beyond it they would crush the sound.
const MAKEUP_MAX: f64 = 9.0;
/// Interval of make-up gain inside which a straight line is good enough, dB.
const FINE: f64 = 1.5;
/// How near the target counts as reached, LU.
const NEAR: f64 = 0.2;
/// Make-up gains that are tried in one pass.
const TRIES: usize = 4;

/// One pass over the sound. Feed it all frames, then call
/// [`SoundMeter::finish`]; feed again as long as it says so (two or three
/// passes at most, and one when nothing limits).
pub struct SoundMeter {
    rate: u32,
    layout: Layout,
    plan: SoundPlan,
    front: Front,
    shaped: Vec<f32>,
    pass: Pass,
}

enum Pass {
    Plain(Box<LoudnessMeter>),
    Levelled {
        found: Measured,
        gain: Gain,
        tries: Vec<Try>,
    },
}

struct Try {
    makeup_db: f64,
    limits: Limits,
    meter: LoudnessMeter,
    limited: Vec<f32>,
}

/// What a pass says at its end.
pub enum Verdict {
    /// Feed the sound once more, from its start, to this meter.
    Again(Box<SoundMeter>),
    /// All is known.
    Done(Measured),
}

impl SoundMeter {
    /// The first pass, for sound at `rate` Hz in this layout.
    ///
    /// # Errors
    /// When the plan is out of range or the layout is empty.
    pub fn new(rate: u32, layout: &Layout, plan: &SoundPlan) -> Result<Self, SoundError> {
        let meter = LoudnessMeter::new(plan.rate, &Layout::mono())?;
        Self::with(
            rate,
            layout.clone(),
            plan.clone(),
            Pass::Plain(Box::new(meter)),
        )
    }

    fn with(rate: u32, layout: Layout, plan: SoundPlan, pass: Pass) -> Result<Self, SoundError> {
        let front = Front::new(rate, &layout, &plan)?;
        Ok(Self {
            rate,
            layout,
            plan,
            front,
            shaped: Vec::new(),
            pass,
        })
    }

    /// Takes whole interleaved frames.
    ///
    /// # Errors
    /// [`SoundError::Frames`] when `frames` does not hold whole frames.
    pub fn push(&mut self, frames: &[f32]) -> Result<(), SoundError> {
        self.front.push(frames, &mut self.shaped)?;
        self.pass.push(&mut self.shaped)
    }

    /// Ends the pass.
    ///
    /// # Errors
    /// When a library fails.
    pub fn finish(mut self) -> Result<Verdict, SoundError> {
        self.front.finish(&mut self.shaped)?;
        self.pass.push(&mut self.shaped)?;
        match self.pass {
            Pass::Plain(meter) => {
                let found = aim(meter.loudness()?, &self.plan);
                if settled(&found, &self.plan) {
                    return Ok(Verdict::Done(found));
                }
                let tries = first_tries(self.plan.dynamic_range);
                again(self.rate, self.layout, self.plan, found, tries)
            }
            Pass::Levelled {
                found, mut tries, ..
            } => {
                tries.iter_mut().try_for_each(Try::finish)?;
                let points: Vec<(f64, f64)> = tries
                    .iter()
                    .map(|t| Ok((t.makeup_db, t.meter.integrated()?)))
                    .collect::<Result<_, SoundError>>()?;
                match choose(&points, found.target(&self.plan)) {
                    Choice::Between(low, high) => {
                        let step = (high - low) / (TRIES - 1) as f64;
                        let tries = std::array::from_fn(|i| low + step * i as f64);
                        again(self.rate, self.layout, self.plan, found, tries)
                    }
                    Choice::Final { makeup_db, reached } => Ok(Verdict::Done(Measured {
                        makeup_db,
                        reached,
                        ..found
                    })),
                }
            }
        }
    }
}

/// The gain to the target, from the plain loudness.
fn aim(before: Loudness, plan: &SoundPlan) -> Measured {
    let wanted = match plan.loudness {
        Some(target) if before.integrated.is_finite() => target - before.integrated,
        _ => 0.0,
    };
    let gain_db = wanted.min(GAIN_MAX);
    Measured {
        gain_db,
        makeup_db: 0.0,
        before: Some(before),
        reached: wanted == gain_db,
    }
}

/// Whether nothing after the gain changes the loudness.
fn settled(found: &Measured, plan: &SoundPlan) -> bool {
    let Some(before) = found.before else {
        return true;
    };
    let free = plan.dynamic_range == DynamicRange::Full && plan.driver_ceiling.is_none();
    !before.integrated.is_finite()
        || (free && before.true_peak + found.gain_db <= plan.ceiling)
        || (plan.loudness.is_none() && plan.dynamic_range == DynamicRange::Full)
        || !found.reached
}

fn first_tries(dynamic_range: DynamicRange) -> [f64; TRIES] {
    match dynamic_range {
        DynamicRange::Full => [0.0, FINE, 2.0 * FINE, MAKEUP_MAX],
        DynamicRange::Night => [0.0, 3.0, 6.0, MAKEUP_MAX + 4.0],
        DynamicRange::NoisyRoom => [4.0, 9.0, 13.0, MAKEUP_MAX + 12.0],
    }
}

fn again(
    rate: u32,
    layout: Layout,
    plan: SoundPlan,
    found: Measured,
    makeups: [f64; TRIES],
) -> Result<Verdict, SoundError> {
    let one = |makeup_db: f64| -> Result<Try, SoundError> {
        let meter = LoudnessMeter::integrated_only(plan.rate)?;
        Ok(Try {
            makeup_db,
            limits: Limits::new(&plan, makeup_db),
            meter,
            limited: Vec::new(),
        })
    };
    let tries = makeups.into_iter().map(one).collect::<Result<_, _>>()?;
    let gain = Gain::new(&plan, found.gain_db, found.target(&plan));
    let pass = Pass::Levelled { found, gain, tries };
    Ok(Verdict::Again(Box::new(SoundMeter::with(
        rate, layout, plan, pass,
    )?)))
}

enum Choice {
    Between(f64, f64),
    Final { makeup_db: f64, reached: bool },
}

/// Interpolates the target between rising (make-up, loudness) points.
fn choose(points: &[(f64, f64)], target: f64) -> Choice {
    let first = points[0];
    if first.1 >= target - NEAR / 2.0 {
        // More than asked for only by what a compressor's first guess is off.
        return Choice::Final {
            makeup_db: first.0 + (target - first.1).min(0.0),
            reached: true,
        };
    }
    for pair in points.windows(2) {
        let ((x0, y0), (x1, y1)) = (pair[0], pair[1]);
        if y1 < target {
            continue;
        }
        if x1 - x0 > FINE {
            return Choice::Between(x0, x1);
        }
        let makeup_db = x0 + (x1 - x0) * (target - y0) / (y1 - y0);
        return Choice::Final {
            makeup_db,
            reached: true,
        };
    }
    let &(makeup_db, loudness) = points.last().expect("there are tries");
    Choice::Final {
        makeup_db,
        reached: loudness >= target - NEAR,
    }
}

impl Pass {
    fn push(&mut self, shaped: &mut [f32]) -> Result<(), SoundError> {
        match self {
            Self::Plain(meter) => meter.push(shaped),
            Self::Levelled { gain, tries, .. } => {
                gain.run(shaped);
                tries.iter_mut().try_for_each(|t| t.push(shaped))
            }
        }
    }
}

impl Try {
    fn push(&mut self, samples: &[f32]) -> Result<(), SoundError> {
        self.limited.clear();
        self.limits.push(samples, &mut self.limited);
        self.meter.push(&self.limited)
    }

    fn finish(&mut self) -> Result<(), SoundError> {
        self.limited.clear();
        self.limits.finish(&mut self.limited);
        self.meter.push(&self.limited)
    }
}
