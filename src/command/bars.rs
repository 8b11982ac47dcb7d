//! Progress bars on standard error. They are drawn on a terminal only.

use std::fs::File;
use std::io::{Seek, SeekFrom};
use std::time::{Duration, Instant};

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::out::complain;
use super::show::visible;
pub(crate) use crate::budget::size;
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
        bar.set_prefix(visible(&name));
        Bar {
            bar,
            start: Instant::now(),
        }
    }

    /// A bar for a task of known length, drawn once it has taken a moment.
    pub(crate) fn task(&self, name: &str) -> Task {
        let bar = self.all.add(ProgressBar::new(1000));
        bar.set_style(style("{prefix} {bar:24} {percent:>3} % {wide_msg}"));
        bar.set_prefix(visible(name));
        Task {
            bar: Some(bar),
            start: Instant::now(),
        }
    }

    /// A sign of life for a task of unknown length.
    pub(crate) fn busy(&self, name: &str) -> Task {
        let bar = self.all.add(ProgressBar::new_spinner());
        bar.set_style(style("{spinner} {prefix}, {elapsed}"));
        bar.set_prefix(name.to_owned());
        bar.enable_steady_tick(Duration::from_millis(250));
        Task {
            bar: Some(bar),
            start: Instant::now(),
        }
    }

    /// Prints a line above the bars.
    pub(crate) fn line(&self, text: &str) {
        self.all.suspend(|| complain!("{text}"));
    }
}

/// The bar of a task; it vanishes with the task.
#[derive(Clone)]
pub(crate) struct Task {
    bar: Option<ProgressBar>,
    start: Instant,
}

impl Task {
    /// Tells how much is done, as a share of one.
    pub(crate) fn at(&self, share: f64) {
        let Some(bar) = self.bar.as_ref().filter(|bar| !bar.is_hidden()) else {
            return;
        };
        let share = share.clamp(0.0, 1.0);
        bar.set_position((share * 1000.0) as u64);
        if share > 0.02 {
            let left = self.start.elapsed().as_secs_f64() * (1.0 / share - 1.0);
            bar.set_message(format!("{} left", clock(left)));
        }
    }

    /// A file whose reading moves the bar.
    pub(crate) fn reading(&self, file: File) -> std::io::Result<Read> {
        let length = file.metadata()?.len();
        let task = self.clone();
        Ok(Read { file, length, task })
    }

    pub(crate) fn close(mut self) {
        if let Some(bar) = self.bar.take() {
            bar.finish_and_clear();
        }
    }
}

/// A file that tells how far it was read.
pub(crate) struct Read {
    file: File,
    length: u64,
    task: Task,
}

impl std::io::Read for Read {
    fn read(&mut self, to: &mut [u8]) -> std::io::Result<usize> {
        let read = self.file.read(to)?;
        let at = self.file.stream_position()?;
        self.task.at(at as f64 / self.length.max(1) as f64);
        Ok(read)
    }
}

impl Seek for Read {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        self.file.seek(to)
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
