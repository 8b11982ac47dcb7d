//! Sound, supply and quality over time.

use super::pieces::{curve, draw, figure, section};
use super::text::escape;
use super::{Findings, Level, Measured, Plot, ReportError};

/// What was done to the sound, as the reel's note says it.
fn sound_done(note: &str) -> String {
    use serde_json::Value;
    let Ok(note) = serde_json::from_str::<Value>(note) else {
        return String::new();
    };
    let steps = note["sound"]["steps"].as_array();
    let steps = steps.into_iter().flatten().filter_map(Value::as_str);
    let mut items: Vec<String> = steps.map(str::to_owned).collect();
    let levels = &note["sound_levels"];
    if let (Some(gain), Some(before)) = (
        levels["gain_db"].as_f64(),
        levels["loudness_before_lufs"].as_f64(),
    ) {
        items.push(format!(
            "gain {gain:+.1} dB from {before:.1} LUFS (measured before the conversion)"
        ));
    }
    if items.is_empty() {
        return String::new();
    }
    format!(
        "<p>Sound processing in the conversion: {}.</p>\n",
        escape(&items.join("; "))
    )
}

/// The speaker in its box, and the supply with and without its high-pass.
pub(super) fn speaker(findings: &Findings<'_>) -> Result<String, ReportError> {
    let Some(found) = &findings.speaker else {
        return Ok(String::new());
    };
    let mut content = figure(&found.chart, &found.box_words);
    let mut plot = Plot::new("mA");
    let names = ["without high-pass", "with the high-pass"];
    for (name, over_time) in names.into_iter().zip(&found.current) {
        plot.curves.push(curve(name, &over_time.points, 1.0));
    }
    content += &draw(
        &plot,
        "Supply current of the amplifier: the highest 5 ms mean in each step, computed from the reel's samples at the strapped gain.",
    )?;
    let items = found.supply.iter();
    let items: String = items
        .map(|text| format!("<li>{}</li>\n", escape(text)))
        .collect();
    content += &format!("<ul>\n{items}</ul>\n");
    Ok(section("Speaker, supply and heat", &content))
}

pub(super) fn sound(measured: &Measured, note: &str) -> Result<String, ReportError> {
    let mut content = String::new();
    if measured.integrated.is_some() {
        content += &sound_done(note);
    }
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
            "Momentary loudness (400 ms) and integrated loudness of the mono channel (ITU-R BS.1770, EBU R 128; measured).{peak}"
        );
        content += &draw(&plot, &caption)?;
    }
    if !measured.current.is_empty() {
        let mut plot = Plot::new("mA");
        plot.curves
            .push(curve("from the source", &measured.current, 1.0));
        content += &draw(
            &plot,
            "Current from the power source, computed from the sound's power, the amplifier and the mean load of the other parts.",
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
            "PSNR of the decoded frames against the clip scaled to the panel (measured).",
        )?,
        draw(
            &ssim,
            "SSIM of the same frames (measured); 1 means identical.",
        )?,
    ];
    Ok(section("Quality over time", &content.concat()))
}
