//! Why a sound block cannot be decoded.

/// Why a block cannot be decoded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BlockError {
    /// The block holds `found` bytes where its sample count needs `needed`.
    Length {
        /// Bytes that the sample count needs.
        needed: usize,
        /// Bytes that are there.
        found: usize,
    },
    /// An ADPCM header holds a step index above 88 or a reserved byte that is not zero.
    Header,
}

impl core::fmt::Display for BlockError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::Length { needed, found } => {
                write!(
                    f,
                    "a sound block of {found} bytes where {needed} are needed"
                )
            }
            Self::Header => f.write_str("an ADPCM block header out of range"),
        }
    }
}

impl core::error::Error for BlockError {}
