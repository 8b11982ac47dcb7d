//! What may be asked for beside: subtitles, cropped bars, parts, listening
//! copies; and what is warned of.

use thumbreel::convert::{SubtitleSource, listen};
use thumbreel::picture::quality::psnr;
use thumbreel::picture::{Framing, PicturePlan, PictureStage};
use thumbreel::reel::ReelFile;
use thumbreel::source::{Clip, Item, OpenOptions, SubtitleChoice as Track};
use thumbreel::units::Nanos;

use crate::common::media::{ffmpeg, folder, packaged};
use crate::common::played::play;
use crate::{choices, convert, rate};

/// Pixels that are nearly white in the lower third of a picture.
fn white_below(pixels: &[u16], width: usize) -> usize {
    let start = pixels.len() / width * 2 / 3 * width;
    pixels[start..]
        .iter()
        .filter(|p| **p >> 11 > 28 && **p >> 5 & 63 > 56 && **p & 31 > 28)
        .count()
}

#[test]
fn subtitles_from_file_and_track_are_shown_at_their_time() {
    let folder = folder();
    let path = folder.path();
    let text = "1\n00:00:01,000 --> 00:00:02,000\nThe tide turns at eight.\n\n";
    std::fs::write(path.join("a.srt"), text).unwrap();
    ffmpeg(
        path,
        "-f lavfi -i color=0x203040:s=160x120:r=10:d=3 -i a.srt -map 0 -map 1 -c:v libx264 -c:s srt \
         -metadata:s:s:0 language=eng a.mkv",
    );
    ffmpeg(path, "-i a.mkv -c:v copy -c:s mov_text a.mp4");
    for (clip, subtitles) in [
        ("a.mkv", SubtitleSource::File(path.join("a.srt"))),
        ("a.mkv", SubtitleSource::Track(Track::Language("en".into()))),
        ("a.mp4", SubtitleSource::Track(Track::Number(1))),
    ] {
        for from in [0, 1_500_000_000] {
            let reel = path.join("a.tbr");
            let what = format!("{clip} {subtitles:?} from {from}");
            let choices = choices(|c| {
                c.subtitles = Some(subtitles.clone());
                c.from = Nanos(from);
                c.overwrite = true;
            });
            convert(&choices, &path.join(clip), &reel);
            let played = play(&reel);
            for (tick, pixels) in &played.pictures {
                let time = played.seconds(*tick) + from as f64 / 1e9;
                let shown = white_below(pixels, 240) > 50;
                let wanted = (1.0..2.0).contains(&(time + 1e-6));
                assert_eq!(shown, wanted, "{what} at {time}");
            }
        }
    }
}

#[test]
fn black_bars_are_cut_off_when_asked() {
    let folder = folder();
    let path = folder.path();
    ffmpeg(
        path,
        "-f lavfi -i testsrc2=s=160x80:r=10:d=2 -vf pad=160:160:0:40 -c:v libx264 a.mp4",
    );
    let made = |crop: bool| {
        let reel = path.join("a.tbr");
        let choices = choices(|c| {
            (c.crop_bars, c.framing, c.overwrite) = (crop, Framing::Stretch, true);
        });
        convert(&choices, &path.join("a.mp4"), &reel);
        let played = play(&reel);
        played.pictures[5].1[..10 * 240]
            .iter()
            .filter(|p| **p != 0)
            .count()
    };
    assert!(made(false) < 100, "the bar is there");
    assert!(made(true) > 1500, "the bar is gone");
}

#[test]
fn flashing_is_warned_of() {
    let folder = folder();
    let path = folder.path();
    for (every, warned) in [(2, true), (12, false)] {
        ffmpeg(
            path,
            &format!(
                "-f lavfi -i 'color=black:s=64x64:r=24:d=3,drawbox=c=white:t=fill:enable=lt(mod(n\\,{every})\\,{})' \
                 -c:v libx264 a.mp4",
                every / 2
            ),
        );
        let choices = choices(|c| (c.rate, c.overwrite) = (rate(24, 1), true));
        let outcome = convert(&choices, &path.join("a.mp4"), &path.join("a.tbr"));
        let said = !outcome.flashes.is_empty();
        assert_eq!(said, warned, "every {every}: {:?}", outcome.flashes);
    }
}

#[test]
fn a_long_reel_comes_in_parts_that_play() {
    let folder = folder();
    let path = folder.path();
    ffmpeg(
        path,
        "-f lavfi -i testsrc2=s=240x240:r=10:d=6 -f lavfi -i sine=440:d=6 -c:v mpeg4 -c:a aac a.mp4",
    );
    let reel = path.join("a.tbr");
    let whole = convert(&choices(|_| {}), &path.join("a.mp4"), &reel);
    std::fs::remove_file(&reel).unwrap();
    let limit = whole.bytes * 2 / 5;
    let parts = convert(
        &choices(|c| c.part_size = Some(limit)),
        &path.join("a.mp4"),
        &reel,
    );
    assert!(parts.files.len() >= 3, "{:?}", parts.files);
    assert!(!reel.exists());
    let (mut pictures, mut ticks) = (0, 0);
    for (n, part) in parts.files.iter().enumerate() {
        assert!(std::fs::metadata(part).unwrap().len() <= limit);
        let played = play(part);
        assert_eq!(usize::from(played.header.part), n + 1);
        assert_eq!(played.header.first_tick, ticks);
        ticks += played.header.duration;
        pictures += played.pictures.len();
    }
    assert_eq!(pictures, 60);
}

#[test]
fn listening_copies_hold_the_reels_sound() {
    let folder = folder();
    let path = folder.path();
    ffmpeg(
        path,
        "-f lavfi -i testsrc2=s=32x24:r=10:d=2 -f lavfi -i sine=1000:d=2 -c:v mpeg4 -c:a flac a.mkv",
    );
    let reel = path.join("a.tbr");
    let choices = choices(|c| c.size = Some((32, 24)));
    convert(&choices, &path.join("a.mkv"), &reel);
    let copies = listen(&reel, &choices.board, false).unwrap();
    assert_eq!(copies, [path.join("a.wav"), path.join("a-speaker.wav")]);
    let wav = ffmpeg(path, "-i a.wav -f s16le -");
    let heard: Vec<i16> = wav
        .chunks(2)
        .map(|b| i16::from_le_bytes([b[0], b[1]]))
        .collect();
    assert_eq!(heard, play(&reel).samples);
    let speaker = ffmpeg(path, "-i a-speaker.wav -f s16le -");
    assert!(speaker.len() == wav.len() && speaker != wav);
}

/// Leaving out what a lower rate does not need must not change what is shown.
#[test]
fn a_lower_rate_decodes_less_and_shows_the_same() {
    let folder = folder();
    let path = folder.path();
    ffmpeg(
        path,
        "-f lavfi -i testsrc2=s=160x120:r=30:d=4 -f lavfi -i sine=440:d=4 -c:v libx264 -bf 3 -g 60 -c:a aac a.mp4",
    );
    let clip = path.join("a.mp4");
    for (from, part) in [(0.0, 15), (0.0, 10), (1.013, 15)] {
        let base = OpenOptions {
            from: Nanos((from * 1e9) as i64),
            ..OpenOptions::default()
        };
        let pictures = |options: &OpenOptions| {
            let mut clip = Clip::open(&clip, options).unwrap();
            let mut pictures = std::collections::BTreeMap::new();
            while let Some(item) = clip.next_item().unwrap() {
                if let Item::Picture(p) = item {
                    pictures.insert(p.time.0, p.frame.data(0).to_vec());
                }
            }
            pictures
        };
        let all = pictures(&base);
        let some = pictures(&OpenOptions {
            rate: rate(part, 1),
            ..base.clone()
        });
        assert!(
            some.len() * 10 < all.len() * 8,
            "{} of {}",
            some.len(),
            all.len()
        );
        let shown = |from: &std::collections::BTreeMap<i64, Vec<u8>>, time: i64| {
            from.range(..=time)
                .next_back()
                .map(|(t, p)| (*t, p.clone()))
        };
        for k in 0..i64::from(part) * 2 {
            let time = k * 1_000_000_000 / i64::from(part) + 1_000_000_000 / 120;
            assert!(
                shown(&all, time) == shown(&some, time),
                "from {from} at {part}, picture {k}"
            );
        }
    }
    let reel = path.join("a.tbr");
    let outcome = convert(&choices(|c| c.rate = rate(15, 1)), &clip, &reel);
    assert!(outcome.source_pictures < 100, "{}", outcome.source_pictures);
    assert_eq!(ReelFile::open(&reel).unwrap().header().picture_count, 60);
}

/// What a decoder may leave out for a small panel costs at most 0.1 dB against
/// the film that was compressed.
#[test]
fn unfiltered_pictures_look_the_same_on_a_small_panel() {
    let folder = folder();
    let path = folder.path();
    let film = packaged("bikes.mp4");
    let film = film.to_str().unwrap();
    ffmpeg(
        path,
        &format!("-i '{film}' -t 3 -an -c:v libx264 -qp 0 whole.mkv"),
    );
    for coder in [
        "libx264 -bf 3 -crf 30",
        "libx265 -x265-params log-level=error -bf 3 -crf 32",
    ] {
        ffmpeg(path, &format!("-i whole.mkv -c:v {coder} small.mkv"));
        let panel = |clip: &str, shrunk| {
            let options = OpenOptions {
                shrunk,
                ..OpenOptions::default()
            };
            let mut clip = Clip::open(&path.join(clip), &options).unwrap();
            let mut stage = PictureStage::new(PicturePlan::new(160, 120)).unwrap();
            let mut pictures = Vec::new();
            while let Some(item) = clip.next_item().unwrap() {
                if let Item::Picture(picture) = item {
                    pictures.extend(stage.canvas(&picture).unwrap().to_rgb8());
                }
            }
            pictures
        };
        let whole = panel("whole.mkv", false);
        let [filtered, unfiltered] = [false, true].map(|shrunk| panel("small.mkv", shrunk));
        assert!(filtered != unfiltered, "{coder}: nothing was left out");
        let loss = psnr(&whole, &filtered) - psnr(&whole, &unfiltered);
        println!(
            "{coder}: {loss:.3} dB lost of {:.2}",
            psnr(&whole, &filtered)
        );
        assert!(loss < 0.1, "{coder}: {loss} dB");
    }
}
