//! The second thread: pictures to the panel's size and colours, sound to mono
//! at the reel's rate.

use std::sync::Arc;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, Sender};

use super::decode::{Chosen, Work};
use super::error::ConvertError;
use super::plan::ConvertPlan;
use super::wire;
use crate::picture::canvas::Canvas;
use crate::picture::{PanelPicture, PictureStage};
use crate::sound::{Layout, Measured, SoundPlan, SoundReport, SoundStage};
use crate::source::SourceSound;
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
    last: Option<Arc<PanelPicture>>,
}

impl<'a> Pictures<'a> {
    fn new(plan: &'a ConvertPlan) -> Result<Self, ConvertError> {
        Ok(Self {
            plan,
            stage: PictureStage::new(plan.picture.clone())?,
            last: None,
        })
    }

    fn make(&mut self, chosen: &Chosen) -> Result<Ready, ConvertError> {
        let again = self.last.clone().filter(|_| chosen.repeat);
        let picture = match again {
            Some(picture) => picture,
            None => Arc::new(self.render(chosen)?),
        };
        self.last = Some(Arc::clone(&picture));
        Ok(Ready::Picture {
            number: chosen.number,
            picture,
            repeat: chosen.repeat,
        })
    }

    /// Time of a picture from the wanted start.
    fn time(&self, chosen: &Chosen) -> Nanos {
        Nanos(self.plan.rate.tick_of(chosen.number, 1_000_000_000) as i64)
    }

    fn render(&mut self, chosen: &Chosen) -> Result<PanelPicture, ConvertError> {
        let mut made = match &chosen.parts[..] {
            [(picture, _)] => self.stage.render(picture)?,
            parts => {
                let mut mixed = Vec::with_capacity(parts.len());
                for (picture, weight) in parts {
                    mixed.push((self.stage.canvas(picture)?, *weight));
                }
                let parts: Vec<_> = mixed.iter().map(|(canvas, w)| (canvas, *w)).collect();
                self.stage.finish(Canvas::mix(&parts), self.time(chosen))
            }
        };
        wire::apply(self.plan.wire, &mut made);
        Ok(made)
    }
}

/// The sound stage, made anew where the source changes its form.
struct Sounds<'a> {
    plan: &'a SoundPlan,
    measured: Option<Measured>,
    stage: Option<(Form, SoundStage)>,
    /// On the last stretch of sound of one form.
    report: Option<SoundReport>,
}

type Form = (u32, usize, u64);

impl<'a> Sounds<'a> {
    fn new(plan: &'a SoundPlan, measured: Option<Measured>) -> Self {
        Self {
            plan,
            measured,
            stage: None,
            report: None,
        }
    }

    fn take(&mut self, sound: &SourceSound) -> Result<Vec<i16>, ConvertError> {
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

    fn finish(&mut self) -> Result<Vec<i16>, ConvertError> {
        let mut samples = Vec::new();
        if let Some((_, mut stage)) = self.stage.take() {
            stage.finish(&mut samples)?;
            self.report = Some(stage.report()?);
        }
        Ok(samples)
    }
}
