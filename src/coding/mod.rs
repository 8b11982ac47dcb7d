//! Picture codings: `raw` rectangles, `jpeg`, and our own `patch`.
//!
//! The decoding half (`raw`, `mask`, `dirty`, `patch`) is `no_std`, never
//! allocates and holds no `unsafe`; the encoders, JPEG, rate control and the
//! [`PanelDecoder`] need the feature `files`. The normative text is
//! `spec/coding.md`.

pub mod dirty;
pub mod patch;
pub mod raw;
pub use crate::units::{ByteOrder, Shape, mask};

#[cfg(feature = "files")]
mod denoise;
#[cfg(feature = "files")]
pub mod jpeg;
#[cfg(feature = "files")]
mod load;
#[cfg(feature = "files")]
mod panel;
#[cfg(feature = "files")]
mod plan;
#[cfg(feature = "files")]
pub(crate) mod rate;
#[cfg(feature = "files")]
mod raw_encoder;

#[cfg(feature = "files")]
pub use denoise::denoised;
#[cfg(feature = "files")]
pub use load::{Load, Weigher};
#[cfg(feature = "files")]
pub use panel::{FLAG_KEY, FLAG_UNCHANGED, PanelDecoder, PanelSettings};
#[cfg(feature = "files")]
pub use plan::{EncoderPlan, Weights, encoder};
#[cfg(feature = "files")]
pub use rate::{Bucket, Limits};
#[cfg(feature = "files")]
pub use raw_encoder::RawEncoder;
#[cfg(feature = "program")]
pub(crate) use raw_encoder::bus_bytes;

/// Bytes on the bus to open one window of the panel: column, row and write
/// commands with their arguments, 1 + 4 + 1 + 4 + 1 (MIPI DCS 2Ah, 2Bh, 2Ch).
pub const WINDOW_BYTES: u32 = 11;

/// How a picture is coded; the number is the container's.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "program", derive(clap::ValueEnum))]
#[non_exhaustive]
pub enum Coding {
    /// Pixels ready for the bus, largest.
    Raw = 0,
    /// Baseline JPEG.
    Jpeg = 1,
    /// Our own coding between frames, smallest.
    Patch = 2,
}

impl Coding {
    /// The coding with the container's number `n`.
    #[must_use]
    pub const fn from_number(n: u8) -> Option<Self> {
        match n {
            0 => Some(Self::Raw),
            1 => Some(Self::Jpeg),
            2 => Some(Self::Patch),
            _ => None,
        }
    }

    /// The name used on the command line and in reports.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Raw => "raw",
            Self::Jpeg => "jpeg",
            Self::Patch => "patch",
        }
    }
}

/// Why a payload could not be decoded. The panel keeps its last picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum DecodeError {
    /// The payload ends before the picture does.
    Short,
    /// Bytes are left over after the picture.
    Long,
    /// A field holds a value the format forbids.
    Invalid(&'static str),
    /// The picture leans on one that was lost: wait for the next key picture.
    NeedsKey,
    /// The panel or the memory given does not suit this decoder.
    Unsuited(&'static str),
}

impl core::fmt::Display for DecodeError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::Short => f.write_str("the picture's payload ends too early"),
            Self::Long => f.write_str("bytes are left over after the picture"),
            Self::Invalid(what) => write!(f, "damaged picture: {what}"),
            Self::NeedsKey => f.write_str("an earlier picture is missing: wait for a key picture"),
            Self::Unsuited(what) => write!(f, "cannot decode here: {what}"),
        }
    }
}

impl core::error::Error for DecodeError {}

/// RGB565 nearest to an 8-bit colour, R in the high bits.
#[must_use]
pub const fn nearest_565(r: u8, g: u8, b: u8) -> u16 {
    five(r as u16) << 11 | six(g as u16) << 5 | five(b as u16)
}

/// round(v x 31 / 255) for v in 0..=255.
pub(crate) const fn five(v: u16) -> u16 {
    (v * 249 + 1014) >> 11
}

/// round(v x 63 / 255) for v in 0..=255.
pub(crate) const fn six(v: u16) -> u16 {
    (v * 253 + 505) >> 10
}

/// RGB565 as 8-bit colour, by bit replication.
#[must_use]
pub const fn expand_565(p: u16) -> [u8; 3] {
    let (r, g, b) = (p >> 11, p >> 5 & 63, p & 31);
    [
        (r << 3 | r >> 2) as u8,
        (g << 2 | g >> 4) as u8,
        (b << 3 | b >> 2) as u8,
    ]
}

#[cfg(feature = "files")]
mod host {
    use super::DecodeError;

    /// Why a picture could not be encoded, or not be decoded on the host.
    #[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
    #[non_exhaustive]
    pub enum CodingError {
        /// The input does not have the size that was promised.
        #[error("the picture is {got} but the encoder was made for {want}")]
        Size {
            /// What came.
            got: String,
            /// What was promised.
            want: String,
        },
        /// A setting is out of its range.
        #[error("{0}")]
        Setting(String),
        /// No quality keeps the picture within the hard limits.
        #[error("{0}")]
        Limit(String),
        /// The JPEG library refused.
        #[error("JPEG: {0}")]
        Jpeg(String),
        /// The payload is damaged.
        #[error(transparent)]
        Decode(#[from] DecodeError),
    }

    /// One picture for an encoder.
    #[derive(Clone, Copy, Debug)]
    pub struct PictureIn<'a> {
        /// Pixels across.
        pub width: u16,
        /// Pixels down.
        pub height: u16,
        /// Before dither: 3 bytes per pixel, sRGB, rows from the top.
        pub rgb: &'a [u8],
        /// The same picture dithered to RGB565, R in the high bits.
        pub pixels: &'a [u16],
        /// The pacing stage repeats the last picture.
        pub unchanged: bool,
    }

    impl PictureIn<'_> {
        /// Checks both buffers against the size an encoder was made for.
        pub(crate) fn check(&self, width: u16, height: u16) -> Result<(), CodingError> {
            let n = usize::from(width) * usize::from(height);
            if (self.width, self.height) == (width, height)
                && self.rgb.len() == 3 * n
                && self.pixels.len() == n
            {
                return Ok(());
            }
            Err(CodingError::Size {
                got: format!(
                    "{}x{} with {} colour bytes and {} panel pixels",
                    self.width,
                    self.height,
                    self.rgb.len(),
                    self.pixels.len()
                ),
                want: format!("{width}x{height}"),
            })
        }
    }

    /// One coded picture and what it costs the board.
    #[derive(Clone, Debug, PartialEq, Eq)]
    pub struct Encoded {
        /// The payload; empty if `unchanged`.
        pub bytes: Vec<u8>,
        /// Decoding can start here.
        pub key: bool,
        /// The panel keeps its picture.
        pub unchanged: bool,
        /// Windows the panel is sent.
        pub windows: u16,
        /// Bytes on the panel's bus: 2 per pixel and [`super::WINDOW_BYTES`] per window.
        pub bus_bytes: u32,
        /// Estimated instructions to decode and convert, on a scalar core.
        pub instructions: u32,
    }

    impl Encoded {
        /// A picture that costs nothing.
        #[must_use]
        pub const fn unchanged() -> Self {
            Self {
                bytes: Vec::new(),
                key: false,
                unchanged: true,
                windows: 0,
                bus_bytes: 0,
                instructions: 0,
            }
        }
    }

    /// A picture coding's encoder. Pictures are given in the order of showing.
    pub trait PictureEncoder: Send {
        /// Codes one picture; with `key` so that decoding can start at it.
        ///
        /// # Errors
        /// A picture of another size, or hard limits that nothing can keep.
        fn encode(&mut self, input: &PictureIn<'_>, key: bool) -> Result<Encoded, CodingError>;

        /// The content of the reel's `tables` chunk; empty if there is none.
        fn tables(&self) -> &[u8] {
            &[]
        }
    }
}

/// Most pixels on a side of a panel.
pub const MOST_SIDE: u16 = 512;

#[cfg(feature = "files")]
pub(crate) fn check_size(width: u16, height: u16) -> Result<(), CodingError> {
    if (1..=MOST_SIDE).contains(&width) && (1..=MOST_SIDE).contains(&height) {
        return Ok(());
    }
    Err(CodingError::Setting(format!(
        "a picture of {width}x{height} cannot be coded: each side must be 1 to {MOST_SIDE} pixels"
    )))
}

#[cfg(feature = "files")]
pub use host::{CodingError, Encoded, PictureEncoder, PictureIn};

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounding_to_565_is_nearest() {
        for v in 0..=255u16 {
            assert_eq!(five(v), (v * 31 * 2 + 255) / 510, "five {v}");
            assert_eq!(six(v), (v * 63 * 2 + 255) / 510, "six {v}");
        }
    }

    // MIPI DCS / RGB565 wire values: red F8 00, green 07 E0, blue 00 1F.
    #[test]
    fn primaries_in_wire_order() {
        let wire = |r, g, b| ByteOrder::HighFirst.bytes(nearest_565(r, g, b));
        assert_eq!(wire(255, 0, 0), [0xF8, 0x00]);
        assert_eq!(wire(0, 255, 0), [0x07, 0xE0]);
        assert_eq!(wire(0, 0, 255), [0x00, 0x1F]);
    }
}
