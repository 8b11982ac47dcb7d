//! Sound, supply and quality over time.

use super::pieces::{draw, folded, list};
use super::{Findings, Measured};
use crate::chart::{Axis, Level, Plot, escape};

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
pub(super) fn speaker(findings: &Findings<'_>) -> String {
    let Some(found) = &findings.speaker else {
        return String::new();
    };
    let [plain, cut] = &found.current;
    let plot = Plot::over_time("Supply current of the amplifier", "mA")
        .with("without high-pass", plain.points.clone())
        .with("with the high-pass", cut.points.clone());
    let content = [
        draw(&found.chart, &found.box_words),
        draw(
            &[plot],
            "The highest 5 ms mean in each step, computed from the reel's samples at the strapped gain.",
        ),
        list("plain", &found.supply),
    ];
    folded("Speaker, supply and heat", &content.concat())
}

/// Silence has no loudness: below the absolute gate of ITU-R BS.1770 nothing is drawn.
const GATE_LUFS: f64 = -70.0;

pub(super) fn sound(measured: &Measured, note: &str) -> String {
    let mut content = String::new();
    if measured.integrated.is_some() {
        content += &sound_done(note);
    }
    if let Some(integrated) = measured
        .integrated
        .filter(|_| !measured.loudness.is_empty())
    {
        let gated = |(at, v): &(f64, f64)| (*at, if *v > GATE_LUFS { *v } else { f64::NAN });
        let loudness = measured.loudness.iter().map(gated).collect();
        let mut plot = Plot::over_time("Loudness", "LUFS").with("momentary (400 ms)", loudness);
        // A level of 0 LUFS is no more an end than any other; steady sound is a flat line.
        let tens = |v: f64| (v / 10.0).floor() * 10.0;
        let shown = || {
            let levels = measured.loudness.iter().map(|(_, v)| *v);
            levels.filter(|v| *v > GATE_LUFS).chain([integrated])
        };
        let least = shown().fold(f64::INFINITY, f64::min);
        let most = shown().fold(f64::NEG_INFINITY, f64::max);
        plot.up = plot.up.between(tens(least), tens(most) + 10.0);
        plot.levels.push(Level {
            name: format!("whole {integrated:.1} LUFS"),
            value: integrated,
        });
        let peak = measured.true_peak.map_or_else(String::new, |peak| {
            format!(" The highest true peak is {peak:.1} dBTP.")
        });
        let caption = format!(
            "Momentary and integrated loudness of the mono channel (ITU-R BS.1770, EBU R 128; measured); nothing is drawn in silence, below -70 LUFS.{peak}"
        );
        content += &draw(&[plot], &caption);
    }
    if !measured.current.is_empty() {
        let plot =
            Plot::over_time("Current", "mA").with("from the source", measured.current.clone());
        content += &draw(
            &[plot],
            "Current from the power source, computed from the sound's power, the amplifier and the mean load of the other parts.",
        );
    }
    if content.is_empty() {
        return String::new();
    }
    folded("Sound and current over time", &content)
}

pub(super) fn quality(findings: &Findings<'_>) -> String {
    let Some(scores) = &findings.quality else {
        let words = "<p class=\"quiet\">Not compared: give the clip with --clip to see how near each picture comes to it.</p>\n";
        return folded("Quality over time", words);
    };
    let points = |of: fn(&super::Quality) -> f64| -> Vec<(f64, f64)> {
        scores.iter().map(|s| (s.seconds, of(s))).collect()
    };
    let equal = scores.iter().filter(|s| !s.psnr.is_finite()).count();
    let tens = |v: f64| (v / 10.0).floor() * 10.0;
    let finite = || scores.iter().map(|s| s.psnr).filter(|v| v.is_finite());
    let mut psnr = Plot::over_time("PSNR", "dB").with("PSNR", points(|s| s.psnr));
    if equal < scores.len() {
        let (least, most) = (
            finite().fold(f64::MAX, f64::min),
            finite().fold(0.0, f64::max),
        );
        psnr.up = Axis::new("dB").between(tens(least), tens(most) + 10.0);
    }
    let least = scores.iter().map(|s| s.ssim).fold(1.0, f64::min);
    let mut ssim = Plot::over_time("SSIM", "1 means identical").with("SSIM", points(|s| s.ssim));
    ssim.up = ssim.up.between(((least - 0.05) * 10.0).floor() / 10.0, 1.0);
    let equal = match equal {
        0 => String::new(),
        n => format!(
            " {n} frames are identical to the clip's: their PSNR is infinite and not drawn."
        ),
    };
    let caption = format!(
        "PSNR and SSIM of the decoded frames against the clip scaled to the panel (measured).{equal}"
    );
    folded("Quality over time", &draw(&[psnr, ssim], &caption))
}
