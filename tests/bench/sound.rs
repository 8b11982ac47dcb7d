//! What the sound costs: processor time of the sound stage for a second of
//! sound, and its share of a whole conversion.
//!
//! Run: `cargo bench --bench sound`. Processor time is that of the process
//! (user and system, all threads); each figure is the least of three runs. A
//! clip's share depends on its picture: small pictures make sound look dear.

#[path = "../common/mod.rs"]
mod common;

use std::sync::atomic::AtomicBool;

use rustix::time::{ClockId, clock_gettime};
use thumbreel::board::Board;
use thumbreel::convert::{self, Choices, ConvertPlan, Outcome, Quiet};
use thumbreel::sound::{
    BlockEncoder, DynamicRange, HighPass, Layout, Measured, SoundCoding, SoundMeter, SoundPlan,
    SoundStage, Verdict, VirtualBass,
};

use common::media::packaged as clip;

/// Processor seconds of this process so far.
fn processor() -> f64 {
    let time = clock_gettime(ClockId::ProcessCPUTime);
    time.tv_sec as f64 + time.tv_nsec as f64 * 1e-9
}

fn least<T>(runs: usize, mut work: impl FnMut() -> T) -> (f64, T) {
    let mut best: Option<(f64, T)> = None;
    for _ in 0..runs {
        let before = processor();
        let made = work();
        let spent = processor() - before;
        if best.as_ref().is_none_or(|(least, _)| spent < *least) {
            best = Some((spent, made));
        }
    }
    best.expect("at least one run")
}

const RATE: u32 = 48_000;
const SECONDS: usize = 30;

/// Stereo that wanders over 30 dB: tones and noise.
fn programme() -> Vec<f32> {
    let mut state = 1u32;
    let mut noise = || {
        state ^= state << 13;
        state ^= state >> 17;
        state ^= state << 5;
        state as f32 / u32::MAX as f32 * 2.0 - 1.0
    };
    let mut level = 0.1;
    (0..SECONDS * RATE as usize)
        .flat_map(|i| {
            if i % 9600 == 0 {
                level = 10f32.powf((noise() * 15.0 - 20.0) / 20.0);
            }
            let hum = (i as f32 * 0.03).sin();
            [level * (hum + 0.5 * noise()), level * (hum + 0.5 * noise())]
        })
        .collect()
}

fn measure(plan: &SoundPlan, frames: &[f32]) -> Option<Measured> {
    let layout = Layout::stereo();
    let mut meter = plan
        .needs_measuring()
        .then(|| SoundMeter::new(RATE, &layout, plan).unwrap())?;
    loop {
        frames
            .chunks(2048)
            .for_each(|piece| meter.push(piece).unwrap());
        match meter.finish().unwrap() {
            Verdict::Done(measured) => return Some(measured),
            Verdict::Again(next) => meter = *next,
        }
    }
}

fn stage(plan: &SoundPlan, frames: &[f32]) -> usize {
    let measured = measure(plan, frames);
    let mut stage = SoundStage::new(RATE, &Layout::stereo(), plan, measured).unwrap();
    let mut encoder = BlockEncoder::new(plan.coding, plan.rate);
    let (mut out, mut bytes) = (Vec::new(), 0);
    for piece in frames.chunks(2048) {
        stage.push(piece, &mut out).unwrap();
        bytes += encoder.encode(&out).len();
        out.clear();
    }
    stage.finish(&mut out).unwrap();
    bytes + encoder.encode(&out).len()
}

fn stages() {
    let frames = programme();
    let neutral = SoundPlan {
        rate: 24_000,
        ..SoundPlan::default()
    };
    let loud = SoundPlan {
        loudness: Some(-16.0),
        ..neutral.clone()
    };
    let all = SoundPlan {
        high_pass: Some(HighPass::at(400.0)),
        bass: Some(VirtualBass {
            hz: 400.0,
            level_db: -3.0,
        }),
        dynamic_range: DynamicRange::Night,
        driver_ceiling: Some(-6.0),
        ..loud.clone()
    };
    let plans = [
        ("neutral, 24 kHz, PCM 16", neutral.clone()),
        (
            "neutral, 48 kHz, PCM 16",
            SoundPlan {
                rate: 48_000,
                ..neutral.clone()
            },
        ),
        (
            "neutral, 24 kHz, PCM 8",
            SoundPlan {
                coding: SoundCoding::Pcm8,
                ..neutral.clone()
            },
        ),
        (
            "neutral, 24 kHz, ADPCM",
            SoundPlan {
                coding: SoundCoding::Adpcm,
                ..neutral
            },
        ),
        ("loudness -16, all passes", loud),
        ("everything, all passes", all),
    ];
    for (name, plan) in plans {
        let (spent, _) = least(3, || std::hint::black_box(stage(&plan, &frames)));
        println!(
            "{name:<28} {:6.3} ms per second of stereo sound",
            1000.0 * spent / SECONDS as f64
        );
    }
}

fn conversion(name: &str, with: &dyn Fn(&mut Choices)) -> (f64, Outcome) {
    let folder = tempfile::tempdir().unwrap();
    let mut choices = Choices::new(Board::find("lantern-room").unwrap());
    choices.overwrite = true;
    with(&mut choices);
    let output = folder.path().join("bench.tbr");
    let plan = ConvertPlan::resolve(&choices, &clip(name), &output).unwrap();
    least(3, || {
        convert::run(&plan, &Quiet, &AtomicBool::new(false)).unwrap()
    })
}

fn main() {
    stages();
    for name in ["bigbuckbunny.mp4", "cup.mp4"] {
        let (plain, outcome) = conversion(name, &|_| {});
        let (loud, levelled) = conversion(name, &|c| c.shaping.loudness = Some(-16.0));
        println!(
            "{name}: whole conversion {:.0} ms of processor time, sound stage {:.1} % of it; with a \
             loudness target {:.0} ms, sound stage {:.1} %, first passes with their decoding {:.1} %",
            1000.0 * plain,
            100.0 * outcome.timings.sound / plain,
            1000.0 * loud,
            100.0 * levelled.timings.sound / loud,
            100.0 * levelled.timings.measure / loud,
        );
    }
}
