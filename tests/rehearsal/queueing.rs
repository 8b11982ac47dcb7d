//! Queueing theory.

use super::built::{calm, ideal, steady};
use thumbreel::budget::{Link, PictureFacts};
use thumbreel::rehearsal::Rehearsal;

/// A small generator, so that arrivals do not come from the code under test.
struct Lcg(u64);

impl Lcg {
    fn exponential(&mut self, mean: f64) -> f64 {
        // Constants of Knuth's MMIX generator.
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let unit = ((self.0 >> 11) as f64 + 0.5) / (1u64 << 53) as f64;
        -mean * unit.ln()
    }
}

/// Mean wait of the panel's bus as a queue: pictures due at random (Poisson),
/// all of the same send time D. Pollaczek and Khinchine: M/D/1 waits
/// rho D / (2 (1 - rho)).
#[test]
fn pictures_at_random_wait_as_in_m_d_1() {
    for rho in [0.3, 0.5, 0.7, 0.85] {
        let mut means = Vec::new();
        for seed in 1..=20 {
            means.push(mean_wait(rho, seed));
        }
        let n = means.len() as f64;
        let mean = means.iter().sum::<f64>() / n;
        let spread = (means.iter().map(|m| (m - mean).powi(2)).sum::<f64>() / (n - 1.0) / n).sqrt();
        let expected = rho / (2.0 * (1.0 - rho));
        assert!(
            (mean - expected).abs() < 4.0 * spread,
            "rho {rho}: {mean} +- {spread}, not {expected}"
        );
        assert!(
            spread < 0.1 * expected,
            "rho {rho}: {spread} is too wide to tell"
        );
    }
}

/// Mean wait in units of D.
fn mean_wait(rho: f64, seed: u64) -> f64 {
    let mut board = ideal(1e6);
    board.panel.window_bytes = 0;
    board.panel.lines = 1;
    board.panel.clock_hz = 1_600_000;
    // 100 pixels of 16 bits at 1.6 MHz: D = 1 ms.
    let count = 20_000;
    let mut reel = steady(1, 5120);
    reel.clock_rate = 1_000_000;
    reel.width = 100;
    reel.height = 100;
    let mut random = Lcg(seed * 7919);
    let mut time = 0.0;
    let pictures = (0..count).map(|_| {
        time += random.exponential(1000.0 / rho);
        PictureFacts {
            tick: time as u64,
            bytes: 0,
            instructions: 0,
            pixels: 100,
            windows: 0,
            key: true,
        }
    });
    reel.pictures = pictures.collect();
    reel.slices[0].ticks = time as u32 + 1000;
    reel.slices[0].pictures = count;
    let run = Rehearsal::new(&reel, &board, Link::Card, &calm(512))
        .unwrap()
        .run(1);
    assert_eq!(run.shown, count);
    run.late_sum_ns as f64 / f64::from(count) / 1e6
}
