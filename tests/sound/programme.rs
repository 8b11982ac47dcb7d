//! Real speech and music from registry packages through the whole stage.

use std::path::{Path, PathBuf};
use std::process::Command;

use thumbreel::sound::enclosure::{Driver, DriverDatasheet, Enclosure, Mounting};
use thumbreel::sound::{
    DynamicRange, Layout, LoudnessMeter, SoundCoding, SoundPlan, VirtualBass, decode_block,
};

use crate::level::convert_from;
use crate::signals::unit;

struct Programme {
    name: &'static str,
    layout: Layout,
    frames: Vec<f32>,
}

/// Interleaved samples at 48 kHz, by the ffmpeg program.
fn decoded(file: &Path, channels: usize, seconds: u32) -> Vec<f32> {
    assert!(
        file.exists(),
        "{} is missing: run .ci/install test",
        file.display()
    );
    let output = Command::new("ffmpeg")
        .args(["-v", "error", "-i"])
        .arg(file)
        .args([
            "-t",
            &seconds.to_string(),
            "-f",
            "f32le",
            "-ar",
            "48000",
            "-",
        ])
        .output()
        .expect("ffmpeg starts: run .ci/install test");
    let bytes = output.stdout.chunks_exact(4);
    let samples: Vec<f32> = bytes
        .map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]]))
        .collect();
    assert!(
        !samples.is_empty() && samples.len().is_multiple_of(channels),
        "{}",
        file.display()
    );
    samples
}

fn clip(name: &str) -> PathBuf {
    PathBuf::from(std::env::var("HOME").unwrap())
        .join(".cache/thumbreel/clips")
        .join(name)
}

/// Spoken words, music, and the sound of two films (one in 5.1).
fn programmes() -> Vec<Programme> {
    let words = [
        "Front_Center",
        "Front_Left",
        "Rear_Right",
        "Side_Left",
        "Rear_Center",
        "Front_Right",
    ];
    let speech = words.iter().flat_map(|word| {
        decoded(
            Path::new(&format!("/usr/share/sounds/alsa/{word}.wav")),
            1,
            10,
        )
    });
    let music = Path::new("/usr/share/games/frozen-bubble/snd/frozen-mainzik-2p.xm");
    vec![
        Programme {
            name: "speech",
            layout: Layout::mono(),
            frames: speech.collect(),
        },
        Programme {
            name: "music",
            layout: Layout::stereo(),
            frames: decoded(music, 2, 10),
        },
        Programme {
            name: "film, stereo",
            layout: Layout::stereo(),
            frames: decoded(&clip("cup.mp4"), 2, 10),
        },
        Programme {
            name: "film, 5.1",
            layout: Layout::usual(6),
            frames: decoded(&clip("bigbuckbunny.mp4"), 6, 10),
        },
    ]
}

fn speaker() -> Enclosure {
    let sheet = DriverDatasheet {
        diameter_mm: 40.0,
        impedance_ohm: 4.0,
        rated_w: 3.0,
        resonance_hz: Some(350.0),
        ..DriverDatasheet::default()
    };
    Enclosure::new(Driver::new(&sheet).unwrap(), Mounting::Closed(0.1)).unwrap()
}

#[test]
fn speech_and_music_meet_the_target_under_the_ceiling() {
    let speaker = speaker();
    for programme in programmes() {
        for (rate, target, shaped) in [
            (48_000, -16.0, false),
            (24_000, -16.0, true),
            (8_000, -14.0, false),
        ] {
            let corner = speaker.high_pass(3.0);
            let plan = SoundPlan {
                rate,
                loudness: Some(target),
                high_pass: shaped.then_some(corner),
                bass: shaped.then_some(VirtualBass {
                    hz: corner.hz,
                    level_db: -3.0,
                }),
                high_shelf: if shaped { speaker.high_shelf() } else { None },
                ..SoundPlan::default()
            };
            let (out, report) = convert_from(48_000, &programme.layout, &plan, &programme.frames);
            let name = programme.name;
            let mut meter = LoudnessMeter::new(rate, &Layout::mono()).unwrap();
            let floats: Vec<f32> = unit(&out).iter().map(|&s| s as f32).collect();
            meter.push(&floats).unwrap();
            let after = meter.loudness().unwrap();
            println!(
                "{name} at {rate} Hz: {:.2} LUFS for {target}, {:.2} dBTP, limiter {:.1} dB",
                after.integrated, after.true_peak, report.peak.most_db
            );
            assert!(
                (after.integrated - target).abs() < 0.5,
                "{name} at {rate}: {report:?}"
            );
            let ceiling = 10f64.powf(-1.0 / 20.0);
            assert!(
                unit(&out).iter().all(|s| s.abs() <= ceiling),
                "{name} at {rate}"
            );
            assert!(after.true_peak <= -1.0, "{name} at {rate}: {report:?}");
        }
    }
}

#[test]
fn every_option_together_still_meets_the_target() {
    let speaker = speaker();
    for programme in programmes() {
        let corner = speaker.high_pass(3.0);
        let plan = SoundPlan {
            rate: 24_000,
            loudness: Some(-16.0),
            high_pass: Some(corner),
            bass: Some(VirtualBass {
                hz: corner.hz,
                level_db: 0.0,
            }),
            high_shelf: speaker.high_shelf(),
            dynamic_range: DynamicRange::NoisyRoom,
            driver_ceiling: Some(-6.0),
            ceiling: -2.0,
            ..SoundPlan::default()
        };
        let (_, report) = convert_from(48_000, &programme.layout, &plan, &programme.frames);
        let name = programme.name;
        assert!(
            (report.after.integrated + 16.0).abs() < 0.5,
            "{name}: {report:?}"
        );
        assert!(report.after.true_peak <= -2.0, "{name}: {report:?}");
    }
}

#[test]
fn real_sound_survives_four_bits() {
    for programme in programmes() {
        let plan = SoundPlan {
            rate: 22_050,
            loudness: Some(-18.0),
            ..SoundPlan::default()
        };
        let (out, _) = convert_from(48_000, &programme.layout, &plan, &programme.frames);
        let mut encoder = thumbreel::sound::BlockEncoder::new(SoundCoding::Adpcm, 22_050);
        let (mut noise, mut signal) = (0.0, 0.0);
        for slice in out.chunks(5000) {
            let mut back = vec![0; slice.len()];
            decode_block(SoundCoding::Adpcm, &encoder.encode(slice), &mut back).unwrap();
            for (a, b) in slice.iter().zip(&back) {
                noise += (f64::from(*a) - f64::from(*b)).powi(2);
                signal += f64::from(*a).powi(2);
            }
        }
        let snr = 10.0 * (signal / noise).log10();
        println!("{}: {snr:.2} dB signal to noise in 4 bits", programme.name);
        assert!(snr > 18.0, "{}: {snr} dB", programme.name);
    }
}
