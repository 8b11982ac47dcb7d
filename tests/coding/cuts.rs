//! Key pictures do not pulse.

use crate::scenes::{panel, picture, plan};
use thumbreel::coding::patch::Level;
use thumbreel::coding::{Coding, encoder, expand_565};

const SIDE: u16 = 112;

/// On a moving scene with grain: how far the panel's step from picture to
/// picture is from the source's step (mean square, levels), at key pictures
/// and at all others.
#[test]
fn a_key_picture_shows_no_pulse_in_motion() {
    for level in [Level::Light, Level::Full] {
        for (scene, grain) in [(0, 4), (2, 10)] {
            let mut plan = plan(SIDE, SIDE, Coding::Patch);
            plan.level = level;
            let (mut coder, mut panel) = (encoder(&plan).unwrap(), panel(&plan, &[]));
            let mut last: Option<Vec<f64>> = None;
            let mut steps = [(0.0, 0.0); 2];
            for n in 0..49 {
                let source = picture(SIDE, SIDE, n, scene, grain);
                let key = n % 12 == 0;
                let coded = coder.encode(&source.input(SIDE, SIDE), key).unwrap();
                let flags = u8::from(coded.key) | u8::from(coded.unchanged) << 1;
                panel.decode(2, flags, &coded.bytes).unwrap();
                let shown = panel.pixels().iter().flat_map(|&p| expand_565(p));
                let error: Vec<f64> = shown
                    .zip(&source.rgb)
                    .map(|(a, &b)| f64::from(a) - f64::from(b))
                    .collect();
                if let Some(last) = &last {
                    let squares = error.iter().zip(last).map(|(a, b)| (a - b).powi(2));
                    let (sum, pictures) = &mut steps[usize::from(key)];
                    *sum += squares.sum::<f64>() / error.len() as f64;
                    *pictures += 1.0;
                }
                last = Some(error);
            }
            let [others, keys] = steps.map(|(sum, pictures)| sum / pictures);
            let ratio = keys / others;
            println!("{level:?} scene {scene}: {keys:.1} at keys, {others:.1} at others");
            assert!(
                ratio < 1.6,
                "{level:?} scene {scene}: {keys:.1} against {others:.1}"
            );
        }
    }
}
