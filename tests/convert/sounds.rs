//! Sound from end to end: level, pitch, and step with the pictures.

use std::path::Path;

use thumbreel::convert::compare::Terms;
use thumbreel::convert::{Choices, ConvertError, compare_sound};
use thumbreel::sound::{DynamicRange, SoundCoding};
use thumbreel::source::SoundChoice;
use thumbreel::units::Nanos;

use crate::common::media::{ffmpeg, folder, frequency};
use crate::common::played::{Played, play, play_some};
use crate::{choices, convert, rate, try_convert};

fn heard(clip: &Path, change: impl FnOnce(&mut Choices)) -> Played {
    let reel = clip.with_extension("tbr");
    let choices = choices(|c| {
        c.size = Some((32, 24));
        c.overwrite = true;
        change(c);
    });
    convert(&choices, clip, &reel);
    play(&reel)
}

/// Level of a sine in dB below a full-scale one.
fn level(samples: &[f32]) -> f64 {
    let power: f64 = samples.iter().map(|s| f64::from(*s).powi(2)).sum();
    10.0 * (2.0 * power / samples.len() as f64).log10()
}

#[test]
fn a_tone_keeps_its_pitch_and_level() {
    let folder = folder();
    // -12 dBFS: 10^(-12/20).
    let tone = "0.251189*sin(2*PI*1000*t)";
    for (channels, codec, rate_in, name) in [
        (tone.to_owned(), "pcm_f32le", 48_000, "mono.mkv"),
        (format!("{tone}|{tone}"), "pcm_s16le", 44_100, "stereo.mkv"),
        (
            format!("{tone}|{tone}"),
            "aac -b:a 256k",
            48_000,
            "stereo.mp4",
        ),
    ] {
        ffmpeg(
            folder.path(),
            &format!(
                "-f lavfi -i testsrc2=s=32x24:r=10:d=4 -f lavfi -i 'aevalsrc={channels}:s={rate_in}:d=4' \
                 -c:v mpeg4 -c:a {codec} {name}"
            ),
        );
        for sound_rate in [16_000, 22_050, 24_000, 48_000] {
            let played = heard(&folder.path().join(name), |c| {
                c.sound_rate = Some(sound_rate)
            });
            assert_eq!(played.header.clock_rate, sound_rate);
            let samples = played.float_samples();
            let middle = &samples[samples.len() / 4..samples.len() * 3 / 4];
            let pitch = frequency(middle, f64::from(sound_rate));
            assert!(
                (pitch - 1000.0).abs() < 1.0,
                "{name} at {sound_rate}: {pitch} Hz"
            );
            let db = level(middle);
            assert!((db + 12.0).abs() < 0.1, "{name} at {sound_rate}: {db} dBFS");
        }
    }
}

#[test]
fn every_sound_coding_keeps_the_level() {
    let folder = folder();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=32x24:r=10:d=4 -f lavfi -i 'aevalsrc=0.251189*sin(2*PI*1000*t):s=48000:d=4' \
         -c:v mpeg4 -c:a flac a.mkv",
    );
    for coding in [SoundCoding::Pcm16, SoundCoding::Pcm8, SoundCoding::Adpcm] {
        let played = heard(&folder.path().join("a.mkv"), |c| c.sound_coding = coding);
        let samples = played.float_samples();
        assert!((samples.len() as f64 - 4.0 * 24_000.0).abs() < 2.0);
        let db = level(&samples[24_000..72_000]);
        assert!((db + 12.0).abs() < 0.1, "{coding:?}: {db}");
    }
}

#[test]
fn a_loudness_target_is_met_and_told() {
    let folder = folder();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=32x24:r=10:d=8 -f lavfi -i 'aevalsrc=0.05*sin(2*PI*997*t):s=48000:d=8' \
         -c:v mpeg4 -c:a flac a.mkv",
    );
    let clip = folder.path().join("a.mkv");
    let reel = folder.path().join("a.tbr");
    let choices = choices(|c| {
        c.size = Some((32, 24));
        c.shaping.loudness = Some(-20.0);
    });
    let outcome = convert(&choices, &clip, &reel);
    let sound = outcome.sound.unwrap();
    assert!(
        (sound.loudness_after.unwrap() + 20.0).abs() < 0.5,
        "{sound:?}"
    );
    // 997 Hz at full scale in one channel is -3.01 LKFS (ITU-R BS.1770-4).
    let samples = play(&reel).float_samples();
    let db = level(&samples[48_000..144_000]);
    assert!((db - (-20.0 + 3.01)).abs() < 0.3, "{db}");
}

/// The clip's side is made anew from the note: of a coding that loses nothing not one
/// sample may differ, whatever was done to the sound. Of another, the figures must be
/// those of the two reels' samples.
#[test]
fn sound_is_compared_with_what_was_coded() {
    let folder = folder();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=32x24:r=10:d=5 \
         -f lavfi -i 'aevalsrc=0.3*sin(2*PI*330*t)*abs(sin(5*t))|0.2*sin(2*PI*(200+900*t)*t):s=44100:d=5' \
         -c:v mpeg4 -c:a flac a.mkv",
    );
    let clip = folder.path().join("a.mkv");
    let reel = clip.with_extension("tbr");
    let compared = || compare_sound(&reel, &clip, Terms::default()).unwrap();
    let shaped = |c: &mut Choices| {
        c.shaping.loudness = Some(-14.0);
        c.shaping.high_pass = Some(300.0);
        c.shaping.virtual_bass = Some(-3.0);
        c.shaping.high_shelf = Some(2.0);
        c.shaping.dynamic_range = DynamicRange::Night;
        c.from = Nanos(700_000_000);
        c.length = Some(Nanos(3_000_000_000));
    };
    let plain = heard(&clip, shaped);
    let found = compared().expect("there is sound");
    assert_eq!(found.snr, f64::INFINITY, "{found:?}");
    assert!(
        found.samples as usize > plain.samples.len() - 24,
        "{found:?}"
    );
    let coded = heard(&clip, |c| {
        shaped(c);
        c.sound_coding = SoundCoding::Adpcm;
    });
    let found = compared().expect("there is sound");
    let pairs = plain.samples.iter().zip(&coded.samples);
    let error: f64 = pairs
        .map(|(a, b)| (f64::from(*a) - f64::from(*b)).powi(2))
        .sum();
    let signal: f64 = plain.samples.iter().map(|a| f64::from(*a).powi(2)).sum();
    let snr = 10.0 * (signal / error).log10();
    assert!((found.snr - snr).abs() < 0.05, "{found:?}, {snr} dB");
    assert!((-40.0..20.0).contains(&found.noise_to_mask), "{found:?}");
    assert!(found.worst > found.noise_to_mask, "{found:?}");
    heard(&clip, |c| c.sound = SoundChoice::Silent);
    assert!(compared().is_none());
}

/// Ten minutes with a flash and a click together every ten seconds.
#[test]
fn picture_and_sound_stay_in_step_for_ten_minutes() {
    let folder = folder();
    let flash =
        "color=black:s=32x24:r=30000/1001:d=600,drawbox=c=white:t=fill:enable=lt(mod(n\\,300)\\,2)";
    // 300 pictures of 30000/1001 last 10.01 s.
    let click = "if(lt(mod(t\\,10.01)\\,0.01)\\,0.8*sin(2*PI*2000*t)\\,0)";
    for (how, name) in [
        ("-c:v libx264 -preset ultrafast -c:a aac", "a.mp4"),
        (
            "-c:v mpeg2video -c:a mp2 -output_ts_offset 5000 -muxdelay 0",
            "a.ts",
        ),
    ] {
        ffmpeg(
            folder.path(),
            &format!(
                "-f lavfi -i '{flash}' -f lavfi -i 'aevalsrc={click}:s=48000:d=600' {how} {name}"
            ),
        );
        let clip = folder.path().join(name);
        let reel = folder.path().join("a.tbr");
        let choices = choices(|c| {
            c.size = Some((32, 24));
            c.rate = rate(30_000, 1001);
            c.overwrite = true;
        });
        convert(&choices, &clip, &reel);
        let played = play_some(&reel, |_| true);
        let mut clicks = onsets(&played);
        let mut flashes = Vec::new();
        let bright = |pixels: &[u16]| pixels[12 * 32 + 16] >> 11 > 15;
        let mut before = false;
        for (tick, pixels) in &played.pictures {
            let now = bright(pixels);
            if now && !before {
                flashes.push(played.seconds(*tick));
            }
            before = now;
        }
        assert_eq!(flashes.len(), 60, "{name}: {flashes:?}");
        clicks.truncate(60);
        assert_eq!(clicks.len(), 60, "{name}: {clicks:?}");
        for (n, (flash, click)) in flashes.iter().zip(&clicks).enumerate() {
            // Within one picture of 33.4 ms, and without drift.
            let off = flash - click;
            assert!(
                off.abs() < 0.0334,
                "{name}: flash {n} at {flash}, click at {click}"
            );
        }
        let drift = (flashes[59] - clicks[59]) - (flashes[1] - clicks[1]);
        assert!(drift.abs() < 0.002, "{name}: {drift} s in ten minutes");
    }
}

fn onsets(played: &Played) -> Vec<f64> {
    let samples = played.float_samples();
    let mut found: Vec<f64> = Vec::new();
    for (n, sample) in samples.iter().enumerate() {
        let time = played.seconds(n as u64);
        if sample.abs() > 0.25 && found.last().is_none_or(|last| time - last > 5.0) {
            found.push(time);
        }
    }
    found
}

#[test]
fn a_silent_clip_or_a_silent_wish_makes_a_silent_reel() {
    let folder = folder();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=32x24:r=10:d=1 -f lavfi -i sine=440:d=1 -c:v mpeg4 -c:a aac a.mp4",
    );
    let played = heard(&folder.path().join("a.mp4"), |c| {
        c.sound = SoundChoice::Silent
    });
    assert_eq!(played.header.channels, 0);
    assert!(played.samples.is_empty());
    assert!((played.seconds(played.header.duration) - 1.0).abs() < 0.01);
}

#[test]
fn sound_that_outlasts_the_pictures_is_played_to_its_end() {
    let folder = folder();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=32x24:r=10:d=1 -f lavfi -i sine=440:d=4 -c:v mpeg4 -c:a flac a.mkv",
    );
    let played = heard(&folder.path().join("a.mkv"), |_| {});
    assert!((played.seconds(played.header.duration) - 4.0).abs() < 0.01);
    assert!(
        played.samples[80_000..90_000]
            .iter()
            .any(|s| s.abs() > 1000)
    );
}

#[test]
fn sound_alone_is_refused_in_words() {
    let folder = folder();
    ffmpeg(folder.path(), "-f lavfi -i sine=440:d=1 a.wav");
    let clip = folder.path().join("a.wav");
    let error = try_convert(&choices(|_| {}), &clip, &clip.with_extension("tbr")).unwrap_err();
    assert!(matches!(error, ConvertError::Source(_)));
    assert!(error.to_string().contains("no pictures"), "{error}");
}
