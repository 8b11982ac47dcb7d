//! Text, bars, flashes and repeated pictures through `thumbreel convert`.

use std::fs;
use std::path::Path;
use std::process::Command;

use serde_json::Value;

use crate::common::media::{ffmpeg, folder, output};

const BOARD: &str = "lantern-room";

const WORDS: &str = "1\n00:00:01,000 --> 00:00:02,000\nFog over the bar\n\n\
                     2\n00:00:02,500 --> 00:00:03,000\n<i>Two long blasts</i>\n";

fn thumbreel(folder: &Path, arguments: &str) -> Vec<u8> {
    let mut command = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
    output(
        command
            .current_dir(folder)
            .args(arguments.split_whitespace()),
    )
}

/// Converts to `reel` as raw pixels and gives the result as JSON.
fn convert(folder: &Path, clip: &str, reel: &str, more: &str) -> Value {
    let arguments = format!(
        "convert {clip} --board {BOARD} --size 120x90 --coding raw --json -o {reel} {more}"
    );
    let said: Value = serde_json::from_slice(&thumbreel(folder, &arguments)).expect("JSON");
    said["result"].clone()
}

/// A dark grey clip of four seconds.
fn dusk(folder: &Path) {
    ffmpeg(
        folder,
        "-f lavfi -i color=0x303030:size=320x240:rate=10:duration=4 -c:v libx264 -pix_fmt yuv420p dusk.mkv",
    );
    fs::write(folder.join("words.srt"), WORDS).expect("written");
}

#[test]
fn text_is_burnt_in_at_its_time() {
    let folder = folder();
    dusk(folder.path());
    convert(
        folder.path(),
        "dusk.mkv",
        "a.tbr",
        "--frame-rate 10 --subtitles words.srt --dither none",
    );
    let said = thumbreel(folder.path(), "compare a.tbr dusk.mkv --each --json");
    let said: Value = serde_json::from_slice(&said).expect("JSON");
    for score in said["each"].as_array().expect("a list") {
        let seconds = score["seconds"].as_f64().expect("a number");
        let ssim = score["ssim"].as_f64().expect("a number");
        let text = (1.0..2.0).contains(&seconds) || (2.5..3.0).contains(&seconds);
        assert_eq!(ssim < 0.97, text, "{seconds} s: {ssim}");
    }
    // The reel may begin later than the clip.
    convert(
        folder.path(),
        "dusk.mkv",
        "b.tbr",
        "--frame-rate 10 --from 1.5 --subtitles words.srt --dither none",
    );
    let said = thumbreel(folder.path(), "compare b.tbr dusk.mkv --each --json");
    let said: Value = serde_json::from_slice(&said).expect("JSON");
    let low = |n: usize| said["each"][n]["ssim"].as_f64().expect("a number") < 0.97;
    assert!(
        low(0) && low(4) && !low(5) && !low(9) && low(10) && !low(15),
        "{said}"
    );
}

#[test]
fn a_track_of_the_clip_gives_what_its_file_gives() {
    let folder = folder();
    dusk(folder.path());
    let make = |arguments: &str| ffmpeg(folder.path(), arguments);
    let language = "-metadata:s:s:0 language=eng";
    make(&format!(
        "-i dusk.mkv -i words.srt -map 0 -map 1 -c copy -c:s srt {language} a.mkv"
    ));
    make(&format!(
        "-i dusk.mkv -i words.srt -map 0 -map 1 -c copy -c:s mov_text {language} a.mp4"
    ));
    make(&format!(
        "-i dusk.mkv -i words.srt -map 0 -map 1 -c copy -c:s ass {language} ass.mkv"
    ));
    make(&format!(
        "-i dusk.mkv -i words.srt -map 0 -map 1 -c copy -c:s webvtt {language} vtt.mkv"
    ));
    let title = "--title dusk --frame-rate 2";
    convert(
        folder.path(),
        "dusk.mkv",
        "file.tbr",
        &format!("{title} --subtitles words.srt"),
    );
    let wanted = fs::read(folder.path().join("file.tbr")).expect("a reel");
    for (clip, track) in [
        ("a.mkv", "1"),
        ("a.mp4", "en"),
        ("ass.mkv", "eng"),
        ("vtt.mkv", "1"),
    ] {
        convert(
            folder.path(),
            clip,
            "track.tbr",
            &format!("{title} --overwrite --subtitles {track}"),
        );
        let found = fs::read(folder.path().join("track.tbr")).expect("a reel");
        // The note tells of the source's container; pictures must be equal.
        assert_eq!(found.len(), wanted.len(), "{clip}");
        let differ = found.iter().zip(&wanted).filter(|(a, b)| a != b).count();
        assert!(differ < 10_000, "{clip}: {differ} bytes differ");
        let said = thumbreel(folder.path(), &format!("compare track.tbr {clip} --json"));
        let said: Value = serde_json::from_slice(&said).expect("JSON");
        let same = thumbreel(folder.path(), "compare file.tbr dusk.mkv --json");
        let same: Value = serde_json::from_slice(&same).expect("JSON");
        assert_eq!(
            (&said["psnr"], &said["ssim"]),
            (&same["psnr"], &same["ssim"]),
            "{clip}"
        );
    }
}

#[test]
fn troubles_with_text_name_the_file_and_the_way_out() {
    let folder = folder();
    dusk(folder.path());
    fs::write(folder.path().join("empty.srt"), "nothing").expect("written");
    for (text, told) in [
        ("empty.srt", "SRT or WebVTT"),
        ("none.srt", "none.srt"),
        ("3", "it has none"),
    ] {
        let mut command = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
        command.current_dir(folder.path());
        command.args([
            "convert",
            "dusk.mkv",
            "--board",
            BOARD,
            "--subtitles",
            text,
            "-o",
            "x.tbr",
        ]);
        let done = command.output().expect("runs");
        let said = String::from_utf8_lossy(&done.stderr);
        assert!(
            !done.status.success() && said.contains(told),
            "{text}: {said}"
        );
        assert!(!folder.path().join("x.tbr").exists());
    }
}

#[test]
fn bars_are_cropped_on_request() {
    let folder = folder();
    let source = "-f lavfi -i testsrc2=size=640x360:rate=10:duration=3";
    let coded = "-c:v libx264 -qp 12 -pix_fmt yuv420p";
    ffmpeg(
        folder.path(),
        &format!("{source} -vf pad=640:480:0:60 {coded} barred.mkv"),
    );
    let arguments = format!("convert barred.mkv --board {BOARD} --crop-bars --plan --json");
    let plan: Value = serde_json::from_slice(&thumbreel(folder.path(), &arguments)).expect("JSON");
    let crop = &plan["plan"]["picture"]["crop"];
    let bars = ["left", "top", "right", "bottom"]
        .map(|side| crop[side].as_i64().unwrap_or_else(|| panic!("{plan}")));
    assert_eq!((bars[0], bars[2]), (0, 0));
    assert!(
        (54..=60).contains(&bars[1]) && (54..=60).contains(&bars[3]),
        "{bars:?}"
    );
    let done = convert(
        folder.path(),
        "barred.mkv",
        "a.tbr",
        "--crop-bars --framing crop",
    );
    assert!(
        done["bytes"].as_u64().expect("a number") > 100_000,
        "{done}"
    );
    thumbreel(folder.path(), "verify a.tbr");
}

#[test]
fn flashing_clips_are_told_of_with_times() {
    let folder = folder();
    // Black and white five times per second, from 2 s to 4 s.
    ffmpeg(
        folder.path(),
        "-f lavfi -i color=black:size=160x120:rate=30:duration=6 -vf 'geq=lum=if(between(T\\,2\\,4)*lt(mod(T\\,0.2)\\,0.1)\\,235\\,16):cb=128:cr=128' -c:v libx264 -pix_fmt yuv420p flash.mkv",
    );
    let done = convert(folder.path(), "flash.mkv", "flash.tbr", "--frame-rate 30");
    let flashes = done["flashes"].as_array().expect("a list");
    assert_eq!(flashes.len(), 1, "{done}");
    assert_eq!(flashes[0]["kind"], "general");
    let (from, to) = (
        flashes[0]["from"].as_f64().unwrap(),
        flashes[0]["to"].as_f64().unwrap(),
    );
    assert!(
        (1.9..2.3).contains(&from) && (3.7..4.2).contains(&to),
        "{from} {to}"
    );
}

#[test]
fn pictures_that_the_clip_repeats_cost_nothing() {
    let folder = folder();
    // Ten frames per second, each stored three times, losslessly.
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=size=320x240:rate=10:duration=3 -vf fps=30 -c:v ffv1 -pix_fmt yuv420p thrice.mkv",
    );
    let done = convert(folder.path(), "thrice.mkv", "a.tbr", "--frame-rate 30");
    let pictures = done["pictures"].as_u64().expect("a number");
    let unchanged = done["pictures_unchanged"].as_u64().expect("a number");
    assert_eq!(pictures, 90, "{done}");
    // Two of three, less the few that are key pictures.
    assert!((55..=60).contains(&unchanged), "{unchanged}");
}

/// The board sets the tone, and the report shows a picture without and with it.
#[test]
fn the_report_shows_the_boards_tone_before_and_after() {
    let folder = folder();
    dusk(folder.path());
    let plain =
        String::from_utf8(thumbreel(folder.path(), &format!("boards show {BOARD}"))).expect("text");
    assert!(plain.contains("gamma = 1.0"), "{plain}");
    let bright = plain
        .replace("gamma = 1.0", "gamma = 0.7")
        .replace("gamma = 1\n", "gamma = 0.7\n");
    fs::write(folder.path().join("bright.toml"), bright).expect("written");
    for (board, told) in [(BOARD, false), ("bright.toml", true)] {
        let more = "--coding raw --frame-rate 5 --size 120x90 --overwrite -o t.tbr --quiet";
        thumbreel(
            folder.path(),
            &format!("convert dusk.mkv --board {board} {more}"),
        );
        let more = "--clip dusk.mkv --rehearsals 10 --overwrite -o t.html --quiet";
        thumbreel(
            folder.path(),
            &format!("report t.tbr --board {board} {more}"),
        );
        let page = fs::read_to_string(folder.path().join("t.html")).expect("a page");
        assert_eq!(page.contains("Tone before and after"), told, "{board}");
    }
}
