//! Compares a reel with its source clip: decoded frames with source frames at
//! the panel's size in full colour.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::Deserialize;

use super::error::ConvertError;
use super::likeness::{Alike, Likeness, find};
use crate::coding::{self, CodingError, PanelDecoder, PanelSettings};
use crate::picture::dither::expand;
use crate::picture::pace::Shown;
use crate::picture::quality::{mean_squared_error, psnr_of_error, ssim};
use crate::picture::{
    FramePacer, Pace, PanelPicture, PictureError, PicturePlan, PictureStage, before_after,
};
use crate::reel::{self, Event, FileError, Header, Kind, PictureHeader, ReelFile};
use crate::source::{Clip, Item, OpenOptions, SoundChoice, SourceError, SourcePicture};
use crate::units::{Nanos, mask};

/// Why a reel could not be compared.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CompareError {
    /// The reel cannot be read.
    #[error("{path}: {reason}", path = .path.display())]
    Reel {
        /// The reel.
        path: PathBuf,
        /// What is wrong.
        reason: FileError,
    },
    /// The reel does not hold the plan it was made by.
    #[error(
        "{path} does not say how its pictures were made; only reels written by `thumbreel convert` \
         can be compared",
        path = .0.display()
    )]
    NoPlan(PathBuf),
    /// The panel is smaller than the window of SSIM.
    #[error("{0}x{1} pixels are too few for SSIM, whose window is 11 pixels wide")]
    TooSmall(u16, u16),
    /// Reel and clip have no picture in common.
    #[error("no picture of {reel} could be compared with {clip}; is it the clip the reel was made of?",
        reel = .reel.display(), clip = .clip.display())]
    Nothing {
        /// The reel.
        reel: PathBuf,
        /// The clip.
        clip: PathBuf,
    },
    /// The clip shows something else.
    #[error(
        "{reel} was not made of this part of {clip}: {alike}; {out}",
        reel = .reel.display(), clip = .clip.display(), out = elsewhere(*.starts)
    )]
    Other {
        /// The reel.
        reel: PathBuf,
        /// The clip.
        clip: PathBuf,
        /// How alike they are.
        alike: Alike,
        /// Seconds of the clip at which the reel's first picture is found.
        starts: Option<f64>,
    },
    /// The clip cannot be read.
    #[error(transparent)]
    Source(#[from] SourceError),
    /// The picture stage refuses the reel's plan or the clip.
    #[error(transparent)]
    Picture(#[from] PictureError),
    /// The clip's sound cannot be made anew.
    #[error(transparent)]
    Sound(Box<ConvertError>),
    /// A payload of the reel cannot be decoded.
    #[error("picture {number}: {reason}")]
    Coding {
        /// Number of the picture.
        number: u32,
        /// What the decoder says.
        reason: CodingError,
    },
}

impl From<ConvertError> for CompareError {
    fn from(error: ConvertError) -> Self {
        Self::Sound(Box::new(error))
    }
}

/// Where the reel's pictures are instead.
fn elsewhere(starts: Option<f64>) -> String {
    match starts {
        Some(starts) => format!(
            "they fit best from {starts:.3} s of it on: compare with --clip-from {starts:.3}"
        ),
        None => "no part of it fits; name the clip that the reel was made of".into(),
    }
}

/// How a reel and a clip are compared.
#[derive(Clone, Copy, Debug, Default)]
pub struct Terms {
    /// Decoder threads, 0 for a number that suits the cores.
    pub threads: usize,
    /// Where in the clip the reel begins; as the reel says if not given.
    pub from: Option<Nanos>,
}

/// How near one picture comes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Score {
    /// Number of the picture in the reel.
    pub number: u32,
    /// When it is shown, in seconds from the reel's start.
    pub seconds: f64,
    /// Mean squared error of all components, in squared 8-bit levels, of the
    /// pixels that the panel shows.
    pub error: f64,
    /// PSNR in dB; infinite for equal pictures.
    pub psnr: f64,
    /// Structural similarity, up to 1, of the whole rectangle; the cut corners
    /// of a round panel count as equal.
    pub ssim: f64,
}

/// One picture of both sides, three bytes per pixel, in the panel's memory order.
pub struct Pair<'a> {
    /// Pixels per row.
    pub width: u16,
    /// Rows.
    pub height: u16,
    /// How both were turned from what the viewer sees.
    pub mounting: reel::Mounting,
    /// The clip's picture in all its colours.
    pub source: &'a [u8],
    /// What the panel shows.
    pub panel: &'a [u8],
}

/// A whole reel's scores.
#[derive(Clone, Debug, PartialEq)]
pub struct Comparison {
    /// Pictures compared.
    pub pictures: u64,
    /// Pictures of the clip's side that the reel lacks, lost or cut off.
    pub missing: u64,
    /// Pictures of the reel after the clip's end.
    pub beyond: u64,
    /// PSNR in dB of the mean squared error over all pictures.
    pub psnr: f64,
    /// Mean SSIM of all pictures.
    pub ssim: f64,
    /// The lowest PSNR of a picture.
    pub lowest_psnr: f64,
    /// The lowest SSIM of a picture.
    pub lowest_ssim: f64,
    /// True if text was burnt in, which the clip's side does not have.
    pub text: bool,
}

/// How a reel's pictures were made, as its note tells.
#[derive(Deserialize)]
pub(super) struct Note {
    pub(super) stage: PicturePlan,
    pace: Pace,
    from: f64,
    length: Option<f64>,
    picture: PictureNote,
}

#[derive(Deserialize)]
struct PictureNote {
    #[serde(default)]
    subtitles: usize,
}

/// Compares every picture and hands each score with both pictures to `see`.
///
/// # Errors
/// See [`CompareError`].
pub fn compare(
    reel: &Path,
    clip: &Path,
    terms: Terms,
    mut see: impl FnMut(&Score, &Pair<'_>),
) -> Result<Comparison, CompareError> {
    let mut panel = Panel::open(reel)?;
    let (width, height) = (panel.header.width, panel.header.height);
    if width < 11 || height < 11 {
        return Err(CompareError::TooSmall(width, height));
    }
    let note = panel.note()?;
    let length = note.length.map(nanos);
    let mut decoder = Clip::open(
        clip,
        &OpenOptions {
            sound: SoundChoice::Silent,
            threads: terms.threads,
            from: terms.from.unwrap_or(nanos(note.from)),
            length,
            ..OpenOptions::default()
        },
    )?;
    let mut side = ClipSide {
        stage: PictureStage::new(note.stage)?,
        last: None,
    };
    let mut pacer = FramePacer::new(panel.header.rate, Nanos(0), note.pace);
    let other = |alike: Option<Alike>, starts| CompareError::Other {
        reel: reel.into(),
        clip: clip.into(),
        alike: alike.unwrap_or_default(),
        starts,
    };
    let mut sums = Sums::default();
    let mut end = Nanos(0);
    let mut likeness = Likeness::new(note.picture.subtitles > 0);
    let mut judge = |shown: Shown<'_, Arc<SourcePicture>>| -> Result<(), CompareError> {
        let wanted = side.picture(&shown)?;
        let found = panel.show(shown.number)?;
        if found != Found::Missing && !shown.repeat {
            likeness.look(wanted, panel.rgb(), width);
        }
        if likeness.is_hopeless() {
            return Err(other(likeness.strange(), None));
        }
        sums.judge(&mut panel, found, shown.repeat, wanted, &mut see);
        Ok(())
    };
    let mut compare_all = || -> Result<(), CompareError> {
        while let Some(item) = decoder.next_item()? {
            if let Item::Picture(picture) = item {
                end = end.max(Nanos(picture.time.0.saturating_add(picture.duration.0)));
                pacer.push(picture.time, Arc::new(picture), &mut judge)?;
            }
        }
        pacer.finish(length.map_or(end, |length| end.min(length)), &mut judge)
    };
    let compared = compare_all();
    let strange = match &compared {
        Err(CompareError::Other { alike, .. }) => Some(*alike),
        Err(_) => None,
        Ok(()) => likeness.strange(),
    };
    if strange.is_some() {
        return Err(other(strange, find(reel, clip, terms.threads)?));
    }
    compared?;
    let all = u64::from(panel.header.picture_count);
    sums.comparison(all, note.picture.subtitles > 0)
        .ok_or_else(|| CompareError::Nothing {
            reel: reel.into(),
            clip: clip.into(),
        })
}

/// A picture from the first third of the reel's part of the clip, without and
/// with the tone that the reel was made with; `None` if that was neutral.
///
/// # Errors
/// See [`CompareError`].
pub fn tone_before_after(
    reel: &Path,
    clip: &Path,
    from: Option<Nanos>,
) -> Result<Option<[PanelPicture; 2]>, CompareError> {
    let mut panel = Panel::open(reel)?;
    let note = panel.note()?;
    if note.stage.tone.is_neutral() {
        return Ok(None);
    }
    let seconds = panel.header.duration as f64 / f64::from(panel.header.clock_rate);
    let mut decoder = Clip::open(
        clip,
        &OpenOptions {
            sound: SoundChoice::Silent,
            from: Nanos(from.unwrap_or(nanos(note.from)).0 + nanos(seconds / 3.0).0),
            ..OpenOptions::default()
        },
    )?;
    while let Some(item) = decoder.next_item()? {
        if let Item::Picture(picture) = item {
            return Ok(Some(before_after(&note.stage, &picture)?));
        }
    }
    Ok(None)
}

pub(super) fn nanos(seconds: f64) -> Nanos {
    Nanos((seconds * 1e9).round() as i64)
}

/// The clip's pictures on the panel, before dither and coding.
struct ClipSide {
    stage: PictureStage,
    last: Option<PanelPicture>,
}

impl ClipSide {
    fn picture(&mut self, shown: &Shown<'_, Arc<SourcePicture>>) -> Result<&[u8], PictureError> {
        let fresh = match &shown.parts[..] {
            _ if shown.repeat && self.last.is_some() => None,
            [(picture, _)] => Some(self.stage.render(picture)?),
            parts => {
                let mut canvases = Vec::with_capacity(parts.len());
                for (picture, weight) in parts {
                    canvases.push((self.stage.canvas(picture)?, *weight));
                }
                let parts: Vec<_> = canvases.iter().map(|(canvas, w)| (canvas, *w)).collect();
                let mixed = self.stage.mix(&parts);
                Some(self.stage.finish(mixed, Nanos(0)))
            }
        };
        let picture = match fresh {
            Some(fresh) => self.last.insert(fresh),
            None => self.last.get_or_insert_with(|| PanelPicture {
                width: 0,
                height: 0,
                rgb: Vec::new(),
                pixels: Vec::new(),
            }),
        };
        Ok(&picture.rgb)
    }
}

/// The reel's side: a panel that pictures are decoded onto.
pub(super) struct Panel {
    path: PathBuf,
    file: ReelFile<BufReader<File>>,
    pub(super) header: Header,
    decoder: PanelDecoder,
    /// The next picture, read but not shown yet.
    next: Option<Waiting>,
    ended: bool,
    rgb: Vec<u8>,
    /// Part of its pixels that show.
    share: f64,
}

struct Waiting {
    number: u32,
    tick: u64,
    header: PictureHeader,
    bytes: Vec<u8>,
}

/// What the panel does at one picture of the clip's side.
#[derive(Clone, Copy, PartialEq)]
enum Found {
    /// It shows this picture, which begins at a tick.
    Picture { tick: u64, unchanged: bool },
    /// The reel has no picture of that number.
    Missing,
}

impl Panel {
    pub(super) fn open(path: &Path) -> Result<Self, CompareError> {
        let failed = |reason| CompareError::Reel {
            path: path.into(),
            reason,
        };
        let mut file = ReelFile::open(path).map_err(failed)?;
        let header = *file.header();
        let tables = file.tables().map_err(failed)?;
        let decoder = PanelDecoder::new(PanelSettings::from(&header).with_tables(tables))
            .map_err(|reason| CompareError::Coding { number: 0, reason })?;
        Ok(Self {
            path: path.into(),
            file,
            header,
            decoder,
            next: None,
            ended: false,
            rgb: Vec::new(),
            share: share_seen(&header),
        })
    }

    /// Reads up to the first picture and finds the note on the way.
    pub(super) fn note(&mut self) -> Result<Note, CompareError> {
        let mut note = None;
        while self.next.is_none() && !self.ended {
            self.read(&mut note)?;
        }
        let parsed = note.and_then(|bytes| serde_json::from_slice(&bytes).ok());
        parsed.ok_or_else(|| CompareError::NoPlan(self.path.clone()))
    }

    fn read(&mut self, note: &mut Option<Vec<u8>>) -> Result<(), CompareError> {
        let seen = self.file.next_event(|event| match *event {
            Event::Chunk(h, bytes) if h.kind() == Some(Kind::Note) => Some(Err(bytes.to_vec())),
            Event::Picture {
                tick,
                number,
                header,
                bytes,
            } => Some(Ok(Waiting {
                number,
                tick,
                header,
                bytes: bytes.to_vec(),
            })),
            _ => None,
        });
        match seen.map_err(|reason| CompareError::Reel {
            path: self.path.clone(),
            reason,
        })? {
            None => self.ended = true,
            Some(Some(Ok(picture))) => self.next = Some(picture),
            Some(Some(Err(bytes))) => *note = Some(bytes),
            Some(None) => {}
        }
        Ok(())
    }

    /// Brings the panel to the clip's picture `number`.
    fn show(&mut self, number: u64) -> Result<Found, CompareError> {
        loop {
            while self.next.is_none() && !self.ended {
                self.read(&mut None)?;
            }
            let due = |w: &mut Waiting| u64::from(w.number - self.header.first_picture) <= number;
            let Some(picture) = self.next.take_if(due) else {
                return Ok(Found::Missing);
            };
            let (coding, flags) = (self.header.coding, picture.header.flags);
            self.decoder
                .decode(coding, flags, &picture.bytes)
                .map_err(|reason| CompareError::Coding {
                    number: picture.number,
                    reason,
                })?;
            let unchanged = flags & coding::FLAG_UNCHANGED != 0;
            if !unchanged {
                self.rgb.clear();
            }
            if u64::from(picture.number - self.header.first_picture) == number {
                let tick = picture.tick;
                return Ok(Found::Picture { tick, unchanged });
            }
        }
    }

    /// Brings the panel to picture `number`, or the next one that is there, and
    /// returns its seconds from the reel's start; none past the end.
    pub(super) fn seconds_at(&mut self, number: u64) -> Result<Option<f64>, CompareError> {
        let mut number = number;
        loop {
            match self.show(number)? {
                Found::Picture { tick, .. } => {
                    let ticks = tick - self.header.first_tick.min(tick);
                    return Ok(Some(ticks as f64 / f64::from(self.header.clock_rate)));
                }
                Found::Missing if self.ended && self.next.is_none() => return Ok(None),
                Found::Missing => number += 1,
            }
        }
    }

    /// What the panel shows, three bytes per pixel.
    pub(super) fn rgb(&mut self) -> &[u8] {
        if self.rgb.is_empty() {
            let wire = self.header.wire;
            let shown = self.decoder.pixels().iter();
            self.rgb = shown.flat_map(|&p| expand(wire.turn(p))).collect();
            self.hide();
        }
        &self.rgb
    }

    /// Blackens what a round panel does not show: those pixels are never sent,
    /// and hold whatever the memory began with.
    fn hide(&mut self) {
        if self.header.shape == coding::Shape::Rectangle {
            return;
        }
        let (width, height) = (self.header.width, self.header.height);
        let rows = self.rgb.chunks_exact_mut(3 * usize::from(width));
        for (y, row) in (0..height).zip(rows) {
            let (start, end) = mask::row_span(width, height, y).unwrap_or((0, 0));
            row[..3 * usize::from(start)].fill(0);
            row[3 * usize::from(end)..].fill(0);
        }
    }
}

/// Part of the pixels that the panel shows, 0 to 1.
fn share_seen(header: &Header) -> f64 {
    let (width, height) = (header.width, header.height);
    match header.shape {
        coding::Shape::Rectangle => 1.0,
        coding::Shape::Ellipse => {
            let all = f64::from(width) * f64::from(height);
            f64::from(mask::visible_pixels(width, height)) / all
        }
    }
}

#[derive(Default)]
struct Sums {
    pictures: u64,
    missing: u64,
    error: f64,
    ssim: f64,
    largest_error: f64,
    lowest_ssim: Option<f64>,
    /// Error and SSIM of the picture before.
    last: Option<(f64, f64)>,
}

impl Sums {
    fn judge(
        &mut self,
        panel: &mut Panel,
        found: Found,
        repeat: bool,
        wanted: &[u8],
        see: &mut impl FnMut(&Score, &Pair<'_>),
    ) {
        let Found::Picture { tick, unchanged } = found else {
            self.missing += 1;
            self.last = None;
            return;
        };
        let (header, share) = (panel.header, panel.share);
        let shown = panel.rgb();
        let again = self.last.filter(|_| repeat && unchanged);
        let (error, ssim) = again.unwrap_or_else(|| {
            let width = usize::from(header.width);
            (
                mean_squared_error(wanted, shown) / share,
                ssim(wanted, shown, width, 3),
            )
        });
        self.last = Some((error, ssim));
        self.pictures += 1;
        self.error += error;
        self.ssim += ssim;
        self.largest_error = self.largest_error.max(error);
        self.lowest_ssim = Some(self.lowest_ssim.map_or(ssim, |low| low.min(ssim)));
        let score = Score {
            number: (self.pictures + self.missing - 1) as u32,
            seconds: (tick - header.first_tick) as f64 / f64::from(header.clock_rate),
            error,
            psnr: psnr_of_error(error),
            ssim,
        };
        let pair = Pair {
            width: header.width,
            height: header.height,
            mounting: header.mounting,
            source: wanted,
            panel: shown,
        };
        see(&score, &pair);
    }

    /// Of a reel of `all` pictures, 0 if it does not say.
    fn comparison(&self, all: u64, text: bool) -> Option<Comparison> {
        let count = self.pictures as f64;
        Some(Comparison {
            pictures: self.pictures,
            missing: self.missing,
            beyond: all.saturating_sub(self.pictures + self.missing),
            psnr: psnr_of_error(self.error / count),
            ssim: self.ssim / count,
            lowest_psnr: psnr_of_error(self.largest_error),
            lowest_ssim: self.lowest_ssim?,
            text,
        })
    }
}
