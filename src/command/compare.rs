//! `thumbreel compare`: a reel against its clip.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context, Result};
use serde_json::json;

use super::bars::Bars;
use super::nature::is_reel;
use super::out::say;
use super::show::{count, typed};
use super::values;
use crate::convert::compare::{Comparison, Pair, Score, Terms, compare};
use crate::convert::compare_sound;
use crate::export::upright;
use crate::files::{Destination, Kind, publish_all};
use crate::picture::Image;
use crate::reel::ReelFile;
use crate::sound::SoundScore;
use crate::units::Nanos;

/// Compare a reel with its source clip: PSNR and SSIM, and the sound's noise
///
/// Compares each decoded frame with the source frame, scaled by the reel's own
/// settings but in full colour. For the whole clip, PSNR is computed from the
/// mean squared error; SSIM is the mean. The sound is compared before and behind
/// its coding: signal-to-noise ratio, and noise-to-mask ratio by the ear model of
/// ITU-R BS.1387, of the whole and of its worst quarter of a second.
#[derive(clap::Args)]
pub(crate) struct Args {
    /// The reel
    #[arg(value_name = "REEL")]
    reel: PathBuf,
    /// The source clip
    #[arg(value_name = "CLIP")]
    clip: PathBuf,
    /// Time of the clip at which the reel begins [default: the reel's own]
    #[arg(long, value_name = "TIME", value_parser = values::time)]
    clip_from: Option<Nanos>,
    /// Print every frame
    #[arg(long)]
    each: bool,
    /// Number of worst moments to print, at least one second apart
    #[arg(long, value_name = "N", default_value_t = 3, value_parser = values::whole::<u16>(0, 100), allow_negative_numbers = true)]
    worst: u16,
    /// Write a PNG per worst moment: clip, panel, and their difference times four
    #[arg(long, value_name = "FOLDER")]
    strips: Option<PathBuf>,
    /// Replace existing strips
    #[arg(long)]
    overwrite: bool,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
    /// Decoder threads [default: two per core and two more]
    #[arg(long, value_name = "N", default_value_t = 0, value_parser = values::whole::<usize>(0, 256), allow_negative_numbers = true, hide_default_value = true)]
    threads: usize,
}

pub(crate) fn run(args: Args) -> Result<ExitCode> {
    if is_reel(&args.clip) && !is_reel(&args.reel) {
        let text = format!(
            "{} is the reel, which comes first: thumbreel compare {} {}",
            args.clip.display(),
            typed(&args.clip),
            typed(&args.reel)
        );
        return Err(super::Usage(text).into());
    }
    super::nature::reel(&args.reel)?;
    super::nature::source(&args.clip)?;
    let mut worst = Worst {
        most: args.worst.into(),
        keep_pictures: args.strips.is_some(),
        moments: Vec::new(),
    };
    let mut all = Vec::new();
    let terms = Terms {
        threads: args.threads,
        from: args.clip_from,
    };
    let whole = seconds(&args.reel)?;
    let task = Bars::new(args.json).task("comparing");
    let found = compare(&args.reel, &args.clip, terms, |score, pair| {
        task.at(score.seconds / whole);
        worst.look(score, pair);
        match (args.each, args.json) {
            (true, true) => all.push(score_json(score)),
            (true, false) => say!("{}", score_text(score)),
            _ => {}
        }
    })?;
    task.close();
    let sound = compare_sound(&args.reel, &args.clip, terms)?;
    let strips = match &args.strips {
        Some(folder) => write_strips(&args, folder, &worst.moments)?,
        None => Vec::new(),
    };
    if args.json {
        print_json(&args, &found, sound, &worst, &all, &strips);
    } else {
        print_text(&args, &found, sound, &worst, &strips);
    }
    Ok(ExitCode::SUCCESS)
}

/// Length of a reel, as far as it states it.
fn seconds(reel: &Path) -> Result<f64> {
    let file = ReelFile::open(reel).with_context(|| reel.display().to_string())?;
    let header = file.header();
    Ok((header.duration as f64 / f64::from(header.clock_rate)).max(1e-3))
}

/// The worst pictures so far, at least a second apart.
struct Worst {
    most: usize,
    keep_pictures: bool,
    moments: Vec<Moment>,
}

struct Moment {
    score: Score,
    strip: Option<Image>,
}

impl Worst {
    fn look(&mut self, score: &Score, pair: &Pair<'_>) {
        let near = |m: &Moment| (m.score.seconds - score.seconds).abs() < 1.0;
        let full = self.moments.len() >= self.most;
        let beaten = match self.moments.iter().find(|m| near(m)) {
            Some(near) => near.score.ssim <= score.ssim,
            None => full && self.moments.iter().all(|m| m.score.ssim <= score.ssim),
        };
        if beaten || self.most == 0 {
            return;
        }
        self.moments.retain(|m| !near(m));
        let strip = self.keep_pictures.then(|| strip(pair));
        self.moments.push(Moment {
            score: *score,
            strip,
        });
        self.moments
            .sort_by(|a, b| a.score.ssim.total_cmp(&b.score.ssim));
        self.moments.truncate(self.most);
    }
}

/// Clip, panel and difference side by side, as the viewer sees them; no
/// difference is mid grey.
fn strip(pair: &Pair<'_>) -> Image {
    let differ = |(&source, &panel): (&u8, &u8)| {
        (128 + 4 * (i32::from(panel) - i32::from(source))).clamp(0, 255) as u8
    };
    let difference: Vec<u8> = pair.source.iter().zip(pair.panel).map(differ).collect();
    let views = [pair.source, pair.panel, &difference].map(|pixels| {
        let pixel = |x: u32, y: u32| {
            let at = (y as usize * usize::from(pair.width) + x as usize) * 3;
            [pixels[at], pixels[at + 1], pixels[at + 2]]
        };
        let view = Image::from_fn(pair.width.into(), pair.height.into(), pixel);
        upright(pair.mounting, view)
    });
    let (w, h) = views[0].size();
    Image::from_fn(3 * w, h, |x, y| views[(x / w) as usize].pixel(x % w, y))
}

fn write_strips(args: &Args, folder: &Path, moments: &[Moment]) -> Result<Vec<PathBuf>> {
    super::out::folder(folder)?;
    let mut drafts = Vec::new();
    for moment in moments {
        let Some(strip) = &moment.strip else { continue };
        let path = folder.join(format!("picture-{:06}.png", moment.score.number));
        let to = Destination::new(path, Kind::Picture)
            .overwrite(args.overwrite)
            .apart_from([&args.reel, &args.clip]);
        let draft = to.begin()?;
        crate::export::save_to(strip, &draft)?;
        drafts.push(draft);
    }
    let written = drafts.iter().map(|draft| draft.path().into()).collect();
    publish_all(drafts)?;
    Ok(written)
}

fn score_text(score: &Score) -> String {
    format!(
        "picture {:6} at {:9.3} s: PSNR {:6.2} dB, SSIM {:.4}",
        score.number, score.seconds, score.psnr, score.ssim
    )
}

fn print_text(
    args: &Args,
    found: &Comparison,
    sound: Option<SoundScore>,
    worst: &Worst,
    strips: &[PathBuf],
) {
    say!(
        "{} against {}: {}",
        args.reel.display(),
        args.clip.display(),
        count(found.pictures, "picture"),
    );
    for (name, mean, lowest, unit, places) in [
        ("PSNR", found.psnr, found.lowest_psnr, " dB", 2),
        ("SSIM", found.ssim, found.lowest_ssim, "", 4),
    ] {
        say!("  {name} {mean:.places$}{unit} (lowest {lowest:.places$})");
    }
    if let Some(sound) = sound {
        say!("  {}", sound_text(&sound));
    }
    if found.missing > 0 {
        say!(
            "  {} pictures of the clip are not in the reel",
            found.missing
        );
    }
    if found.beyond > 0 {
        say!(
            "  note: the clip ends before the reel, so {} of the reel's pictures were not compared",
            found.beyond
        );
    }
    if found.text {
        say!("  note: the reel has text burnt in, which counts as a difference");
    }
    if !worst.moments.is_empty() {
        say!("worst moments:");
    }
    for moment in &worst.moments {
        say!("  {}", score_text(&moment.score));
    }
    for path in strips {
        say!("wrote {}", path.display());
    }
}

fn sound_text(sound: &SoundScore) -> String {
    if sound.snr.is_infinite() {
        return "sound as before its coding, every sample".to_owned();
    }
    format!(
        "sound: SNR {:.1} dB, noise to mask {:.1} dB (worst {:.1} at {:.2} s; below 0 it is hidden)",
        sound.snr, sound.noise_to_mask, sound.worst, sound.worst_at
    )
}

/// Of equal sounds all figures are null.
fn sound_json(sound: &SoundScore) -> serde_json::Value {
    json!({
        "samples": sound.samples,
        "snr_db": finite(sound.snr),
        "noise_to_mask_db": finite(sound.noise_to_mask),
        "worst_noise_to_mask_db": finite(sound.worst),
        "worst_seconds": sound.snr.is_finite().then_some(sound.worst_at),
    })
}

/// JSON knows no infinity: equal pictures have PSNR null.
fn score_json(score: &Score) -> serde_json::Value {
    json!({
        "picture": score.number,
        "seconds": score.seconds,
        "psnr": finite(score.psnr),
        "ssim": score.ssim,
    })
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

fn print_json(
    args: &Args,
    found: &Comparison,
    sound: Option<SoundScore>,
    worst: &Worst,
    all: &[serde_json::Value],
    strips: &[PathBuf],
) {
    let moments: Vec<_> = worst.moments.iter().map(|m| score_json(&m.score)).collect();
    let mut result = json!({
        "reel": args.reel.display().to_string(),
        "clip": args.clip.display().to_string(),
        "pictures": found.pictures,
        "missing": found.missing,
        "beyond": found.beyond,
        "text": found.text,
        "psnr": finite(found.psnr),
        "ssim": found.ssim,
        "lowest_psnr": finite(found.lowest_psnr),
        "lowest_ssim": found.lowest_ssim,
        "sound": sound.as_ref().map(sound_json),
        "worst": moments,
        "strips": strips.iter().map(|p| p.display().to_string()).collect::<Vec<_>>(),
    });
    if args.each {
        result["each"] = all.into();
    }
    super::out::json(&result.to_string());
}
