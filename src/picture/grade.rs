//! Sources that are not plain sRGB-like pictures: linear light, PQ, HLG and
//! wide gamuts, brought to the panel.
//!
//! Component codes become linear light in which 1 is the panel's white (203
//! nits, the reference white of Report ITU-R BT.2408); HDR is bent to it by
//! BT.2390's curve on the largest component, so that hues stay; the gamut is
//! converted to BT.709 by matrix; colours outside it lose their negative
//! components and is dimmed until its largest is white; then the sRGB curve.

use super::canvas::WHITE;
use super::colour::Colour;
use super::curves;
use crate::source::{Primaries, Transfer};

/// Luminance of the panel's white, in nits.
pub const PANEL_NITS: f64 = 203.0;

/// Equal steps of some variable 0..=1; values between are interpolated.
struct Table(Vec<f32>);

const STEPS: usize = 4096;

impl Table {
    fn new(value: impl Fn(f64) -> f64) -> Self {
        let entry = |i: usize| value(i as f64 / STEPS as f64) as f32;
        // One more, so that 1 has a right neighbour.
        Self((0..=STEPS + 1).map(entry).collect())
    }

    #[inline]
    fn at(&self, x: f32) -> f32 {
        let place = x.clamp(0.0, 1.0) * STEPS as f32;
        let index = (place as usize).min(STEPS);
        let (low, high) = (self.0[index], self.0[index + 1]);
        low + (high - low) * (place - index as f32)
    }
}

/// How the panel's light is made from a source's.
pub struct Grade {
    /// Component code to light, panel white 1 (HLG: scene light).
    decode: Table,
    /// HLG's gamma less one, and its peak in panel whites.
    hlg: Option<(f32, f32)>,
    /// Gain by the fourth root of the largest component over `reach`.
    gain: Option<Table>,
    /// Largest light of the gain table, in panel whites.
    reach: f32,
    /// To BT.709 primaries.
    gamut: Option<[[f32; 3]; 3]>,
    /// Square root of light to canvas value.
    encode: Table,
}

impl Grade {
    /// The grade a source needs, or `None` if its codes are shown as they
    /// are. With `always`, standard range and gamut get one too, to work in
    /// light.
    #[must_use]
    pub fn new(colour: &Colour, always: bool) -> Option<Self> {
        let plain = colour.transfer == Transfer::Sdr && colour.primaries == Primaries::Bt709;
        if plain && !always {
            return None;
        }
        let peak = f64::from(colour.peak_nits).clamp(PANEL_NITS, 10_000.0);
        let reach = match colour.transfer {
            Transfer::Pq => 10_000.0,
            _ => peak,
        };
        let hdr = matches!(colour.transfer, Transfer::Pq | Transfer::Hlg);
        let gain = |root: f64| {
            let nits = root.powi(4).max(1e-9) * reach;
            curves::bt2390(nits, peak, PANEL_NITS) / nits
        };
        let hlg = (colour.transfer == Transfer::Hlg).then(|| {
            (
                (curves::hlg_gamma(peak) - 1.0) as f32,
                (peak / PANEL_NITS) as f32,
            )
        });
        Some(Self {
            decode: decoding(colour.transfer),
            hlg,
            gain: hdr.then(|| Table::new(gain)),
            reach: (reach / PANEL_NITS) as f32,
            gamut: to_bt709(colour.primaries),
            encode: Table::new(|root| curves::linear_to_srgb(root * root) * f64::from(WHITE)),
        })
    }

    /// Component codes (white 1) to light, still in the source's primaries.
    #[inline]
    pub fn light(&self, rgb: [f32; 3]) -> [f32; 3] {
        let light = rgb.map(|v| self.decode.at(v));
        let Some((power, peak)) = self.hlg else {
            return light;
        };
        // BT.2100 OOTF: display light = peak x Y^(gamma - 1) x scene light.
        let luminance = 0.2627 * light[0] + 0.6780 * light[1] + 0.0593 * light[2];
        let gain = peak * luminance.max(1e-6).powf(power);
        light.map(|v| v * gain)
    }

    /// Light to canvas values.
    #[inline]
    pub fn shown(&self, light: [f32; 3]) -> [u16; 3] {
        let mut light = light.map(|v| v.max(0.0));
        if let Some(gain) = &self.gain {
            let largest = light[0].max(light[1]).max(light[2]);
            let factor = gain.at((largest / self.reach).sqrt().sqrt());
            light = light.map(|v| v * factor);
        }
        if let Some(m) = &self.gamut {
            light = std::array::from_fn(|i| {
                m[i][0] * light[0] + m[i][1] * light[1] + m[i][2] * light[2]
            });
            light = into_gamut(light);
        }
        light.map(|v| (self.encode.at(v.max(0.0).sqrt()) + 0.5) as u16)
    }
}

fn decoding(transfer: Transfer) -> Table {
    match transfer {
        Transfer::Sdr => Table::new(curves::srgb_to_linear),
        Transfer::Linear => Table::new(|v| v),
        Transfer::Pq => Table::new(|v| curves::pq_to_nits(v) / PANEL_NITS),
        Transfer::Hlg => Table::new(curves::hlg_to_scene),
    }
}

/// Linear-light matrices to BT.709 primaries, from the chromaticities of
/// ITU-R BT.709, BT.2020 (as in Report ITU-R BT.2087) and SMPTE EG 432-1, all
/// with a D65 white.
fn to_bt709(primaries: Primaries) -> Option<[[f32; 3]; 3]> {
    match primaries {
        Primaries::Bt709 => None,
        Primaries::Bt2020 => Some([
            [1.660_491, -0.587_641_1, -0.072_849_9],
            [-0.124_550_5, 1.132_899_9, -0.008_349_4],
            [-0.018_150_8, -0.100_578_9, 1.118_729_7],
        ]),
        Primaries::P3 => Some([
            [1.224_940_2, -0.224_940_2, 0.0],
            [-0.042_056_9, 1.042_056_9, 0.0],
            [-0.019_637_6, -0.078_636_1, 1.098_273_7],
        ]),
    }
}

/// The primaries of a wider gamut become the panel's own: negative components
/// are dropped, and the colour is dimmed, not bleached, to fit below white.
#[inline]
fn into_gamut(light: [f32; 3]) -> [f32; 3] {
    let light = light.map(|v| v.max(0.0));
    let high = light[0].max(light[1]).max(light[2]).max(1.0);
    light.map(|v| v / high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::colour::DEFAULT_PEAK_NITS;
    use crate::picture::format::Model;
    use crate::source::ColourTags;

    fn grade(transfer: Transfer, primaries: Primaries) -> Grade {
        let tags = ColourTags {
            transfer: Some(transfer),
            primaries: Some(primaries),
            ..ColourTags::default()
        };
        Grade::new(&Colour::resolve(&tags, Model::Yuv, 1080), true).unwrap()
    }

    fn shown(grade: &Grade, code: f64) -> f64 {
        let [r, g, b] = grade.shown(grade.light([code as f32; 3]));
        assert!(
            r.abs_diff(g) <= 1 && g.abs_diff(b) <= 1,
            "grey stays grey: {r} {g} {b}"
        );
        f64::from(g) / 256.0
    }

    #[test]
    fn pq_greys_follow_the_tone_curve() {
        let grade = grade(Transfer::Pq, Primaries::Bt2020);
        for nits in [
            0.0, 0.1, 1.0, 10.0, 50.0, 100.0, 203.0, 500.0, 1000.0, 4000.0,
        ] {
            let target = curves::bt2390(nits, DEFAULT_PEAK_NITS.into(), PANEL_NITS);
            let wanted = 255.0 * curves::linear_to_srgb(target / PANEL_NITS);
            let found = shown(&grade, curves::nits_to_pq(nits));
            assert!(
                (found - wanted).abs() < 0.25,
                "{nits} nits: {found}, not {wanted}"
            );
        }
    }

    #[test]
    fn hlg_white_and_grey() {
        let grade = grade(Transfer::Hlg, Primaries::Bt2020);
        assert!((shown(&grade, 1.0) - 255.0).abs() < 0.2);
        // BT.2408: HLG reference white is code 0.75, 203 nits on a display
        // of 1000; the curve shows 203 nits as 159.04.
        let wanted = 255.0 * curves::linear_to_srgb(159.04 / PANEL_NITS);
        assert!((shown(&grade, 0.75) - wanted).abs() < 0.5);
    }

    #[test]
    fn plain_pictures_pass_and_wide_ones_keep_their_greys() {
        let plain = Colour::resolve(&ColourTags::default(), Model::Yuv, 1080);
        assert!(Grade::new(&plain, false).is_none());
        let wide = grade(Transfer::Sdr, Primaries::Bt2020);
        for code in 0..=255 {
            let found = shown(&wide, f64::from(code) / 255.0);
            assert!((found - f64::from(code)).abs() < 0.1, "{code}: {found}");
        }
    }

    #[test]
    fn primaries_outside_the_gamut_become_the_panels_own() {
        let wide = grade(Transfer::Sdr, Primaries::Bt2020);
        for i in 0..3 {
            let mut code = [0.0; 3];
            code[i] = 1.0;
            let mut wanted = [0; 3];
            wanted[i] = WHITE;
            assert_eq!(wide.shown(wide.light(code)), wanted);
        }
    }

    type Matrix3 = [[f64; 3]; 3];

    fn times(a: &Matrix3, v: [f64; 3]) -> [f64; 3] {
        a.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
    }

    fn inverse(m: &Matrix3) -> Matrix3 {
        let cofactor = |r: usize, c: usize| {
            let at = |i: usize, j: usize| m[(r + i) % 3][(c + j) % 3];
            at(1, 1) * at(2, 2) - at(1, 2) * at(2, 1)
        };
        let determinant: f64 = (0..3).map(|c| m[0][c] * cofactor(0, c)).sum();
        std::array::from_fn(|r| std::array::from_fn(|c| cofactor(c, r) / determinant))
    }

    /// Linear red, green, blue to CIE XYZ from chromaticities x, y of the
    /// primaries and a D65 white (SMPTE RP 177's derivation).
    fn to_xyz(primaries: [[f64; 2]; 3]) -> Matrix3 {
        let xyz = |[x, y]: [f64; 2]| [x / y, 1.0, (1.0 - x - y) / y];
        let columns = primaries.map(xyz);
        let m: Matrix3 = std::array::from_fn(|r| std::array::from_fn(|c| columns[c][r]));
        let scale = times(&inverse(&m), xyz([0.3127, 0.3290]));
        m.map(|row| std::array::from_fn(|c| row[c] * scale[c]))
    }

    #[test]
    fn gamut_matrices_follow_from_the_chromaticities() {
        let bt709 = to_xyz([[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]]);
        for (primaries, points) in [
            (
                Primaries::Bt2020,
                [[0.708, 0.292], [0.170, 0.797], [0.131, 0.046]],
            ),
            (
                Primaries::P3,
                [[0.680, 0.320], [0.265, 0.690], [0.150, 0.060]],
            ),
        ] {
            let (from, back) = (to_xyz(points), inverse(&bt709));
            let found = to_bt709(primaries).unwrap();
            for c in 0..3 {
                let column = times(&back, from.map(|row| row[c]));
                for r in 0..3 {
                    let off = f64::from(found[r][c]) - column[r];
                    assert!(off.abs() < 1e-4, "{primaries:?} {r} {c}: {off}");
                }
            }
        }
    }
}
