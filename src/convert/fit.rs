//! A reel made to what a board can do: rate, size and coding are chosen by a
//! trial on a piece of the clip, the whole is encoded under hard limits, and
//! budget and rehearsals must agree before it gets its name.

mod check;
mod loosen;
mod trials;
mod ways;
mod words;

use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;

use serde::Serialize;

use super::allowance::{Allowance, Wish};
use super::error::ConvertError;
use super::run::run;
use super::{Choices, ConvertPlan, Footage, Outcome, Progress, Quiet};
use crate::board::Board;
use crate::budget::{Budget, Link, PictureCoding, ReelFacts, SoundCoding, Terms, Verdict};
use crate::coding::{Coding, CodingError, patch};
use crate::files::Workshop;
use crate::reel::{ReelFile, split_to};
use crate::rehearsal::Tally;
use crate::sound;
use crate::units::{Nanos, Ratio};
use check::{fair, is_ours, lacks, limit, raw_fits, short_of};

/// What a fit must reach.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FitGoal {
    /// The link to fit; the board's first that can be fitted where not given.
    pub link: Option<Link>,
    /// Share of every capacity that stays free.
    pub margin: f64,
    /// Rehearsals that must all be clean.
    pub rehearsals: u32,
    /// Seed of the first rehearsal.
    pub seed: u64,
}

impl Default for FitGoal {
    fn default() -> Self {
        Self {
            link: None,
            margin: 0.15,
            rehearsals: 1000,
            seed: 1,
        }
    }
}

/// A reel that fits.
#[derive(Clone, Debug, Serialize)]
pub struct Fitted {
    /// What was made.
    pub outcome: Outcome,
    /// The link that it fits.
    pub link: Link,
    /// What was traded for what.
    pub trades: Vec<String>,
    /// Its budget.
    pub budget: Budget,
    /// Its rehearsals.
    pub tally: Tally,
}

/// Seconds of the clip that a trial encodes.
const TRIAL_SECONDS: f64 = 5.0;
/// Quality that a rate must be able to afford; JPEG 50's.
const FAIR_QUALITY: u8 = 50;
/// Quality that the whole is encoded at, as far as the limits allow.
const BEST_QUALITY: u8 = 90;
/// Slowest rate that still moves, frames per second.
const SLOWEST: f64 = 6.0;
/// Larger sizes of which the whole clip is encoded, once one fits.
const LARGER_TRIES: usize = 2;
/// What is added to the margin, try by try, before a slower rate is tried.
const TIGHTENINGS: [f64; 5] = [0.0, 0.03, 0.07, 0.13, 0.22];

/// One way to make the reel.
#[derive(Clone, Copy, Debug)]
struct Way {
    link: Link,
    size: Option<(u16, u16)>,
    /// The clip's rate is divided by this.
    divisor: u32,
    rate: Ratio,
    coding: PictureCoding,
}

/// Makes a reel that fits.
///
/// # Errors
/// As [`run`], or `NoFit` with the part that is short and by how much.
pub fn fit(
    choices: &Choices,
    source: &Path,
    output: &Path,
    goal: FitGoal,
    progress: &dyn Progress,
    stop: &AtomicBool,
) -> Result<Fitted, ConvertError> {
    choices.destination(source, output).check()?;
    let footage = Footage::look(choices, source)?;
    let base = ConvertPlan::of(&footage, choices, output)?;
    has_link(&choices.board, goal.link)?;
    let beside = base.destination.workshop()?;
    let mut search = Search {
        choices,
        footage: &footage,
        base: &base,
        goal,
        stop,
        beside: beside.path(),
        trials: Vec::new(),
        refused: Vec::new(),
    };
    let found = search.first_that_fits(progress);
    let mut fitted = found.map_err(|error| error.renamed(output))?;
    fitted.outcome.files = publish(&fitted.outcome, &base, &beside)?;
    fitted.outcome.output = output.into();
    fitted.outcome.advice.extend(fitted.trades.iter().cloned());
    Ok(fitted)
}

/// Gives the fitted reel its name, or cuts it into parts that have theirs.
fn publish(
    made: &Outcome,
    base: &ConvertPlan,
    beside: &Workshop,
) -> Result<Vec<PathBuf>, ConvertError> {
    let whole = &made.output;
    let Some(limit) = base.part_size.filter(|limit| made.bytes > *limit) else {
        beside.publish_file(whole)?;
        return Ok(vec![base.output().into()]);
    };
    let failed = |reason| ConvertError::Parts {
        path: base.output().into(),
        reason,
    };
    let mut reel = ReelFile::open(whole).map_err(|e| failed(e.into()))?;
    let parts = split_to(&mut reel, &base.destination, limit).map_err(failed)?;
    Ok(parts.into_iter().map(|(path, _)| path).collect())
}

/// The link that is asked for is there, or any.
fn has_link(board: &Board, asked: Option<Link>) -> Result<(), ConvertError> {
    let links = Link::of(board);
    if asked.map_or(!links.is_empty(), |link| links.contains(&link)) {
        return Ok(());
    }
    let reason = match asked {
        Some(Link::Card) => "it has no [card] section",
        Some(Link::Wifi) => "it has no [wifi] section",
        None => "it has neither a [card] nor a [wifi] section",
    };
    Err(ConvertError::Choice(format!(
        "nothing can be fitted to the link of the board `{}`: {reason}; add one to its profile, or fit the other link",
        board.name
    )))
}

/// A reel that passed, and the plan it was made by.
struct Made {
    plan: ConvertPlan,
    outcome: Outcome,
    facts: ReelFacts,
    budget: Budget,
    tally: Tally,
}

/// The coding and size that a piece was tried with.
type Trial = (PictureCoding, Option<(u16, u16)>);

struct Search<'a> {
    choices: &'a Choices,
    footage: &'a Footage,
    base: &'a ConvertPlan,
    goal: FitGoal,
    stop: &'a AtomicBool,
    beside: &'a Path,
    /// Facts of a piece of the clip, by coding and size.
    trials: Vec<(Trial, ReelFacts)>,
    refused: Vec<(Way, String)>,
}

impl Search<'_> {
    fn board(&self) -> &Board {
        &self.choices.board
    }

    fn refuse(&mut self, way: &Way, reason: String) {
        self.refused.push((*way, reason));
    }

    /// The choices of a way, before limits.
    fn choices_of(&self, way: &Way, quality: u8) -> Choices {
        let mut choices = self.choices.clone();
        choices.size = way.size.or(choices.size);
        choices.rate = Some(way.rate);
        choices.coding.coding = Some(match way.coding {
            PictureCoding::Raw => Coding::Raw,
            PictureCoding::Jpeg => Coding::Jpeg,
            PictureCoding::PatchLight | PictureCoding::PatchFull => Coding::Patch,
        });
        choices.coding.level = Some(match way.coding {
            PictureCoding::PatchLight => patch::Level::Light,
            _ => patch::Level::Full,
        });
        choices.coding.quality = choices.coding.quality.or(Some(quality));
        choices.overwrite = true;
        // Parts are cut when the whole is judged.
        choices.part_size = choices.part_size.map(|_| u64::MAX);
        choices
    }

    fn allowance(&self, way: &Way, plan: &ConvertPlan, margin: f64) -> Result<Allowance, String> {
        let size = (plan.picture.width, plan.picture.height);
        let patched = matches!(
            way.coding,
            PictureCoding::PatchLight | PictureCoding::PatchFull
        );
        let working = patch::memory_bytes(size.0, size.1) as u32 + patch::STATE_BYTES;
        let round = plan.picture.shape == crate::picture::Shape::Ellipse;
        let all = f64::from(size.0) * f64::from(size.1);
        let wish = Wish {
            size,
            pixels: if round {
                all * std::f64::consts::FRAC_PI_4
            } else {
                all
            }
            .ceil() as u64,
            rate: hertz(way.rate),
            coding: way.coding,
            working_bytes: if patched { working } else { 0 },
            sound: plan
                .sound
                .as_ref()
                .map_or(SoundCoding::None, |s| sound_coding(s.coding)),
            sound_rate: plan.clock_rate(),
            margin,
            more: margin - self.goal.margin,
        };
        Allowance::new(self.board(), way.link, &wish)
            .map_err(|short| lacks(short.part.name(), short.need, short.room, "bytes"))
    }

    /// Whether a way affords fair quality, judged by a piece of the clip; the
    /// reason if not.
    fn affords(&mut self, way: &Way) -> Result<Result<(), String>, ConvertError> {
        let plan = ConvertPlan::of(
            self.footage,
            &self.choices_of(way, FAIR_QUALITY),
            &self.beside.join("trial.tbr"),
        )?;
        let allowed = match self.allowance(way, &plan, self.goal.margin) {
            Ok(allowed) => allowed,
            Err(short) => return Ok(Err(short)),
        };
        if way.coding == PictureCoding::Raw {
            return Ok(raw_fits(&plan, way, &allowed));
        }
        let facts = self.trial(way)?;
        Ok(fair(&facts, &plan, way, &allowed))
    }

    /// Facts of a piece from the middle of the clip, at the clip's own rate.
    fn trial(&mut self, way: &Way) -> Result<ReelFacts, ConvertError> {
        let key = (way.coding, way.size);
        if let Some((_, facts)) = self.trials.iter().find(|(known, _)| *known == key) {
            return Ok(facts.clone());
        }
        let mut choices = self.choices_of(way, FAIR_QUALITY);
        choices.rate = self.choices.rate.or(Some(self.base.clip.picture.rate));
        let wanted = Nanos((TRIAL_SECONDS * 1e9) as i64);
        if let Some(length) = self.base.expected_length() {
            let spare = length.as_nanos() as i64 - wanted.0;
            choices.from = Nanos(choices.from.0 + (spare / 2).max(0));
        }
        choices.length = Some(choices.length.map_or(wanted, |l| Nanos(l.0.min(wanted.0))));
        let path = self.beside.join("trial.tbr");
        let plan = ConvertPlan::of(self.footage, &choices, &path)?;
        run(&plan, &Quiet, self.stop)?;
        let facts = facts_of(&path)?;
        self.trials.push((key, facts.clone()));
        Ok(facts)
    }

    fn first_that_fits(&mut self, progress: &dyn Progress) -> Result<Fitted, ConvertError> {
        for way in self.ways() {
            if let Err(reason) = self.affords(&way)? {
                self.refuse(&way, reason);
                continue;
            }
            match self.encode(&way, progress)? {
                Ok(fitted) => return self.enlarged(&way, fitted, progress),
                Err(reason) => self.refuse(&way, reason),
            }
        }
        Err(self.no_fit())
    }

    /// The steps from size to size are large: the largest size between one that fits and
    /// the next that does not, if there is one that a piece of the clip affords and that
    /// passes as a whole.
    fn enlarged(
        &mut self,
        way: &Way,
        fitted: Fitted,
        progress: &dyn Progress,
    ) -> Result<Fitted, ConvertError> {
        let sizes = self.between(way);
        let with = |size| Way {
            size: Some(size),
            ..*way
        };
        let (mut low, mut high) = (0, sizes.len());
        while low < high {
            let middle = (low + high) / 2;
            match self.affords(&with(sizes[middle]))? {
                Ok(()) => low = middle + 1,
                Err(_) => high = middle,
            }
        }
        for size in sizes[..low].iter().rev().take(LARGER_TRIES) {
            let larger = with(*size);
            match self.encode(&larger, progress)? {
                Ok(fitted) => return Ok(fitted),
                Err(reason) => self.refuse(&larger, reason),
            }
        }
        Ok(fitted)
    }

    /// Encodes the whole under limits, tighter and tighter, until budget and
    /// rehearsals agree; the reason if they never do.
    fn encode(
        &self,
        way: &Way,
        progress: &dyn Progress,
    ) -> Result<Result<Fitted, String>, ConvertError> {
        let mut reason = String::new();
        for more in TIGHTENINGS {
            let margin = self.goal.margin + more;
            let path = self.beside.join("whole.tbr");
            let mut plan =
                ConvertPlan::of(self.footage, &self.choices_of(way, BEST_QUALITY), &path)?;
            let allowed = match self.allowance(way, &plan, margin) {
                Ok(allowed) => allowed,
                Err(short) => return Ok(Err(short)),
            };
            if let Err(short) = limit(&mut plan, way, &allowed) {
                return Ok(Err(short));
            }
            let outcome = match self.run(&plan, progress)? {
                Ok(outcome) => outcome,
                Err(short) => return Ok(Err(short)),
            };
            let facts = facts_of(&path)?;
            match self.judge(way, &facts) {
                Ok((budget, tally)) => {
                    let made = Made {
                        plan,
                        outcome,
                        facts,
                        budget,
                        tally,
                    };
                    let made = self.loosened(way, made, progress)?;
                    return Ok(Ok(self.told(way, made, &allowed)));
                }
                Err(short) => reason = short,
            }
        }
        Ok(Err(reason))
    }

    /// Carries out a plan; the reason if its limits can't be kept.
    fn run(
        &self,
        plan: &ConvertPlan,
        progress: &dyn Progress,
    ) -> Result<Result<Outcome, String>, ConvertError> {
        match run(plan, progress, self.stop) {
            Ok(outcome) => Ok(Ok(outcome)),
            Err(ConvertError::Coding {
                reason: CodingError::Limit(words),
                ..
            }) => Ok(Err(words)),
            Err(other) => Err(other),
        }
    }

    /// What is told of a reel that passed.
    fn told(&self, way: &Way, made: Made, allowed: &Allowance) -> Fitted {
        let tightest = self.tightest(&made.plan, &made.facts, &made.budget, allowed);
        Fitted {
            trades: self.trades(way, tightest, &made.tally),
            outcome: made.outcome,
            link: way.link,
            budget: made.budget,
            tally: made.tally,
        }
    }

    /// Budget with the margin, rehearsals as the board is, and rehearsals
    /// with each limit tightened by the margin.
    fn judge(&self, way: &Way, facts: &ReelFacts) -> Result<(Budget, Tally), String> {
        let terms = Terms {
            margin: self.goal.margin,
            ..Terms::default()
        };
        let budget =
            Budget::new(facts, self.board(), way.link, terms).map_err(|e| e.to_string())?;
        if let Some(line) = budget
            .lines
            .iter()
            .filter(|l| is_ours(l))
            .find(|l| l.verdict != Verdict::Fits)
        {
            return Err(short_of(line));
        }
        let tally = self.rehearsals(facts, way.link)?;
        Ok((budget, tally))
    }
}

fn hertz(rate: Ratio) -> f64 {
    f64::from(rate.num) / f64::from(rate.den)
}

const fn sound_coding(coding: sound::SoundCoding) -> SoundCoding {
    match coding {
        sound::SoundCoding::Pcm16 => SoundCoding::Pcm16,
        sound::SoundCoding::Pcm8 => SoundCoding::Pcm8,
        sound::SoundCoding::Adpcm => SoundCoding::Adpcm,
    }
}

fn facts_of(path: &Path) -> Result<ReelFacts, ConvertError> {
    ReelFacts::read(path).map_err(|e| ConvertError::Choice(e.to_string()))
}
