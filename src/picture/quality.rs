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
    let product =
        |x: &[f64], y: &[f64]| -> Vec<f64> { x.iter().zip(y).map(|(x, y)| x * y).collect() };
    let mean_a = blurred(a, width);
    let mean_b = blurred(b, width);
    let mean_aa = blurred(&product(a, a), width);
    let mean_bb = blurred(&product(b, b), width);
    let mean_ab = blurred(&product(a, b), width);
    let (c1, c2) = ((0.01_f64 * 255.0).powi(2), (0.03_f64 * 255.0).powi(2));
    let score = |i: usize| {
        let (ma, mb) = (mean_a[i], mean_b[i]);
        let (va, vb) = (mean_aa[i] - ma * ma, mean_bb[i] - mb * mb);
        let cov = mean_ab[i] - ma * mb;
        ((2.0 * ma * mb + c1) * (2.0 * cov + c2)) / ((ma * ma + mb * mb + c1) * (va + vb + c2))
    };
    let height = a.len() / width;
    let inner = |y: usize| (RADIUS..width - RADIUS).map(move |x| y * width + x);
    let sum: f64 = (RADIUS..height - RADIUS).flat_map(inner).map(score).sum();
    sum / ((width - 2 * RADIUS) * (height - 2 * RADIUS)) as f64
}

/// Gaussian of sigma 1.5 cut at 11 taps; only the pixels that lie `RADIUS`
/// inside are right, which is all that is asked for.
fn blurred(plane: &[f64], width: usize) -> Vec<f64> {
    let weights = gaussian();
    let height = plane.len() / width;
    let mut across = vec![0.0; plane.len()];
    for y in 0..height {
        let row = &plane[y * width..(y + 1) * width];
        for x in RADIUS..width - RADIUS {
            let window = &row[x - RADIUS..=x + RADIUS];
            across[y * width + x] = window.iter().zip(weights).map(|(v, w)| v * w).sum();
        }
    }
    let mut out = vec![0.0; plane.len()];
    for y in RADIUS..height - RADIUS {
        for (tap, weight) in weights.iter().enumerate() {
            let from = (y + tap - RADIUS) * width;
            for x in RADIUS..width - RADIUS {
                out[y * width + x] += weight * across[from + x];
            }
        }
    }
    out
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
