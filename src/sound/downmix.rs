//! Downmix of any channel layout to mono.

use serde::{Deserialize, Serialize};

use super::layout::{Channel, Layout};

/// Mix of all channels to mono.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "program", derive(clap::ValueEnum))]
#[serde(rename_all = "kebab-case")]
pub enum Downmix {
    /// ITU-R BS.775 weights, scaled so that a tone that is equal in left and
    /// right keeps its level.
    #[default]
    Sum,
    /// The left channels and the centre only.
    Left,
    /// The right channels and the centre only.
    Right,
    /// Left and right shifted 90 degrees apart before the sum, so that opposite
    /// phases do not cancel.
    PhaseSafe,
}

impl Downmix {
    /// In words.
    pub(super) const fn words(self) -> &'static str {
        match self {
            Self::Sum => "sum (ITU-R BS.775)",
            Self::Left => "left half",
            Self::Right => "right half",
            Self::PhaseSafe => "phase-safe sum",
        }
    }
}

/// The weight of a channel in mono by ITU-R BS.775-3, annex 4 (3/2 to 1/0):
/// left and right 0.7071, centre 1, surrounds 0.5; a lone surround 0.7071 (as
/// for 3/1, from memory). The LFE channel is left out, as the recommendation
/// allows; channels above are treated like surrounds (ours, no source).
const fn weight(channel: Channel) -> f64 {
    match channel {
        Channel::Centre => 1.0,
        Channel::Left
        | Channel::Right
        | Channel::LeftOfCentre
        | Channel::RightOfCentre
        | Channel::CentreBack => std::f64::consts::FRAC_1_SQRT_2,
        Channel::Lfe => 0.0,
        _ => 0.5,
    }
}

/// Weights of each channel in mono, in the layout's order.
#[must_use]
pub fn weights(layout: &Layout, mode: Downmix) -> Vec<f64> {
    let raw = layout.channels().iter().map(|&c| weight(c) * kept(c, mode));
    let scale = 1.0 / reference(layout, mode);
    raw.map(|w| w * scale).collect()
}

/// Whether a mode keeps a channel: 1 or 0.
fn kept(channel: Channel, mode: Downmix) -> f64 {
    let gone = match mode {
        Downmix::Left => channel.side() > 0,
        Downmix::Right => channel.side() < 0,
        Downmix::Sum | Downmix::PhaseSafe => false,
    };
    if gone { 0.0 } else { 1.0 }
}

/// What the weights are divided by: the sum over the front pair, so that equal
/// left and right come out at their own level; without a pair, the sum of all.
fn reference(layout: &Layout, mode: Downmix) -> f64 {
    let pair = |c: &Channel| matches!(c, Channel::Left | Channel::Right);
    let sum = |wanted: &dyn Fn(&Channel) -> bool| -> f64 {
        let chosen = layout.channels().iter().filter(|c| wanted(c));
        chosen.map(|&c| weight(c) * kept(c, mode)).sum()
    };
    let front = sum(&pair);
    if front > 0.0 {
        // A quarter turn apart, two equal tones add to sqrt 2 of one, not to 2.
        return if mode == Downmix::PhaseSafe {
            front / std::f64::consts::SQRT_2
        } else {
            front
        };
    }
    let all = sum(&|_| true);
    if all > 0.0 { all } else { 1.0 }
}

/// Mixes interleaved frames to mono.
#[derive(Debug)]
pub struct Mixer {
    left: Vec<f32>,
    right: Vec<f32>,
    turn: Option<QuarterTurn>,
}

impl Mixer {
    /// A mixer for frames of this layout.
    #[must_use]
    pub fn new(layout: &Layout, mode: Downmix) -> Self {
        let weights = weights(layout, mode);
        let turned = mode == Downmix::PhaseSafe && layout.count() > 1;
        let half = |right: bool| {
            let sides = layout.channels().iter().zip(&weights);
            sides
                .map(|(c, &w)| {
                    if (turned && c.side() > 0) == right {
                        w as f32
                    } else {
                        0.0
                    }
                })
                .collect()
        };
        Self {
            left: half(false),
            right: half(true),
            turn: turned.then(QuarterTurn::default),
        }
    }

    /// Appends the mono mix of whole interleaved frames to `out`. Samples that
    /// are not finite numbers count as silence.
    pub fn mix(&mut self, frames: &[f32], out: &mut Vec<f32>) {
        let channels = self.left.len();
        let Self { left, right, turn } = self;
        let finite = |x: f32| if x.is_finite() { x } else { 0.0 };
        match (turn, &left[..]) {
            // The common case, in a form that the compiler makes vectors of.
            (None, &[l, r]) => {
                let pairs = frames.as_chunks::<2>().0.iter();
                out.extend(pairs.map(|[a, b]| finite(a * l + b * r)));
            }
            (None, left) => {
                out.extend(
                    frames
                        .chunks_exact(channels)
                        .map(|frame| finite(dot(frame, left))),
                );
            }
            (Some(turn), left) => out.extend(frames.chunks_exact(channels).map(|frame| {
                let (a, b) = (finite(dot(frame, left)), finite(dot(frame, right)));
                turn.push(f64::from(a), f64::from(b)) as f32
            })),
        }
    }
}

fn dot(frame: &[f32], weights: &[f32]) -> f32 {
    frame.iter().zip(weights).map(|(s, w)| s * w).sum()
}

/// Two chains of second-order all-passes whose outputs are 90 degrees apart
/// from 0.0005 to 0.4995 of the rate, within about a degree. Coefficients
/// published by O. Niemitalo ("Hilbert transform", 1999; from memory, checked
/// by a test).
#[derive(Debug, Default)]
struct QuarterTurn {
    a: [AllPass; 4],
    b: [AllPass; 4],
    late: f64,
}

const TURN_A: [f64; 4] = [
    0.692_387_8,
    0.936_065_432_295_9,
    0.988_229_522_686,
    0.998_748_845_273_7,
];
const TURN_B: [f64; 4] = [
    0.402_192_116_242_6,
    0.856_171_088_242,
    0.972_290_954_565_1,
    0.995_288_479_127_8,
];

#[derive(Debug, Default, Clone, Copy)]
struct AllPass {
    x: [f64; 2],
    y: [f64; 2],
}

impl AllPass {
    fn push(&mut self, a: f64, x: f64) -> f64 {
        let y = a * a * (x + self.y[1]) - self.x[1];
        self.x = [x, self.x[0]];
        self.y = [y, self.y[0]];
        y
    }
}

impl QuarterTurn {
    fn push(&mut self, left: f64, right: f64) -> f64 {
        let turned = self
            .a
            .iter_mut()
            .zip(TURN_A)
            .fold(left, |x, (s, a)| s.push(a, x));
        let other = self
            .b
            .iter_mut()
            .zip(TURN_B)
            .fold(right, |x, (s, a)| s.push(a, x));
        std::mem::replace(&mut self.late, turned) + other
    }
}
