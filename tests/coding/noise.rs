//! `denoise`: fewer bytes, and the scene that grain hides no worse.

use crate::scenes::{panel, picture, plan};
use thumbreel::coding::{Coding, denoised, encoder, expand_565};
use thumbreel::picture::quality::ssim;

const SIDE: u16 = 112;

/// Bytes, and the mean SSIM (Wang et al. 2004) against the clean scene.
fn code(coding: Coding, scene: u32, grain: u32, denoise: bool) -> (Vec<Vec<u8>>, f64) {
    let plan = plan(SIDE, SIDE, coding);
    let mut coder = encoder(&plan).unwrap();
    if denoise {
        coder = denoised(coder, SIDE, SIDE);
    }
    let mut panel = panel(&plan, coder.tables());
    let (mut bytes, mut sum) = (Vec::new(), 0.0);
    for n in 0..24 {
        let source = picture(SIDE, SIDE, n, scene, grain);
        let coded = coder.encode(&source.input(SIDE, SIDE), n == 0).unwrap();
        let flags = u8::from(coded.key) | u8::from(coded.unchanged) << 1;
        panel.decode(coding as u8, flags, &coded.bytes).unwrap();
        let shown: Vec<u8> = panel.pixels().iter().flat_map(|&p| expand_565(p)).collect();
        sum += ssim(
            &picture(SIDE, SIDE, n, scene, 0).rgb,
            &shown,
            SIDE.into(),
            3,
        );
        bytes.push(coded.bytes);
    }
    (bytes, sum / 24.0)
}

#[test]
fn without_grain_there_are_fewer_bytes_and_a_truer_scene() {
    // Of a hundred; JPEG cannot gain from what stands still.
    for (coding, scene, most) in [
        (Coding::Patch, 0, 80),
        (Coding::Patch, 2, 80),
        (Coding::Jpeg, 0, 90),
    ] {
        let [(plain, before), (clean, after)] =
            [false, true].map(|denoise| code(coding, scene, 20, denoise));
        let [plain, clean] = [plain, clean].map(|p| p.iter().map(Vec::len).sum::<usize>());
        let what = format!("{coding:?} scene {scene}: {plain} B {before:.4}, {clean} B {after:.4}");
        assert!(100 * clean < most * plain, "{what}");
        assert!(after > before, "{what}");
    }
}

#[test]
fn a_clean_clip_is_left_as_it_is() {
    for coding in [Coding::Patch, Coding::Jpeg] {
        assert_eq!(code(coding, 1, 0, true), code(coding, 1, 0, false));
    }
}
