//! A reel file reduced to its facts.

use std::io::{Read, Seek};
use std::path::Path;

use crate::budget::power::{Programme, ProgrammeMeter};
use crate::coding::{Coding, Load, PanelSettings, Weigher};
use crate::reel::{self, FileError, Piece, ReelFile, WholeSlice};
use crate::sound::{SoundCoding as SampleCoding, decode_block};

use super::facts::{PictureCoding, PictureFacts, ReelFacts, SliceFacts, SoundCoding};

/// Why a reel's facts cannot be had.
#[derive(Debug, thiserror::Error)]
#[error("{file}: {cause}")]
pub struct FactsError {
    /// The reel's path.
    pub file: String,
    /// What went wrong.
    pub cause: FileError,
}

impl ReelFacts {
    /// Reads the facts of the reel at `path`, slice by slice. Damaged
    /// stretches are passed over as a player would.
    ///
    /// # Errors
    /// The file cannot be read or is no reel.
    pub fn read(path: &Path) -> Result<Self, FactsError> {
        let wrap = |cause| FactsError {
            file: path.display().to_string(),
            cause,
        };
        let mut facts = ReelFile::open(path).and_then(Self::of).map_err(wrap)?;
        let length = std::fs::metadata(path).map(|m| m.len());
        facts.total_bytes = length.map_err(|e| wrap(e.into()))?;
        Ok(facts)
    }

    /// The facts of an open reel; `total_bytes` is what was seen.
    ///
    /// # Errors
    /// The source fails, or a chunk asks for a newer reader.
    pub fn of<R: Read + Seek>(mut file: ReelFile<R>) -> Result<Self, FileError> {
        let mut facts = Self::of_header(file.header());
        let coding = SampleCoding::from_number(file.header().sound as u8);
        let mut programme = ProgrammeMeter::new(facts.clock_rate.max(1));
        let first_tick = file.header().first_tick;
        let panel = PanelSettings::from(file.header());
        // A coding of the user's own, or a panel that none of ours is for, costs what is not known.
        let mut weigher = Coding::from_number(file.header().coding)
            .and_then(|coding| Weigher::new(coding, &panel).ok());
        while let Some(piece) = file.next_piece()? {
            let bad = match &piece {
                Piece::Slice(whole) => !whole.damage.is_empty(),
                Piece::Damage(_) => true,
            };
            facts.damages += u32::from(bad);
            if let Piece::Slice(whole) = piece {
                facts.take(&whole, first_tick, weigher.as_mut());
                let mut block = vec![0; whole.slice.ticks as usize];
                // A block that cannot be decoded stays silent, as on a board.
                let heard = coding.map(|c| decode_block(c, &whole.slice.sound, &mut block));
                if heard.is_some_and(|h| h.is_ok()) {
                    programme.push(&block);
                }
            }
        }
        facts.total_bytes = u64::from(facts.lead_bytes) + facts.slice_bytes();
        facts.programme = programme.finish();
        Ok(facts)
    }

    fn of_header(header: &reel::Header) -> Self {
        Self {
            assumed: false,
            width: header.width,
            height: header.height,
            clock_rate: header.clock_rate,
            rate: f64::from(header.rate.num) / f64::from(header.rate.den),
            sound: sound_coding(header.sound),
            coding: picture_coding(header.coding, header.level),
            largest_chunk: header.largest_chunk,
            working_bytes: header.working_memory,
            prebuffer: header.prebuffer,
            lead_bytes: u32::try_from(header.first_slice).unwrap_or(u32::MAX),
            total_bytes: 0,
            programme: Programme::silent(),
            damages: 0,
            slices: Vec::new(),
            pictures: Vec::new(),
        }
    }

    fn take(&mut self, whole: &WholeSlice, first_tick: u64, mut weigher: Option<&mut Weigher>) {
        let tick = whole.slice.time.saturating_sub(first_tick);
        self.slices.push(SliceFacts {
            tick,
            ticks: whole.slice.ticks,
            bytes: whole.header.length,
            first_picture: self.pictures.len() as u32,
            pictures: whole.slice.pictures.len() as u32,
        });
        self.largest_chunk = self.largest_chunk.max(whole.header.length);
        for (picture, &waits) in whole.slice.pictures.iter().zip(&whole.waits) {
            // What cannot be decoded, or leans on what is lost, is passed over on a board too.
            let load = match &mut weigher {
                Some(weigher) if !waits => weigher.weigh(&picture.bytes).ok(),
                _ => None,
            };
            let facts = picture_facts(picture, tick, load.unwrap_or_default());
            self.pictures.push(facts);
        }
    }
}

fn picture_facts(picture: &reel::Picture, slice_tick: u64, load: Load) -> PictureFacts {
    PictureFacts {
        tick: slice_tick + u64::from(picture.tick_offset),
        bytes: picture.bytes.len() as u32,
        instructions: load.instructions,
        pixels: load.pixels(),
        windows: load.windows,
        key: picture.key,
    }
}

fn sound_coding(coding: reel::SoundCoding) -> SoundCoding {
    match coding {
        reel::SoundCoding::None => SoundCoding::None,
        reel::SoundCoding::PcmS16 => SoundCoding::Pcm16,
        reel::SoundCoding::PcmU8 => SoundCoding::Pcm8,
        reel::SoundCoding::ImaAdpcm => SoundCoding::Adpcm,
    }
}

fn picture_coding(coding: u8, level: u8) -> PictureCoding {
    match (coding, level) {
        (1, _) => PictureCoding::Jpeg,
        (2, 1) => PictureCoding::PatchLight,
        (2, _) => PictureCoding::PatchFull,
        _ => PictureCoding::Raw,
    }
}
