//! Encoder of IMA ADPCM: a search over several paths for the least noise, shaped
//! so that the sound hides it.
//!
//! The noise is to have the spectrum of the masking threshold to the power of a
//! *strength*: the filter of the search is the predictor of that spectrum
//! (S. P. Lipshitz et al., "Minimally Audible Noise Shaping", 1991). Full strength would
//! hide it best where there are many steps, but it raises the noise in all, and with it
//! the steps. So each strength is tried with one path first, and the ear decides.
//! The search keeps the best paths (the M-algorithm: J. B. Anderson and
//! S. Mohan, "Sequential Coding Algorithms", 1984).

use std::f64::consts::PI;

use super::adpcm::{INDEX_CHANGE, STEPS};
use super::hearing::{Hearing, noise_to_mask};

/// Taps of the noise's filter.
const ORDER: usize = 8;
/// Strengths that are tried.
const STRENGTHS: [f64; 4] = [0.0, 0.3, 0.5, 0.7];
const TRIES: usize = STRENGTHS.len();
/// Paths that survive each sample, a power of two and at most 8: 8 hide the noise by a
/// quarter of a dB more in the mean and take 1.7 times as long.
const PATHS: usize = 4;
/// Next steps: two for each path.
const NEXT: usize = 2 * PATHS;
/// Most that shaping may raise the noise's energy, of the flat noise's (12 dB, ours):
/// noise under a single tone is hidden by the model up to the tone's own height.
const LOUDEST: f64 = 16.0;
/// What is added to the step index at which the last block ended, to begin with.
const STARTS: [i32; PATHS] = [0, 8, -8, 24];
/// Buckets in which paths that meet are found.
const BUCKETS: usize = 64;
/// Lowest density of the noise that is asked for, of the highest (-90 dB): keeps
/// the predictor within what `f32` holds.
const FLOOR: f64 = 1e-9;

type Taps = [f32; ORDER];

/// The decoder's steps by step index, up to a power of two so that every index is inside.
struct Tables {
    /// Change of the sample, by magnitude.
    change: [[i32; 8]; 128],
    /// Step index after it.
    index: [[u8; 8]; 128],
    /// Magnitudes in a difference of 1.
    magnitudes: [f32; 128],
}

static TABLES: Tables = {
    let mut tables = Tables {
        change: [[0; 8]; 128],
        index: [[0; 8]; 128],
        magnitudes: [0.0; 128],
    };
    let mut i = 0;
    while i < STEPS.len() {
        let step = STEPS[i] as i32;
        tables.magnitudes[i] = 4.0 / step as f32;
        let mut m = 0;
        while m < 8 {
            let parts = [(4, step), (2, step >> 1), (1, step >> 2)];
            tables.change[i][m] = step >> 3;
            let mut part = 0;
            while part < 3 {
                if m & parts[part].0 != 0 {
                    tables.change[i][m] += parts[part].1;
                }
                part += 1;
            }
            let index = i as i32 + INDEX_CHANGE[m] as i32;
            tables.index[i][m] = if index < 0 {
                0
            } else if index > 88 {
                88
            } else {
                index as u8
            };
            m += 1;
        }
        i += 1;
    }
    tables
};

/// Where a decoder is after `nibble`.
#[inline(always)]
fn after(sample: i32, index: u8, nibble: u8) -> (i32, u8) {
    let (index, magnitude) = (usize::from(index & 127), usize::from(nibble & 7));
    let change = TABLES.change[index][magnitude];
    let sample = if nibble & 8 == 0 {
        sample + change
    } else {
        sample - change
    };
    (
        sample.clamp(-32_768, 32_767),
        TABLES.index[index][magnitude],
    )
}

/// The nibble whose sample comes closest.
#[inline(always)]
fn nearest(difference: f32, index: u8) -> (f32, u8, u8) {
    let magnitudes = difference.abs() * TABLES.magnitudes[usize::from(index & 127)];
    let sign = if difference < 0.0 { 8 } else { 0 };
    (magnitudes, magnitudes.min(7.0) as u8, sign)
}

/// Several decoders side by side, with the errors they made, the last first.
#[derive(Clone, Copy)]
struct Paths<const N: usize> {
    sample: [i32; N],
    index: [u8; N],
    cost: [f32; N],
    errors: [[f32; N]; ORDER],
}

impl<const N: usize> Paths<N> {
    fn new(sample: i16, errors: &Taps) -> Self {
        Self {
            sample: [sample.into(); N],
            index: [0; N],
            cost: [f32::INFINITY; N],
            errors: errors.map(|error| [error; N]),
        }
    }
}

/// A block as coded.
struct Coded {
    /// Step index at its start.
    start: u8,
    nibbles: Vec<u8>,
    /// Step index at its end.
    end: u8,
    /// The last errors, the very last first.
    last: Taps,
}

impl Coded {
    /// What a decoder gives, less the samples.
    fn errors(&self, samples: &[i16]) -> Vec<f32> {
        let mut at = (i32::from(samples[0]), self.start);
        let mut errors = Vec::with_capacity(samples.len());
        errors.push(0.0);
        for (&nibble, &sample) in self.nibbles.iter().zip(&samples[1..]) {
            at = after(at.0, at.1, nibble);
            errors.push(at.0 as f32 - f32::from(sample));
        }
        errors
    }
}

fn energy(errors: &[f32]) -> f64 {
    errors.iter().map(|&e| f64::from(e) * f64::from(e)).sum()
}

/// Codes the blocks of one reel.
pub(super) struct AdpcmEncoder {
    hearing: Hearing,
    /// By band: integrals of cos(k w) over it, for the autocorrelation of a density.
    cosines: Vec<[f64; ORDER + 1]>,
    /// The end of the block before, and the errors there.
    past: Vec<i16>,
    past_errors: Vec<f32>,
    index: u8,
    errors: Taps,
}

impl std::fmt::Debug for AdpcmEncoder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("AdpcmEncoder").finish_non_exhaustive()
    }
}

impl AdpcmEncoder {
    pub(super) fn new(rate: u32) -> Self {
        let hearing = Hearing::new(rate);
        let lead = hearing.frame() / 4;
        let integral = |k: usize, edge: f64| match k {
            0 => PI * edge,
            k => (k as f64 * PI * edge).sin() / k as f64,
        };
        Self {
            cosines: hearing
                .edges()
                .map(|(low, high)| std::array::from_fn(|k| integral(k, high) - integral(k, low)))
                .collect(),
            past: vec![0; lead],
            past_errors: vec![0.0; lead],
            index: 0,
            errors: [0.0; ORDER],
            hearing,
        }
    }

    /// The step index at the block's start, and a nibble for each sample but the
    /// first. No decoded sample passes `most`, if the first does not.
    pub(super) fn encode(&mut self, samples: &[i16], most: i32) -> (u8, Vec<u8>) {
        let Some((&first, rest)) = samples.split_first() else {
            return (self.index, Vec::new());
        };
        let hop = self.hearing.frame() / 2;
        let (masks, taps) = self.listen(samples);
        let (strength, loudest) = self.strength(first, rest, &masks, &taps);
        let mut starts = Vec::with_capacity(PATHS);
        for more in STARTS {
            let start = (i32::from(self.index) + more).clamp(0, 88) as u8;
            if !starts.contains(&start) {
                starts.push(start);
            }
        }
        let with = |strength: usize| {
            let taps: Vec<Taps> = taps.iter().map(|taps| taps[strength]).collect();
            let coded = search(first, rest, &starts, &self.errors, &taps, hop, most);
            let errors = coded.errors(samples);
            (coded, errors)
        };
        let (mut coded, mut errors) = with(strength);
        if strength > 0 && energy(&errors) > loudest {
            (coded, errors) = with(0);
        }
        self.keep(samples, &coded, &errors);
        (coded.start, coded.nibbles)
    }

    /// The masks of the block's hops, and the noise's filter for each strength.
    fn listen(&mut self, samples: &[i16]) -> (Vec<Vec<f64>>, Vec<[Taps; TRIES]>) {
        let frame = self.hearing.frame();
        let mut density = Vec::new();
        let past = std::mem::take(&mut self.past);
        self.hearing.rest();
        let found = (0..samples.len().div_ceil(frame / 2))
            .map(|hop| {
                let mut mask = Vec::with_capacity(self.hearing.bands());
                let unit = |s: i16| f32::from(s) / 32_768.0;
                let heard = centred(&past, samples, hop, frame).map(unit);
                self.hearing.mask(heard, &mut mask);
                self.hearing.density(&mask, &mut density);
                let taps = STRENGTHS.map(|s| predictor(&self.cosines, &density, s));
                (mask, taps)
            })
            .unzip();
        self.past = past;
        found
    }

    /// The strength whose noise is hidden best where one path is coded, and the most
    /// energy that the noise may have.
    fn strength(
        &mut self,
        first: i16,
        rest: &[i16],
        masks: &[Vec<f64>],
        taps: &[[Taps; TRIES]],
    ) -> (usize, f64) {
        let frame = self.hearing.frame();
        let errors = tries(first, rest, self.index, &self.errors, taps, frame / 2);
        let past = std::mem::take(&mut self.past_errors);
        let mut noise = Vec::new();
        let mut heard = |errors: &[f32]| -> f64 {
            // Every second hop will do.
            let hops = masks.iter().enumerate().step_by(2);
            hops.map(|(hop, mask)| {
                let unit = |e: f32| e / 32_768.0;
                let errors = centred(&past, errors, hop, frame).map(unit);
                self.hearing.power(errors, &mut noise);
                noise_to_mask(&noise, mask)
            })
            .sum()
        };
        let loudest = LOUDEST * energy(&errors[0]);
        let heard = errors.map(|errors| match energy(&errors) > loudest {
            true => f64::INFINITY,
            false => heard(&errors),
        });
        self.past_errors = past;
        let least = (0..TRIES).min_by(|a, b| heard[*a].total_cmp(&heard[*b]));
        (least.unwrap_or_default(), loudest)
    }

    /// Keeps what the next block needs.
    fn keep(&mut self, samples: &[i16], coded: &Coded, errors: &[f32]) {
        let lead = self.past.len();
        (self.index, self.errors) = (coded.end, coded.last);
        self.past_errors.extend(errors);
        self.past.extend(samples);
        self.past.drain(..self.past.len() - lead);
        self.past_errors.drain(..self.past_errors.len() - lead);
    }
}

/// The frame in whose middle a hop lies, of a block after the end of another; the
/// block is mirrored at its end.
fn centred<T: Copy>(past: &[T], block: &[T], hop: usize, frame: usize) -> impl Iterator<Item = T> {
    let last = past.len() + block.len() - 1;
    (hop * frame / 2..hop * frame / 2 + frame).map(move |i| {
        let i = if i <= last {
            i
        } else {
            (2 * last).saturating_sub(i)
        };
        match i.checked_sub(past.len()) {
            Some(i) => block[i],
            None => past[i],
        }
    })
}

/// Taps of the filter that whitens noise of this density to the power of
/// `strength`, by the Levinson-Durbin recursion.
fn predictor(cosines: &[[f64; ORDER + 1]], density: &[f64], strength: f64) -> Taps {
    if strength == 0.0 {
        return [0.0; ORDER];
    }
    let top = density.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
    let mut r = [0.0; ORDER + 1];
    for (density, cosines) in density.iter().zip(cosines) {
        let wanted = (density / top).max(FLOOR).powf(strength);
        for (r, cosine) in r.iter_mut().zip(cosines) {
            *r += wanted * cosine;
        }
    }
    let mut taps = [0.0; ORDER];
    let mut error = r[0] * (1.0 + 1e-6);
    for n in 0..ORDER {
        let sum: f64 = (0..n).map(|k| taps[k] * r[n - k]).sum();
        let reflection = -(r[n + 1] + sum) / error;
        let before = taps;
        for k in 0..n {
            taps[k] += reflection * before[n - 1 - k];
        }
        taps[n] = reflection;
        error *= 1.0 - reflection * reflection;
    }
    taps.map(|tap| tap as f32)
}

/// The errors of one path for each strength.
fn tries(
    first: i16,
    rest: &[i16],
    start: u8,
    errors: &Taps,
    taps: &[[Taps; TRIES]],
    hop: usize,
) -> [Vec<f32>; TRIES] {
    let mut paths = Paths::<TRIES>::new(first, errors);
    paths.index = [start; TRIES];
    let mut out = [(); TRIES].map(|()| Vec::with_capacity(rest.len() + 1));
    out.iter_mut().for_each(|out| out.push(0.0));
    for (samples, taps) in rest.chunks(hop).zip(taps) {
        let taps: [[f32; TRIES]; ORDER] =
            std::array::from_fn(|k| std::array::from_fn(|i| taps[i][k]));
        for &sample in samples {
            let mut fed = [0.0; TRIES];
            for (taps, errors) in taps.iter().zip(&paths.errors) {
                for i in 0..TRIES {
                    fed[i] += taps[i] * errors[i];
                }
            }
            paths.errors.rotate_right(1);
            for i in 0..TRIES {
                let (at, index) = (paths.sample[i], paths.index[i]);
                let difference = f32::from(sample) - fed[i] - at as f32;
                let (_, magnitude, sign) = nearest(difference, index);
                (paths.sample[i], paths.index[i]) = after(at, index, magnitude | sign);
                paths.errors[0][i] = paths.sample[i] as f32 - f32::from(sample);
                out[i].push(paths.errors[0][i]);
            }
        }
    }
    out
}

/// The next steps of all paths: first and second choice of each in turn.
struct Steps {
    cost: [f32; NEXT],
    sample: [i32; NEXT],
    index: [u8; NEXT],
    nibble: [u8; NEXT],
}

impl Steps {
    /// The nearest and the second nearest step of each path towards `sample`.
    #[inline(always)]
    fn new(paths: &Paths<PATHS>, taps: &Taps, sample: f32, most: i32) -> Self {
        let mut steps = Self {
            cost: [f32::INFINITY; NEXT],
            sample: [0; NEXT],
            index: [0; NEXT],
            nibble: [0; NEXT],
        };
        let mut fed = [0.0; PATHS];
        for (tap, errors) in taps.iter().zip(&paths.errors) {
            for (fed, error) in fed.iter_mut().zip(errors) {
                *fed += tap * error;
            }
        }
        for (i, fed) in fed.into_iter().enumerate() {
            let wanted = sample - fed;
            let (at, index) = (paths.sample[i], paths.index[i]);
            let (magnitudes, magnitude, sign) = nearest(wanted - at as f32, index);
            // The other neighbour: further out beyond the middle between two, else
            // further in; in from 0 is the smallest of the other sign.
            let out = magnitudes - f32::from(magnitude) >= 0.5 && magnitude < 7;
            let second = match magnitude {
                _ if out => (magnitude + 1) | sign,
                0 => 8 - sign,
                _ => (magnitude - 1) | sign,
            };
            for (k, nibble) in [magnitude | sign, second].into_iter().enumerate() {
                let (to, index) = after(at, index, nibble);
                let error = to as f32 - wanted;
                let step = 2 * i + k;
                if to.abs() <= most {
                    steps.cost[step] = paths.cost[i] + error * error;
                }
                steps.sample[step] = to;
                steps.index[step] = index;
                steps.nibble[step] = nibble;
            }
        }
        steps
    }

    /// Takes for the best path the longest step that does not pass `most`: outwards, or
    /// at worst the shortest one inwards.
    #[cold]
    fn within(&mut self, paths: &Paths<PATHS>, most: i32) {
        let sign = self.nibble[0] & 8;
        let outwards = (0..8).rev().map(|m| m | sign);
        for nibble in outwards.chain([8 - sign]) {
            let (to, index) = after(paths.sample[0], paths.index[0], nibble);
            if to.abs() <= most || nibble == 8 - sign {
                (self.sample[0], self.index[0]) = (to, index);
                (self.nibble[0], self.cost[0]) = (nibble, paths.cost[0]);
                return;
            }
        }
    }

    /// Of the steps that lead to the same place, leaves the best.
    #[inline(always)]
    fn meet(&mut self, seen: &mut [(u32, u32, u8); BUCKETS], now: u32) {
        for i in 0..NEXT {
            let place = (self.sample[i] as u32) << 7 | u32::from(self.index[i]);
            let bucket = &mut seen[self.sample[i] as usize % BUCKETS];
            if (bucket.0, bucket.1) != (now, place) {
                *bucket = (now, place, i as u8);
                continue;
            }
            let other = usize::from(bucket.2) % NEXT;
            if self.cost[other] <= self.cost[i] {
                self.cost[i] = f32::INFINITY;
            } else {
                self.cost[other] = f32::INFINITY;
                bucket.2 = i as u8;
            }
        }
    }

    /// The cheapest steps in order.
    #[inline(always)]
    fn best(&self) -> [usize; PATHS] {
        // Positive numbers are in the order of their bits; the number of the step decides
        // between equal ones.
        let key = |i: usize| (self.cost[i].to_bits() & !(NEXT as u32 - 1) | i as u32) as i32;
        let keys: [i32; NEXT] = std::array::from_fn(key);
        let mut rank = [0i32; NEXT];
        for other in &keys {
            for i in 0..NEXT {
                rank[i] += i32::from(*other < keys[i]);
            }
        }
        let mut order = [0; NEXT];
        for (i, &rank) in rank.iter().enumerate() {
            order[rank as usize % NEXT] = i;
        }
        std::array::from_fn(|i| order[i])
    }
}

/// Codes the samples after `first` with several paths, from each of the `starts`.
fn search(
    first: i16,
    rest: &[i16],
    starts: &[u8],
    errors: &Taps,
    taps: &[Taps],
    hop: usize,
    most: i32,
) -> Coded {
    let mut paths = Paths::<PATHS>::new(first, errors);
    for (i, &start) in starts.iter().enumerate() {
        (paths.index[i], paths.cost[i]) = (start, 0.0);
    }
    // Of each sample and path: the nibble, and above it the path that it comes from.
    let mut trail: Vec<[u8; PATHS]> = Vec::with_capacity(rest.len());
    let mut seen = [(u32::MAX, 0, 0); BUCKETS];
    for (samples, taps) in rest.chunks(hop).zip(taps) {
        for &sample in samples {
            let mut steps = Steps::new(&paths, taps, sample.into(), most);
            if most < 32_768 && steps.cost.iter().all(|c| c.is_infinite()) {
                steps.within(&paths, most);
            }
            steps.meet(&mut seen, trail.len() as u32);
            let best = steps.best();
            let before = paths;
            for (i, &step) in best.iter().enumerate() {
                paths.sample[i] = steps.sample[step];
                paths.index[i] = steps.index[step];
                paths.cost[i] = steps.cost[step] - steps.cost[best[0]];
                paths.errors[0][i] = steps.sample[step] as f32 - f32::from(sample);
                for k in 1..ORDER {
                    paths.errors[k][i] = before.errors[k - 1][step / 2];
                }
            }
            trail.push(best.map(|step| steps.nibble[step] | (step as u8 / 2) << 4));
        }
    }
    let mut path = 0;
    let mut nibbles = vec![0; rest.len()];
    for (nibble, trail) in nibbles.iter_mut().zip(&trail).rev() {
        *nibble = trail[path] & 15;
        path = usize::from(trail[path] >> 4);
    }
    Coded {
        start: starts[path],
        nibbles,
        end: paths.index[0],
        last: paths.errors.map(|errors| errors[0]),
    }
}
