//! The end chunk: totals by which a cut is seen, and a copy of the header.

use super::error::ErrorKind;
use super::layout::{SECTOR, fields, require};

/// Bytes of an end chunk's payload: totals, then the copy of sector 0.
pub const END_PAYLOAD: usize = TOTALS + SECTOR;
const TOTALS: usize = 40;

fields! {
    /// What the slices before the end chunk add up to.
    #[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
    pub struct End {
        /// Ticks from the part's first tick to the end of its last slice.
        ticks: u64 = 0,
        /// Offset of the end chunk itself.
        offset: u64 = 8,
        /// Bytes in all sound blocks, without padding.
        sound_bytes: u64 = 16,
        /// Pictures, unchanged ones included.
        pictures: u32 = 24,
        /// Slices.
        slices: u32 = 28,
        /// Slices that come after a gap.
        gaps: u32 = 32,
    }
}

impl End {
    /// Reads the totals at the start of an end chunk's payload. `newer`: the reel's
    /// minor version is above ours, and reserved bytes may be set.
    ///
    /// # Errors
    /// A payload of the wrong length, or reserved bytes that are set.
    pub fn parse(payload: &[u8], newer: bool) -> Result<Self, ErrorKind> {
        require(payload.len() == END_PAYLOAD, "used")?;
        let end = Self::read(payload)?;
        if !newer && payload[36..TOTALS] != [0; 4] {
            return Err(ErrorKind::Reserved);
        }
        Ok(end)
    }

    /// Writes the totals and the header's copy.
    pub fn emit(&self, header: &[u8; SECTOR], payload: &mut [u8; END_PAYLOAD]) {
        self.write(payload);
        payload[TOTALS..].copy_from_slice(header);
    }

    /// The copy of sector 0 in an end chunk's payload.
    #[must_use]
    pub fn header_copy(payload: &[u8]) -> Option<&[u8; SECTOR]> {
        payload.get(TOTALS..)?.first_chunk()
    }
}
