//! Times: uneven rates, starts other than zero, wanted parts, joins.

use std::path::Path;

use thumbreel::source::{Clip, OpenOptions, SourceError};
use thumbreel::units::Nanos;

use crate::common::media::{ffmpeg, folder, probe};
use crate::{Whole, open, open_with, plane, read};

/// Times of all pictures as ffprobe has them, in the file's own clock.
fn stamps(clip: &Path) -> Vec<f64> {
    let lines = probe(
        clip,
        "-select_streams v:0 -show_entries frame=best_effort_timestamp_time",
    );
    lines.iter().map(|l| l.parse().unwrap()).collect()
}

fn assert_times(clip: &Path, whole: &Whole) {
    let theirs = stamps(clip);
    assert_eq!(whole.pictures.len(), theirs.len(), "{}", clip.display());
    for (ours, theirs) in whole.times().iter().zip(theirs) {
        let file = ours + whole.origin as f64 / 1e9;
        assert!(
            (file - theirs).abs() < 2e-6,
            "{}: {file} {theirs}",
            clip.display()
        );
    }
}

#[test]
fn a_variable_rate_keeps_every_time_stamp() {
    let folder = folder();
    for name in ["vfr.mkv", "vfr.mp4"] {
        ffmpeg(
            folder.path(),
            &format!(
                "-f lavfi -i testsrc2=s=96x64:r=30:d=3 -vf \
                 'select=not(mod(n\\,4))+gt(t\\,1.5)' -vsync vfr -c:v libx264 {name}"
            ),
        );
        let path = folder.path().join(name);
        let clip = Clip::open(&path, &OpenOptions::default()).unwrap();
        // Matroska states a default duration only; its stamps tell.
        assert!(
            name == "vfr.mkv" || clip.info().picture.variable_rate,
            "{name}"
        );
        let whole = read(clip);
        assert_times(&path, &whole);
        let times = whole.times();
        let steps: Vec<f64> = times.windows(2).map(|t| t[1] - t[0]).collect();
        assert!(steps.iter().any(|s| *s > 0.13) && steps.iter().any(|s| *s < 0.034));
    }
}

#[test]
fn a_constant_rate_is_known_as_such() {
    let folder = folder();
    for (rate, name) in [
        ("30000/1001", "a.mp4"),
        ("24000/1001", "b.mkv"),
        ("25/1", "c.ts"),
        ("12/1", "d.avi"),
        ("60/1", "e.webm"),
    ] {
        let codec = if name.ends_with("webm") {
            "libvpx"
        } else {
            "mpeg4"
        };
        let make = format!("-f lavfi -i testsrc2=s=96x64:r={rate}:d=2 -c:v {codec} {name}");
        ffmpeg(folder.path(), &make);
        let clip = Clip::open(&folder.path().join(name), &OpenOptions::default()).unwrap();
        let found = clip.info().picture.rate;
        assert_eq!(format!("{}/{}", found.num, found.den), rate, "{name}");
        assert!(!clip.info().picture.variable_rate, "{name}");
    }
}

/// White from 2 s on, and a tone from 2 s on.
fn flash_and_tone(folder: &Path, how: &str, name: &str) {
    ffmpeg(
        folder,
        &format!(
            "-f lavfi -i 'color=black:s=64x48:r=25:d=4,drawbox=c=white:t=fill:enable=gte(t\\,2)' \
             -f lavfi -i 'aevalsrc=if(gte(t\\,2)\\,0.8*sin(2*PI*1000*t)\\,0):s=48000:d=4' {how} {name}"
        ),
    );
}

fn flash_at(whole: &Whole) -> f64 {
    let white = whole
        .pictures
        .iter()
        .find(|p| plane(p, 0).2[0] > 128)
        .unwrap();
    white.time.0 as f64 / 1e9
}

fn tone_at(whole: &Whole) -> f64 {
    let first = whole.left.iter().position(|s| s.abs() > 0.2).unwrap();
    first as f64 / f64::from(whole.rate)
}

#[test]
fn whatever_the_start_picture_and_sound_keep_their_offset() {
    let folder = folder();
    for (how, name) in [
        (
            "-c:v mpeg2video -c:a mp2 -output_ts_offset 90000 -muxdelay 0",
            "late.ts",
        ),
        ("-c:v libx264 -c:a aac", "plain.mp4"),
        (
            "-c:v libx264 -bf 2 -c:a aac -output_ts_offset 77",
            "offset.mkv",
        ),
        ("-c:v libvpx -c:a libopus", "plain.webm"),
        ("-c:v mpeg4 -c:a pcm_s16le", "plain.avi"),
        ("-c:v mpeg2video -c:a mp2", "plain.mpg"),
    ] {
        flash_and_tone(folder.path(), how, name);
        let whole = open(&folder.path().join(name));
        let (flash, tone) = (flash_at(&whole), tone_at(&whole));
        // Beside Opus, this muxer itself stamps pictures 7 ms late (ffprobe agrees).
        let stored = if name == "plain.webm" { 0.007 } else { 0.0 };
        assert!(
            (flash - tone - stored).abs() < 0.003,
            "{name}: flash {flash} tone {tone}"
        );
        assert!(
            whole.times()[0] < 0.1,
            "{name}: starts at {}",
            whole.times()[0]
        );
    }
    // Pictures that begin 0.7 s after the sound, and the other way round.
    flash_and_tone(folder.path(), "-c:v libx264 -c:a aac", "plain.mp4");
    for (early, late, name) in [("1:a", "0:v", "v.mkv"), ("1:v", "0:a", "a.mkv")] {
        let join = format!(
            "-itsoffset 0.7 -i plain.mp4 -i plain.mp4 -map {early} -map {late} -c copy {name}"
        );
        ffmpeg(folder.path(), &join);
        let whole = open(&folder.path().join(name));
        let lag = flash_at(&whole) - tone_at(&whole);
        let wanted = if name == "v.mkv" { 0.7 } else { -0.7 };
        assert!((lag - wanted).abs() < 0.003, "{name}: {lag}");
    }
}

#[test]
fn a_wanted_part_is_that_part_of_the_whole_to_the_picture_and_the_sample() {
    let folder = folder();
    for name in ["x.mp4", "x.mkv", "x.ts", "x.avi"] {
        let codec = if name == "x.avi" {
            "mpeg4 -c:a mp3"
        } else {
            "libx264 -g 40 -bf 2 -c:a aac -aac_pns 0"
        };
        let make = format!(
            "-f lavfi -i testsrc2=s=96x64:r=25:d=6 -f lavfi -i anoisesrc=d=6:a=0.5:r=44100:seed=3 \
             -c:v {codec} {name}"
        );
        ffmpeg(folder.path(), &make);
        let path = folder.path().join(name);
        let whole = open(&path);
        for from in [0.013, 1.6, 2.345, 5.9] {
            let options = OpenOptions {
                from: Nanos((from * 1e9) as i64),
                length: Some(Nanos(700_000_000)),
                ..OpenOptions::default()
            };
            let part = open_with(&path, &options);
            compare_part(&whole, &part, from, name);
        }
    }
}

fn compare_part(whole: &Whole, part: &Whole, from: f64, name: &str) {
    let shown = whole
        .times()
        .iter()
        .rposition(|t| *t <= from + 1e-9)
        .unwrap_or(0);
    let wanted: Vec<_> = whole.pictures[shown..]
        .iter()
        .take_while(|p| (p.time.0 as f64 / 1e9) < from + 0.7)
        .collect();
    assert_eq!(part.pictures.len(), wanted.len(), "{name} from {from}");
    for (ours, theirs) in part.pictures.iter().zip(&wanted) {
        let time = ours.time.0 as f64 / 1e9 + from;
        assert!(
            (time - theirs.time.0 as f64 / 1e9).abs() < 1e-6,
            "{name} from {from}: {time}"
        );
        assert_eq!(
            plane(ours, 0),
            plane(theirs, 0),
            "{name} from {from}: same pixels"
        );
    }
    // A wanted start falls between two samples; Matroska rounds to a millisecond.
    let slack = if name == "x.mkv" { 45 } else { 1 };
    let first = (from * f64::from(whole.rate)).round() as usize;
    let end = (first + (0.7 * f64::from(whole.rate)).round() as usize).min(whole.left.len());
    assert!(
        part.left.len().abs_diff(end - first) <= slack,
        "{name} from {from}: exact length"
    );
    let off = |at: usize| -> f32 {
        let pairs = part.left.iter().zip(&whole.left[at..]).take(2000);
        pairs.map(|(a, b)| (a - b).abs()).fold(0.0, f32::max)
    };
    let best = (first.saturating_sub(slack)..=first + slack)
        .map(off)
        .fold(f32::MAX, f32::min);
    assert!(best < 1e-3, "{name} from {from}: same sound, off by {best}");
}

#[test]
fn a_start_behind_the_end_is_said_to_be() {
    let folder = folder();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=96x64:r=25:d=1 short.mp4",
    );
    let options = OpenOptions {
        from: Nanos(60_000_000_000),
        ..OpenOptions::default()
    };
    let clip = Clip::open(&folder.path().join("short.mp4"), &options);
    let error = match clip.map(|mut clip| clip.next_item().map(|item| item.is_some())) {
        Err(error) | Ok(Err(error)) => error,
        Ok(Ok(_)) => panic!("there is nothing behind the end"),
    };
    assert!(
        matches!(error, SourceError::StartBehindEnd { .. }),
        "{error}"
    );
}

#[test]
fn joined_recordings_of_different_size_play_on() {
    let folder = folder();
    for (size, tone, name) in [("96x64", 500, "a.ts"), ("160x120", 900, "b.ts")] {
        ffmpeg(
            folder.path(),
            &format!(
                "-f lavfi -i testsrc2=s={size}:r=25:d=2 -f lavfi -i sine={tone}:d=2 \
                 -c:v libx264 -c:a mp2 {name}"
            ),
        );
    }
    let mut both = std::fs::read(folder.path().join("a.ts")).unwrap();
    both.extend(std::fs::read(folder.path().join("b.ts")).unwrap());
    let path = folder.path().join("both.ts");
    std::fs::write(&path, both).unwrap();
    let whole = open(&path);
    let sizes: Vec<_> = whole.pictures.iter().map(|p| p.frame.width()).collect();
    assert!(sizes.len() >= 98, "{} pictures", sizes.len());
    assert!(sizes[..45].iter().all(|w| *w == 96) && sizes[55..].iter().all(|w| *w == 160));
    let times = whole.times();
    assert!(
        times.windows(2).all(|t| t[1] > t[0]),
        "times only go forward"
    );
    assert!((times[times.len() - 1] - 3.96).abs() < 0.2, "{times:?}");
    assert!((whole.sound_end() - 4.0).abs() < 0.2);
    assert!(whole.damage.time_jumps >= 1);
}

#[test]
fn a_stream_of_unknown_length_is_read_to_its_end() {
    let folder = folder();
    let source = "-f lavfi -i testsrc2=s=96x64:r=25:d=2";
    let live = ffmpeg(
        folder.path(),
        &format!("{source} -c:v libvpx -live 1 -f webm -"),
    );
    let path = folder.path().join("live.webm");
    std::fs::write(&path, live).unwrap();
    ffmpeg(folder.path(), &format!("{source} -c:v libx264 bare.h264"));
    for name in ["live.webm", "bare.h264"] {
        let clip = Clip::open(&folder.path().join(name), &OpenOptions::default()).unwrap();
        assert!(clip.info().duration.is_none(), "{name}");
        let whole = read(clip);
        assert_eq!(whole.pictures.len(), 50, "{name}");
        let end = *whole.times().last().unwrap();
        assert!((end - 1.96).abs() < 0.01, "{name}: {end}");
    }
}
