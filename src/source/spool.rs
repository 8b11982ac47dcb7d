//! A clip from a pipe, kept in a temporary file because most formats must be
//! read twice.

use std::io::Read;

use super::SourceError;
use crate::files::Spool;

/// Copies `from` to a temporary file that vanishes when dropped.
///
/// # Errors
/// [`SourceError::Spool`] if reading or writing fails.
pub fn spool(mut from: impl Read) -> Result<Spool, SourceError> {
    let mut file = Spool::new().map_err(SourceError::Spool)?;
    std::io::copy(&mut from, &mut file).map_err(SourceError::Spool)?;
    Ok(file)
}
