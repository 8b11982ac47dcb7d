//! The coding `jpeg`: baseline, 4:2:0, tables out of band (ITU-T T.81,
//! annex B.5: abbreviated formats).
//!
//! The reel's `tables` chunk holds SOI, the quantisation tables of the nominal
//! quality, the Huffman tables of annex K, and EOI. A picture leaves these
//! out; one of another quality carries its own quantisation tables.

use byteorder::{BE, ByteOrder as _};

use jpeg_encoder::{ColorType, SamplingFactor};
use zune_core::bytestream::ZCursor;
use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::JpegDecoder;
use zune_jpeg::errors::DecodeErrors;

use super::rate::{Ask, Trial};
use super::{CodingError, DecodeError, Encoded, Load, PictureIn, WINDOW_BYTES, nearest_565};

/// Instructions per pixel of a scalar decoder: a floor, and a share for each
/// payload byte (a fit to counts of a general-purpose decoder without SIMD).
const INSTRUCTIONS_A_PIXEL: f32 = 62.0;
const INSTRUCTIONS_A_BYTE: f32 = 150.0;

const SOI: u8 = 0xD8;
const EOI: u8 = 0xD9;
const SOS: u8 = 0xDA;
const DQT: u8 = 0xDB;
const DHT: u8 = 0xC4;
const APP0: u8 = 0xE0;

/// Codes whole pictures as JPEG.
pub(crate) struct JpegEncoder {
    width: u16,
    height: u16,
    nominal: u8,
    tables: Vec<u8>,
}

impl JpegEncoder {
    /// An encoder at `quality` 1..=100.
    ///
    /// # Errors
    /// A size or quality outside its range.
    pub(crate) fn new(width: u16, height: u16, quality: u8) -> Result<Self, CodingError> {
        super::check_size(width, height)?;
        if !(1..=100).contains(&quality) {
            return Err(CodingError::Setting(format!(
                "JPEG quality {quality} is outside 1 to 100"
            )));
        }
        let black = vec![0; usize::from(width) * usize::from(height) * 3];
        let whole = compress(&black, width, height, quality)?;
        let mut tables = vec![0xFF, SOI];
        for segment in segments(&whole)? {
            if matches!(segment.marker, DQT | DHT) {
                tables.extend(segment.bytes);
            }
        }
        tables.extend([0xFF, EOI]);
        Ok(Self {
            width,
            height,
            nominal: quality,
            tables,
        })
    }
}

impl Trial for JpegEncoder {
    fn attempt(
        &mut self,
        input: &PictureIn<'_>,
        _key: bool,
        ask: Ask,
    ) -> Result<Encoded, CodingError> {
        input.check(self.width, self.height)?;
        let quality = ask.quality.round().clamp(1.0, 100.0) as u8;
        let whole = compress(input.rgb, self.width, self.height, quality)?;
        let mut bytes = vec![0xFF, SOI];
        for segment in segments(&whole)? {
            let shared = match segment.marker {
                DHT | APP0 => true,
                DQT => quality == self.nominal,
                _ => false,
            };
            if !shared {
                bytes.extend(segment.bytes);
            }
        }
        let load = load(self.width, self.height, bytes.len());
        Ok(Encoded {
            bytes,
            key: true,
            unchanged: false,
            windows: 1,
            bus_bytes: load.bus_bytes,
            instructions: load.instructions,
        })
    }

    fn accept(&mut self) {}

    fn tables(&self) -> &[u8] {
        &self.tables
    }
}

/// What a picture of `bytes` of payload asks of a board: it is always sent whole.
pub(super) fn load(width: u16, height: u16, bytes: usize) -> Load {
    let pixels = u32::from(width) * u32::from(height);
    let work = INSTRUCTIONS_A_PIXEL * pixels as f32 + INSTRUCTIONS_A_BYTE * bytes as f32;
    Load {
        windows: 1,
        bus_bytes: 2 * pixels + WINDOW_BYTES,
        instructions: work as u32,
    }
}

fn compress(rgb: &[u8], width: u16, height: u16, quality: u8) -> Result<Vec<u8>, CodingError> {
    let mut out = Vec::new();
    let mut encoder = jpeg_encoder::Encoder::new(&mut out, quality);
    encoder.set_sampling_factor(SamplingFactor::F_2_2);
    encoder
        .encode(rgb, width, height, ColorType::Rgb)
        .map_err(|e| CodingError::Jpeg(e.to_string()))?;
    Ok(out)
}

/// Decodes one picture with the tables of the reel to RGB565, rounded to the
/// nearest level.
///
/// # Errors
/// Anything that is not a baseline picture of `width` x `height`.
pub fn decode(
    picture: &[u8],
    tables: &[u8],
    width: u16,
    height: u16,
) -> Result<Vec<u16>, CodingError> {
    let mut whole = vec![0xFF, SOI];
    for segment in segments(tables)? {
        whole.extend(segment.bytes);
    }
    if picture.len() < 2 || picture[..2] != [0xFF, SOI] {
        return Err(DecodeError::Invalid("no start of a JPEG picture").into());
    }
    whole.extend(&picture[2..]);
    let options = DecoderOptions::default()
        .set_strict_mode(false)
        .jpeg_set_out_colorspace(ColorSpace::RGB);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(whole.as_slice()), options);
    let refused = |e: DecodeErrors| CodingError::Jpeg(e.to_string());
    decoder.decode_headers().map_err(refused)?;
    if decoder.dimensions() != Some((width.into(), height.into())) {
        return Err(DecodeError::Invalid("a JPEG picture of another size").into());
    }
    let rgb = decoder.decode().map_err(refused)?;
    let (pixels, _) = rgb.as_chunks();
    Ok(pixels
        .iter()
        .map(|&[r, g, b]| nearest_565(r, g, b))
        .collect())
}

struct Segment<'a> {
    marker: u8,
    bytes: &'a [u8],
}

/// The marker segments after SOI; the last holds the scan and EOI.
fn segments(file: &[u8]) -> Result<Vec<Segment<'_>>, DecodeError> {
    let mut out = Vec::new();
    let mut rest = file.get(2..).ok_or(DecodeError::Short)?;
    loop {
        let (&[mark, marker], _) = rest.split_first_chunk().ok_or(DecodeError::Short)?;
        if mark != 0xFF {
            return Err(DecodeError::Invalid("a JPEG marker"));
        }
        if marker == EOI {
            return Ok(out);
        }
        if marker == SOS {
            out.push(Segment {
                marker,
                bytes: rest,
            });
            return Ok(out);
        }
        let length = rest.get(2..4).ok_or(DecodeError::Short)?;
        let length = 2 + usize::from(BE::read_u16(length));
        let (bytes, after) = rest.split_at_checked(length).ok_or(DecodeError::Short)?;
        out.push(Segment { marker, bytes });
        rest = after;
    }
}
