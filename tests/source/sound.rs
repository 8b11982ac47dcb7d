//! Sound: tracks, sample formats, holes.

use thumbreel::source::{Clip, OpenOptions, SoundChoice};

use crate::common::media::{ffmpeg, folder, frequency};
use crate::{open, open_with};

#[test]
fn a_track_is_chosen_by_number_or_language() {
    let folder = folder();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=96x64:r=25:d=1 -f lavfi -i sine=400:d=1 -f lavfi -i sine=700:d=1 \
         -f lavfi -i sine=1100:d=1 -map 0 -map 1 -map 2 -map 3 -metadata:s:a:0 language=eng \
         -metadata:s:a:1 language=ger -metadata:s:a:2 language=fra -disposition:a:0 0 \
         -disposition:a:1 default -c:v libx264 -c:a aac tracks.mkv",
    );
    let path = folder.path().join("tracks.mkv");
    let heard = |sound: SoundChoice| {
        let options = OpenOptions {
            sound,
            ..OpenOptions::default()
        };
        let whole = open_with(&path, &options);
        frequency(&whole.left[4000..40_000], f64::from(whole.rate)).round()
    };
    let language = |l: &str| SoundChoice::Language(l.into());
    assert_eq!(
        heard(SoundChoice::Default),
        700.0,
        "the one marked as default"
    );
    assert_eq!(heard(SoundChoice::Number(1)), 400.0);
    assert_eq!(heard(SoundChoice::Number(3)), 1100.0);
    assert_eq!(heard(language("de")), 700.0);
    assert_eq!(heard(language("FRA")), 1100.0);
    for wrong in [
        SoundChoice::Number(4),
        SoundChoice::Number(0),
        language("swe"),
    ] {
        let options = OpenOptions {
            sound: wrong,
            ..OpenOptions::default()
        };
        let error = Clip::open(&path, &options).err().unwrap().to_string();
        assert!(error.contains("1 (eng), 2 (ger), 3 (fra)"), "{error}");
    }
    let silent = OpenOptions {
        sound: SoundChoice::Silent,
        ..OpenOptions::default()
    };
    assert!(open_with(&path, &silent).left.is_empty());
}

#[test]
fn every_sample_format_has_the_same_level() {
    let folder = folder();
    for format in ["u8", "s16le", "s24le", "s32le", "f32le", "f64le", "s64le"] {
        let name = format!("{format}.nut");
        ffmpeg(
            folder.path(),
            &format!(
                "-f lavfi -i testsrc2=s=96x64:r=25:d=1 -f lavfi -i 'aevalsrc=0.5*sin(2*PI*441*t):s=44100:d=1' \
                 -c:v mpeg4 -c:a pcm_{format} {name}"
            ),
        );
        let whole = open(&folder.path().join(name));
        assert_eq!(whole.left.len(), 44_100, "{format}");
        let power: f64 = whole
            .left
            .iter()
            .map(|s| f64::from(*s).powi(2))
            .sum::<f64>()
            / 44_100.0;
        let peak = (2.0 * power).sqrt();
        assert!((peak - 0.5).abs() < 0.002, "{format}: {peak}");
    }
}

#[test]
fn holes_in_the_sound_become_silence() {
    let folder = folder();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=96x64:r=25:d=3 -f lavfi -i sine=440:d=3 \
         -af 'aselect=not(between(t\\,1\\,1.5))' -c:v libx264 -c:a pcm_s16le hole.mkv",
    );
    let whole = open(&folder.path().join("hole.mkv"));
    let end = whole.sound_end();
    assert!((end - 3.0).abs() < 0.05, "{end}");
    assert_eq!(whole.damage.time_jumps, 1);
    let at = |t: f64| whole.left[(t * f64::from(whole.rate)) as usize..][..500].iter();
    assert!(at(1.25).all(|s| *s == 0.0) && at(1.7).any(|s| s.abs() > 0.05));
}

#[test]
fn surround_keeps_its_channels_and_their_places() {
    let folder = folder();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=96x64:r=25:d=0.5 -f lavfi -i 'aevalsrc=0.1|0.2|0.3|0.4|0.5|0.6:c=5.1:d=0.5' \
         -c:v libx264 -c:a flac six.mkv",
    );
    let path = folder.path().join("six.mkv");
    let clip = Clip::open(&path, &OpenOptions::default()).unwrap();
    let sound = clip.info().sound.clone().unwrap();
    assert_eq!((sound.channels, sound.mask.count_ones()), (6, 6));
    let whole = open(&path);
    assert_eq!(whole.channels, 6);
    assert!((whole.left[100] - 0.1).abs() < 1e-4);
}
