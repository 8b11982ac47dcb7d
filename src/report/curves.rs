//! Sound, current and quality over time.

use super::html::{curve, draw, section};
use super::{Findings, Level, Measured, Plot, ReportError};

pub(super) fn sound(measured: &Measured) -> Result<String, ReportError> {
    let mut content = String::new();
    if let Some(integrated) = measured
        .integrated
        .filter(|_| !measured.loudness.is_empty())
    {
        let mut plot = Plot::new("LUFS");
        plot.curves
            .push(curve("momentary", &measured.loudness, 1.0));
        plot.levels.push(Level {
            name: format!("whole {integrated:.1} LUFS"),
            value: integrated,
        });
        plot.range = Some((-60.0, 0.0));
        let peak = measured.true_peak.map_or_else(String::new, |peak| {
            format!(" The highest true peak is {peak:.1} dBTP.")
        });
        let caption = format!(
            "Loudness over 400 ms, and of the whole, of the one channel (ITU-R BS.1770, EBU R 128).{peak}"
        );
        content += &draw(&plot, &caption)?;
    }
    if !measured.current.is_empty() {
        let mut plot = Plot::new("mA");
        plot.curves
            .push(curve("from the source", &measured.current, 1.0));
        content += &draw(
            &plot,
            "Current from the source, computed from the sound's power, the amplifier and the mean work of the other parts.",
        )?;
    }
    if content.is_empty() {
        return Ok(String::new());
    }
    Ok(section("Sound and current over time", &content))
}

pub(super) fn quality(findings: &Findings<'_>) -> Result<String, ReportError> {
    let Some(scores) = &findings.quality else {
        let words = "<p class=\"quiet\">Not compared: give the clip with --clip to see how near each picture comes to it.</p>\n";
        return Ok(section("Quality over time", words));
    };
    let points = |of: fn(&super::Quality) -> f64| -> Vec<(f64, f64)> {
        scores.iter().map(|s| (s.seconds, of(s))).collect()
    };
    let mut psnr = Plot::new("dB");
    // Equal pictures have no finite figure; 60 dB is beyond what 16 bits hold.
    psnr.curves
        .push(curve("PSNR", &points(|s| s.psnr.min(60.0)), 1.0));
    psnr.range = Some((15.0, 60.0));
    let mut ssim = Plot::new("SSIM");
    ssim.curves.push(curve("SSIM", &points(|s| s.ssim), 1.0));
    let least = scores.iter().map(|s| s.ssim).fold(1.0, f64::min);
    ssim.range = Some(((least - 0.05).clamp(0.0, 0.9), 1.0));
    let content = [
        draw(
            &psnr,
            "Peak signal-to-noise ratio of what the panel shows against the clip at the panel's size.",
        )?,
        draw(
            &ssim,
            "Structural similarity (Wang et al. 2004) of the same; 1 is equal.",
        )?,
    ];
    Ok(section("Quality over time", &content.concat()))
}
