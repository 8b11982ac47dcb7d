//! What a maker is told of a clip and its reel: each remark where it matters,
//! with the option that changes it, and none where nothing is the matter.

use std::path::Path;

use crate::common::media::{ffmpeg, folder};
use crate::thumbreel;

/// Ten frames per second and a sine of -18 dBFS: nothing to remark on.
const PLAIN: &str = "-f lavfi -i testsrc2=s=96x64:r=10:d=1 -f lavfi -i sine=440:d=1";

fn make(folder: &Path, name: &str, inputs: &str, filters: &str) {
    ffmpeg(
        folder,
        &format!("{inputs} {filters} -c:v mpeg4 -c:a aac {name}"),
    );
}

/// The notes under a conversion's summary.
fn notes(folder: &Path, clip: &str, options: &str) -> Vec<String> {
    let line = format!("convert {clip} --overwrite {options}");
    let words = line.split(' ').filter(|word| !word.is_empty());
    let done = thumbreel(folder).args(words).output().unwrap();
    assert!(
        done.status.success(),
        "{line}: {:?}",
        String::from_utf8_lossy(&done.stderr)
    );
    let said = String::from_utf8(done.stdout).unwrap();
    let notes = said
        .lines()
        .filter_map(|line| line.trim().strip_prefix("note: "));
    notes.map(str::to_owned).collect()
}

#[test]
fn each_remark_is_made_where_it_matters_and_nowhere_else() {
    let folder = folder();
    let path = folder.path();
    make(path, "plain.mp4", PLAIN, "");
    make(path, "quiet.mp4", PLAIN, "-af volume=-20dB");
    make(path, "bars.mp4", PLAIN, "-vf scale=96:40,pad=96:64:0:12");
    make(path, "thin.mp4", PLAIN, "-vf scale=16:400");
    let fast = PLAIN.replace("r=10", "r=60");
    make(path, "fast.mp4", &fast, "");
    let here = "--board lantern-room";
    let round = "--board porthole";
    let silent = "--no-sound";
    for (clip, options, remark, cured) in [
        ("quiet.mp4", here, "--loudness=-18", "--loudness=-18"),
        ("bars.mp4", here, "--crop-bars", "--crop-bars"),
        ("plain.mp4", round, "--framing crop", "--framing crop"),
        ("thin.mp4", here, "covers 4.0 %", "--framing crop"),
        (
            "plain.mp4",
            "--board lantern-room --duration 5",
            "5.00 s were asked for",
            "--duration 1",
        ),
        (
            "fast.mp4",
            here,
            "--frame-rate asks for another",
            "--frame-rate 30",
        ),
        (
            "plain.mp4",
            "--board lantern-room --pace blend",
            "--pace blend changes nothing",
            "--pace nearest",
        ),
        (
            "plain.mp4",
            "--board lantern-room --anchor left",
            "--anchor changes nothing",
            "--anchor top-left",
        ),
        (
            "plain.mp4",
            "--board lantern-room --framing crop --anchor top",
            "--anchor changes nothing",
            "--framing crop --anchor left",
        ),
        (
            "plain.mp4",
            "--board lantern-room --coding jpeg --dither none",
            "--dither changes nothing",
            "--coding jpeg",
        ),
        (
            "plain.mp4",
            "--board lantern-room --coding patch --dither bayer",
            "patch has one dither of its own",
            "--coding patch --dither none",
        ),
        (
            "plain.mp4",
            "--board lantern-room --crop-bars",
            "no black bars were found",
            silent,
        ),
    ] {
        let told = notes(path, clip, options);
        let about = |note: &&String| note.contains(remark);
        assert_eq!(
            told.iter().filter(about).count(),
            1,
            "{clip} {options}: {told:?}"
        );
        assert_eq!(told.len(), 1, "{clip} {options}: {told:?}");
        let board = options.split(" --").next().unwrap();
        let told = notes(path, clip, &format!("{board} {cured}"));
        assert_eq!(
            told.iter().filter(about).count(),
            0,
            "{clip} {cured}: {told:?}"
        );
    }
    // Foreseen before anything is converted.
    let plan = thumbreel(path)
        .args("convert plain.mp4 --board lantern-room --plan --duration 5".split(' '))
        .output()
        .unwrap();
    let plan = String::from_utf8(plan.stdout).unwrap();
    assert!(plan.contains("5.00 s were asked for"), "{plan}");
    // Copied by half, and too short for a loudness (ITU-R BS.1770: 0.4 s).
    make(path, "whole.mkv", &PLAIN.replace("d=1", "d=4"), "");
    let whole = std::fs::read(path.join("whole.mkv")).unwrap();
    std::fs::write(path.join("half.mkv"), &whole[..whole.len() / 2]).unwrap();
    let told = notes(path, "half.mkv", here);
    let cut = |note: &String| note.contains("the clip states 4.0") && note.contains("is complete");
    assert!(told.iter().any(cut), "{told:?}");
    assert!(notes(path, "whole.mkv", here).is_empty());
    make(path, "short.mp4", &PLAIN.replace("d=1", "d=0.2"), "");
    let line = "convert short.mp4 --board lantern-room";
    let done = thumbreel(path).args(line.split(' ')).output().unwrap();
    let said = String::from_utf8(done.stdout).unwrap();
    assert!(said.contains("too short or soft for a loudness"), "{said}");
    assert_eq!(notes(path, "plain.mp4", here), Vec::<String>::new());
    // Figures of a reel that is not whole say so.
    let reel = std::fs::read(path.join("plain.tbr")).unwrap();
    std::fs::write(path.join("cut.tbr"), &reel[..reel.len() * 2 / 3]).unwrap();
    for (reel, board, remark) in [
        ("plain.tbr", "lantern-room", ""),
        ("cut.tbr", "lantern-room", "cut.tbr is damaged"),
        ("plain.tbr", "bell-buoy", "a panel of 128x160"),
    ] {
        let line = format!("rehearse {reel} --board {board} --runs 3");
        let done = thumbreel(path).args(line.split(' ')).output().unwrap();
        let said = String::from_utf8(done.stderr).unwrap();
        assert!(said.contains(remark), "{line}: {said}");
        assert_eq!(said.is_empty(), remark.is_empty(), "{line}: {said}");
    }
}
