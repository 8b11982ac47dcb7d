//! First thread: decodes packets and chooses frames.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use crossbeam_channel::Sender;

use super::error::ConvertError;
use super::plan::ConvertPlan;
use crate::picture::FramePacer;
use crate::picture::pace::{Judder, Shown};
use crate::source::{Clip, Damage, Item, SourcePicture, SourceSound};
use crate::units::Nanos;

/// What the second thread is to do.
pub(super) enum Work {
    Picture(Chosen),
    Sound(SourceSound),
    /// All was sent; pictures are shown until this time.
    End(Nanos),
}

/// One picture of the reel and what it is made of.
pub(super) struct Chosen {
    pub(super) number: u64,
    /// Source pictures and their weights, which add up to one.
    pub(super) parts: Vec<(Arc<SourcePicture>, f32)>,
    /// It is made of the same as the one before.
    pub(super) repeat: bool,
}

/// What the first thread found.
pub(super) struct Decoded {
    pub(super) damage: Damage,
    /// Source pictures decoded.
    pub(super) pictures: u64,
    /// Unevenness of motion.
    pub(super) judder: Judder,
    /// Time spent, waits for the second thread left out.
    pub(super) busy: Duration,
}

struct Line<'a> {
    out: &'a Sender<Work>,
    waited: Duration,
}

impl Line<'_> {
    fn send(&mut self, work: Work) -> Result<(), ConvertError> {
        let start = Instant::now();
        let sent = self.out.send(work).map_err(|_| ConvertError::Broken);
        self.waited += start.elapsed();
        sent
    }
}

/// Decodes the wanted part and sends what is needed of it. Pictures that no
/// panel picture shows go no further than here.
pub(super) fn decode(
    plan: &ConvertPlan,
    stop: &AtomicBool,
    out: &Sender<Work>,
) -> Result<Decoded, ConvertError> {
    let start = Instant::now();
    let mut line = Line {
        out,
        waited: Duration::ZERO,
    };
    let mut clip = Clip::open(&plan.source, &plan.open)?;
    let mut pacer = FramePacer::new(plan.rate, Nanos(0), plan.pace);
    let (mut pictures, mut end) = (0, Nanos(0));
    while let Some(item) = clip.next_item()? {
        if stop.load(Ordering::Relaxed) {
            return Err(ConvertError::Stopped(plan.output.clone()));
        }
        match item {
            Item::Sound(sound) => line.send(Work::Sound(sound))?,
            Item::Picture(picture) => {
                pictures += 1;
                end = end.max(Nanos(picture.time.0.saturating_add(picture.duration.0)));
                let picture = Arc::new(picture);
                pacer.push(picture.time, picture, |shown| line.send(chosen(&shown)))?;
            }
        }
    }
    if let Some(length) = plan.open.length {
        end = end.min(length);
    }
    pacer.finish(end, |shown| line.send(chosen(&shown)))?;
    line.send(Work::End(end))?;
    Ok(Decoded {
        damage: clip.damage(),
        pictures,
        judder: pacer.judder(),
        busy: start.elapsed() - line.waited,
    })
}

fn chosen(shown: &Shown<'_, Arc<SourcePicture>>) -> Work {
    Work::Picture(Chosen {
        number: shown.number,
        parts: shown
            .parts
            .iter()
            .map(|(p, w)| (Arc::clone(p), *w))
            .collect(),
        repeat: shown.repeat,
    })
}
