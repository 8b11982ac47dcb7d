//! What a picture decoder needs of a reel's header.

use super::Header;
use crate::coding::PanelSettings;
use crate::coding::patch::Level;

/// Without the reel's `tables` chunk.
impl From<&Header> for PanelSettings {
    fn from(header: &Header) -> Self {
        Self {
            width: header.width,
            height: header.height,
            shape: header.shape,
            order: header.pixel_format,
            level: Level::from_number(header.level).unwrap_or_default(),
            jpeg_tables: Vec::new(),
        }
    }
}

impl PanelSettings {
    /// With the payload of the reel's `tables` chunk.
    #[must_use]
    pub fn with_tables(self, tables: Option<Vec<u8>>) -> Self {
        Self {
            jpeg_tables: tables.unwrap_or_default(),
            ..self
        }
    }
}
