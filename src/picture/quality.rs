//! How far two pictures differ: PSNR and SSIM.

/// Mean squared error of two pictures of equal size, over all components.
///
/// # Panics
/// If the lengths differ or are zero.
#[must_use]
pub fn mean_squared_error(a: &[u8], b: &[u8]) -> f64 {
    assert_eq!(a.len(), b.len());
    assert!(!a.is_empty());
    let sum: u64 = a
        .iter()
        .zip(b)
        .map(|(&a, &b)| u64::from(a.abs_diff(b)).pow(2))
        .sum();
    sum as f64 / a.len() as f64
}

/// Peak signal-to-noise ratio in dB of 8-bit components; infinite for equal
/// pictures.
#[must_use]
pub fn psnr(a: &[u8], b: &[u8]) -> f64 {
    psnr_of_error(mean_squared_error(a, b))
}

/// PSNR in dB of a mean squared error on 8-bit components.
#[must_use]
pub fn psnr_of_error(mean_squared_error: f64) -> f64 {
    10.0 * (255.0 * 255.0 / mean_squared_error).log10()
}

const TAPS: usize = 11;
const RADIUS: usize = TAPS / 2;

/// Structural similarity of two pictures of `width` pixels per row with
/// `channels` interleaved 8-bit components: Wang, Bovik, Sheikh and Simoncelli
/// 2004, with their 11x11 Gaussian window of sigma 1.5, K1 0.01, K2 0.03 and
/// population moments; edge samples are mirrored, the mean leaves out the
/// border of five pixels, and components are averaged, as the reference
/// implementation in scikit-image does.
///
/// # Panics
/// If the sizes do not fit or a side is below 11 pixels.
#[must_use]
pub fn ssim(a: &[u8], b: &[u8], width: usize, channels: usize) -> f64 {
    assert_eq!(a.len(), b.len());
    assert!(width >= TAPS && a.len() >= width * channels * TAPS);
    let sum: f64 = (0..channels)
        .map(|c| ssim_of_plane(&plane(a, channels, c), &plane(b, channels, c), width))
        .sum();
    sum / channels as f64
}

fn plane(samples: &[u8], channels: usize, index: usize) -> Vec<f64> {
    samples[index..]
        .iter()
        .step_by(channels)
        .map(|&v| v.into())
        .collect()
}

fn ssim_of_plane(a: &[f64], b: &[f64], width: usize) -> f64 {
    let of_pairs = |f: fn((&f64, &f64)) -> f64| a.iter().zip(b).map(f).collect::<Vec<f64>>();
    let mean_a = blurred(a, width);
    let mean_b = blurred(b, width);
    let mean_squares = blurred(&of_pairs(|(a, b)| a * a + b * b), width);
    let mean_ab = blurred(&of_pairs(|(a, b)| a * b), width);
    let (c1, c2) = ((0.01_f64 * 255.0).powi(2), (0.03_f64 * 255.0).powi(2));
    let means = mean_a.iter().zip(&mean_b);
    let moments = mean_squares.iter().zip(&mean_ab);
    let score = |((ma, mb), (squares, ab)): ((&f64, &f64), (&f64, &f64))| {
        let squared = ma * ma + mb * mb;
        let (variances, cov) = (squares - squared, ab - ma * mb);
        ((2.0 * ma * mb + c1) * (2.0 * cov + c2)) / ((squared + c1) * (variances + c2))
    };
    means.zip(moments).map(score).sum::<f64>() / mean_a.len() as f64
}

/// Gaussian of sigma 1.5 cut at 11 taps, of the pixels that lie `RADIUS` and
/// more inside.
fn blurred(plane: &[f64], width: usize) -> Vec<f64> {
    let weights = gaussian();
    let inner = width - 2 * RADIUS;
    let mut across = vec![0.0; plane.len() / width * inner];
    for (row, out) in plane.chunks(width).zip(across.chunks_mut(inner)) {
        weighted(out, &weights, |tap| &row[tap..tap + inner]);
    }
    let mut both = vec![0.0; (plane.len() / width - 2 * RADIUS) * inner];
    for (y, out) in both.chunks_mut(inner).enumerate() {
        weighted(out, &weights, |tap| &across[(y + tap) * inner..][..inner]);
    }
    both
}

/// Sum of the rows that `row` gives, one per tap; weights are symmetrical.
fn weighted<'a>(out: &mut [f64], weights: &[f64; TAPS], row: impl Fn(usize) -> &'a [f64]) {
    let middle = row(RADIUS).iter();
    for (out, v) in out.iter_mut().zip(middle) {
        *out = weights[RADIUS] * v;
    }
    for (tap, weight) in weights[..RADIUS].iter().enumerate() {
        let pairs = row(tap).iter().zip(row(TAPS - 1 - tap));
        for (out, (a, b)) in out.iter_mut().zip(pairs) {
            *out += weight * (a + b);
        }
    }
}

fn gaussian() -> [f64; TAPS] {
    let weight = |i: usize| {
        let d = i as f64 - RADIUS as f64;
        (-d * d / (2.0 * 1.5 * 1.5)).exp()
    };
    let weights: [f64; TAPS] = std::array::from_fn(weight);
    let sum: f64 = weights.iter().sum();
    weights.map(|w| w / sum)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn psnr_of_known_errors() {
        // 10 log10(255^2 / MSE).
        assert!((psnr(&[10; 30], &[11; 30]) - 48.1308).abs() < 1e-4);
        assert!((psnr(&[10; 30], &[15; 30]) - 34.1514).abs() < 1e-4);
        assert_eq!(psnr(&[1, 2, 3], &[1, 2, 3]), f64::INFINITY);
    }

    #[test]
    fn ssim_of_flat_pictures() {
        // Wang et al. 2004: (2 x 100 x 110 + C1) / (100^2 + 110^2 + C1).
        let found = ssim(&[100; 400], &[110; 400], 20, 1);
        assert!((found - 0.995_476).abs() < 1e-6, "{found}");
    }
}
