//! The clip, its reels, and what plays them.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Mutex;
use std::sync::atomic::AtomicBool;

use thumbreel::board::Board;
use thumbreel::coding::Coding;
use thumbreel::coding::patch::Level;
use thumbreel::convert::compare::{Terms, compare};
use thumbreel::convert::{Choices, ConvertPlan, Quiet, run};
use thumbreel::sound::SoundCoding;
use thumbreel::units::Ratio;

use crate::common::media::{output, packaged, python};

/// A picture coding with its level.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pictures {
    Raw,
    Jpeg,
    Light,
    Full,
}

pub const PICTURES: [Pictures; 4] = [
    Pictures::Raw,
    Pictures::Jpeg,
    Pictures::Light,
    Pictures::Full,
];
pub const SOUNDS: [SoundCoding; 3] = [SoundCoding::Pcm16, SoundCoding::Pcm8, SoundCoding::Adpcm];

pub fn script(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/virtual_board");
    folder.join(name)
}

/// The clip that `source.py` makes, in `folder`.
pub fn clip(folder: &Path) -> PathBuf {
    let clip = folder.join("source.mkv");
    output(
        python()
            .arg(script("source.py"))
            .arg(packaged("bikes.mp4"))
            .arg(&clip),
    );
    clip
}

/// Converts the clip; `size` as the viewer sees it, the panel's if not given.
pub fn convert(
    clip: &Path,
    reel: &Path,
    board: &Board,
    (pictures, sound): (Pictures, SoundCoding),
    size: Option<(u16, u16)>,
) {
    let mut choices = Choices::new(board.clone());
    choices.coding.coding = Some(match pictures {
        Pictures::Raw => Coding::Raw,
        Pictures::Jpeg => Coding::Jpeg,
        Pictures::Light | Pictures::Full => Coding::Patch,
    });
    choices.coding.level = match pictures {
        Pictures::Light => Some(Level::Light),
        Pictures::Full => Some(Level::Full),
        Pictures::Raw | Pictures::Jpeg => None,
    };
    choices.coding.quality = (pictures != Pictures::Raw).then_some(80);
    choices.rate = Ratio::new(12, 1); // the clip's own
    choices.sound_coding = sound;
    choices.size = size;
    let plan = ConvertPlan::resolve(&choices, clip, reel).unwrap();
    run(&plan, &Quiet, &AtomicBool::new(false)).unwrap();
}

/// PSNR of the real part of the clip, as `compare` has it.
pub fn compared(reel: &Path, clip: &Path) -> f64 {
    let (mut error, mut n) = (0.0, 0);
    compare(reel, clip, Terms::default(), |score, _| {
        if score.number >= 24 {
            error += score.error;
            n += 1;
        }
    })
    .unwrap();
    assert_eq!(n, 24, "pictures of the real part");
    10.0 * (255.0_f64.powi(2) / (error / f64::from(n))).log10()
}

/// Figures by name.
pub type Figures = HashMap<String, f64>;

pub fn figures(text: &str, split: char) -> Figures {
    text.split(['\n', ' '].map(|c| if split == ' ' { '\n' } else { c }))
        .filter_map(|word| word.split_once(split))
        .map(|(key, value)| {
            let number = value.parse();
            (
                key.to_owned(),
                number.unwrap_or_else(|_| panic!("{key}: {value}")),
            )
        })
        .collect()
}

/// Judges several plays of one clip, each told by its words.
pub fn judge(folder: &Path, clip: &Path, jobs: &[String]) -> Vec<Figures> {
    static NUMBER: Mutex<u32> = Mutex::new(0);
    let mut number = NUMBER.lock().unwrap_or_else(|e| e.into_inner());
    *number += 1;
    let list = folder.join(format!("jobs-{number}"));
    drop(number);
    std::fs::write(&list, jobs.join("\n")).unwrap();
    let mut command: Command = python();
    command.arg(script("judge.py")).arg(clip).arg(list);
    command.env("OMP_NUM_THREADS", "1");
    let said = String::from_utf8(output(&mut command)).unwrap();
    let judged: Vec<Figures> = said
        .lines()
        .zip(jobs)
        .map(|(line, job)| {
            assert!(!line.starts_with("failed="), "{job}\n{line}");
            figures(line, '=')
        })
        .collect();
    assert_eq!(judged.len(), jobs.len());
    judged
}
