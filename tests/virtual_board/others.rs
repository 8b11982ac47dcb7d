//! The same clip by the other ways out: the Rust decoders, `export`, and the
//! page in a browser.

use std::path::{Path, PathBuf};
use std::process::Command;

use thumbreel::board::{Board, Shape};
use thumbreel::coding::expand_565;
use thumbreel::sound::SoundCoding;

use crate::clip::{Figures, Pictures, clip, compared, convert, judge, script};
use crate::common::media::{folder, output, tools};
use crate::common::played;
use crate::source::{least_snr, patch_error};
use crate::support::Running;

/// A reel of each picture coding, on boards that differ the most: turned and
/// swapped, round and inverted, wide, without anything.
const REELS: [(&str, Pictures, SoundCoding); 4] = [
    ("tide-gauge", Pictures::Full, SoundCoding::Pcm16),
    ("porthole", Pictures::Light, SoundCoding::Adpcm),
    ("harbour-chart", Pictures::Jpeg, SoundCoding::Pcm8),
    ("bell-buoy", Pictures::Raw, SoundCoding::Pcm16),
];

struct Reel {
    board: Board,
    pictures: Pictures,
    sound: SoundCoding,
    path: PathBuf,
    compared: f64,
}

impl Reel {
    /// Words for the judge about the panel and what is heard.
    fn panel(&self) -> String {
        let (w, h) = self.board.panel.upright_size();
        let round = u8::from(self.board.panel.shape == Shape::Ellipse);
        let rate = self.board.sound.sample_rate;
        format!("width={w} height={h} ellipse={round} rate={rate}")
    }

    fn mounting(&self) -> String {
        let p = &self.board.panel;
        format!("turns={} mirror={}", p.rotation / 90, u8::from(p.mirror))
    }

    fn file(&self, ending: &str) -> PathBuf {
        self.path.with_extension(ending)
    }

    fn assert(&self, way: &str, found: &Figures, costs: f64) {
        let name = format!("{way}, {}, {:?}", self.board.name, self.pictures);
        println!("{name}: compare={:.2} {found:.2?}", self.compared);
        let least = self.compared - costs;
        assert!(
            found["psnr_real"] > least,
            "{name}: {found:?}, least {least:.2}"
        );
        assert!(found["upright"] > 4.0, "{name}: {found:?}");
        assert!(
            found["patch_error"] < patch_error(self.pictures) + costs,
            "{name}: {found:?}"
        );
        assert!(
            found["sound_snr"] > least_snr(self.sound),
            "{name}: {found:?}"
        );
        assert!(
            (found["between_clicks"] - 0.5).abs() < 2.0 / 8000.0,
            "{name}: {found:?}"
        );
    }
}

fn reels(folder: &Path, clip: &Path) -> Vec<Reel> {
    std::fs::create_dir(folder.join("reels")).unwrap();
    REELS
        .into_iter()
        .map(|(name, pictures, sound)| {
            let board = Board::find(name).unwrap();
            let path = folder.join("reels").join(format!("{name}.tbr"));
            convert(clip, &path, &board, (pictures, sound), None);
            Reel {
                compared: compared(&path, clip),
                board,
                pictures,
                sound,
                path,
            }
        })
        .collect()
}

/// Pictures and sound as the Rust decoders give them.
fn decoded(reel: &Reel) -> String {
    let played = played::play(&reel.path);
    let mut pictures = Vec::new();
    for (tick, pixels) in &played.pictures {
        let nanos = (played.seconds(*tick) * 1e9) as i64;
        pictures.extend(nanos.to_le_bytes());
        pictures.extend(pixels.iter().flat_map(|p| expand_565(*p)));
    }
    let samples: Vec<u8> = played
        .samples
        .iter()
        .flat_map(|s| s.to_le_bytes())
        .collect();
    std::fs::write(reel.file("rust"), pictures).unwrap();
    std::fs::write(reel.file("ear"), samples).unwrap();
    format!(
        "pictures={} ear={} {} {}",
        reel.file("rust").display(),
        reel.file("ear").display(),
        reel.panel(),
        reel.mounting()
    )
}

fn export(reel: &Reel, to: &Path) {
    output(
        Command::new(env!("CARGO_BIN_EXE_thumbreel"))
            .arg("export")
            .arg(&reel.path)
            .args(["--quiet", "-o"])
            .arg(to),
    );
}

/// Numbered pictures and WAV; then the film, with the WAV's sound.
fn exported(reel: &Reel) -> [String; 2] {
    let (folder, wav, film) = (reel.file("pictures"), reel.file("wav"), reel.file("mp4"));
    // A folder's name has no ending.
    let folder = folder.with_extension("");
    for to in [&folder, &wav, &film] {
        export(reel, to);
    }
    [
        format!(
            "folder={} wav={} {}",
            folder.display(),
            wav.display(),
            reel.panel()
        ),
        format!(
            "film={} wav={} {}",
            film.display(),
            wav.display(),
            reel.panel()
        ),
    ]
}

#[test]
fn decoders_and_exports_show_and_play_the_clip() {
    let folder = folder();
    let clip = clip(folder.path());
    let reels = reels(folder.path(), &clip);
    let mut jobs: Vec<String> = reels.iter().map(decoded).collect();
    for reel in &reels {
        jobs.extend(exported(reel));
    }
    let judged = judge(folder.path(), &clip, &jobs);
    let (rust, exports) = judged.split_at(reels.len());
    for (reel, (rust, export)) in reels.iter().zip(rust.iter().zip(exports.chunks(2))) {
        reel.assert("Rust", rust, 0.1);
        reel.assert("PNG", &export[0], 0.1);
        // The film is coded once more, with less chroma.
        reel.assert("film", &export[1], 2.5);
    }
}

#[test]
fn the_page_shows_and_plays_the_clip() {
    let folder = folder();
    let clip = clip(folder.path());
    let reels = reels(folder.path(), &clip);
    let node = tools().join("node_modules");
    let server = Running::start(&folder.path().join("reels"));
    let mut see = Command::new("node");
    see.arg(script("see.mjs"))
        .arg(format!("http://{}", server.address));
    see.env("THUMBREEL_NODE", node);
    for reel in &reels {
        see.arg(format!("/reels/{}.tbr", reel.board.name));
        see.arg(reel.file("page")).arg(reel.file("heard"));
    }
    output(&mut see);
    let jobs: Vec<String> = reels
        .iter()
        .map(|reel| {
            let (page, heard) = (reel.file("page"), reel.file("heard"));
            let files = format!("pictures={} ear={}", page.display(), heard.display());
            format!("{files} {} {}", reel.panel(), reel.mounting())
        })
        .collect();
    for (reel, found) in reels.iter().zip(judge(folder.path(), &clip, &jobs)) {
        reel.assert("page", &found, 0.1);
    }
}
