//! The clips: real ones out of packages, one with grain, one of a screen.

use std::path::PathBuf;
use std::process::Command;

pub const SIDE: usize = 240;
pub const PICTURE: usize = SIDE * SIDE * 3;

/// Pictures of [`SIDE`] x [`SIDE`], 3 bytes per pixel.
pub struct Clip {
    pub name: &'static str,
    pub real: bool,
    pub rgb: Vec<u8>,
    /// The same without noise, where the bench itself added it.
    pub clean: Option<Vec<u8>>,
}

pub fn clips() -> Vec<Clip> {
    let real = [
        ("animation", "bigbuckbunny.mp4"),
        ("handheld", "bikes.mp4"),
        ("table top", "cup.mp4"),
    ];
    let mut clips: Vec<Clip> = real
        .into_iter()
        .map(|(name, file)| Clip {
            name,
            real: true,
            rgb: packaged(file),
            clean: None,
        })
        .collect();
    clips.push(Clip {
        name: "grain",
        real: false,
        rgb: grain(&clips[2].rgb),
        clean: Some(clips[2].rgb.clone()),
    });
    clips.push(Clip {
        name: "screen",
        real: false,
        rgb: screen(),
        clean: None,
    });
    clips
}

fn packaged(file: &str) -> Vec<u8> {
    let home = std::env::var("HOME").unwrap_or_default();
    let path: PathBuf = [&home, ".cache/thumbreel/clips", file].iter().collect();
    let square = "fps=24,crop='min(iw,ih)':'min(iw,ih)',scale=240:240:flags=bicubic";
    let run = Command::new("ffmpeg")
        .args(["-v", "error", "-i"])
        .arg(&path)
        .args(["-vf", square, "-pix_fmt", "rgb24", "-f", "rawvideo", "-"])
        .output();
    match run {
        Ok(out) if out.status.success() && !out.stdout.is_empty() => out.stdout,
        _ => panic!("{} cannot be decoded: run .ci/install test", path.display()),
    }
}

/// A small deterministic generator (xorshift, Marsaglia 2003).
struct Dice(u64);

impl Dice {
    fn unit(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Nearly normal: the sum of four even deviates.
    fn normal(&mut self) -> f64 {
        (0..4).map(|_| self.unit()).sum::<f64>() * 1.732 - 3.464
    }
}

/// Film grain of four levels' deviation on a real clip.
fn grain(clean: &[u8]) -> Vec<u8> {
    let mut dice = Dice(0x5EED);
    let pictures = clean.len().min(96 * PICTURE);
    clean[..pictures]
        .chunks_exact(3)
        .flat_map(|c| {
            let g = 4.0 * dice.normal();
            [c[0], c[1], c[2]].map(|v| (f64::from(v) + g).round().clamp(0.0, 255.0) as u8)
        })
        .collect()
}

/// A tide table on a screen: lines of print, a clock that ticks, a pointer
/// that moves, a page that changes once.
fn screen() -> Vec<u8> {
    let mut out = Vec::new();
    for n in 0..120usize {
        let mut page = vec![236u8; PICTURE];
        let mut fill = |x: usize, y: usize, w: usize, h: usize, c: [u8; 3]| {
            for y in y..(y + h).min(SIDE) {
                for x in x..(x + w).min(SIDE) {
                    page[(y * SIDE + x) * 3..][..3].copy_from_slice(&c);
                }
            }
        };
        fill(0, 0, SIDE, 22, [24, 58, 92]);
        let seed = 1 + u64::from(n >= 60);
        let mut dice = Dice(seed * 77_777);
        for line in 0..15 {
            let mut x = 10;
            while x < 190 {
                for stroke in 0..3 {
                    let h = 3 + (dice.unit() * 6.0) as usize;
                    let y = 32 + line * 13 + (9 - h) / 2;
                    fill(x + 2 * stroke, y, 1, h, [40, 40, 48]);
                }
                x += 8 + (dice.unit() * 5.0) as usize;
            }
        }
        // A digit of the clock changes once a second.
        let second = n / 24;
        for bit in 0..5 {
            let on = (((second + 3) * 7) >> bit) & 1 != 0;
            fill(
                196 + 7 * bit,
                6,
                5,
                10,
                if on { [250, 220, 120] } else { [60, 90, 120] },
            );
        }
        fill(30 + n, 60 + (n * 3) % 120, 5, 8, [200, 30, 30]);
        out.extend(page);
    }
    out
}
