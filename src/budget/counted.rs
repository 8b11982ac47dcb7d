//! What decoding costs a core, as counted on emulated ones: the one place of
//! these figures. The table `estimates` of spec/firmware/README.md, made by
//! `cargo bench --bench firmware`, holds the counts; a test holds these
//! figures against it.

use crate::board::{Board, InstructionSet, Provenance};

use super::facts::{PictureCoding, ReelFacts, SoundCoding};
use super::line::Origin;

/// Instructions of a core that a picture takes: so many for each that the
/// decoder's estimate counts, and so many for each pixel shown (conversion,
/// dither included).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Counted {
    /// For each instruction of the estimate.
    pub per_estimated: f64,
    /// For each pixel shown.
    pub per_pixel: f64,
}

/// As estimated.
const AS_ESTIMATED: Counted = Counted {
    per_estimated: 1.0,
    per_pixel: 0.0,
};

/// Instruction sets that were counted.
const COUNTED: [InstructionSet; 2] = [InstructionSet::Armv7em, InstructionSet::Rv32imc];

impl Counted {
    /// What pictures in `coding` take on a core; on one that was not counted,
    /// the most that any counted one takes.
    #[must_use]
    pub fn new(coding: PictureCoding, set: InstructionSet) -> Self {
        let (per_estimated, per_pixel) = match (coding, set) {
            (PictureCoding::Raw | PictureCoding::Jpeg, _) => return AS_ESTIMATED,
            (PictureCoding::PatchLight, InstructionSet::Armv7em) => (1.05, 10.5),
            (PictureCoding::PatchFull, InstructionSet::Armv7em) => (1.3, 0.0),
            (PictureCoding::PatchLight, InstructionSet::Rv32imc) => (1.25, 15.0),
            (PictureCoding::PatchFull, InstructionSet::Rv32imc) => (1.55, 0.0),
            (_, InstructionSet::Other) => {
                let all = COUNTED.map(|set| Self::new(coding, set));
                let most = |f: fn(&Self) -> f64| all.iter().map(f).fold(0.0, f64::max);
                (most(|c| c.per_estimated), most(|c| c.per_pixel))
            }
        };
        Self {
            per_estimated,
            per_pixel,
        }
    }

    /// Instructions of a core for a picture.
    #[must_use]
    pub fn instructions(&self, estimated: u64, pixels: u64) -> f64 {
        estimated as f64 * self.per_estimated + pixels as f64 * self.per_pixel
    }
}

/// Instructions per sample to decode sound, on the slower of the counted cores.
#[must_use]
pub const fn sound_instructions(coding: SoundCoding) -> f64 {
    match coding {
        SoundCoding::None => 0.0,
        SoundCoding::Pcm16 => 4.0,
        SoundCoding::Pcm8 => 6.0,
        SoundCoding::Adpcm => 38.0,
    }
}

/// The estimate of a whole picture, in instructions per pixel: means
/// over the clips of the table, as true as JPEG of quality 50.
#[must_use]
pub const fn typical_estimate(coding: PictureCoding) -> f64 {
    match coding {
        PictureCoding::Raw => 0.0,
        PictureCoding::Jpeg => 85.0,
        PictureCoding::PatchLight => 18.4,
        PictureCoding::PatchFull => 24.6,
    }
}

impl Origin {
    /// Where the work of decoding and sounding a reel on a board's cores comes
    /// from.
    #[must_use]
    pub fn of_work(reel: &ReelFacts, board: &Board) -> Self {
        let patch = matches!(
            reel.coding,
            PictureCoding::PatchLight | PictureCoding::PatchFull
        );
        let estimate = match reel.coding {
            PictureCoding::Jpeg if board.cpu.jpeg_pixels_per_second > 0.0 => {
                Self::keys(board, &["cpu.jpeg_pixels_per_second"])
            }
            PictureCoding::Jpeg => Self::plain(
                Provenance::Assumed,
                "the work of a general-purpose JPEG decoder",
            ),
            _ => Self::of_pictures(reel),
        };
        if !patch && reel.sound == SoundCoding::None {
            return estimate;
        }
        let set = board.cpu.instruction_set;
        let counted = if matches!(set, InstructionSet::Other) {
            "on emulated cores (decode counts of the slower)".to_owned()
        } else {
            format!("on an emulated {} core (decode counts)", set.name())
        };
        let counted = Self::plain(Provenance::Measured, &counted);
        estimate
            .and(counted)
            .and(Self::keys(board, &["cpu.instruction_set"]))
    }
}
