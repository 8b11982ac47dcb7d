//! What so many clean plays say of the next one.

/// Confidence of every bound that is told.
pub const CONFIDENCE: f64 = 0.95;

/// The greatest share of plays with a fault that `faults` of `runs` leave
/// possible at [`CONFIDENCE`], one-sided: Clopper and Pearson 1934. With no
/// fault about 3 / `runs` (rule of three, Hanley and Lippman-Hand 1983).
#[must_use]
pub fn at_most(faults: u32, runs: u32) -> f64 {
    if faults >= runs {
        return 1.0;
    }
    let (mut low, mut high) = (f64::from(faults) / f64::from(runs), 1.0);
    for _ in 0..60 {
        let middle = low + (high - low) / 2.0;
        if up_to(faults, runs, middle) > 1.0 - CONFIDENCE {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

/// Chance of at most `faults` in `runs`, each with the chance `p`.
fn up_to(faults: u32, runs: u32, p: f64) -> f64 {
    let (ln_p, ln_q) = (p.ln(), (-p).ln_1p());
    let n = f64::from(runs);
    let mut ln_choose = 0.0;
    let mut sum = 0.0;
    for k in 0..=faults {
        let k = f64::from(k);
        sum += (ln_choose + k * ln_p + (n - k) * ln_q).exp();
        ln_choose += ((n - k) / (k + 1.0)).ln();
    }
    sum
}
