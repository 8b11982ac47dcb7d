//! What is coded comes back.

use crate::scenes::{panel, picture, plan, psnr};
use thumbreel::coding::patch::Level;
use thumbreel::coding::{Coding, FLAG_KEY, Shape, encoder};
use thumbreel::units::mask;

#[test]
fn raw_comes_back_pixel_for_pixel_and_still_parts_cost_nothing() {
    let plan = plan(90, 70, Coding::Raw);
    let (mut coder, mut panel) = (encoder(&plan).unwrap(), panel(&plan, &[]));
    let mut shown = picture(90, 70, 0, 0, 0);
    for n in 0..5 {
        // Only a stripe moves.
        let next = picture(90, 70, n, 1, 0);
        shown.pixels[90 * 20..90 * 30].copy_from_slice(&next.pixels[90 * 20..90 * 30]);
        let coded = coder.encode(&shown.input(90, 70), false).unwrap();
        panel.decode(0, u8::from(coded.key), &coded.bytes).unwrap();
        assert_eq!(panel.pixels(), shown.pixels);
        if n > 0 {
            assert!(coded.bus_bytes < 90 * 16 * 2 + 50, "{}", coded.bus_bytes);
        }
    }
    let still = coder.encode(&shown.input(90, 70), false).unwrap();
    assert!(still.unchanged && still.bytes.is_empty());
}

#[test]
fn patch_is_close_to_the_source_at_both_levels_and_any_size() {
    for (w, h) in [(64, 48), (37, 21), (17, 16), (1, 1)] {
        for level in [Level::Light, Level::Full] {
            let mut plan = plan(w, h, Coding::Patch);
            plan.level = level;
            plan.quality = 85;
            let (mut coder, mut panel) = (encoder(&plan).unwrap(), panel(&plan, &[]));
            for n in 0..6 {
                let source = picture(w, h, n, n / 4, 4);
                let coded = coder.encode(&source.input(w, h), n == 3).unwrap();
                assert!(coded.key || n != 0 && n != 3);
                let flags = u8::from(coded.key) | u8::from(coded.unchanged) << 1;
                panel.decode(2, flags, &coded.bytes).unwrap();
                let db = psnr(&source.rgb, panel.pixels());
                assert!(db > 31.0, "{w}x{h} {level:?} picture {n}: {db:.1} dB");
            }
        }
    }
}

#[test]
fn a_round_panel_sends_no_hidden_cell() {
    let mut plan = plan(120, 120, Coding::Patch);
    plan.shape = Shape::Ellipse;
    let (mut coder, mut panel) = (encoder(&plan).unwrap(), panel(&plan, &[]));
    let source = picture(120, 120, 0, 0, 4);
    let coded = coder.encode(&source.input(120, 120), true).unwrap();
    let sent = panel.decode(2, FLAG_KEY, &coded.bytes).unwrap().to_vec();
    let covered = |x: u16, y: u16| {
        sent.iter()
            .any(|r| (r.x..r.x + r.w).contains(&x) && (r.y..r.y + r.h).contains(&y))
    };
    for y in 0..120 {
        let (a, b) = mask::row_span(120, 120, y).unwrap_or((0, 0));
        assert!((a..b).all(|x| covered(x, y)), "row {y}");
    }
    // The corner macroblock of 16x16 lies outside a circle of radius 60.
    assert!(!covered(0, 0) && !covered(119, 119) && !covered(15, 15));
}

// ITU-T T.81, table K.1 in zigzag order begins 16 11 12 14 12 10 16 14; at
// quality 50 the usual scaling leaves it as it is.
#[test]
fn jpeg_tables_stand_apart_and_pictures_decode_with_them() {
    let mut plan = plan(64, 48, Coding::Jpeg);
    plan.quality = 50;
    let mut coder = encoder(&plan).unwrap();
    let tables = coder.tables().to_vec();
    assert_eq!(tables[..2], [0xFF, 0xD8]);
    assert_eq!(tables[tables.len() - 2..], [0xFF, 0xD9]);
    let at = tables.windows(2).position(|w| w == [0xFF, 0xDB]).unwrap();
    assert_eq!(tables[at + 5..at + 13], [16, 11, 12, 14, 12, 10, 16, 14]);
    let source = picture(64, 48, 0, 0, 2);
    let coded = coder.encode(&source.input(64, 48), true).unwrap();
    for marker in [0xDB, 0xC4] {
        assert!(!coded.bytes.windows(2).any(|w| w == [0xFF, marker]));
    }
    let mut panel = panel(&plan, &tables);
    panel.decode(1, FLAG_KEY, &coded.bytes).unwrap();
    let db = psnr(&source.rgb, panel.pixels());
    assert!(db > 27.0, "{db:.1} dB");
}

#[test]
fn more_quality_costs_more_bytes_and_gives_a_closer_picture() {
    for coding in [Coding::Jpeg, Coding::Patch] {
        let mut last = (0, 0.0);
        for quality in [20, 50, 80] {
            let mut plan = plan(96, 96, coding);
            plan.quality = quality;
            let mut coder = encoder(&plan).unwrap();
            let mut panel = panel(&plan, coder.tables());
            let source = picture(96, 96, 0, 2, 12);
            let coded = coder.encode(&source.input(96, 96), true).unwrap();
            panel.decode(coding as u8, 1, &coded.bytes).unwrap();
            let now = (coded.bytes.len(), psnr(&source.rgb, panel.pixels()));
            assert!(now.0 > last.0 && now.1 > last.1, "{coding:?} {quality}");
            last = now;
        }
    }
}

/// A still scene must not pulse where a key picture comes.
#[test]
fn a_key_picture_shows_no_pulse_on_a_still_scene() {
    let plan = plan(96, 96, Coding::Patch);
    let (mut coder, mut panel) = (encoder(&plan).unwrap(), panel(&plan, &[]));
    let source = picture(96, 96, 3, 2, 0);
    let mut shown = Vec::new();
    for n in 0..12 {
        let coded = coder.encode(&source.input(96, 96), n % 6 == 0).unwrap();
        let flags = u8::from(coded.key) | u8::from(coded.unchanged) << 1;
        panel.decode(2, flags, &coded.bytes).unwrap();
        shown.push(psnr(&source.rgb, panel.pixels()));
    }
    let swing = shown[6] - shown[5];
    assert!(swing.abs() < 1.0, "{shown:?}");
}
