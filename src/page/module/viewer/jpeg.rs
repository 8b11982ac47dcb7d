//! JPEG pictures, with the decoder that the crate uses on a host.

use alloc::vec::Vec;

use thumbreel::coding::{DecodeError, nearest_565};
use zune_core::bytestream::ZCursor;
use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::JpegDecoder;

/// Decodes `picture`, whose tables are kept apart in `tables`, into `pixels`.
pub fn decode(
    picture: &[u8],
    tables: &[u8],
    size: (usize, usize),
    pixels: &mut [u16],
) -> Result<(), DecodeError> {
    let whole = join(picture, tables).ok_or(DecodeError::Invalid("start of a JPEG picture"))?;
    let options = DecoderOptions::default()
        .set_strict_mode(false)
        .jpeg_set_out_colorspace(ColorSpace::RGB);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(whole.as_slice()), options);
    let rgb = decoder.decode().map_err(|_| DecodeError::Invalid("JPEG picture"))?;
    if decoder.dimensions() != Some(size) || rgb.len() != 3 * size.0 * size.1 {
        return Err(DecodeError::Invalid("a JPEG picture of another size"));
    }
    for (pixel, c) in pixels.iter_mut().zip(rgb.chunks_exact(3)) {
        *pixel = nearest_565(c[0], c[1], c[2]);
    }
    Ok(())
}

/// The tables between the picture's start mark and its own segments.
fn join(picture: &[u8], tables: &[u8]) -> Option<Vec<u8>> {
    let start = [0xFF, 0xD8];
    let tables = tables.strip_prefix(&start)?;
    // The tables may end as a file of their own does.
    let tables = tables.strip_suffix(&[0xFF, 0xD9]).unwrap_or(tables);
    let picture = picture.strip_prefix(&start)?;
    Some([&start, tables, picture].concat())
}
