//! The harbour at dusk, for any moment.

use std::f32::consts::{PI, TAU};

use super::draw::{Canvas, Colour, mix, smooth};
use super::{HEIGHT, RATE, SECONDS, WIDTH};

/// Where sky and sea meet.
const HORIZON: f32 = 236.0;
/// The lighthouse's lamp.
const LAMP: (f32, f32) = (126.0, 112.0);
/// Seconds that the light takes for a turn: one flash in four seconds, far
/// from the three a second that trouble some people (WCAG 2.3.1).
const TURN: f32 = 8.0;

/// The scene with what never moves already drawn.
pub struct Scene {
    still: Canvas,
    print: Canvas,
}

impl Default for Scene {
    fn default() -> Self {
        Self::new()
    }
}

impl Scene {
    /// Draws what never moves.
    #[must_use]
    pub fn new() -> Self {
        let mut still = Canvas::new(WIDTH, HEIGHT, sky);
        stars(&mut still);
        headland(&mut still);
        let mut print = Canvas::new(WIDTH, 54, |_, _| [0.07, 0.08, 0.11]);
        print.text(
            "HARBOUR LIGHTS  1/12",
            (14.0, 22.0),
            17.0,
            [0.93, 0.88, 0.74],
        );
        let fine =
            "Dusk, wind SW 3, tide falling. Fl W 4s 31m 12M. Ferry 19:40, bell on the half hour.";
        print.text(fine, (14.0, 41.0), 11.0, [0.68, 0.71, 0.76]);
        Self { still, print }
    }

    /// Number of pictures.
    #[must_use]
    pub const fn pictures() -> u32 {
        RATE * SECONDS
    }

    /// Picture `number` as RGB, 8 bits.
    #[must_use]
    pub fn picture(&self, number: u32) -> Vec<u8> {
        let t = number as f32 / RATE as f32;
        let mut canvas = self.still.clone();
        beam(&mut canvas, t);
        sea(&mut canvas, t);
        boat(&mut canvas, t);
        gulls(&mut canvas, t);
        let start = (HEIGHT - self.print.height) * WIDTH;
        canvas.pixels[start..].copy_from_slice(&self.print.pixels);
        canvas.to_rgb8()
    }
}

fn sky(x: f32, y: f32) -> Colour {
    let high = [0.07, 0.10, 0.22];
    let middle = [0.36, 0.25, 0.38];
    let low = [0.93, 0.55, 0.33];
    let h = y / HORIZON;
    let base = match h < 0.6 {
        true => mix(high, middle, smooth(0.0, 0.6, h)),
        false => mix(middle, low, smooth(0.6, 1.0, h)),
    };
    // The place where the sun went down.
    let d = ((x - 370.0) / 210.0).hypot((y - HORIZON) / 90.0);
    mix(base, [1.0, 0.78, 0.48], 0.75 * (-d * d).exp())
}

fn stars(canvas: &mut Canvas) {
    let mut state = 7_u32;
    let mut next = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 8) as f32 / (1 << 24) as f32
    };
    for _ in 0..60 {
        let (x, y, light) = (next() * WIDTH as f32, next() * 110.0, next());
        canvas.disc((x, y), 0.3 + 0.5 * light, [0.75 + 0.2 * light; 3]);
    }
}

/// The rock with the tower and the keeper's house.
fn headland(canvas: &mut Canvas) {
    let rock = |x: f32, y: f32| {
        let grain = (x * 0.9).sin() * (y * 1.3).cos() * 0.015;
        [0.10 + grain, 0.09 + grain, 0.12 + grain]
    };
    for corners in [
        [
            (0.0, 196.0),
            (70.0, 190.0),
            (180.0, HORIZON),
            (0.0, HORIZON),
        ],
        [
            (40.0, 192.0),
            (160.0, 186.0),
            (250.0, HORIZON),
            (40.0, HORIZON),
        ],
    ] {
        canvas.convex(&corners, rock);
    }
    let (x, top, foot) = (LAMP.0, LAMP.1 + 8.0, 190.0);
    let stripes = |px: f32, y: f32| {
        let white = ((y - top) / 14.0).floor() as i32 % 2 == 0;
        let shade = 1.0 - 0.45 * smooth(-14.0, 14.0, px - x);
        let paint: Colour = if white {
            [0.82, 0.80, 0.78]
        } else {
            [0.62, 0.15, 0.13]
        };
        paint.map(|v| v * shade)
    };
    canvas.convex(
        &[
            (x - 8.0, top),
            (x + 8.0, top),
            (x + 13.0, foot),
            (x - 13.0, foot),
        ],
        stripes,
    );
    let iron: Colour = [0.08, 0.08, 0.10];
    canvas.convex(
        &[
            (x - 11.0, top - 1.0),
            (x + 11.0, top - 1.0),
            (x + 11.0, top + 2.0),
            (x - 11.0, top + 2.0),
        ],
        |_, _| iron,
    );
    canvas.convex(
        &[
            (x - 6.0, top - 14.0),
            (x + 6.0, top - 14.0),
            (x + 6.0, top),
            (x - 6.0, top),
        ],
        |_, _| [0.35, 0.33, 0.30],
    );
    canvas.convex(
        &[
            (x, top - 23.0),
            (x + 9.0, top - 13.0),
            (x - 9.0, top - 13.0),
        ],
        |_, _| iron,
    );
    canvas.convex(
        &[(50.0, 172.0), (88.0, 172.0), (88.0, 192.0), (50.0, 194.0)],
        |_, _| [0.20, 0.19, 0.22],
    );
    canvas.convex(&[(69.0, 158.0), (93.0, 173.0), (45.0, 173.0)], |_, _| {
        [0.14, 0.11, 0.12]
    });
    canvas.convex(
        &[(62.0, 178.0), (69.0, 178.0), (69.0, 186.0), (62.0, 186.0)],
        |_, _| [0.98, 0.80, 0.42],
    );
}

/// Brightness of the lamp as the viewer sees it: bright when a beam comes by.
fn facing(t: f32) -> f32 {
    (TAU * t / TURN).sin().abs().powi(24)
}

/// Two opposite beams sweep round; seen from the side they grow and shrink.
fn beam(canvas: &mut Canvas, t: f32) {
    let across = (TAU * t / TURN).cos();
    for side in [1.0, -1.0] {
        let reach = side * across * 480.0;
        if reach.abs() < 8.0 {
            continue;
        }
        let bounds = (
            LAMP.0.min(LAMP.0 + reach),
            0.0,
            LAMP.0.max(LAMP.0 + reach),
            HORIZON,
        );
        let cover = |x: f32, y: f32| {
            let along = (x - LAMP.0) / reach;
            let spread = 2.0 + 34.0 * along;
            let off = (y - LAMP.1 + 10.0 * along) / spread;
            let fade = (1.0 - along).max(0.0);
            if along < 0.0 {
                0.0
            } else {
                0.42 * fade * (-off * off * 1.6).exp()
            }
        };
        canvas.paint(bounds, cover, |_, _| [1.0, 0.95, 0.78]);
    }
    let flash = facing(t);
    canvas.glow(LAMP, 22.0 + 60.0 * flash, [1.0, 0.93, 0.70]);
    canvas.disc(LAMP, 2.5 + 2.0 * flash, [1.0, 0.97, 0.86]);
}

/// The sea: the sky upside down, broken by waves that grow towards the viewer.
fn sea(canvas: &mut Canvas, t: f32) {
    let flash = facing(t);
    let wave = |x: f32, y: f32| {
        let near = (y - HORIZON) / 94.0;
        let scale = 0.4 / (0.06 + near);
        let swell = (x * 0.05 * scale + y * 0.22 - 1.7 * t).sin();
        let chop = (x * 0.17 * scale - y * 0.45 + 2.9 * t + 1.3 * swell).sin();
        swell * 0.6 + chop * 0.4
    };
    let colour = |x: f32, y: f32| {
        let near = (y - HORIZON) / 94.0;
        let w = wave(x, y);
        let mirrored = HORIZON - (y - HORIZON) * 1.6 + w * 16.0 * (0.2 + near);
        let reflected = sky(x + w * 7.0, mirrored.clamp(0.0, HORIZON));
        let deep = mix(reflected, [0.04, 0.09, 0.14], 0.35 + 0.35 * near);
        let lit = smooth(0.55, 0.95, w) * (0.10 + 0.18 * near);
        let glint = (-((x - LAMP.0) / (16.0 + 60.0 * near)).powi(2)).exp();
        let lamp = glint * smooth(0.3, 0.8, w) * (0.12 + 0.5 * flash);
        mix(mix(deep, [0.98, 0.78, 0.55], lit), [1.0, 0.94, 0.74], lamp)
    };
    let bounds = (0.0, HORIZON, WIDTH as f32, HEIGHT as f32 - 54.0);
    canvas.paint(bounds, |_, _| 1.0, colour);
}

/// A small ferry that passes from left to right, bobbing.
fn boat(canvas: &mut Canvas, t: f32) {
    let x = 170.0 + 36.0 * t;
    let y = 262.0 + 2.2 * (1.9 * t).sin();
    let lean = 0.03 * (1.3 * t + 0.5).sin();
    let at = |dx: f32, dy: f32| (x + dx - lean * dy, y + dy + lean * dx);
    let hull = [
        at(-34.0, -8.0),
        at(38.0, -10.0),
        at(28.0, 6.0),
        at(-28.0, 6.0),
    ];
    canvas.convex(&hull, |_, py| {
        mix(
            [0.16, 0.07, 0.08],
            [0.05, 0.05, 0.07],
            smooth(y - 4.0, y + 5.0, py),
        )
    });
    let cabin = [
        at(-20.0, -22.0),
        at(10.0, -22.0),
        at(14.0, -8.0),
        at(-22.0, -8.0),
    ];
    canvas.convex(&cabin, |_, _| [0.55, 0.52, 0.50]);
    for n in 0..4 {
        let w = -16.0 + 7.0 * n as f32;
        let pane = [
            at(w, -19.0),
            at(w + 4.0, -19.0),
            at(w + 4.0, -14.0),
            at(w, -14.0),
        ];
        canvas.convex(&pane, |_, _| [1.0, 0.84, 0.50]);
    }
    canvas.convex(
        &[
            at(20.0, -46.0),
            at(21.5, -46.0),
            at(21.5, -9.0),
            at(20.0, -9.0),
        ],
        |_, _| [0.10, 0.10, 0.12],
    );
    let lamp = at(20.7, -47.0);
    canvas.glow(lamp, 9.0, [0.6, 1.0, 0.7]);
    canvas.disc(lamp, 1.3, [0.8, 1.0, 0.85]);
}

/// Three gulls: two strokes each, their wings beating.
fn gulls(canvas: &mut Canvas, t: f32) {
    for (n, (x, y)) in [(300.0, 70.0), (330.0, 58.0), (352.0, 80.0)]
        .into_iter()
        .enumerate()
    {
        let phase = n as f32 * 1.1;
        let (x, y) = (
            x - 14.0 * t + 5.0 * (t + phase).sin(),
            y + 6.0 * (0.8 * t + phase).sin(),
        );
        let beat = (PI * 2.2 * t + phase).sin();
        for side in [-1.0, 1.0] {
            let cover = |px: f32, py: f32| {
                let out = side * (px - x) / 9.0;
                let wing = y - beat * 5.0 * out - 2.0 * (PI * out).sin();
                let inside = (0.0..=1.0).contains(&out);
                if inside { 1.3 - (py - wing).abs() } else { 0.0 }
            };
            canvas.paint((x - 10.0, y - 10.0, x + 10.0, y + 10.0), cover, |_, _| {
                [0.09, 0.09, 0.13]
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pictures_move_and_are_the_same_every_time() {
        let scene = Scene::new();
        let first = scene.picture(0);
        assert_eq!(first.len(), WIDTH * HEIGHT * 3);
        assert_eq!(first, Scene::new().picture(0));
        let later = scene.picture(40);
        let moved = first
            .iter()
            .zip(&later)
            .filter(|(a, b)| a.abs_diff(**b) > 8)
            .count();
        assert!(moved > WIDTH * HEIGHT / 10, "{moved}");
        let print = WIDTH * (HEIGHT - 54) * 3;
        assert_eq!(first[print..], later[print..], "the print stands still");
    }
}
