//! Progress bars on standard error. They are drawn on a terminal only.

use std::time::{Duration, Instant};

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::convert::{Progress, State};

/// The bars of one call.
pub(crate) struct Bars {
    all: MultiProgress,
}

impl Bars {
    /// Bars, or none if `quiet`. Off a terminal none is drawn either.
    pub(crate) fn new(quiet: bool) -> Self {
        let target = match quiet {
            true => ProgressDrawTarget::hidden(),
            false => ProgressDrawTarget::stderr(),
        };
        Self {
            all: MultiProgress::with_draw_target(target),
        }
    }

    /// A bar for one clip.
    pub(crate) fn bar(&self, name: String) -> Bar {
        let bar = self.all.add(ProgressBar::new(0));
        bar.set_style(style("{prefix:12!} {spinner} {wide_msg}"));
        bar.set_prefix(name);
        Bar {
            bar,
            start: Instant::now(),
        }
    }

    /// Prints a line above the bars.
    pub(crate) fn line(&self, text: &str) {
        self.all.suspend(|| eprintln!("{text}"));
    }
}

/// Columns of the terminal.
fn columns() -> u16 {
    console::Term::stderr().size().1
}

/// The progress line for a terminal width; the message fills the rest.
fn template(columns: u16) -> &'static str {
    match columns {
        0..60 => "{prefix:12!} {percent:>3} % {wide_msg}",
        60..100 => "{prefix:16!} {bar:10} {percent:>3} % {wide_msg}",
        _ => "{prefix:24!} {bar:24} {percent:>3} % {wide_msg}",
    }
}

fn style(template: &str) -> ProgressStyle {
    ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar())
}

/// The bar of one clip.
pub(crate) struct Bar {
    bar: ProgressBar,
    start: Instant,
}

impl Bar {
    pub(crate) fn close(&self) {
        self.bar.finish_and_clear();
    }
}

impl Progress for Bar {
    fn update(&self, state: &State) {
        if self.bar.is_hidden() {
            return;
        }
        if let Some(total) = state.total
            && self.bar.length() == Some(0)
        {
            self.bar.set_length(total.as_millis() as u64);
            self.bar.set_style(style(template(columns())));
        }
        self.bar.set_position(state.position.as_millis() as u64);
        self.bar.set_message(message(state, self.start.elapsed()));
    }
}

/// Position, speed in frames per second and times real time, time left, bytes.
fn message(state: &State, spent: Duration) -> String {
    let seconds = spent.as_secs_f64().max(1e-3);
    let speed = state.position.as_secs_f64() / seconds;
    let left = state.total.map(|total| {
        let rest = total.saturating_sub(state.position).as_secs_f64();
        format!(", {} left", clock(rest / speed.max(1e-6)))
    });
    format!(
        "{}, {:.0} fps, {speed:.1} times real time{}, {}",
        clock(state.position.as_secs_f64()),
        state.pictures as f64 / seconds,
        left.unwrap_or_default(),
        size(state.bytes)
    )
}

/// `1:02:03` or `2:03`.
pub(crate) fn clock(seconds: f64) -> String {
    let whole = seconds.round().clamp(0.0, 1e9) as u64;
    let (h, m, s) = (whole / 3600, whole / 60 % 60, whole % 60);
    if h > 0 {
        format!("{h}:{m:02}:{s:02}")
    } else {
        format!("{m}:{s:02}")
    }
}

/// Bytes with a decimal unit.
pub(crate) fn size(bytes: u64) -> String {
    match bytes {
        0..1000 => format!("{bytes} B"),
        1000..1_000_000 => format!("{:.1} kB", bytes as f64 / 1e3),
        1_000_000..1_000_000_000 => format!("{:.2} MB", bytes as f64 / 1e6),
        _ => format!("{:.2} GB", bytes as f64 / 1e9),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_and_sizes_read_well() {
        assert_eq!(
            (clock(3723.4), clock(59.6)),
            ("1:02:03".into(), "1:00".into())
        );
        assert_eq!(
            (size(999), size(1_500_000)),
            ("999 B".into(), "1.50 MB".into())
        );
        let state = State {
            pictures: 300,
            position: Duration::from_secs(20),
            total: Some(Duration::from_secs(60)),
            bytes: 2_000_000,
        };
        let text = message(&state, Duration::from_secs(10));
        assert_eq!(
            text,
            "0:20, 30 fps, 2.0 times real time, 0:20 left, 2.00 MB"
        );
    }
}
