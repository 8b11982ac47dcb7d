//! Second thread: scales pictures to the panel, and resamples sound to mono at
//! the reel's rate.

use std::sync::Arc;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, Sender};

use super::decode::{Chosen, Work};
use super::error::ConvertError;
use super::plan::ConvertPlan;
use super::wire;
use crate::picture::bars::BarFinder;
use crate::picture::flash::{FlashChecker, FlashWarning};
use crate::picture::{PanelPicture, PictureError, PictureStage, SourceCrop};
use crate::sound::{Layout, Measured, SoundPlan, SoundReport, SoundStage};
use crate::source::{SourcePicture, SourceSound};
use crate::units::Nanos;

/// What the third thread is to do.
pub(super) enum Ready {
    Picture {
        number: u64,
        picture: Arc<PanelPicture>,
        repeat: bool,
    },
    Samples(Vec<i16>),
    /// All was sent; pictures are shown until this time.
    End(Nanos),
}

/// What the second thread did; times without waits.
#[derive(Default)]
pub(super) struct Shaped {
    /// Parts that flash more than is safe.
    pub(super) flashes: Vec<FlashWarning>,
    /// Black bars that are part of the clip's pictures.
    pub(super) bars: Option<SourceCrop>,
    pub(super) report: Option<SoundReport>,
    pub(super) picture: Duration,
    pub(super) sound: Duration,
}

pub(super) fn shape(
    plan: &ConvertPlan,
    measured: Option<Measured>,
    work: &Receiver<Work>,
    out: &Sender<Ready>,
) -> Result<Shaped, ConvertError> {
    let mut pictures = Pictures::new(plan)?;
    let mut sounds = plan
        .sound
        .as_ref()
        .map(|sound| Sounds::new(sound, measured));
    let mut spent = Shaped::default();
    let send = |ready| out.send(ready).map_err(|_| ConvertError::Broken);
    for item in work {
        let start = Instant::now();
        match item {
            Work::Picture(chosen) => {
                let ready = pictures.make(&chosen)?;
                drop(chosen);
                spent.picture += start.elapsed();
                send(ready)?;
            }
            Work::Sound(sound) => {
                let Some(sounds) = &mut sounds else { continue };
                let samples = sounds.take(&sound)?;
                spent.sound += start.elapsed();
                send(Ready::Samples(samples))?;
            }
            Work::End(end) => {
                if let Some(sounds) = &mut sounds {
                    send(Ready::Samples(sounds.finish()?))?;
                    spent.report = sounds.report.take();
                }
                spent.sound += start.elapsed();
                spent.flashes = pictures.flashes.warnings().to_vec();
                spent.bars = pictures.bars.and_then(|bars| bars.found());
                send(Ready::End(end))?;
                return Ok(spent);
            }
        }
    }
    Err(ConvertError::Broken)
}

struct Pictures<'a> {
    plan: &'a ConvertPlan,
    stage: PictureStage,
    /// The picture before, and when it was shown.
    last: Option<(Arc<PanelPicture>, Nanos)>,
    flashes: FlashChecker,
    /// None where bars are cropped already.
    bars: Option<Bars>,
}

/// A search for bars in a few of the pictures that pass by.
struct Bars {
    finder: BarFinder,
    looks: u32,
    every: Nanos,
    next: Nanos,
}

impl Bars {
    /// Pictures that are looked at in a clip of known length; fewer than a
    /// third of them tell nothing.
    const LOOKS: u32 = 24;

    fn new(plan: &ConvertPlan) -> Self {
        let length = plan.expected_length().map(|l| l.as_nanos() as i64);
        Self {
            finder: BarFinder::default(),
            looks: 0,
            every: Nanos(length.unwrap_or(60_000_000_000) / i64::from(Self::LOOKS)),
            next: Nanos(0),
        }
    }

    fn look(&mut self, picture: &SourcePicture, time: Nanos) -> Result<(), PictureError> {
        if time < self.next {
            return Ok(());
        }
        self.next = Nanos(time.0 + self.every.0);
        self.looks += 1;
        self.finder.look(picture)
    }

    fn found(&self) -> Option<SourceCrop> {
        let crop = self.finder.crop();
        crop.filter(|_| self.looks >= Self::LOOKS / 3)
    }
}

impl<'a> Pictures<'a> {
    fn new(plan: &'a ConvertPlan) -> Result<Self, ConvertError> {
        let mut stage = PictureStage::new(plan.picture.clone())?;
        if let Some(text) = plan.laid_out()? {
            stage.set_subtitles(text);
        }
        Ok(Self {
            plan,
            stage,
            last: None,
            flashes: FlashChecker::new(plan.picture.shape),
            bars: plan.picture.crop.is_none().then(|| Bars::new(plan)),
        })
    }

    fn make(&mut self, chosen: &Chosen) -> Result<Ready, ConvertError> {
        let time = self.time(chosen);
        if let (Some(bars), Some((picture, _))) = (&mut self.bars, chosen.parts.first()) {
            bars.look(picture, time)?;
        }
        let again = self
            .last
            .as_ref()
            .filter(|(_, before)| chosen.repeat && self.stage.same_text(*before, time));
        let (picture, repeat) = match again {
            Some((picture, _)) => (Arc::clone(picture), true),
            None => self.fresh(chosen, time)?,
        };
        self.last = Some((Arc::clone(&picture), time));
        Ok(Ready::Picture {
            number: chosen.number,
            picture,
            repeat,
        })
    }

    /// A new picture, and whether it is the one before pixel by pixel, as
    /// where the clip itself repeats pictures.
    fn fresh(
        &mut self,
        chosen: &Chosen,
        time: Nanos,
    ) -> Result<(Arc<PanelPicture>, bool), ConvertError> {
        let mut made = self.render(chosen, time)?;
        self.flashes.look(time, &made.rgb, made.width.into());
        wire::apply(self.plan.wire, &mut made);
        match &self.last {
            Some((before, _)) if **before == made => Ok((Arc::clone(before), true)),
            _ => Ok((Arc::new(made), false)),
        }
    }

    /// Time of a picture from the wanted start.
    fn time(&self, chosen: &Chosen) -> Nanos {
        Nanos(self.plan.rate.tick_of(chosen.number, 1_000_000_000) as i64)
    }

    fn render(&mut self, chosen: &Chosen, time: Nanos) -> Result<PanelPicture, ConvertError> {
        let canvas = match &chosen.parts[..] {
            [(picture, _)] => self.stage.canvas(picture)?,
            parts => {
                let mut mixed = Vec::with_capacity(parts.len());
                for (picture, weight) in parts {
                    mixed.push((self.stage.canvas(picture)?, *weight));
                }
                let parts: Vec<_> = mixed.iter().map(|(canvas, w)| (canvas, *w)).collect();
                self.stage.mix(&parts)
            }
        };
        Ok(self.stage.finish(canvas, time))
    }
}

/// The sound stage, created again where the source's format changes.
pub(super) struct Sounds<'a> {
    plan: &'a SoundPlan,
    measured: Option<Measured>,
    stage: Option<(Form, SoundStage)>,
    /// On the last stretch of sound of one form.
    report: Option<SoundReport>,
}

type Form = (u32, usize, u64);

impl<'a> Sounds<'a> {
    pub(super) fn new(plan: &'a SoundPlan, measured: Option<Measured>) -> Self {
        Self {
            plan,
            measured,
            stage: None,
            report: None,
        }
    }

    pub(super) fn take(&mut self, sound: &SourceSound) -> Result<Vec<i16>, ConvertError> {
        let form = (sound.rate, sound.channels, sound.mask);
        let mut samples = Vec::new();
        if self.stage.as_ref().is_some_and(|(f, _)| *f != form) {
            samples = self.finish()?;
        }
        if self.stage.is_none() {
            let layout = Layout::from_mask(sound.mask, sound.channels);
            let stage = SoundStage::new(sound.rate, &layout, self.plan, self.measured)?;
            self.stage = Some((form, stage));
        }
        if let Some((_, stage)) = &mut self.stage {
            stage.push(&sound.samples, &mut samples)?;
        }
        Ok(samples)
    }

    pub(super) fn finish(&mut self) -> Result<Vec<i16>, ConvertError> {
        let mut samples = Vec::new();
        if let Some((_, mut stage)) = self.stage.take() {
            stage.finish(&mut samples)?;
            self.report = Some(stage.report()?);
        }
        Ok(samples)
    }
}
