//! What is exported is what the panel shows and the speaker plays, by the
//! judgement of readers that others wrote (PyAV, numpy, Pillow's peers).

#[path = "../page/expect.rs"]
#[allow(dead_code)]
mod expect;
#[path = "../page/make.rs"]
mod make;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use thumbreel::coding::expand_565;
use thumbreel::reel::{PictureHeader, ReelFile, SYNC, repair};
use thumbreel::sound::{SoundCoding, decode_block};

fn export(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_thumbreel"))
        .arg("export")
        .args(arguments)
        .output()
        .unwrap()
}

/// Exports and insists that it worked, and without a word of the libraries.
fn done(arguments: &[&str]) {
    let output = export(arguments);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success() && said.is_empty(), "{said}");
}

fn python(script: &str, arguments: &[&Path]) -> String {
    let home = || Path::new(&std::env::var("HOME").unwrap()).join(".cache/thumbreel");
    let tools = std::env::var_os("THUMBREEL_TOOLS").map_or_else(home, PathBuf::from);
    let output = Command::new(tools.join("venv/bin/python"))
        .args(["-c", script])
        .args(arguments)
        .output()
        .expect("the Python with PyAV is missing: run .ci/install test");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout).unwrap()
}

struct Fixture {
    dir: tempfile::TempDir,
}

impl Fixture {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        std::fs::create_dir(dir.path().join("reels")).unwrap();
        make::reels(&dir.path().join("reels"));
        Self { dir }
    }

    fn reel(&self, name: &str) -> String {
        self.at(&format!("reels/{name}"))
    }

    fn at(&self, name: &str) -> String {
        self.dir.path().join(name).to_str().unwrap().to_owned()
    }
}

/// Every picture of a reel as 8-bit RGB with hidden pixels black, and its sound.
fn decoded(path: &str) -> (Vec<Vec<u8>>, Vec<i16>) {
    let mut reel = ReelFile::open(path).unwrap();
    let header = *reel.header();
    let mut panel = expect::panel(&header, Vec::new());
    let (mut pictures, mut sound) = (Vec::new(), Vec::new());
    while let Some(slice) = reel.next_slice().unwrap() {
        if let Some(coding) = SoundCoding::from_number(header.sound as u8) {
            let mut samples = vec![0; slice.ticks as usize];
            decode_block(coding, &slice.sound, &mut samples).unwrap();
            sound.extend(samples);
        }
        for picture in &slice.pictures {
            let key = if picture.key { PictureHeader::KEY } else { 0 };
            let still = if picture.unchanged {
                PictureHeader::UNCHANGED
            } else {
                0
            };
            panel
                .decode(header.coding, key | still, &picture.bytes)
                .unwrap();
            pictures.push(panel.pixels().iter().flat_map(|&p| expand_565(p)).collect());
        }
    }
    (pictures, sound)
}

#[test]
fn a_film_has_the_pictures_at_their_times_and_the_sound() {
    let fixture = Fixture::new();
    let (film, want) = (fixture.at("film.mp4"), fixture.at("want.rgb"));
    done(&[
        &fixture.reel("raw-square.tbr"),
        "-o",
        &film,
        "--enlarge",
        "2",
    ]);
    let (pictures, _) = decoded(&fixture.reel("raw-square.tbr"));
    std::fs::write(&want, pictures.concat()).unwrap();
    let script = r#"
import sys, av, numpy as np
film = av.open(sys.argv[1])
v, a = film.streams.video[0], film.streams.audio[0]
want = np.fromfile(sys.argv[2], np.uint8).reshape(-1, 96, 120, 3).astype(float)
assert (v.width, v.height) == (240, 192), (v.width, v.height)
assert v.codec_context.color_primaries == 1, "BT.709"
frames = [(float(f.time), f.to_ndarray(format="rgb24").astype(float)) for f in film.decode(v)]
worst = 99
for i, picture in enumerate(want):
    # The frame that stands in the middle of the picture's time.
    shown = [f for t, f in frames if t <= (i + 0.5) / 10][-1]
    assert abs(min(t for t, _ in frames if abs(t - i / 10) < 0.05) - i / 10) < 1e-3, i
    small = shown.reshape(96, 2, 120, 2, 3).mean(axis=(1, 3))
    worst = min(worst, 10 * np.log10(255 ** 2 / ((small - picture) ** 2).mean()))
film = av.open(sys.argv[1])
sound = np.concatenate([f.to_ndarray()[0] for f in film.decode(film.streams.audio[0])])
rate = a.rate
tone = sound[rate // 2:rate // 2 + rate]
spectrum = np.abs(np.fft.rfft(tone * np.hanning(len(tone))))
print(worst, np.argmax(spectrum) * rate / len(tone), tone.max(), len(sound) / rate, film.metadata.get("title"), float(film.duration) / 1e6)
"#;
    let said = python(script, &[Path::new(&film), Path::new(&want)]);
    let words: Vec<&str> = said.split_whitespace().collect();
    let number = |i: usize| words[i].parse::<f64>().unwrap();
    assert!(number(0) > 36.0, "worst picture {} dB", number(0));
    assert!((number(1) - 440.0).abs() < 1.5, "tone of {} Hz", number(1));
    assert!((number(2) - 0.25).abs() < 0.02, "peak {}", number(2));
    assert!((number(3) - 3.0).abs() < 0.15, "{} s of sound", number(3));
    assert!(said.contains("Harbour, square"), "{said}");
    let length: f64 = words.last().unwrap().parse().unwrap();
    assert!((length - 3.0).abs() < 0.15, "{length} s");
}

#[test]
fn png_pictures_are_the_panel_exactly() {
    let fixture = Fixture::new();
    let reel = fixture.reel("raw-round.tbr");
    let folder = fixture.at("pictures");
    done(&[&reel, "-o", &folder, "--from", "1", "--to", "2"]);
    let names: Vec<_> = std::fs::read_dir(&folder).unwrap().collect();
    assert_eq!(names.len(), 10);
    let (pictures, _) = decoded(&reel);
    let load = |name: &str| image::open(name).unwrap().into_rgb8();
    let image = load(&format!("{folder}/picture-000013.png"));
    assert_eq!(image.dimensions(), (96, 96));
    for (x, y, pixel) in image.enumerate_pixels() {
        // The ellipse inscribed in the panel, by pixel centres; outside it a
        // round panel shows nothing, whatever was sent there.
        let off = |at: u32| (f64::from(at) + 0.5 - 48.0) / 48.0;
        let inside = off(x).powi(2) + off(y).powi(2);
        let at = 3 * (96 * y + x) as usize;
        if inside < 0.97 {
            assert_eq!(pixel.0[..], pictures[13][at..at + 3], "{x},{y}");
        } else if inside > 1.03 {
            assert_eq!(pixel.0, [0, 0, 0], "{x},{y}");
        }
    }
    let single = fixture.at("one.png");
    // Picture 13 stands from 1.3 s to 1.4 s.
    done(&[&reel, "-o", &single, "--at", "1.35", "--enlarge", "3"]);
    let large = load(&single);
    assert_eq!(large.dimensions(), (288, 288));
    for (x, y, pixel) in large.enumerate_pixels() {
        assert_eq!(pixel, image.get_pixel(x / 3, y / 3), "{x},{y}");
    }
}

/// The inscribed rectangle of a round panel of 96 pixels: 96 (1 - 1 / sqrt 2) / 2
/// is 14.06, so 15 pixels from each edge.
#[test]
fn the_safe_area_is_outlined_when_asked() {
    let fixture = Fixture::new();
    let reel = fixture.reel("raw-round.tbr");
    let (plain, marked) = (fixture.at("plain.png"), fixture.at("marked.png"));
    done(&[&reel, "-o", &plain, "--at", "1"]);
    done(&[&reel, "-o", &marked, "--at", "1", "--safe-area"]);
    let load = |name: &str| image::open(name).unwrap().into_rgb8();
    let (plain, marked) = (load(&plain), load(&marked));
    for (x, y, pixel) in marked.enumerate_pixels() {
        let inside = |low: u32, high: u32| (low..=high).contains(&x) && (low..=high).contains(&y);
        let outline = inside(15, 80) && !inside(16, 79);
        let wanted = if outline {
            [255, 196, 0]
        } else {
            plain.get_pixel(x, y).0
        };
        assert_eq!(pixel.0, wanted, "{x},{y}");
    }
    let film = export(&[&reel, "-o", &fixture.at("a.mp4"), "--safe-area"]);
    assert_eq!(film.status.code(), Some(2));
}

#[test]
fn wav_has_the_very_samples() {
    let fixture = Fixture::new();
    for name in ["raw-square.tbr", "raw-round.tbr"] {
        let (_, sound) = decoded(&fixture.reel(name));
        let (wav, want) = (fixture.at("sound.wav"), fixture.at("want.s16"));
        done(&[
            &fixture.reel(name),
            "-o",
            &wav,
            "--overwrite",
            "--from",
            "0.3",
            "--to",
            "2.9",
        ]);
        let samples = &sound[4800..46_400];
        std::fs::write(
            &want,
            samples
                .iter()
                .flat_map(|s| s.to_le_bytes())
                .collect::<Vec<u8>>(),
        )
        .unwrap();
        let script = r#"
import sys, wave
with wave.open(sys.argv[1]) as w:
    assert (w.getnchannels(), w.getsampwidth(), w.getframerate()) == (1, 2, 16000), w.getparams()
    print(w.readframes(w.getnframes()) == open(sys.argv[2], "rb").read())
"#;
        assert_eq!(
            python(script, &[Path::new(&wav), Path::new(&want)]).trim(),
            "True",
            "{name}"
        );
    }
    let silent = export(&[&fixture.reel("silent.tbr"), "-o", &fixture.at("none.wav")]);
    assert_eq!(silent.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&silent.stderr).contains("no sound"));
    assert!(!Path::new(&fixture.at("none.wav")).exists());
}

#[test]
fn a_gif_repeats_and_keeps_time() {
    let fixture = Fixture::new();
    let gif = fixture.at("film.gif");
    done(&[&fixture.reel("silent.tbr"), "-o", &gif]);
    let script = r#"
import sys, av
film = av.open(sys.argv[1])
times = [float(f.time) for f in film.decode(video=0)]
print(len(times), max(abs(t - i / 10) for i, t in enumerate(times)), b"NETSCAPE2.0" in open(sys.argv[1], "rb").read(1000))
"#;
    let said = python(script, &[Path::new(&gif)]);
    let words: Vec<&str> = said.split_whitespace().collect();
    assert_eq!((words[0], words[2]), ("30", "True"), "{said}");
    assert!(words[1].parse::<f64>().unwrap() < 0.011, "{said}");
}

#[test]
fn a_contact_sheet_shows_pictures_spread_over_the_reel() {
    let fixture = Fixture::new();
    let sheet = fixture.at("sheet.png");
    done(&[
        &fixture.reel("raw-square.tbr"),
        "-o",
        &sheet,
        "--contact-sheet",
        "--count",
        "6",
    ]);
    let image = image::open(&sheet).unwrap().into_rgb8();
    assert_eq!(image.dimensions(), (10 + 4 * 130, 10 + 2 * (96 + 30)));
    let (pictures, _) = decoded(&fixture.reel("raw-square.tbr"));
    // The middles of six equal stretches of three seconds: 0.25 s, 0.75 s, ...
    for (i, number) in [2, 7, 12, 17, 22, 27].into_iter().enumerate() {
        let (x, y) = (10 + (i as u32 % 4) * 130, 10 + (i as u32 / 4) * 126);
        let cell = image::imageops::crop_imm(&image, x, y, 120, 96).to_image();
        assert!(cell.as_raw() == &pictures[number], "cell {i}");
    }
    let shot = Path::new(env!("CARGO_TARGET_TMPDIR")).join("contact-sheet.png");
    std::fs::copy(&sheet, shot).unwrap();
}

#[test]
fn targets_are_whole_or_not_there_and_never_replaced_unasked() {
    let fixture = Fixture::new();
    let reel = fixture.reel("silent.tbr");
    let gif = fixture.at("film.gif");
    std::fs::write(&gif, b"precious").unwrap();
    let refused = export(&[&reel, "-o", &gif]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("--overwrite"));
    assert_eq!(std::fs::read(&gif).unwrap(), b"precious");
    done(&[&reel, "-o", &gif, "--overwrite"]);
    assert!(std::fs::read(&gif).unwrap().starts_with(b"GIF89a"));
    for (arguments, code) in [
        (vec![reel.as_str(), "-o", "film.xyz"], 2),
        (
            vec![reel.as_str(), "-o", "x.png", "--from", "2", "--to", "1"],
            2,
        ),
        (vec![reel.as_str(), "-o", "x.png", "--from", "yesterday"], 2),
        (vec!["missing.tbr", "-o", "x.png"], 1),
    ] {
        let output = export(&arguments);
        assert_eq!(
            output.status.code(),
            Some(code),
            "{arguments:?}: {}",
            String::from_utf8_lossy(&output.stderr)
        );
    }
    let left: Vec<_> = std::fs::read_dir(fixture.dir.path())
        .unwrap()
        .map(|e| e.unwrap().file_name())
        .collect();
    assert_eq!(left.len(), 2, "{left:?}");
}

#[test]
fn told_to_end_it_leaves_nothing_behind() {
    let fixture = Fixture::new();
    let (reel, film) = (fixture.reel("raw-square.tbr"), fixture.at("film.mp4"));
    // Enlarged sixteen times the film takes long enough to be interrupted.
    let mut child = Command::new(env!("CARGO_BIN_EXE_thumbreel"))
        .args(["export", &reel, "-o", &film, "--enlarge", "16"])
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let begun = |dir: &Path| std::fs::read_dir(dir).unwrap().count() > 1;
    while !begun(fixture.dir.path()) {
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
    let pid = rustix::process::Pid::from_child(&child);
    rustix::process::kill_process(pid, rustix::process::Signal::INT).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(1));
    assert_eq!(std::fs::read_dir(fixture.dir.path()).unwrap().count(), 1);
}

/// Seconds of sound and of pictures in a film, and samples of a WAV, as PyAV
/// and Python's own reader see them.
fn lengths(reel: &str, dir: &Path) -> (usize, f64, f64) {
    let at = |name: &str| dir.join(name).to_str().unwrap().to_owned();
    for name in ["gap.wav", "gap.mp4"] {
        // Pictures after the gap wait for a key picture, which is said.
        let exported = export(&[reel, "-o", &at(name), "--overwrite"]);
        assert!(exported.status.code().is_some_and(|code| code < 2));
    }
    let script = r#"
import sys, wave, av
with wave.open(sys.argv[1]) as w:
    print(w.getnframes())
with av.open(sys.argv[2]) as film:
    sound = film.streams.audio[0]
    print(float(sound.duration * sound.time_base))
    # When the last frame is shown: it stands to the end.
    print(max(frame.time for frame in film.decode(video=0)))
"#;
    let said = python(
        script,
        &[Path::new(&at("gap.wav")), Path::new(&at("gap.mp4"))],
    );
    let mut said = said.lines().map(|line| line.parse::<f64>().unwrap());
    let mut next = || said.next().unwrap();
    (next() as usize, next(), next())
}

#[test]
fn a_gap_is_silent_for_as_long_as_it_lasts_before_and_after_a_repair() {
    let dir = tempfile::tempdir().unwrap();
    let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/archive/v1/raw-gap.tbr");
    let (samples, sound, pictures) = lengths(kept.to_str().unwrap(), dir.path());
    assert_eq!(samples, 16_000);
    // AAC may end up to two frames of 1024 samples later.
    assert!((0.0..=2048.0 / 8000.0).contains(&(sound - 2.0)), "{sound}");
    assert!((pictures - 2.0).abs() < 0.1, "{pictures}");

    let fixture = Fixture::new();
    let whole = std::fs::read(fixture.reel("raw-square.tbr")).unwrap();
    let header = *ReelFile::open(fixture.reel("raw-square.tbr"))
        .unwrap()
        .header();
    let mut damaged = whole;
    // The header of a slice in the middle: all of it is lost.
    let sync = |at: &usize| damaged[*at..].starts_with(&SYNC);
    let middle = (damaged.len() / 2..damaged.len()).find(sync).unwrap();
    damaged[middle + 20] ^= 1;
    std::fs::write(fixture.at("damaged.tbr"), &damaged).unwrap();
    let source = std::io::Cursor::new(damaged);
    let (mended, repaired) = repair(source, std::io::Cursor::new(Vec::new())).unwrap();
    assert_eq!(repaired.lost.len(), 1);
    std::fs::write(fixture.at("mended.tbr"), mended.into_inner()).unwrap();
    let wav = |name: &str| {
        let to = fixture.at(&format!("{name}.wav"));
        let exported = export(&[&fixture.at(&format!("{name}.tbr")), "-o", &to]);
        assert!(exported.status.code().is_some_and(|code| code < 2));
        std::fs::read(to).unwrap()
    };
    let (before, after) = (wav("damaged"), wav("mended"));
    assert!(
        before == after,
        "{} and {} bytes",
        before.len(),
        after.len()
    );
    assert_eq!(after.len() as u64, 44 + 2 * header.duration);
}
