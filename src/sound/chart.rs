//! Charts of a speaker in its box: level, excursion and their limits.

use super::enclosure::{Enclosure, Mounting};
use super::shape::HighPass;
use crate::chart::{Axis, Level, Plot};

/// Lowest and highest frequency of the picture, Hz.
const SPAN: (f64, f64) = (50.0, 10_000.0);

/// Over frequency: the level at `metres` at the rated power, at the most that
/// excursion and rating allow, and behind the suggested high-pass; and how far the
/// cone moves then, and how far it may.
#[must_use]
pub fn enclosure_plots(box_: &Enclosure, high_pass: HighPass, metres: f64) -> [Plot; 2] {
    let sections = high_pass.sections(96_000.0);
    let cut = |hz: f64| -> f64 { sections.iter().map(|s| s.response_db(hz, 96_000.0)).sum() };
    let rated = |hz: f64| box_.level_db(hz, box_.driver.rated_w, metres);
    let moved = |hz: f64| box_.excursion_mm(hz, box_.driver.rated_w);
    let curve = |value: &dyn Fn(f64) -> f64| frequencies().map(|hz| (hz, value(hz))).collect();
    let plot = |title: &str, unit: &str| {
        let mut plot = Plot::over_time(title, unit);
        plot.across = Axis::new("Hz").logarithmic().between(SPAN.0, SPAN.1);
        plot
    };
    let cut_level = |hz: f64| rated(hz) + cut(hz);
    let least = frequencies().map(cut_level).fold(f64::INFINITY, f64::min);
    let most = frequencies().map(rated).fold(0.0, f64::max);
    let mut level = plot(&title(box_), &format!("dB SPL at {metres} m"))
        .with("rated power", curve(&rated))
        .with(
            "within excursion and rating",
            curve(&|hz| box_.loudest_db(hz, metres)),
        )
        .with("rated power with the high-pass", curve(&cut_level));
    // A level of 0 dB is no more an end than any other.
    let tens = |v: f64| (v / 10.0).floor() * 10.0;
    level.up = level.up.between(tens(least), tens(most) + 10.0);
    let mut excursion = plot("Excursion of the cone", "mm, one way")
        .with("rated power", curve(&moved))
        .with(
            "rated power with the high-pass",
            curve(&|hz| moved(hz) * 10f64.powf(cut(hz) / 20.0)),
        );
    excursion.levels.push(Level {
        name: format!("Xmax limit, {} mm", box_.driver.excursion_mm),
        value: box_.driver.excursion_mm,
    });
    [level, excursion]
}

fn title(box_: &Enclosure) -> String {
    match box_.mounting {
        Mounting::Closed(litres) => format!("Level in a closed box of {:.0} ml", litres * 1000.0),
        Mounting::FreeAir => "Level in free air".into(),
    }
}

fn frequencies() -> impl Iterator<Item = f64> {
    const STEPS: i32 = 200;
    (0..=STEPS).map(|i| SPAN.0 * (SPAN.1 / SPAN.0).powf(f64::from(i) / f64::from(STEPS)))
}
