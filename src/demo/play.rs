//! The harbour's sounds, played by code.

use std::f32::consts::TAU;

use super::{SECONDS, SOUND_RATE};

/// The whole sound: left and right, samples between -1 and 1.
pub(super) fn sound() -> [Vec<f32>; 2] {
    let samples = (SECONDS * SOUND_RATE) as usize;
    let mut tracks = [vec![0.0; samples], vec![0.0; samples]];
    waves(&mut tracks);
    for (at, level) in [(0.4, 0.30), (4.9, 0.26)] {
        bell(&mut tracks, at, level);
    }
    horn(&mut tracks, 2.2, 1.9);
    for (n, at) in [1.6, 1.9, 4.3, 6.2, 6.45, 6.8].into_iter().enumerate() {
        chirp(&mut tracks, at, n);
    }
    // A soft knee keeps the sum below full scale.
    for sample in tracks.iter_mut().flatten() {
        *sample = (*sample * 1.2).tanh() * 0.8;
    }
    tracks
}

/// Adds `tone(seconds since its start)` from `at` on, `pan` from left 0 to right 1.
fn add(
    tracks: &mut [Vec<f32>; 2],
    at: f32,
    length: f32,
    pan: f32,
    mut tone: impl FnMut(f32) -> f32,
) {
    let rate = SOUND_RATE as f32;
    let start = (at * rate) as usize;
    for n in 0..(length * rate) as usize {
        let value = tone(n as f32 / rate);
        for (track, gain) in tracks.iter_mut().zip([1.0 - pan, pan]) {
            if let Some(sample) = track.get_mut(start + n) {
                *sample += value * gain;
            }
        }
    }
}

/// A bell's partials: hum, prime, tierce, quint, nominal and above, as the
/// handbooks of bell founding name them (from memory), each dying at its own pace.
fn bell(tracks: &mut [Vec<f32>; 2], at: f32, level: f32) {
    let partials = [
        (0.5, 0.6, 2.6),
        (1.0, 1.0, 1.9),
        (1.2, 0.7, 1.4),
        (1.5, 0.4, 1.1),
        (2.0, 0.8, 0.9),
        (2.67, 0.35, 0.6),
        (4.2, 0.2, 0.3),
    ];
    add(tracks, at, 3.0, 0.4, |t| {
        let ring = partials.iter().map(|(ratio, part, decay)| {
            part * (TAU * 622.0 * ratio * t).sin() * (-t / decay).exp()
        });
        let strike = (t * 400.0).min(1.0);
        level * 0.5 * strike * ring.sum::<f32>()
    });
}

/// A foghorn: two low reeds a little apart, with a slow start and a grunt at the end.
fn horn(tracks: &mut [Vec<f32>; 2], at: f32, length: f32) {
    add(tracks, at, length, 0.5, |t| {
        let swell = (t / 0.18).min(1.0) * ((length - t) / 0.25).clamp(0.0, 1.0);
        let drop = if t > length - 0.4 { 0.86 } else { 1.0 };
        let reed = |f: f32| {
            (1..9)
                .map(|h| (TAU * f * h as f32 * t).sin() / h as f32)
                .sum::<f32>()
        };
        0.22 * swell * (reed(116.5 * drop) + reed(117.6 * drop))
    });
}

/// A gull-like cry: a tone that falls, rising again at its end.
fn chirp(tracks: &mut [Vec<f32>; 2], at: f32, number: usize) {
    let (length, pan) = (
        0.22 + 0.03 * (number % 3) as f32,
        0.2 + 0.12 * number as f32,
    );
    let mut phase = 0.0;
    add(tracks, at, length, pan, |t| {
        let x = t / length;
        let pitch = 2300.0 - 900.0 * x + 500.0 * x.powi(4) + 60.0 * (TAU * 28.0 * t).sin();
        phase += TAU * pitch / SOUND_RATE as f32;
        0.16 * (x * std::f32::consts::PI).sin() * (phase.sin() + 0.4 * (2.0 * phase).sin())
    });
}

/// Surf: noise that comes and goes, softened, different left and right.
fn waves(tracks: &mut [Vec<f32>; 2]) {
    for (side, track) in tracks.iter_mut().enumerate() {
        let mut state = 11 + side as u32;
        let (mut slow, mut fast) = (0.0_f32, 0.0_f32);
        for (n, sample) in track.iter_mut().enumerate() {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let white = (state >> 8) as f32 / (1 << 23) as f32 - 1.0;
            fast += 0.18 * (white - fast);
            slow += 0.02 * (fast - slow);
            let t = n as f32 / SOUND_RATE as f32;
            let swell = 0.5 + 0.5 * (TAU * t / 3.7 + side as f32 * 0.6).sin();
            *sample += (0.04 + 0.10 * swell * swell) * (fast - slow);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sound_is_whole_and_below_full_scale() {
        let tracks = sound();
        for track in &tracks {
            assert_eq!(track.len(), (SECONDS * SOUND_RATE) as usize);
            let peak = track.iter().fold(0.0_f32, |p, s| p.max(s.abs()));
            assert!((0.2..0.81).contains(&peak), "{peak}");
        }
        assert_ne!(tracks[0], tracks[1]);
    }
}
