//! Hostile and damaged payloads: an error, the last good picture, no panic.

use crate::scenes::{Dice, panel, picture, plan};
use thumbreel::coding::patch::{Decoder, Level, memory_bytes};
use thumbreel::coding::{Coding, DecodeError, encoder};

#[test]
fn noise_and_flipped_bits_never_panic() {
    for level in [Level::Light, Level::Full] {
        let mut plan = plan(48, 40, Coding::Patch);
        plan.level = level;
        let mut coder = encoder(&plan).unwrap();
        let coded: Vec<_> = (0..3)
            .map(|n| {
                let source = picture(48, 40, n, 0, 20);
                coder.encode(&source.input(48, 40), n == 0).unwrap().bytes
            })
            .collect();
        let mut memory = vec![0; memory_bytes(48, 40)];
        let mut decoder = Decoder::new(48, 40, level, &mut memory).unwrap();
        let mut dice = Dice(level as u64 + 1);
        let mut refused = 0;
        for round in 0..1500 {
            let mut bytes = coded[round % 3].clone();
            for _ in 0..1 + dice.roll(4) {
                let at = dice.roll(bytes.len() as u64) as usize;
                bytes[at] = dice.roll(256) as u8;
            }
            if round % 5 == 0 {
                bytes.truncate(dice.roll(bytes.len() as u64) as usize);
            }
            if round % 7 == 0 {
                // Noise behind a valid head.
                for b in bytes.iter_mut().skip(2) {
                    *b = dice.roll(256) as u8;
                }
            }
            refused += u32::from(decoder.decode(&bytes).is_err());
            let mut row = [0; 48];
            decoder.row(0, round % 40, &mut row);
        }
        assert!(refused > 700, "{refused}");
    }
}

#[test]
fn after_damage_the_panel_keeps_its_picture_until_a_key() {
    let plan = plan(64, 64, Coding::Patch);
    let (mut coder, mut panel) = (encoder(&plan).unwrap(), panel(&plan, &[]));
    let mut coded = Vec::new();
    for n in 0..4 {
        let source = picture(64, 64, n, 0, 8);
        coded.push(
            coder
                .encode(&source.input(64, 64), n == 0 || n == 3)
                .unwrap(),
        );
    }
    panel.decode(2, 1, &coded[0].bytes).unwrap();
    let good = panel.pixels().to_vec();
    let cut = &coded[1].bytes[..coded[1].bytes.len() / 2];
    assert!(panel.decode(2, 0, cut).is_err());
    assert_eq!(panel.pixels(), good);
    let lost = panel.decode(2, 0, &coded[2].bytes).unwrap_err();
    assert_eq!(lost, DecodeError::NeedsKey.into());
    assert_eq!(panel.pixels(), good);
    panel.decode(2, 1, &coded[3].bytes).unwrap();
    assert_ne!(panel.pixels(), good);
}

#[test]
fn bad_heads_sizes_and_memory_are_refused() {
    let mut memory = vec![0; memory_bytes(32, 32)];
    assert!(Decoder::new(32, 32, Level::Full, &mut memory[1..]).is_err());
    assert!(Decoder::new(513, 32, Level::Full, &mut memory).is_err());
    assert!(Decoder::new(0, 32, Level::Full, &mut memory).is_err());
    let mut decoder = Decoder::new(32, 32, Level::Full, &mut memory).unwrap();
    assert_eq!(decoder.decode(&[6]), Err(DecodeError::Short));
    for head in [[5, 20], [0x16, 20], [6, 52]] {
        let verdict = decoder.decode(&[head[0], head[1], 0, 0, 0, 0]);
        assert!(
            matches!(verdict, Err(DecodeError::Invalid(_))),
            "{verdict:?}"
        );
    }
    assert_eq!(decoder.decode(&[2, 20, 0, 0]), Err(DecodeError::NeedsKey));
}

#[test]
fn raw_rectangles_outside_or_cut_are_refused_whole() {
    let plan = plan(8, 8, Coding::Raw);
    let mut panel = panel(&plan, &[]);
    let rect = |x: u8, w: u8| [1, 0, 0, 0, x, 0, 0, 0, w, 0, 1, 0, 9, 9, 9, 9];
    assert!(panel.decode(0, 0, &rect(0, 2)).is_ok());
    for bad in [
        &rect(7, 2)[..],
        &rect(0, 0),
        &rect(0, 2)[..15],
        &[1, 0, 1, 0],
    ] {
        assert!(panel.decode(0, 0, bad).is_err(), "{bad:?}");
    }
    let mut long = rect(0, 2).to_vec();
    long.push(0);
    assert!(panel.decode(0, 0, &long).is_err());
    assert!(panel.decode(7, 0, &rect(0, 2)).is_err());
    assert!(panel.decode(0, 2, &rect(0, 2)).is_err());
}
