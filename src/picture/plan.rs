//! What the picture stage is asked to do, as plain validated values.

use serde::{Deserialize, Serialize};

use crate::source::QuarterTurns;
pub use crate::units::Shape;

/// How the picture fits the panel.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "program", derive(clap::ValueEnum))]
#[serde(rename_all = "kebab-case")]
pub enum Framing {
    /// Show the whole picture, with bars.
    #[default]
    Letterbox,
    /// Fill the panel and crop the rest.
    Crop,
    /// Stretch to the panel's aspect ratio.
    Stretch,
}

/// The part to keep when cropping, and the position of the picture
/// between bars: 0 left or top, 0.5 middle, 1 right or bottom.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Anchor {
    /// Horizontally, 0..=1.
    pub x: f32,
    /// Vertically, 0..=1.
    pub y: f32,
}

impl Default for Anchor {
    fn default() -> Self {
        Self { x: 0.5, y: 0.5 }
    }
}

// Catmull-Rom: Keys 1981, a = -0.5. Mitchell: Mitchell and Netravali 1988.
/// Resampling kernel.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "program", derive(clap::ValueEnum))]
#[serde(rename_all = "kebab-case")]
pub enum Filter {
    /// Average of the covered area.
    Box,
    /// Triangle kernel.
    Bilinear,
    /// Hamming-windowed sinc, 1 lobe: as fast as bilinear, sharper.
    Hamming,
    /// Interpolating cubic, a = -0.5.
    #[default]
    CatmullRom,
    /// Cubic, B = C = 1/3.
    Mitchell,
    /// Windowed sinc, 3 lobes.
    Lanczos3,
}

// Ordered: Bayer 1973. Blue noise by void and cluster: Ulichney 1993. Error
// diffusion: Floyd and Steinberg 1976.
/// Dither for the conversion to RGB565.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "program", derive(clap::ValueEnum))]
#[serde(rename_all = "kebab-case")]
pub enum Dither {
    /// Round to the nearest level.
    None,
    /// Ordered, 8x8 matrix.
    Bayer,
    /// Ordered, 64x64 blue-noise mask.
    #[default]
    BlueNoise,
    /// Error diffusion, serpentine.
    ErrorDiffusion,
}

/// Deinterlacing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "program", derive(clap::ValueEnum))]
#[serde(rename_all = "kebab-case")]
pub enum Deinterlace {
    /// Deinterlace frames marked as interlaced.
    #[default]
    Auto,
    /// Never.
    Off,
    /// Deinterlace every frame; the top field is first unless marked.
    Always,
}

/// Adjustments of tone. The default changes nothing.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tone {
    /// Exponent on code values: below 1 lightens, above 1 darkens. 0.25..=4.
    pub gamma: f32,
    /// Black raised to this share of white, in code values. 0..=0.25.
    pub black_lift: f32,
    /// Colour strength: 0 grey, 1 unchanged, up to 3.
    pub saturation: f32,
    /// Strength of a 3x3 unsharp mask after scaling: 0 none, up to 2.
    pub sharpen: f32,
}

impl Default for Tone {
    fn default() -> Self {
        Self {
            gamma: 1.0,
            black_lift: 0.0,
            saturation: 1.0,
            sharpen: 0.0,
        }
    }
}

impl Tone {
    /// True if nothing is changed.
    #[must_use]
    pub fn is_neutral(&self) -> bool {
        *self == Self::default()
    }
}

/// A part of the source's stored pixels, for example the part between bars.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct SourceCrop {
    /// Columns to leave out at the left.
    pub left: u32,
    /// Rows to leave out at the top.
    pub top: u32,
    /// Columns to leave out at the right.
    pub right: u32,
    /// Rows to leave out at the bottom.
    pub bottom: u32,
}

/// Everything the picture stage is asked to do. It is written into reels, so
/// that a reel can be compared with its clip.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PicturePlan {
    /// Panel width in pixels, as the panel's memory is addressed.
    pub width: u16,
    /// Panel height in pixels, as the panel's memory is addressed.
    pub height: u16,
    /// How the picture fits the panel.
    pub framing: Framing,
    /// The part to keep, in the viewer's directions.
    pub anchor: Anchor,
    /// Rotation of the upright picture in the panel's memory, for the mounting
    /// of the panel.
    #[serde(rename = "rotation", with = "rotation")]
    pub turns: QuarterTurns,
    /// Mirror left and right in the panel's memory, after the rotation.
    pub mirror: bool,
    /// Resampling kernel.
    pub filter: Filter,
    /// Scale in linear light instead of code values; slower.
    pub linear_light: bool,
    /// Dither.
    pub dither: Dither,
    /// Interlaced pictures.
    pub deinterlace: Deinterlace,
    /// Tone adjustments.
    pub tone: Tone,
    /// Stored pixels to leave out, as found by [`super::bars`].
    pub crop: Option<SourceCrop>,
    /// The visible part of the panel.
    pub shape: Shape,
}

/// Rotation is written in degrees.
mod rotation {
    use serde::{Deserialize, Deserializer, Serializer};

    use crate::source::QuarterTurns;

    pub fn serialize<S: Serializer>(turns: &QuarterTurns, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_u16(90 * u16::from(turns.count()))
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<QuarterTurns, D::Error> {
        u16::deserialize(from).map(|n| QuarterTurns::clockwise(i32::from(n / 90)))
    }
}

impl PicturePlan {
    /// The default plan for a panel of this size in pixels.
    #[must_use]
    pub fn new(width: u16, height: u16) -> Self {
        Self {
            width,
            height,
            framing: Framing::default(),
            anchor: Anchor::default(),
            turns: QuarterTurns::default(),
            mirror: false,
            filter: Filter::default(),
            linear_light: false,
            dither: Dither::default(),
            deinterlace: Deinterlace::default(),
            tone: Tone::default(),
            crop: None,
            shape: Shape::default(),
        }
    }

    /// Size of the picture as the viewer sees it: panel size, with width and
    /// height exchanged if the mounting turns do so.
    #[must_use]
    pub fn viewed_size(&self) -> (u16, u16) {
        if self.turns.swaps() {
            (self.height, self.width)
        } else {
            (self.width, self.height)
        }
    }

    /// Checks every value.
    ///
    /// # Errors
    /// [`PictureError::Plan`] names the first value out of its range.
    pub fn validate(&self) -> Result<(), PictureError> {
        let within = |name: &'static str, value: f32, low: f32, high: f32| {
            if (low..=high).contains(&value) {
                return Ok(());
            }
            let message = format!("{name} is {value}; it must lie in {low} to {high}");
            Err(PictureError::Plan(message))
        };
        within("panel width", self.width.into(), 1.0, 4096.0)?;
        within("panel height", self.height.into(), 1.0, 4096.0)?;
        within("horizontal anchor", self.anchor.x, 0.0, 1.0)?;
        within("vertical anchor", self.anchor.y, 0.0, 1.0)?;
        within("gamma", self.tone.gamma, 0.25, 4.0)?;
        within("black lift", self.tone.black_lift, 0.0, 0.25)?;
        within("saturation", self.tone.saturation, 0.0, 3.0)?;
        within("sharpening", self.tone.sharpen, 0.0, 2.0)
    }
}

/// What can go wrong in the picture stage.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PictureError {
    /// A value of the plan is out of its range.
    #[error("{0}")]
    Plan(String),
    /// The decoder's pixel format cannot be read, not even through libswscale.
    #[error("pixel format {0} cannot be converted; re-encode the clip as 8- or 10-bit 4:2:0")]
    Format(String),
    /// The frame has no pixels or the crop leaves none.
    #[error("the picture is {width}x{height} pixels, and nothing of it remains to be shown")]
    Empty {
        /// Stored width.
        width: u32,
        /// Stored height.
        height: u32,
    },
    /// The scaler refused; a fault of ours.
    #[error("scaling failed: {0}")]
    Scale(String),
    /// Subtitle text or font trouble.
    #[error("{0}")]
    Text(String),
}
