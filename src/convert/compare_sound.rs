//! Compares a reel's sound with its clip's: behind the coding with before it.

use std::fs::File;
use std::io::BufReader;
use std::path::Path;

use serde::Deserialize;

use super::compare::{CompareError, Terms, nanos};
use super::error::ConvertError;
use super::measure::measure_sound;
use super::shape::Sounds;
use crate::reel::{Event, Kind, ReelFile};
use crate::sound::{SoundCoding, SoundJudge, SoundPlan, SoundScore, decode_block};
use crate::source::{Clip, Item, OpenOptions, SoundChoice, SourceError};

/// How a reel's sound was made, as its note tells.
#[derive(Deserialize)]
struct Note {
    sound: Option<SoundNote>,
    from: f64,
    length: Option<f64>,
}

#[derive(Deserialize)]
struct SoundNote {
    track: usize,
    #[serde(flatten)]
    stage: SoundPlan,
}

/// Compares every sample that both have; `None` if the reel or the clip is silent.
/// The clip's side is made anew as the reel's note says. Sound that the reel lost is
/// left out.
///
/// # Errors
/// See [`CompareError`].
pub fn compare_sound(
    reel: &Path,
    clip: &Path,
    terms: Terms,
) -> Result<Option<SoundScore>, CompareError> {
    let failed = |reason| CompareError::Reel {
        path: reel.into(),
        reason,
    };
    let mut file = ReelFile::open(reel).map_err(failed)?;
    let Some(coding) = SoundCoding::from_number(file.header().sound as u8) else {
        return Ok(None);
    };
    let note = note(&mut file).map_err(failed)?;
    let note = note.ok_or_else(|| CompareError::NoPlan(reel.into()))?;
    let Some(sound) = note.sound else {
        return Ok(None);
    };
    let mut side = match ClipSide::open(clip, &sound, &note.from, note.length, terms) {
        Ok(side) => side,
        Err(ConvertError::Source(SourceError::NoSuchTrack { .. })) => return Ok(None),
        Err(error) => return Err(error.into()),
    };
    let first = file.header().first_tick;
    let mut judge = SoundJudge::new(file.header().clock_rate);
    loop {
        let block = file.next_event(|event| match *event {
            Event::Sound { tick, ticks, bytes } => {
                let mut heard = vec![0; ticks as usize];
                decode_block(coding, bytes, &mut heard).ok()?;
                Some((tick, heard))
            }
            _ => None,
        });
        match block.map_err(failed)? {
            None => break,
            Some(None) => {}
            Some(Some((tick, heard))) => {
                let wanted = side.at(tick.saturating_sub(first), heard.len())?;
                judge.push(wanted, &heard);
            }
        }
    }
    Ok(judge.finish())
}

/// The note, which lies before the first slice.
fn note(file: &mut ReelFile<BufReader<File>>) -> Result<Option<Note>, crate::reel::FileError> {
    loop {
        let seen = file.next_event(|event| match *event {
            Event::Chunk(h, bytes) if h.kind() == Some(Kind::Note) => {
                Some(serde_json::from_slice(bytes).ok())
            }
            Event::Slice(_) => Some(None),
            _ => None,
        })?;
        match seen {
            None => return Ok(None),
            Some(None) => {}
            Some(Some(note)) => return Ok(note),
        }
    }
}

/// The clip's sound in front of the coding.
struct ClipSide<'a> {
    clip: Clip,
    stage: Sounds<'a>,
    ended: bool,
    /// Samples from `start` on.
    samples: Vec<i16>,
    start: u64,
}

impl<'a> ClipSide<'a> {
    fn open(
        clip: &Path,
        sound: &'a SoundNote,
        from: &f64,
        length: Option<f64>,
        terms: Terms,
    ) -> Result<Self, ConvertError> {
        let open = OpenOptions {
            sound: SoundChoice::Number(sound.track),
            threads: terms.threads,
            from: terms.from.unwrap_or(nanos(*from)),
            length: length.map(nanos),
            sound_only: true,
            ..OpenOptions::default()
        };
        let measured = measure_sound(clip, &open, &sound.stage, || Ok(()))?;
        Ok(Self {
            clip: Clip::open(clip, &open)?,
            stage: Sounds::new(&sound.stage, measured),
            ended: false,
            samples: Vec::new(),
            start: 0,
        })
    }

    /// The samples from `tick` on, up to so many; fewer at the end.
    fn at(&mut self, tick: u64, ticks: usize) -> Result<&[i16], ConvertError> {
        let past = (tick.saturating_sub(self.start) as usize).min(self.samples.len());
        self.samples.drain(..past);
        self.start += past as u64;
        while !self.ended && self.start + (self.samples.len() as u64) < tick + ticks as u64 {
            match self.clip.next_item()? {
                Some(Item::Sound(sound)) => self.samples.extend(self.stage.take(&sound)?),
                Some(Item::Picture(_)) => {}
                None => {
                    self.ended = true;
                    self.samples.extend(self.stage.finish()?);
                }
            }
        }
        let skip = (tick.saturating_sub(self.start) as usize).min(self.samples.len());
        let all = &self.samples[skip..];
        Ok(&all[..ticks.min(all.len())])
    }
}
