//! A walk through a reel, decoding what the panel shows and the speaker plays.

use std::fs::File;
use std::io::BufReader;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::ExportError;
use crate::coding::{FLAG_KEY, FLAG_UNCHANGED, PanelDecoder, PanelSettings};
use crate::picture::Surround;
use crate::reel::{Header, Picture, Piece, ReelFile, Slice, SoundCoding as Coded, WholeSlice};
use crate::sound::{SoundCoding, decode_block};
use crate::units::Rect;

/// Ticks from the first that is wanted to the first that is not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    /// First tick.
    pub from: u64,
    /// Tick after the last; `u64::MAX` for all.
    pub to: u64,
}

/// A picture on the panel.
pub struct Shown<'a> {
    /// When it is shown.
    pub tick: u64,
    /// Its number in the reel.
    pub number: u32,
    /// The whole panel: RGB565, rows from the top.
    pub pixels: &'a [u16],
    /// What was sent to the panel for it.
    pub changed: &'a [Rect],
    /// What the reel carries for it.
    pub coded: &'a Picture,
}

/// Sound that follows on the sound before it.
pub struct Sound {
    /// Tick of its first sample.
    pub tick: u64,
    /// The samples.
    pub samples: Vec<i16>,
}

/// What comes next.
pub enum Step<'a> {
    /// A picture.
    Picture(Shown<'a>),
    /// Samples.
    Sound(Sound),
    /// A slice has ended: its time, ticks and bytes in the file.
    Slice {
        /// First tick.
        time: u64,
        /// Ticks.
        ticks: u32,
        /// Bytes of the whole chunk.
        bytes: u32,
    },
}

/// Samples of silence handed out at a time.
const SILENCE: u64 = 1 << 16;

/// What was lost on the way.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Damages {
    /// Stretches of the file that could not be presented.
    pub stretches: usize,
    /// Pictures that could not be decoded: the panel kept the one before.
    pub pictures: usize,
}

/// A reel and a panel to play it on.
pub struct Walk {
    path: PathBuf,
    reel: ReelFile<BufReader<File>>,
    header: Header,
    panel: PanelDecoder,
    sound: Option<SoundCoding>,
    damages: Damages,
    stop: Arc<AtomicBool>,
    surround: Option<Surround>,
    watch: Option<Watch>,
}

/// Told how much of a run is done, as a share of one.
pub type Watch = Box<dyn Fn(f64)>;

impl Walk {
    /// Opens the reel at `path`.
    ///
    /// # Errors
    /// When it cannot be read, or its panel is not one that can be decoded.
    pub fn open(path: &Path) -> Result<Self, ExportError> {
        let failed = |error| ExportError::Reel(path.to_owned(), error);
        let mut reel = ReelFile::open(path).map_err(failed)?;
        let header = *reel.header();
        let tables = reel.tables().map_err(failed)?;
        let panel = PanelDecoder::new(PanelSettings::from(&header).with_tables(tables))
            .map_err(|error| ExportError::Coding(path.to_owned(), error))?;
        // A note that cannot be read tells of no panel.
        let note = reel.note().ok().flatten().unwrap_or_default();
        let surround = Surround::of_note(&note, header.width, header.height);
        let sound = match header.sound {
            Coded::None => None,
            coded => SoundCoding::from_number(coded as u8),
        };
        Ok(Self {
            path: path.to_owned(),
            reel,
            header,
            panel,
            sound,
            damages: Damages::default(),
            stop: Arc::default(),
            surround,
            watch: None,
        })
    }

    /// Breaks runs off, with [`ExportError::Stopped`], once `stop` is set.
    #[must_use]
    pub fn stopped_by(mut self, stop: Arc<AtomicBool>) -> Self {
        self.stop = stop;
        self
    }

    /// Tells `watch` how far each run is.
    #[must_use]
    pub fn watched_by(mut self, watch: Watch) -> Self {
        self.watch = Some(watch);
        self
    }

    /// The panel around the picture, where that is smaller.
    #[must_use]
    pub const fn surround(&self) -> Option<Surround> {
        self.surround
    }

    fn tell(&self, span: Span, time: u64) {
        let end = self.header.end_tick().unwrap_or(u64::MAX).min(span.to);
        let start = span.from.max(self.header.first_tick);
        if let (Some(watch), Some(whole)) = (&self.watch, end.checked_sub(start)) {
            watch(time.saturating_sub(start) as f64 / whole.max(1) as f64);
        }
    }

    /// The reel's header.
    #[must_use]
    pub const fn header(&self) -> &Header {
        &self.header
    }

    /// The reel's path.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Whether it has sound.
    #[must_use]
    pub const fn has_sound(&self) -> bool {
        self.sound.is_some()
    }

    /// The ticks of `seconds` from the reel's start.
    #[must_use]
    pub fn tick(&self, seconds: f64) -> u64 {
        self.header.first_tick + (seconds * f64::from(self.header.clock_rate)).round() as u64
    }

    /// The seconds from the reel's start at `tick`.
    #[must_use]
    pub fn seconds(&self, tick: u64) -> f64 {
        let ticks = tick.saturating_sub(self.header.first_tick);
        ticks as f64 / f64::from(self.header.clock_rate)
    }

    /// Hands all of `span` to `see`, in the reel's order. The picture that
    /// stands at the span's start is shown there. Returns what was lost.
    ///
    /// # Errors
    /// When the reel cannot be read on, or `see` fails.
    pub fn run(
        &mut self,
        span: Span,
        mut see: impl FnMut(Step<'_>) -> Result<(), ExportError>,
    ) -> Result<Damages, ExportError> {
        self.damages = Damages::default();
        // Tick at which sound is to go on; after a seek the first slice tells.
        let mut heard = None;
        if span.from <= self.header.first_tick {
            self.reel.rewind();
            heard = Some(self.header.first_tick);
        } else {
            self.reel.seek(span.from);
        }
        let mut standing = Standing::default();
        loop {
            if self.stop.load(Ordering::Relaxed) {
                return Err(ExportError::Stopped(self.path.clone()));
            }
            let piece = self.reel.next_piece();
            match piece.map_err(|error| ExportError::Reel(self.path.clone(), error))? {
                None => break,
                Some(Piece::Damage(damage)) => {
                    self.damages.stretches += 1;
                    let from = heard.unwrap_or(damage.from);
                    self.silence(from..damage.to, span, &mut see)?;
                    heard = Some(damage.to.max(from));
                }
                Some(Piece::Slice(whole)) if whole.slice.time >= span.to => {
                    let from = heard.unwrap_or(whole.slice.time);
                    self.silence(from..span.to, span, &mut see)?;
                    heard = Some(span.to);
                    break;
                }
                Some(Piece::Slice(whole)) => {
                    self.tell(span, whole.slice.time);
                    let slice = &whole.slice;
                    self.damages.stretches += whole.damage.len();
                    self.damages.pictures += whole.waits.iter().filter(|&&waits| waits).count();
                    // What a gap leaves out is silent: the clock goes on.
                    self.silence(heard.unwrap_or(slice.time)..slice.time, span, &mut see)?;
                    heard = Some(slice.time + u64::from(slice.ticks));
                    self.sound(slice, span, &mut see)?;
                    self.pictures(&whole, span, &mut standing, &mut see)?;
                    see(Step::Slice {
                        time: slice.time,
                        ticks: slice.ticks,
                        bytes: whole.header.length,
                    })?;
                }
            }
        }
        if let (Some(from), Some(end)) = (heard, self.header.end_tick()) {
            self.silence(from..end, span, &mut see)?;
        }
        self.show_standing(span.from, &mut standing, &mut see)?;
        Ok(self.damages)
    }

    /// Hands out silence for what of `ticks` lies in `span`.
    fn silence(
        &self,
        ticks: Range<u64>,
        span: Span,
        see: &mut impl FnMut(Step<'_>) -> Result<(), ExportError>,
    ) -> Result<(), ExportError> {
        if self.sound.is_none() {
            return Ok(());
        }
        let (mut tick, to) = (ticks.start.max(span.from), ticks.end.min(span.to));
        while tick < to {
            let samples = vec![0; (to - tick).min(SILENCE) as usize];
            let next = tick + samples.len() as u64;
            see(Step::Sound(Sound { tick, samples }))?;
            tick = next;
        }
        Ok(())
    }

    fn sound(
        &self,
        slice: &Slice,
        span: Span,
        see: &mut impl FnMut(Step<'_>) -> Result<(), ExportError>,
    ) -> Result<(), ExportError> {
        let Some(coding) = self.sound else {
            return Ok(());
        };
        let mut samples = vec![0; slice.ticks as usize];
        // A block that does not decode is silence, as on the board.
        let _ = decode_block(coding, &slice.sound, &mut samples);
        let end = slice.time + u64::from(slice.ticks);
        let (from, to) = (
            span.from.clamp(slice.time, end),
            span.to.clamp(slice.time, end),
        );
        samples.truncate((to - slice.time) as usize);
        samples.drain(..((from - slice.time) as usize).min(samples.len()));
        if samples.is_empty() {
            return Ok(());
        }
        see(Step::Sound(Sound {
            tick: from,
            samples,
        }))
    }

    fn pictures(
        &mut self,
        whole: &WholeSlice,
        span: Span,
        standing: &mut Standing,
        see: &mut impl FnMut(Step<'_>) -> Result<(), ExportError>,
    ) -> Result<(), ExportError> {
        for (number, picture) in whole.shown() {
            let tick = whole.slice.time + u64::from(picture.tick_offset);
            if tick >= span.to {
                break;
            }
            if tick > span.from {
                self.show_standing(span.from, standing, see)?;
            }
            let key = if picture.key { FLAG_KEY } else { 0 };
            let still = if picture.unchanged { FLAG_UNCHANGED } else { 0 };
            let decoded = self
                .panel
                .decode(self.header.coding, key | still, &picture.bytes);
            let changed = match decoded {
                Ok(changed) => changed.to_vec(),
                Err(_) => {
                    self.damages.pictures += 1;
                    Vec::new()
                }
            };
            if tick <= span.from {
                *standing = Standing(Some((number, changed, picture.clone())));
                continue;
            }
            see(Step::Picture(Shown {
                tick,
                number,
                pixels: self.panel.pixels(),
                changed: &changed,
                coded: picture,
            }))?;
        }
        Ok(())
    }

    fn show_standing(
        &self,
        tick: u64,
        standing: &mut Standing,
        see: &mut impl FnMut(Step<'_>) -> Result<(), ExportError>,
    ) -> Result<(), ExportError> {
        let Some((number, changed, picture)) = standing.0.take() else {
            return Ok(());
        };
        see(Step::Picture(Shown {
            tick: tick.max(self.header.first_tick),
            number,
            pixels: self.panel.pixels(),
            changed: &changed,
            coded: &picture,
        }))
    }
}

/// The picture on the panel at the start of the span.
#[derive(Default)]
struct Standing(Option<(u32, Vec<Rect>, Picture)>);
