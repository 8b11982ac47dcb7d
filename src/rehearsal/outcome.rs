//! What came of rehearsals: one run, and many.

use serde::Serialize;

use crate::budget::Verdict;

/// What a viewer notices.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FaultKind {
    /// The sound stopped.
    SoundGap,
    /// A picture came later than the tolerance.
    LatePicture,
    /// A picture was left out.
    DroppedPicture,
}

/// What a fault came from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// The link is too slow for this stretch.
    Link,
    /// A stall of the link.
    Stall,
    /// Segments lost in the air.
    Loss,
    /// Decoding took too long.
    Core,
    /// The panel's bus was busy.
    Bus,
    /// Waiting for the panel's tearing signal.
    Tearing,
}

/// How many causes there are.
pub const CAUSES: usize = 6;

impl Cause {
    /// Every cause, in order.
    pub const ALL: [Self; CAUSES] = [
        Self::Link,
        Self::Stall,
        Self::Loss,
        Self::Core,
        Self::Bus,
        Self::Tearing,
    ];

    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Link => "the link is too slow here",
            Self::Stall => "the link stalled",
            Self::Loss => "segments were lost",
            Self::Core => "decoding took too long",
            Self::Bus => "the panel's bus was busy",
            Self::Tearing => "the panel's scan was waited for",
        }
    }
}

/// One fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Fault {
    /// What was noticed.
    pub kind: FaultKind,
    /// Place in the reel in nanoseconds from its start.
    pub at_ns: u64,
    /// Length of a gap, lateness of a picture, in nanoseconds.
    pub length_ns: u64,
    /// Where it came from.
    pub cause: Cause,
}

impl Fault {
    /// What is felt, when, and where it comes from.
    #[must_use]
    pub fn words(self) -> String {
        let what = match self.kind {
            FaultKind::SoundGap => "the sound stops for",
            FaultKind::LatePicture => "a picture is late by",
            FaultKind::DroppedPicture => "a picture is left out, late by",
        };
        format!(
            "{what} {:.0} ms at {:.1} s, {}",
            self.length_ns as f64 / 1e6,
            self.at_ns as f64 / 1e9,
            self.cause.words()
        )
    }
}

/// One rehearsal.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Run {
    /// From the first request to the first sound, in nanoseconds.
    pub start_ns: u64,
    /// From the first request to the end, in nanoseconds.
    pub end_ns: u64,
    /// Gaps in the sound.
    pub gaps: u32,
    /// All gaps together, in nanoseconds.
    pub gap_ns: u64,
    /// The longest gap.
    pub worst_gap: Option<Fault>,
    /// Pictures shown.
    pub shown: u32,
    /// Of these, later than the tolerance.
    pub late: u32,
    /// Pictures left out.
    pub dropped: u32,
    /// The latest picture, shown or left out, among the faults.
    pub worst_late: Option<Fault>,
    /// Sum of all shown pictures' lateness (sending began after its time), in
    /// nanoseconds.
    pub late_sum_ns: u64,
    /// Longest time from a picture's moment in the sound until the panel had
    /// all of it, in nanoseconds.
    pub worst_sync_ns: u64,
    /// The very first fault.
    pub first: Option<Fault>,
    /// Faults that follow no other, by cause.
    pub causes: [u32; CAUSES],
    /// Least bytes in the ring buffer as a slice began; `u64::MAX` if the whole reel
    /// was there.
    pub low_water_bytes: u64,
    /// Least time by which a slice was whole before it had to sound.
    pub least_ahead_ns: u64,
    /// Bytes taken from the link, in whole reads or segments.
    pub bytes_in: u64,
    /// Bytes of slices played.
    pub bytes_out: u64,
}

impl Default for Run {
    fn default() -> Self {
        Self {
            start_ns: 0,
            end_ns: 0,
            gaps: 0,
            gap_ns: 0,
            worst_gap: None,
            shown: 0,
            late: 0,
            dropped: 0,
            worst_late: None,
            late_sum_ns: 0,
            worst_sync_ns: 0,
            first: None,
            causes: [0; CAUSES],
            low_water_bytes: u64::MAX,
            least_ahead_ns: u64::MAX,
            bytes_in: 0,
            bytes_out: 0,
        }
    }
}

impl Run {
    /// No gap, no late and no missing picture.
    #[must_use]
    pub const fn is_clean(&self) -> bool {
        self.gaps == 0 && self.late == 0 && self.dropped == 0
    }
}

/// Many rehearsals together.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Tally {
    /// How many.
    pub runs: u32,
    /// How many were clean.
    pub clean: u32,
    /// How many had a gap in the sound.
    pub with_gaps: u32,
    /// How many had late or missing pictures.
    pub with_late: u32,
    /// The longest gap of all, and the seed of its run.
    pub worst_gap: Option<(Fault, u64)>,
    /// The latest picture of all, and the seed of its run.
    pub worst_late: Option<(Fault, u64)>,
    /// Longest wait before the first sound, in nanoseconds.
    pub longest_start_ns: u64,
    /// Sum of the waits before the first sound, in nanoseconds.
    pub start_sum_ns: u128,
    /// Longest time until a picture was all on the panel, in nanoseconds.
    pub worst_sync_ns: u64,
    /// Least bytes in the ring buffer as a slice began.
    pub low_water_bytes: Option<u64>,
    /// Least time by which a slice was ahead, in nanoseconds.
    pub least_ahead_ns: Option<u64>,
    /// Late pictures in all runs.
    pub late: u64,
    /// Left-out pictures in all runs.
    pub dropped: u64,
    /// First causes of faults in all runs.
    pub causes: [u64; CAUSES],
    /// Runs by the cause of their very first fault.
    pub first_causes: [u32; CAUSES],
}

impl Tally {
    /// Adds one run.
    pub fn add(&mut self, run: &Run, seed: u64) {
        self.merge(&Self {
            runs: 1,
            clean: run.is_clean().into(),
            with_gaps: (run.gaps > 0).into(),
            with_late: (run.late + run.dropped > 0).into(),
            worst_gap: run.worst_gap.map(|f| (f, seed)),
            worst_late: run.worst_late.map(|f| (f, seed)),
            longest_start_ns: run.start_ns,
            start_sum_ns: run.start_ns.into(),
            worst_sync_ns: run.worst_sync_ns,
            low_water_bytes: (run.low_water_bytes < u64::MAX).then_some(run.low_water_bytes),
            least_ahead_ns: (run.least_ahead_ns < u64::MAX).then_some(run.least_ahead_ns),
            late: run.late.into(),
            dropped: run.dropped.into(),
            causes: run.causes.map(u64::from),
            first_causes: Cause::ALL.map(|c| run.first.is_some_and(|f| f.cause == c).into()),
        });
    }

    /// Adds the runs of another; the order does not matter.
    pub fn merge(&mut self, other: &Self) {
        self.runs += other.runs;
        self.clean += other.clean;
        self.with_gaps += other.with_gaps;
        self.with_late += other.with_late;
        self.worst_gap = worse(self.worst_gap, other.worst_gap);
        self.worst_late = worse(self.worst_late, other.worst_late);
        self.longest_start_ns = self.longest_start_ns.max(other.longest_start_ns);
        self.start_sum_ns += other.start_sum_ns;
        self.worst_sync_ns = self.worst_sync_ns.max(other.worst_sync_ns);
        self.low_water_bytes = least(self.low_water_bytes, other.low_water_bytes);
        self.least_ahead_ns = least(self.least_ahead_ns, other.least_ahead_ns);
        self.late += other.late;
        self.dropped += other.dropped;
        for (mine, theirs) in self.causes.iter_mut().zip(other.causes) {
            *mine += theirs;
        }
        for (mine, theirs) in self.first_causes.iter_mut().zip(other.first_causes) {
            *mine += theirs;
        }
    }

    /// Fit if 99 runs in 100 were clean, tight if 95 were.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        let share = |percent: u64| u64::from(self.clean) * 100 >= u64::from(self.runs) * percent;
        if share(99) {
            Verdict::Fits
        } else if share(95) {
            Verdict::Tight
        } else {
            Verdict::DoesNotFit
        }
    }

    /// Mean wait before the first sound, in nanoseconds.
    #[must_use]
    pub fn mean_start_ns(&self) -> u64 {
        (self.start_sum_ns / u128::from(self.runs.max(1))) as u64
    }

    /// The cause that came first in most runs.
    #[must_use]
    pub fn commonest_cause(&self) -> Option<Cause> {
        Cause::ALL
            .into_iter()
            .filter(|c| self.first_causes[*c as usize] > 0)
            .max_by_key(|c| self.first_causes[*c as usize])
    }
}

/// The longer fault; of equals that of the lower seed, so that the number of
/// threads does not show.
fn worse(a: Option<(Fault, u64)>, b: Option<(Fault, u64)>) -> Option<(Fault, u64)> {
    match (a, b) {
        (Some(x), Some(y)) if (y.0.length_ns, x.1) > (x.0.length_ns, y.1) => Some(y),
        (None, y) => y,
        (x, _) => x,
    }
}

fn least(a: Option<u64>, b: Option<u64>) -> Option<u64> {
    a.into_iter().chain(b).min()
}
