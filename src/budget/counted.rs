//! What decoding costs a core, as counted on emulated ones: the one place of
//! these figures. The tables `estimates` and `sounds` of spec/firmware/README.md, made by
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

/// Instruction sets that were counted, the small Armv6-M left out: with half the
/// registers it is far slower than any core that a board without a name may have.
const USUAL: [InstructionSet; 4] = [
    InstructionSet::Armv7em,
    InstructionSet::Armv8mMain,
    InstructionSet::Rv32imc,
    InstructionSet::Xtensa,
];

/// The most of a figure over [`USUAL`].
fn most(figure: impl Fn(InstructionSet) -> f64) -> f64 {
    USUAL.map(figure).into_iter().fold(0.0, f64::max)
}

impl Counted {
    /// What pictures in `coding` take on a core; on one that is not named, the most
    /// that any counted one takes, Armv6-M left out.
    #[must_use]
    pub fn new(coding: PictureCoding, set: InstructionSet) -> Self {
        let light = match coding {
            PictureCoding::Raw | PictureCoding::Jpeg => return AS_ESTIMATED,
            PictureCoding::PatchLight => true,
            PictureCoding::PatchFull => false,
        };
        let (per_estimated, per_pixel) = match (set, light) {
            (InstructionSet::Armv6m, true) => (2.15, 3.5),
            (InstructionSet::Armv6m, false) => (2.0, 1.0),
            (InstructionSet::Armv7em | InstructionSet::Armv8mMain, true) => (1.05, 10.5),
            (InstructionSet::Armv7em | InstructionSet::Armv8mMain, false) => (1.3, 0.0),
            (InstructionSet::Rv32imc, true) => (1.25, 15.0),
            (InstructionSet::Rv32imc, false) => (1.55, 0.0),
            (InstructionSet::Xtensa, true) => (1.6, 15.5),
            (InstructionSet::Xtensa, false) => (1.75, 0.5),
            (InstructionSet::Other, _) => (
                most(|set| Self::new(coding, set).per_estimated),
                most(|set| Self::new(coding, set).per_pixel),
            ),
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

/// Instructions per sample to decode sound.
#[must_use]
pub fn sound_instructions(coding: SoundCoding, set: InstructionSet) -> f64 {
    let [pcm16, pcm8, adpcm] = match set {
        InstructionSet::Armv6m => [9.0, 8.0, 59.2],
        InstructionSet::Armv7em | InstructionSet::Armv8mMain => [4.0, 6.0, 38.0],
        InstructionSet::Rv32imc => [8.0, 7.0, 36.2],
        InstructionSet::Xtensa => [8.0, 7.0, 45.4],
        InstructionSet::Other => return most(|set| sound_instructions(coding, set)),
    };
    match coding {
        SoundCoding::None => 0.0,
        SoundCoding::Pcm16 => pcm16,
        SoundCoding::Pcm8 => pcm8,
        SoundCoding::Adpcm => adpcm,
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
            "on emulated cores (decode counts of the slowest)".to_owned()
        } else {
            format!("on an emulated {} core (decode counts)", set.name())
        };
        let counted = Self::plain(Provenance::Measured, &counted);
        estimate
            .and(counted)
            .and(Self::keys(board, &["cpu.instruction_set"]))
    }
}
