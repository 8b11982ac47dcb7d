//! From a stream's component values to red, green and blue.
//!
//! Where a stream does not tag its colours, this rule applies: RGB and grey
//! formats are full range, others limited; the matrix follows the primaries or the
//! transfer if they say BT.2020, else it is BT.709 from 720 rows up and BT.601
//! below; the transfer is standard range; primaries are BT.2020 with PQ and
//! HLG or a BT.2020 matrix, else BT.709; chroma sits left. BT.601's primaries
//! are shown as BT.709's, as displays commonly do.

use super::format::Model;
use crate::source::{ChromaSite, ColourTags, Matrix, Primaries, Range, Transfer};

/// Colours with nothing left open.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Colour {
    /// Matrix coefficients.
    pub matrix: Matrix,
    /// Transfer characteristic.
    pub transfer: Transfer,
    /// Primaries.
    pub primaries: Primaries,
    /// Code range.
    pub range: Range,
    /// Chroma siting.
    pub chroma_site: ChromaSite,
    /// Brightest luminance in nits; matters for PQ and HLG only.
    pub peak_nits: f32,
}

/// Luminance assumed for PQ and HLG sources that state none; the nominal
/// peak of ITU-R BT.2100 HLG displays.
pub const DEFAULT_PEAK_NITS: f32 = 1000.0;

impl Colour {
    /// Fills in what the tags leave open; `height` in stored rows.
    #[must_use]
    pub fn resolve(tags: &ColourTags, model: Model, height: u32) -> Self {
        let transfer = tags.transfer.unwrap_or(Transfer::Sdr);
        let wide = matches!(transfer, Transfer::Pq | Transfer::Hlg);
        let matrix = match (model, tags.matrix) {
            (Model::Rgb, _) => Matrix::Rgb,
            (_, Some(Matrix::Rgb)) | (_, None) => assumed_matrix(tags, wide, height),
            (_, Some(matrix)) => matrix,
        };
        let wide = wide || matrix == Matrix::Bt2020;
        let primaries = if wide {
            Primaries::Bt2020
        } else {
            Primaries::Bt709
        };
        let range = match model {
            Model::Yuv => Range::Limited,
            Model::Rgb | Model::Grey => Range::Full,
        };
        Self {
            matrix,
            transfer,
            primaries: tags.primaries.unwrap_or(primaries),
            range: tags.range.unwrap_or(range),
            chroma_site: tags.chroma_site.unwrap_or(ChromaSite::Left),
            peak_nits: tags.peak_nits.unwrap_or(DEFAULT_PEAK_NITS),
        }
    }
}

fn assumed_matrix(tags: &ColourTags, wide: bool, height: u32) -> Matrix {
    if wide || tags.primaries == Some(Primaries::Bt2020) {
        Matrix::Bt2020
    } else if height >= 720 {
        Matrix::Bt709
    } else {
        Matrix::Bt601
    }
}

/// Weights of red and blue in luma. Sources: ITU-R BT.601-7, BT.709-6,
/// BT.2020-2; FCC and SMPTE 240 as listed in ITU-T H.273.
#[must_use]
pub fn luma_weights(matrix: Matrix) -> Option<(f64, f64)> {
    match matrix {
        Matrix::Bt601 => Some((0.299, 0.114)),
        Matrix::Bt709 => Some((0.2126, 0.0722)),
        Matrix::Bt2020 => Some((0.2627, 0.0593)),
        Matrix::Fcc => Some((0.30, 0.11)),
        Matrix::Smpte240 => Some((0.212, 0.087)),
        Matrix::Rgb | Matrix::YCgCo => None,
    }
}

/// An affine map from three component codes to red, green and blue, where 1
/// is white.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ToRgb {
    /// Rows: red, green, blue. Columns: first, second, third component.
    pub m: [[f64; 3]; 3],
    /// Added to each row.
    pub offset: [f64; 3],
}

impl ToRgb {
    /// The map for codes of `bits` bits. With [`Matrix::Rgb`] the components
    /// are red, green, blue.
    #[must_use]
    pub fn new(matrix: Matrix, range: Range, bits: u32) -> Self {
        let unit = unit_matrix(matrix);
        let full = f64::from((1_u32 << bits) - 1);
        let eight = f64::from(1_u32 << (bits - 8));
        let (black, luma, chroma) = match range {
            Range::Limited => (16.0 * eight, 219.0 * eight, 224.0 * eight),
            Range::Full => (0.0, full, full),
        };
        let middle = f64::from(1_u32 << (bits - 1));
        let scales = match matrix {
            Matrix::Rgb => [(black, luma); 3],
            _ => [(black, luma), (middle, chroma), (middle, chroma)],
        };
        let m = unit.map(|row| std::array::from_fn(|i| row[i] / scales[i].1));
        let offset = m.map(|row: [f64; 3]| -(0..3).map(|i| row[i] * scales[i].0).sum::<f64>());
        Self { m, offset }
    }

    /// The map times `factor`, in single precision.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> ([[f32; 3]; 3], [f32; 3]) {
        (
            self.m.map(|row| row.map(|v| (v * factor) as f32)),
            self.offset.map(|v| (v * factor) as f32),
        )
    }
}

/// Rows red, green, blue; luma 0..=1 and colour differences -0.5..=0.5.
fn unit_matrix(matrix: Matrix) -> [[f64; 3]; 3] {
    match (matrix, luma_weights(matrix)) {
        (_, Some((kr, kb))) => {
            let kg = 1.0 - kr - kb;
            let (red, blue) = (2.0 * (1.0 - kr), 2.0 * (1.0 - kb));
            [
                [1.0, 0.0, red],
                [1.0, -blue * kb / kg, -red * kr / kg],
                [1.0, blue, 0.0],
            ]
        }
        (Matrix::YCgCo, _) => [[1.0, -1.0, 1.0], [1.0, 1.0, 0.0], [1.0, -1.0, -1.0]],
        _ => [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
    }
}

/// Where the first chroma sample sits from the middle of its luma samples, in
/// luma samples: x and y.
#[must_use]
pub fn site_offset(site: ChromaSite, chroma_w: u32, chroma_h: u32) -> (f64, f64) {
    let (low_x, low_y) = (
        0.5 - 0.5 * f64::from(1_u32 << chroma_w),
        0.5 - 0.5 * f64::from(1_u32 << chroma_h),
    );
    match site {
        ChromaSite::Center => (0.0, 0.0),
        ChromaSite::Left => (low_x, 0.0),
        ChromaSite::TopLeft => (low_x, low_y),
        ChromaSite::Top => (0.0, low_y),
        ChromaSite::BottomLeft => (low_x, -low_y),
        ChromaSite::Bottom => (0.0, -low_y),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 75 % bars: white, yellow, cyan, green, magenta, red, blue as
    /// Y, Cb, Cr. BT.601 and BT.709 whole, three of BT.2020; computed from
    /// Y = 16 + 219 y, C = 128 + 224 (b - y) / (2 (1 - Kb)) of those standards.
    const BARS: [(Matrix, [f64; 3], [f64; 3]); 17] = [
        (Matrix::Bt601, [180.0, 128.0, 128.0], [1.0, 1.0, 1.0]),
        (Matrix::Bt601, [162.0, 44.0, 142.0], [1.0, 1.0, 0.0]),
        (Matrix::Bt601, [131.0, 156.0, 44.0], [0.0, 1.0, 1.0]),
        (Matrix::Bt601, [112.0, 72.0, 58.0], [0.0, 1.0, 0.0]),
        (Matrix::Bt601, [84.0, 184.0, 198.0], [1.0, 0.0, 1.0]),
        (Matrix::Bt601, [65.0, 100.0, 212.0], [1.0, 0.0, 0.0]),
        (Matrix::Bt601, [35.0, 212.0, 114.0], [0.0, 0.0, 1.0]),
        (Matrix::Bt709, [180.0, 128.0, 128.0], [1.0, 1.0, 1.0]),
        (Matrix::Bt709, [168.0, 44.0, 136.0], [1.0, 1.0, 0.0]),
        (Matrix::Bt709, [145.0, 147.0, 44.0], [0.0, 1.0, 1.0]),
        (Matrix::Bt709, [133.0, 63.0, 52.0], [0.0, 1.0, 0.0]),
        (Matrix::Bt709, [63.0, 193.0, 204.0], [1.0, 0.0, 1.0]),
        (Matrix::Bt709, [51.0, 109.0, 212.0], [1.0, 0.0, 0.0]),
        (Matrix::Bt709, [28.0, 212.0, 120.0], [0.0, 0.0, 1.0]),
        (Matrix::Bt2020, [59.0, 105.0, 212.0], [1.0, 0.0, 0.0]),
        (Matrix::Bt2020, [127.0, 67.0, 51.0], [0.0, 1.0, 0.0]),
        (Matrix::Bt2020, [26.0, 212.0, 121.0], [0.0, 0.0, 1.0]),
    ];

    #[test]
    fn bars_of_the_standards_become_their_colours() {
        for (matrix, code, bar) in BARS {
            for bits in [8, 10, 12] {
                let map = ToRgb::new(matrix, Range::Limited, bits);
                let code = code.map(|c| c * f64::from(1 << (bits - 8)));
                for (row, (offset, full)) in map.m.iter().zip(map.offset.iter().zip(bar)) {
                    let value: f64 = (0..3).map(|i| row[i] * code[i]).sum::<f64>() + offset;
                    // The codes are rounded: half a step of luma, and of each chroma.
                    assert!(
                        (value - 0.75 * full).abs() < 0.008,
                        "{matrix:?} {code:?} {value}"
                    );
                }
            }
        }
    }

    #[test]
    fn untagged_streams_follow_the_stated_rule() {
        let none = ColourTags::default();
        assert_eq!(
            Colour::resolve(&none, Model::Yuv, 576).matrix,
            Matrix::Bt601
        );
        assert_eq!(
            Colour::resolve(&none, Model::Yuv, 720).matrix,
            Matrix::Bt709
        );
        assert_eq!(
            Colour::resolve(&none, Model::Yuv, 720).range,
            Range::Limited
        );
        assert_eq!(Colour::resolve(&none, Model::Rgb, 720).range, Range::Full);
        assert_eq!(Colour::resolve(&none, Model::Grey, 720).range, Range::Full);
        let hdr = ColourTags {
            transfer: Some(Transfer::Pq),
            ..none
        };
        let found = Colour::resolve(&hdr, Model::Yuv, 480);
        assert_eq!(
            (found.matrix, found.primaries),
            (Matrix::Bt2020, Primaries::Bt2020)
        );
    }
}
