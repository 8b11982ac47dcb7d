//! Measured times of card and Wi-Fi as a picture.

use crate::board::Measured;
use crate::chart::{Axis, Curve, Plot, alone};

/// The share of reads within a time, and each stall, as a picture by itself (SVG).
#[must_use]
pub fn latency_picture(measured: &Measured) -> String {
    let mut plot = Plot::over_time("Measured times", "% of the times within it");
    plot.across = Axis::new("microseconds").logarithmic();
    plot.up = plot.up.between(0.0, 100.0);
    let logs = [("card", &measured.card), ("Wi-Fi", &measured.wifi)];
    for (name, log) in logs {
        let Some(log) = log else { continue };
        let points = log.quantiles.iter().map(|(share, us)| (*us, share * 100.0));
        plot = plot.with(name, points.collect());
        if !log.stalls_us.is_empty() {
            plot.dots.push(Curve {
                name: format!("stalls of {name}, {}", log.stalls_us.len()),
                points: log.stalls_us.iter().map(|us| (*us, 100.0)).collect(),
            });
        }
    }
    alone(&[plot])
}
