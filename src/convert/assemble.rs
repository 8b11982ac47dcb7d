//! Third thread: assembles slices and writes the file.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use crossbeam_channel::Receiver;

use super::cutter::{Cut, Cutter, Measure};
use super::encoder;
use super::error::ConvertError;
use super::heard::{Ear, Heard};
use super::plan::ConvertPlan;
use super::poster::PosterSearch;
use super::progress::{Progress, State};
use super::shape::Ready;
use crate::coding::{PictureEncoder, PictureIn};
use crate::files::Draft;
use crate::picture::PanelPicture;
use crate::reel::{Picture, ReelWriter, Slice, Summary};
use crate::sound::{BlockEncoder, Measured};
use crate::units::Nanos;

/// What the third thread made.
pub(super) struct Assembled {
    /// The file, whole but not yet under its name.
    pub(super) draft: Draft,
    pub(super) summary: Summary,
    /// Pictures that cost nothing.
    pub(super) unchanged: u64,
    /// The sound behind its coding.
    pub(super) heard: Option<Heard>,
    pub(super) encode: Duration,
    pub(super) write: Duration,
}

pub(super) fn assemble(
    plan: &ConvertPlan,
    measured: Option<Measured>,
    ready: &Receiver<Ready>,
    draft: Draft,
    progress: &dyn Progress,
    stop: &AtomicBool,
) -> Result<Assembled, ConvertError> {
    let mut bench = Bench::new(plan, measured, draft, progress)?;
    for item in ready {
        if stop.load(Ordering::Relaxed) {
            return Err(ConvertError::Stopped(plan.output().into()));
        }
        match item {
            Ready::Picture {
                number,
                picture,
                repeat,
            } => bench.picture(number, &picture, repeat)?,
            Ready::Samples(samples) => bench.cutter.sound(&samples),
            Ready::End(end) => return bench.finish(end),
        }
        bench.write_complete()?;
    }
    Err(ConvertError::Broken)
}

struct Bench<'a> {
    plan: &'a ConvertPlan,
    measured: Option<Measured>,
    progress: &'a dyn Progress,
    encoder: Box<dyn PictureEncoder>,
    sound: Option<BlockEncoder>,
    ear: Option<Ear>,
    cutter: Cutter,
    sink: Sink,
    clock: u32,
    /// Bus bytes and instructions of the costliest pictures.
    worst: (u32, u32),
    last_key: Option<u64>,
    pictures: u64,
    unchanged: u64,
    encode: Duration,
    write: Duration,
}

/// Slices wait until the poster, which precedes them, is found.
enum Sink {
    Waiting {
        draft: Draft,
        search: PosterSearch,
        slices: Vec<Slice>,
    },
    Open(Box<ReelWriter<Draft>>),
    Closed,
}

impl<'a> Bench<'a> {
    fn new(
        plan: &'a ConvertPlan,
        measured: Option<Measured>,
        draft: Draft,
        progress: &'a dyn Progress,
    ) -> Result<Self, ConvertError> {
        let clock = plan.clock_rate();
        let rate = f64::from(plan.rate.num) / f64::from(plan.rate.den);
        Ok(Self {
            plan,
            measured,
            progress,
            encoder: encoder::for_plan(plan)?,
            sound: plan
                .sound
                .as_ref()
                .map(|s| BlockEncoder::new(s.coding, s.rate).below(s.ceiling)),
            ear: plan.sound.as_ref().and_then(|s| Ear::new(s.coding, s.rate)),
            cutter: Cutter::new(Measure {
                bytes: plan.slice_bytes as usize,
                ticks: (f64::from(clock) * plan.slice_seconds).round().max(1.0) as u32,
                sound_bytes_16: plan
                    .sound
                    .as_ref()
                    .map_or(0, |s| crate::sound::block_bytes(s.coding, 16 * 64) / 64),
            }),
            sink: Sink::Waiting {
                draft,
                search: PosterSearch::among((2.0 * rate).min(100.0) as u32),
                slices: Vec::new(),
            },
            clock,
            worst: (0, 0),
            last_key: None,
            pictures: 0,
            unchanged: 0,
            encode: Duration::ZERO,
            write: Duration::ZERO,
        })
    }

    fn picture(
        &mut self,
        number: u64,
        picture: &Arc<PanelPicture>,
        repeat: bool,
    ) -> Result<(), ConvertError> {
        let start = Instant::now();
        let tick = self.plan.rate.tick_of(number, self.clock);
        let due = |last: u64| tick - last >= self.plan.key_ticks();
        let key = self.last_key.is_none_or(due);
        let input = PictureIn {
            width: picture.width,
            height: picture.height,
            rgb: &picture.rgb,
            pixels: &picture.pixels,
            unchanged: repeat && !key,
        };
        let coded = self
            .encoder
            .encode(&input, key)
            .map_err(|reason| ConvertError::Coding {
                path: self.plan.source.clone(),
                reason,
            })?;
        if key {
            self.last_key = Some(tick);
        }
        self.pictures += 1;
        self.unchanged += u64::from(coded.unchanged);
        self.worst.0 = self.worst.0.max(coded.bus_bytes);
        self.worst.1 = self.worst.1.max(coded.instructions);
        let coded = Picture::coded(0, coded);
        self.cutter.picture(tick, coded, key);
        self.encode += start.elapsed();
        self.search_poster(picture)
    }

    fn search_poster(&mut self, picture: &Arc<PanelPicture>) -> Result<(), ConvertError> {
        let found = match &mut self.sink {
            Sink::Waiting { search, .. } => search.look(picture),
            _ => false,
        };
        if found { self.open() } else { Ok(()) }
    }

    /// Starts the file with the best poster so far and what waited for it.
    fn open(&mut self) -> Result<(), ConvertError> {
        let waiting = matches!(self.sink, Sink::Waiting { .. });
        let sink = match waiting {
            true => std::mem::replace(&mut self.sink, Sink::Closed),
            false => return Ok(()),
        };
        let Sink::Waiting {
            draft,
            search,
            slices,
        } = sink
        else {
            return Ok(());
        };
        let failed = |reason| ConvertError::reel(self.plan.output(), reason);
        let poster = match search.best() {
            Some(picture) => encoder::poster(self.plan, &picture)?,
            None => Vec::new(),
        };
        let mut settings = self.plan.settings(self.measured.as_ref());
        settings.tables = self.encoder.tables().to_vec();
        let mut writer = ReelWriter::new(draft, &settings, Some(&poster)).map_err(failed)?;
        writer.ride_out(self.plan.ride_out.0, self.plan.ride_out.1);
        for slice in &slices {
            writer.slice(slice).map_err(failed)?;
        }
        self.sink = Sink::Open(Box::new(writer));
        Ok(())
    }

    fn write_complete(&mut self) -> Result<(), ConvertError> {
        let start = Instant::now();
        while let Some(cut) = self.cutter.next() {
            let end = cut.time + u64::from(cut.ticks);
            let slice = self.slice(cut);
            self.write_slice(slice)?;
            self.tell(end);
        }
        self.write += start.elapsed();
        Ok(())
    }

    fn slice(&mut self, cut: Cut) -> Slice {
        let sound = self.sound.as_mut().map(|coder| coder.encode(&cut.samples));
        if let (Some(ear), Some(block)) = (&mut self.ear, &sound) {
            ear.hear(&cut.samples, block);
        }
        Slice::new(cut.time, cut.ticks, sound.unwrap_or_default(), cut.pictures)
    }

    fn write_slice(&mut self, slice: Slice) -> Result<(), ConvertError> {
        match &mut self.sink {
            Sink::Waiting { slices, .. } => slices.push(slice),
            Sink::Open(writer) => writer
                .slice(&slice)
                .map_err(|reason| ConvertError::reel(self.plan.output(), reason))?,
            Sink::Closed => {}
        }
        Ok(())
    }

    fn tell(&self, end: u64) {
        self.progress.update(&State {
            pictures: self.pictures,
            position: Duration::from_secs_f64(end as f64 / f64::from(self.clock)),
            total: self.plan.expected_length(),
            bytes: match &self.sink {
                Sink::Open(writer) => writer.length(),
                _ => 0,
            },
        });
    }

    fn finish(mut self, end: Nanos) -> Result<Assembled, ConvertError> {
        let end = end.0.max(0) as u128 * u128::from(self.clock);
        self.cutter
            .finish(((end + 500_000_000) / 1_000_000_000) as u64);
        self.write_complete()?;
        self.open()?;
        let failed = |reason| ConvertError::reel(self.plan.output(), reason);
        let Sink::Open(mut writer) = self.sink else {
            return Err(ConvertError::Broken);
        };
        writer.set_worst(self.worst.0, self.worst.1);
        let (draft, summary) = writer.finish().map_err(failed)?;
        Ok(Assembled {
            draft,
            summary,
            unchanged: self.unchanged,
            heard: self.ear.and_then(|ear| ear.finish()),
            encode: self.encode,
            write: self.write,
        })
    }
}
