//! Result of a conversion.

use std::path::{Path, PathBuf};

use serde::{Serialize, Serializer};

use super::heard::Heard;
use super::verdict::LinkVerdict;
use crate::picture::flash::{FlashKind, FlashWarning};
use crate::sound::phase::OCTAVES;
use crate::sound::{SoundPlan, SoundReport};
use crate::source::Damage;

/// What a conversion made.
#[derive(Clone, Debug, Serialize)]
pub struct Outcome {
    /// The clip.
    #[serde(serialize_with = "shown")]
    pub source: PathBuf,
    /// The reel.
    #[serde(serialize_with = "shown")]
    pub output: PathBuf,
    /// The files of the reel: one, or its parts.
    #[serde(serialize_with = "all_shown")]
    pub files: Vec<PathBuf>,
    /// Bytes of the reel.
    pub bytes: u64,
    /// Length of the reel in seconds.
    pub seconds: f64,
    /// Width of the pictures, as the panel's memory is addressed.
    pub width: u16,
    /// Height of the pictures, as the panel's memory is addressed.
    pub height: u16,
    /// Frames per second.
    pub rate: f64,
    /// Pictures in the reel.
    pub pictures: u32,
    /// Those of them that cost nothing.
    pub pictures_unchanged: u64,
    /// Pictures decoded from the clip.
    pub source_pictures: u64,
    /// Unevenness of motion, root mean square in milliseconds, measured.
    pub judder_ms: f64,
    /// Parts that flash more than three times in a second.
    pub flashes: Vec<Flash>,
    /// Picture coding.
    pub coding: &'static str,
    /// Samples per second; none without sound.
    pub sound_rate: Option<u32>,
    /// Mean bytes per second, computed from the reel.
    pub mean_rate: u32,
    /// Most bytes in any second, computed from the reel.
    pub worst_rate: u32,
    /// Largest chunk in bytes.
    pub largest_chunk: u32,
    /// Bytes to have before play starts, computed from the reel.
    pub prebuffer: u32,
    /// What could not be decoded.
    pub damage: DamageCount,
    /// What was done to the sound.
    pub sound: Option<SoundDone>,
    /// Listening copies of the sound, where they were asked for.
    #[serde(serialize_with = "all_shown")]
    pub previews: Vec<PathBuf>,
    /// What the maker should know.
    pub advice: Vec<String>,
    /// Whether it plays on the board, link by link.
    pub plays: Vec<LinkVerdict>,
    /// Where the time went.
    pub timings: Timings,
}

/// A name in words: JSON holds no other bytes than UTF-8.
fn shown<S: Serializer>(path: &Path, to: S) -> Result<S::Ok, S::Error> {
    to.collect_str(&path.display())
}

fn all_shown<S: Serializer>(paths: &[PathBuf], to: S) -> Result<S::Ok, S::Error> {
    to.collect_seq(paths.iter().map(|path| path.display().to_string()))
}

/// What was done to the sound, measured.
#[derive(Clone, Debug, Serialize)]
pub struct SoundDone {
    /// What was done, step by step, in words.
    pub steps: Vec<String>,
    /// Integrated loudness of the shaped sound before any gain, LUFS, where
    /// the plan needed it.
    pub loudness_before: Option<f64>,
    /// Gain towards the target, dB.
    pub gain_db: f64,
    /// Integrated loudness of the reel's sound as a player decodes it, LUFS; none
    /// for silence. So are the four figures below.
    pub loudness_after: Option<f64>,
    /// True peak of the reel's sound, dBTP; none for silence.
    pub true_peak: Option<f64>,
    /// Loudness range of the reel's sound, LU (EBU Tech 3342).
    pub loudness_range: Option<f64>,
    /// Loudest three seconds, LUFS.
    pub short_term: Option<f64>,
    /// Loudest 400 ms, LUFS.
    pub momentary: Option<f64>,
    /// Noise that the sound coding adds, root mean square in dBFS; none where
    /// it adds nothing.
    pub coding_noise: Option<f64>,
    /// Whether the loudness target was reached; true without one.
    pub reached: bool,
    /// Most that the true-peak limiter turned down, dB.
    pub limited_db: f64,
    /// Share of the samples that it turned down by more than 0.1 dB.
    pub limited_share: f64,
    /// Most that the limit of the speaker's rated power turned down, dB.
    pub power_limited_db: Option<f64>,
    /// What the sum to mono loses in each octave that can be judged: centre in
    /// Hz and dB against equal sound in left and right.
    pub mono_loss: Vec<(f64, f64)>,
}

impl SoundDone {
    /// What the stage did, its levels being those behind the coding, and what was
    /// heard there.
    pub(super) fn of(report: &SoundReport, plan: &SoundPlan, heard: Option<Heard>) -> Self {
        let finite = |v: f64| Some(v).filter(|v| v.is_finite());
        let after = report.after;
        Self {
            steps: plan.steps(),
            loudness_before: report.before.and_then(|b| finite(b.integrated)),
            gain_db: report.gain_db,
            loudness_after: finite(after.integrated),
            true_peak: finite(after.true_peak),
            loudness_range: finite(after.range),
            short_term: finite(after.short_term),
            momentary: finite(after.momentary),
            coding_noise: heard.and_then(|heard| heard.noise_dbfs),
            reached: report.reached,
            limited_db: report.peak.most_db,
            limited_share: report.peak.share,
            power_limited_db: report.power.map(|work| work.most_db),
            mono_loss: report.phase.map_or_else(Vec::new, |loss| {
                let judged = OCTAVES.into_iter().zip(loss.octaves);
                judged.filter_map(|(hz, db)| Some((hz, db?))).collect()
            }),
        }
    }

    /// In words: what was done, and what came of it in dB.
    #[must_use]
    pub fn sentences(&self) -> [String; 2] {
        let levels = match (self.loudness_before, self.loudness_after) {
            (Some(before), Some(after)) => format!("{before:.1} to {after:.1} LUFS"),
            (None, Some(after)) => format!("{after:.1} LUFS"),
            // BS.1770 needs blocks of 0.4 s above -70 LUFS.
            _ if self.true_peak.is_some() => "too short or soft for a loudness".to_owned(),
            _ => "silence".to_owned(),
        };
        let mut parts = vec![levels, format!("gain {:+.1} dB", self.gain_db)];
        // Less cannot be heard.
        let told = |db: &f64| *db >= 0.05;
        parts.extend(Some(self.limited_db).filter(told).map(|db| {
            format!(
                "limiter took {db:.1} dB at most, in {:.1} % of the time",
                100.0 * self.limited_share
            )
        }));
        let power = self.power_limited_db.filter(told);
        parts.extend(power.map(|db| format!("limit of rated power took {db:.1} dB at most")));
        let figures = [
            (self.true_peak, "true peak", "dBTP"),
            (self.loudness_range, "range", "LU"),
            (self.coding_noise, "noise of the coding", "dBFS"),
        ];
        for (value, name, unit) in figures {
            parts.extend(value.map(|v| format!("{name} {v:.1} {unit}")));
        }
        [
            self.steps.join("; "),
            format!("{} (measured after the sound coding)", parts.join(", ")),
        ]
    }
}

/// A part of the reel that flashes more than WCAG 2.3.1 allows.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Flash {
    /// `general` or `red`.
    pub kind: &'static str,
    /// Start in seconds.
    pub from: f64,
    /// End in seconds.
    pub to: f64,
}

impl From<FlashWarning> for Flash {
    fn from(warning: FlashWarning) -> Self {
        Self {
            kind: match warning.kind {
                FlashKind::General => "general",
                FlashKind::Red => "red",
            },
            from: warning.from.0 as f64 / 1e9,
            to: warning.to.0 as f64 / 1e9,
        }
    }
}

impl Flash {
    /// In words.
    #[must_use]
    pub fn sentence(&self) -> String {
        format!(
            "more than three {} flashes in a second from {:.2} to {:.2} s (WCAG 2.3.1), which can \
             bring on seizures: leave that part out or soften it, and warn those who look",
            self.kind, self.from, self.to
        )
    }
}

/// [`Damage`] as it is printed.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct DamageCount {
    /// Damaged packets.
    pub packets: u64,
    /// Pictures with concealed parts.
    pub pictures_concealed: u64,
    /// Pictures left out.
    pub pictures_undecodable: u64,
    /// Holes and jumps in time.
    pub time_jumps: u64,
}

impl From<Damage> for DamageCount {
    fn from(damage: Damage) -> Self {
        Self {
            packets: damage.packets,
            pictures_concealed: damage.pictures_concealed,
            pictures_undecodable: damage.pictures_undecodable,
            time_jumps: damage.time_jumps,
        }
    }
}

impl DamageCount {
    /// In words, if there is anything to say.
    #[must_use]
    pub fn sentence(&self) -> Option<String> {
        let parts = [
            (self.packets, "damaged packet", "skipped"),
            (
                self.pictures_concealed,
                "picture",
                "shown with mended parts",
            ),
            (self.pictures_undecodable, "undecodable picture", "left out"),
            (self.time_jumps, "jump in time", "bridged"),
        ];
        let told: Vec<_> = parts
            .iter()
            .filter(|p| p.0 > 0)
            .map(|(n, what, done)| format!("{n} {what}{} {done}", if *n == 1 { "" } else { "s" }))
            .collect();
        (!told.is_empty()).then(|| told.join(", "))
    }
}

/// Seconds spent in each stage, measured. Stages run side by side: they do not
/// add up to the whole. `decode` includes waits for the decoder's own threads.
#[derive(Clone, Copy, Debug, Default, Serialize)]
pub struct Timings {
    /// First passes over the sound, for its loudness.
    pub measure: f64,
    /// Demuxing, decoding, choosing pictures.
    pub decode: f64,
    /// Scaling, colour, dither.
    pub picture: f64,
    /// Downmix, resampling, shaping.
    pub sound: f64,
    /// Picture coding.
    pub encode: f64,
    /// Sound coding, cutting, writing.
    pub write: f64,
    /// From start to the finished file.
    pub whole: f64,
}
