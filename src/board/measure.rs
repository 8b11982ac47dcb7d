//! A probe's log becomes a profile's figures.

use serde::Serialize;

use super::{Board, Provenance};

/// Why a log is refused.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum MeasureError {
    /// A line that the probe does not print.
    #[error("{file}: line {line}: {message}")]
    Line {
        /// The log's path.
        file: String,
        /// Number of the line, from 1.
        line: usize,
        /// What is wrong.
        message: String,
    },
    /// The log as a whole makes no sense.
    #[error("{file}: {message}")]
    Log {
        /// The log's path.
        file: String,
        /// What is wrong and what to do.
        message: String,
    },
}

/// Times of one kind, sorted out into the usual and the stalls.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Latency {
    /// Samples.
    pub count: usize,
    /// (share, microseconds) of the usual times.
    pub quantiles: Vec<(f64, f64)>,
    /// Stalls seen, in microseconds, rising.
    pub stalls_us: Vec<f64>,
    /// All times together, in minutes.
    pub minutes: f64,
    /// Bytes of one sample, or of all of them over their number.
    pub bytes: f64,
}

/// What a log holds.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Measured {
    /// Card reads.
    pub card: Option<Latency>,
    /// Received pieces.
    pub wifi: Option<Latency>,
    /// Microseconds a pixel and a window on the panel's bus.
    pub bus: Option<(f64, f64)>,
    /// Instructions a microsecond, and the spread of equal work.
    pub work: Option<(f64, f64)>,
}

/// Shares at which the usual times are kept.
const SHARES: [f64; 11] = [0.0, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99, 0.999, 1.0];
/// Fewer samples say nothing about stalls.
const LEAST_SAMPLES: usize = 200;
/// A time over so many medians and over the least stall is a stall.
const STALL_MEDIANS: f64 = 10.0;
const LEAST_STALL_US: f64 = 5000.0;
/// No single wait is longer than this, or the clock was read wrongly.
const LONGEST_US: f64 = 60e6;
/// The worst stall of a year is longer than that of a few minutes: so much
/// is added to the longest that was seen (assumed).
const WORST_RESERVE: f64 = 1.5;

#[derive(Default)]
struct Samples {
    card: Vec<[f64; 2]>,
    wifi: Vec<[f64; 2]>,
    bus: Vec<[f64; 3]>,
    work: Vec<[f64; 2]>,
}

impl Measured {
    /// Reads the probe's log; `file` names it in errors.
    ///
    /// # Errors
    /// Not such a log, one that was cut off, or figures that cannot be.
    pub fn parse(text: &str, file: &str) -> Result<Self, MeasureError> {
        let log = |message: String| MeasureError::Log {
            file: file.into(),
            message,
        };
        let samples = read(text, file)?;
        let measured = Self {
            card: latency(&samples.card, "card").map_err(log)?,
            wifi: latency(&samples.wifi, "wifi").map_err(log)?,
            bus: bus(&samples.bus).map_err(log)?,
            work: work(&samples.work).map_err(log)?,
        };
        if measured == Self::default() {
            return Err(log(
                "the log has no samples; implement at least one of the probe's hooks".into(),
            ));
        }
        let sizes = samples.card.iter().map(|s| s[0]);
        if sizes
            .clone()
            .any(|b| b != samples.card[0][0] || b % 512.0 != 0.0)
        {
            return Err(log(
                "card reads must all have the same size, whole blocks of 512 bytes".into(),
            ));
        }
        Ok(measured)
    }

    /// The board with these figures in the place of its own, marked measured.
    #[must_use]
    pub fn apply(&self, board: &Board) -> Board {
        let mut board = board.clone();
        let mut keys: Vec<&str> = Vec::new();
        self.apply_card(&mut board, &mut keys);
        self.apply_bus(&mut board, &mut keys);
        self.apply_wifi(&mut board, &mut keys);
        self.apply_work(&mut board, &mut keys);
        for key in keys {
            board.provenance.insert(key.into(), Provenance::Measured);
        }
        board
    }

    fn apply_card(&self, board: &mut Board, keys: &mut Vec<&'static str>) {
        let (Some(card), Some(log)) = (&mut board.card, &self.card) else {
            return;
        };
        card.quantiles.clone_from(&log.quantiles);
        card.quantile_bytes = log.bytes as u32;
        keys.extend(["card.quantiles", "card.quantile_bytes"]);
        // A card makes one wait for what it is asked, not for the time that
        // passes: full-speed reading meets its stalls sooner than play does.
        let megabytes = log.bytes * log.count as f64 / 1e6;
        let before = card.stalls.per_minute;
        let seen = apply_stalls(&mut card.stalls, log);
        let count = log.stalls_us.len() as f64;
        if seen || card.stalls.per_minute < before {
            card.stalls.per_minute = 0.0;
            card.stalls.per_megabyte = if seen { count } else { 3.0 } / megabytes;
        }
        if seen {
            keys.push("card.stalls");
        } else {
            keys.extend(["card.stalls.per_minute", "card.stalls.per_megabyte"]);
        }
    }

    fn apply_bus(&self, board: &mut Board, keys: &mut Vec<&'static str>) {
        let Some((pixel_us, window_us)) = self.bus else {
            return;
        };
        let panel = &mut board.panel;
        let bits = panel.half_bytes_per_pixel() as f64 * 4.0 / f64::from(panel.lines);
        panel.clock_hz = (bits / pixel_us * 1e6).round() as u32;
        let commands = f64::from(panel.window_bytes) * 8.0 / f64::from(panel.lines);
        panel.window_us = (window_us - commands / f64::from(panel.clock_hz) * 1e6).max(0.0);
        keys.extend(["panel.clock_hz", "panel.window_us"]);
    }

    fn apply_wifi(&self, board: &mut Board, keys: &mut Vec<&'static str>) {
        let (Some(wifi), Some(log)) = (&mut board.wifi, &self.wifi) else {
            return;
        };
        let stalled: f64 = log.stalls_us.iter().sum();
        let bits = log.bytes * log.count as f64 * 8.0 / (log.minutes * 60e6 - stalled) * 1e6;
        wifi.usable_share = (bits / wifi.rate_bps()).clamp(0.01, 0.95);
        keys.push("wifi.usable_share");
        // What came in shows that the window turns round at least this fast.
        let turn = f64::from(wifi.window_bytes) * 8e3 / bits;
        if turn < wifi.round_trip_ms {
            wifi.round_trip_ms = turn;
            keys.push("wifi.round_trip_ms");
        }
        keys.push(if apply_stalls(&mut wifi.stalls, log) {
            "wifi.stalls"
        } else {
            "wifi.stalls.per_minute"
        });
    }

    fn apply_work(&self, board: &mut Board, keys: &mut Vec<&'static str>) {
        let Some((per_us, spread)) = self.work else {
            return;
        };
        let cpu = &mut board.cpu;
        cpu.instructions_per_cycle = per_us * 1e6 / (f64::from(cpu.clock_hz) * cpu.share);
        cpu.jitter = spread;
        keys.extend(["cpu.instructions_per_cycle", "cpu.jitter"]);
    }
}

/// Puts stalls into a profile; whether their lengths were seen. With none
/// seen in T minutes, three in T is the 95 % bound (rule of three, Hanley and
/// Lippman-Hand 1983), and the lengths stay as assumed.
fn apply_stalls(stalls: &mut super::Stalls, log: &Latency) -> bool {
    let Some(worst) = log.stalls_us.last() else {
        stalls.per_minute = stalls.per_minute.min(3.0 / log.minutes);
        return false;
    };
    stalls.per_minute = log.stalls_us.len() as f64 / log.minutes;
    stalls.typical_ms = log.stalls_us[log.stalls_us.len() / 2] / 1e3;
    stalls.worst_ms = worst / 1e3 * WORST_RESERVE;
    true
}

fn read(text: &str, file: &str) -> Result<Samples, MeasureError> {
    let mut samples = Samples::default();
    let mut ended = None;
    let mut count = 0;
    for (number, line) in text.lines().map(str::trim_end).enumerate() {
        let wrong = |message: String| MeasureError::Line {
            file: file.into(),
            line: number + 1,
            message,
        };
        if number == 0 {
            if line != "thumbreel-probe,1" {
                return Err(wrong(
                    "not a probe's log: the first line must be `thumbreel-probe,1`".into(),
                ));
            }
            continue;
        }
        let (kind, values) = line.split_once(',').unwrap_or((line, ""));
        let values: Result<Vec<f64>, String> = values.split(',').map(figure).collect();
        let values = values.map_err(wrong)?;
        match (kind, values.as_slice()) {
            ("end", [lines]) => ended = Some(*lines as usize),
            ("card", [bytes, us]) => samples.card.push([*bytes, *us]),
            ("wifi", [bytes, us]) => samples.wifi.push([*bytes, *us]),
            ("decode", [done, us]) => samples.work.push([*done, *us]),
            ("bus", [pixels, windows, us]) => samples.bus.push([*pixels, *windows, *us]),
            _ => return Err(wrong(format!("`{line}` is no line of a probe"))),
        }
        count += usize::from(kind != "end");
    }
    match ended {
        Some(lines) if lines == count => Ok(samples),
        _ => Err(MeasureError::Log {
            file: file.into(),
            message: format!(
                "the log is incomplete ({count} lines); record it again from the first line to `end`"
            ),
        }),
    }
}

fn figure(text: &str) -> Result<f64, String> {
    let value: u32 = text
        .parse()
        .map_err(|_| format!("`{text}` is not a whole number"))?;
    Ok(f64::from(value))
}

/// Sorts the times of equal samples out.
fn latency(samples: &[[f64; 2]], kind: &str) -> Result<Option<Latency>, String> {
    if samples.is_empty() {
        return Ok(None);
    }
    if samples.len() < LEAST_SAMPLES {
        return Err(format!(
            "{} {kind} samples are too few; record at least {LEAST_SAMPLES}, better 20000",
            samples.len()
        ));
    }
    let mut times: Vec<f64> = samples.iter().map(|s| s[1]).collect();
    times.sort_unstable_by(f64::total_cmp);
    let bytes = samples.iter().map(|s| s[0]).sum::<f64>() / samples.len() as f64;
    let total: f64 = times.iter().sum();
    let worst = times[times.len() - 1];
    if worst > LONGEST_US {
        return Err(format!(
            "a {kind} time of {:.0} s is impossible; does the clock wrap?",
            worst / 1e6
        ));
    }
    if bytes <= 0.0 || total <= 0.0 || bytes * samples.len() as f64 / total > 500.0 {
        return Err(format!(
            "{kind} samples faster than 500 MB/s are impossible; is the clock in microseconds?"
        ));
    }
    let median = times[times.len() / 2];
    let limit = (median * STALL_MEDIANS).max(LEAST_STALL_US);
    let usual = &times[..times.partition_point(|t| *t <= limit)];
    if usual.len() * 10 < times.len() * 9 {
        return Err(format!(
            "more than a tenth of the {kind} times are stalls; something else blocked the board"
        ));
    }
    let at = |share: f64| {
        (
            share,
            usual[((usual.len() - 1) as f64 * share).round() as usize].max(1.0),
        )
    };
    Ok(Some(Latency {
        count: times.len(),
        quantiles: SHARES.map(at).to_vec(),
        stalls_us: times[usual.len()..].to_vec(),
        minutes: total / 60e6,
        bytes,
    }))
}

/// Least squares of time = pixels x a + windows x b.
fn bus(samples: &[[f64; 3]]) -> Result<Option<(f64, f64)>, String> {
    if samples.is_empty() {
        return Ok(None);
    }
    let sum = |f: &dyn Fn(&[f64; 3]) -> f64| samples.iter().map(f).sum::<f64>();
    let (pp, pw, ww) = (
        sum(&|s| s[0] * s[0]),
        sum(&|s| s[0] * s[1]),
        sum(&|s| s[1] * s[1]),
    );
    let (pt, wt) = (sum(&|s| s[0] * s[2]), sum(&|s| s[1] * s[2]));
    let determinant = pp * ww - pw * pw;
    if determinant <= 1e-6 * pp * ww {
        return Err("bus lines must vary in both pixels and windows".into());
    }
    let pixel = (pt * ww - wt * pw) / determinant;
    let window = (wt * pp - pt * pw) / determinant;
    let error = sum(&|s| (s[0] * pixel + s[1] * window - s[2]).powi(2));
    let spread = (error / sum(&|s| s[2] * s[2]).max(1.0)).sqrt();
    if pixel <= 0.0 || window < 0.0 || spread > 0.2 {
        return Err(format!(
            "bus times do not follow pixels and windows (off by {:.0} %); is the bus shared with something?",
            spread * 100.0
        ));
    }
    Ok(Some((pixel, window)))
}

fn work(samples: &[[f64; 2]]) -> Result<Option<(f64, f64)>, String> {
    if samples.is_empty() {
        return Ok(None);
    }
    let mut rates: Vec<f64> = samples.iter().map(|s| s[0] / s[1].max(1.0)).collect();
    rates.sort_unstable_by(f64::total_cmp);
    let median = rates[rates.len() / 2];
    let slow = rates[rates.len() / 20];
    if !(0.1..=10_000.0).contains(&median) {
        return Err(format!(
            "{median:.2} instructions per microsecond is impossible"
        ));
    }
    Ok(Some((median, (median / slow - 1.0).clamp(0.0, 1.0))))
}
