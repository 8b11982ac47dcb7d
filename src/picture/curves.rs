//! Transfer curves and tone mapping of the published standards, in double
//! precision. Luminance is in nits (cd/m2).

/// sRGB code 0..=1 to linear light (IEC 61966-2-1).
#[must_use]
pub fn srgb_to_linear(code: f64) -> f64 {
    if code <= 0.04045 {
        code / 12.92
    } else {
        ((code + 0.055) / 1.055).powf(2.4)
    }
}

/// Linear light 0..=1 to sRGB code (IEC 61966-2-1).
#[must_use]
pub fn linear_to_srgb(light: f64) -> f64 {
    if light <= 0.003_130_8 {
        light * 12.92
    } else {
        1.055 * light.powf(1.0 / 2.4) - 0.055
    }
}

const M1: f64 = 2610.0 / 16384.0;
const M2: f64 = 2523.0 / 4096.0 * 128.0;
const C1: f64 = 3424.0 / 4096.0;
const C2: f64 = 2413.0 / 4096.0 * 32.0;
const C3: f64 = 2392.0 / 4096.0 * 32.0;
const PQ_PEAK: f64 = 10_000.0;

/// Perceptual quantizer code 0..=1 to nits (ITU-R BT.2100 EOTF).
#[must_use]
pub fn pq_to_nits(code: f64) -> f64 {
    let root = code.clamp(0.0, 1.0).powf(1.0 / M2);
    PQ_PEAK * ((root - C1).max(0.0) / (C2 - C3 * root)).powf(1.0 / M1)
}

/// Nits to perceptual quantizer code (inverse of the BT.2100 EOTF).
#[must_use]
pub fn nits_to_pq(nits: f64) -> f64 {
    let power = (nits.max(0.0) / PQ_PEAK).powf(M1);
    ((C1 + C2 * power) / (1.0 + C3 * power)).powf(M2)
}

const HLG_A: f64 = 0.178_832_77;
const HLG_B: f64 = 1.0 - 4.0 * HLG_A;

fn hlg_c() -> f64 {
    0.5 - HLG_A * (4.0 * HLG_A).ln()
}

/// Scene light 0..=1 to hybrid log-gamma code (ITU-R BT.2100 OETF).
#[must_use]
pub fn hlg_oetf(scene: f64) -> f64 {
    if scene <= 1.0 / 12.0 {
        (3.0 * scene).sqrt()
    } else {
        HLG_A * (12.0 * scene - HLG_B).ln() + hlg_c()
    }
}

/// Hybrid log-gamma code to scene light (inverse of the BT.2100 OETF).
#[must_use]
pub fn hlg_to_scene(code: f64) -> f64 {
    if code <= 0.5 {
        code.max(0.0).powi(2) / 3.0
    } else {
        (((code - hlg_c()) / HLG_A).exp() + HLG_B) / 12.0
    }
}

/// System gamma of the HLG OOTF for a display of `peak` nits (BT.2100,
/// note 5e).
#[must_use]
pub fn hlg_gamma(peak: f64) -> f64 {
    1.2 + 0.42 * (peak / 1000.0).log10()
}

/// The electrical-electrical transfer function of Report ITU-R BT.2390 with
/// zero black: a luminance on a mastering display of `source_peak` nits to
/// one on a display of `target_peak` nits. Below its knee nothing changes.
#[must_use]
pub fn bt2390(nits: f64, source_peak: f64, target_peak: f64) -> f64 {
    let scale = nits_to_pq(source_peak);
    let peak = nits_to_pq(target_peak) / scale;
    let code = (nits_to_pq(nits) / scale).min(1.0);
    let knee = 1.5 * peak - 0.5;
    if peak >= 1.0 || code < knee {
        return nits.min(source_peak);
    }
    let t = (code - knee) / (1.0 - knee);
    let (t2, t3) = (t * t, t * t * t);
    let bent = (2.0 * t3 - 3.0 * t2 + 1.0) * knee
        + (t3 - 2.0 * t2 + t) * (1.0 - knee)
        + (3.0 * t2 - 2.0 * t3) * peak;
    pq_to_nits(bent * scale)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, wanted: f64, within: f64) {
        assert!((found - wanted).abs() <= within, "{found} is not {wanted}");
    }

    #[test]
    fn srgb_of_iec_61966_2_1() {
        near(linear_to_srgb(0.18), 0.461_356, 1e-6);
        near(srgb_to_linear(128.0 / 255.0), 0.215_860_5, 1e-7);
        near(linear_to_srgb(0.5) * 255.0, 187.516, 1e-3);
        for v in 0..=255 {
            let code = f64::from(v) / 255.0;
            near(linear_to_srgb(srgb_to_linear(code)), code, 1e-6);
        }
    }

    #[test]
    fn pq_of_bt_2100() {
        near(nits_to_pq(100.0), 0.508_078, 1e-6);
        near(nits_to_pq(203.0), 0.580_689, 1e-6);
        near(nits_to_pq(1000.0), 0.751_827, 1e-6);
        near(nits_to_pq(10_000.0), 1.0, 1e-12);
        near(pq_to_nits(nits_to_pq(58.0)), 58.0, 1e-9);
    }

    #[test]
    fn hlg_of_bt_2100() {
        near(hlg_oetf(1.0 / 12.0), 0.5, 1e-12);
        near(hlg_oetf(1.0), 1.0, 1e-6);
        near(hlg_to_scene(hlg_oetf(0.37)), 0.37, 1e-12);
        near(hlg_gamma(1000.0), 1.2, 1e-12);
    }

    /// Computed from the formulas of Report ITU-R BT.2390.
    #[test]
    fn tone_curve_of_bt_2390() {
        near(bt2390(50.0, 1000.0, 203.0), 50.0, 1e-9);
        near(bt2390(203.0, 1000.0, 203.0), 159.04, 0.01);
        near(bt2390(1000.0, 1000.0, 203.0), 203.0, 1e-6);
        near(bt2390(4000.0, 1000.0, 203.0), 203.0, 1e-6);
        near(bt2390(90.0, 100.0, 203.0), 90.0, 1e-9);
    }
}
