//! The picture codings on real and made clips, 240x240 at 24 pictures a
//! second: `cargo bench --bench coding [-- CLIP [LEVEL]]`. Needs the test tools
//! (`.ci/install test`) and, for instructions, valgrind.
//!
//! Method. Clips are cropped to a square and scaled by the general-purpose
//! tool, so that this bench measures coding alone. A key picture every five
//! seconds, default effort, no dither, both codings rounded to RGB565. SSIM
//! and PSNR compare what the panel shows, widened to 8 bits, with the picture
//! before coding; SSIM (Wang et al. 2004) of BT.601 luma, and of R, G and B
//! averaged. JPEG is counted without its tables. "At equal SSIM" interpolates
//! ln bytes linearly over -ln(1 - SSIM) between the two nearest of seven
//! qualities. Instructions are callgrind's, of this machine's build, the
//! difference of two lengths of the same stream, with the conversion of every
//! changed pixel to RGB565. Encode times are one thread's, wall, and depend on
//! what else the machine does.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use thumbreel::coding::patch::{Decoder, Level, memory_bytes};
use thumbreel::coding::{
    ByteOrder, Coding, EncoderPlan, Limits, PanelDecoder, PanelSettings, PictureIn, Shape, Weights,
    encoder, expand_565, nearest_565,
};
use thumbreel::picture::quality::{psnr, ssim};
use thumbreel::units::Ratio;

const SIDE: usize = 240;
const PICTURE: usize = SIDE * SIDE * 3;
const QUALITIES: [u8; 7] = [25, 35, 45, 55, 65, 75, 85];
/// SSIM is taken of every so manieth picture.
const STRIDE: usize = 6;

struct Clip {
    name: &'static str,
    real: bool,
    rgb: Vec<u8>,
}

/// What one coding did to one clip.
struct Outcome {
    label: String,
    mean: f64,
    worst: usize,
    psnr: f64,
    luma: f64,
    colour: f64,
    bus: f64,
    work: f64,
    counted: Option<f64>,
    encode_ms: f64,
    payloads: Vec<Vec<u8>>,
    pictures: usize,
}

fn main() {
    let arguments: Vec<String> = std::env::args()
        .skip(1)
        .filter(|a| a != "--bench")
        .collect();
    if arguments.first().is_some_and(|a| a == "decode") {
        return decode_only(&arguments[1..]);
    }
    let mut shares = Vec::new();
    for clip in clips() {
        if arguments.first().is_some_and(|a| a != clip.name) {
            continue;
        }
        shares.push((clip.real, clip.name, table(&clip, arguments.get(1))));
    }
    summary(&shares);
}

fn plan(coding: Coding, level: Level, quality: u8) -> EncoderPlan {
    EncoderPlan {
        width: SIDE as u16,
        height: SIDE as u16,
        shape: Shape::Rectangle,
        order: ByteOrder::HighFirst,
        rate: Ratio { num: 24, den: 1 },
        coding,
        level,
        quality,
        effort: 2,
        dither: false,
        limits: Limits::default(),
        weights: Weights::default(),
    }
}

fn run(clip: &Clip, plan: &EncoderPlan) -> Outcome {
    let mut coder = encoder(plan).expect("a plan");
    let mut panel = PanelDecoder::new(PanelSettings {
        width: plan.width,
        height: plan.height,
        level: plan.level,
        jpeg_tables: coder.tables().to_vec(),
        ..PanelSettings::default()
    })
    .expect("a panel");
    let mut out = Outcome {
        label: match plan.coding {
            Coding::Patch => format!("patch {:?} q{}", plan.level, plan.quality).to_lowercase(),
            other => format!("{} q{}", other.name(), plan.quality),
        },
        mean: 0.0,
        worst: 0,
        psnr: 0.0,
        luma: 0.0,
        colour: 0.0,
        bus: 0.0,
        work: 0.0,
        counted: None,
        encode_ms: 0.0,
        payloads: Vec::new(),
        pictures: clip.rgb.len() / PICTURE,
    };
    let mut seen = 0.0;
    for (n, rgb) in clip.rgb.chunks_exact(PICTURE).enumerate() {
        let pixels: Vec<u16> = rgb
            .chunks(3)
            .map(|c| nearest_565(c[0], c[1], c[2]))
            .collect();
        let start = Instant::now();
        let input = PictureIn {
            width: plan.width,
            height: plan.height,
            rgb,
            pixels: &pixels,
            unchanged: false,
        };
        let coded = coder.encode(&input, n % 120 == 0).expect("a picture");
        out.encode_ms += start.elapsed().as_secs_f64() * 1000.0;
        let flags = u8::from(coded.key) | u8::from(coded.unchanged) << 1;
        panel
            .decode(plan.coding as u8, flags, &coded.bytes)
            .expect("our own payload");
        out.mean += coded.bytes.len() as f64;
        out.worst = out.worst.max(coded.bytes.len());
        out.bus += f64::from(coded.bus_bytes) / (2 * SIDE * SIDE) as f64;
        out.work += f64::from(coded.instructions) / (SIDE * SIDE) as f64;
        if !coded.unchanged {
            out.payloads.push(coded.bytes);
        }
        if n % STRIDE == 0 {
            let shown: Vec<u8> = panel.pixels().iter().flat_map(|&p| expand_565(p)).collect();
            out.psnr += psnr(rgb, &shown);
            out.luma += ssim(&luma(rgb), &luma(&shown), SIDE, 1);
            out.colour += ssim(rgb, &shown, SIDE, 3);
            seen += 1.0;
        }
    }
    let pictures = (clip.rgb.len() / PICTURE) as f64;
    for total in [
        &mut out.mean,
        &mut out.bus,
        &mut out.work,
        &mut out.encode_ms,
    ] {
        *total /= pictures;
    }
    for total in [&mut out.psnr, &mut out.luma, &mut out.colour] {
        *total /= seen;
    }
    out
}

fn luma(rgb: &[u8]) -> Vec<u8> {
    rgb.chunks_exact(3)
        .map(|c| {
            let [r, g, b] = [c[0], c[1], c[2]].map(f64::from);
            (0.299 * r + 0.587 * g + 0.114 * b).round() as u8
        })
        .collect()
}

/// Prints a clip's lines; gives bytes against JPEG at the SSIM of its q50 and
/// q70: light, full, and full by colour SSIM.
fn table(clip: &Clip, only: Option<&String>) -> [[f64; 2]; 3] {
    println!(
        "\n{}: {} pictures\n{:18} {:>7} {:>7} {:>6} {:>6} {:>7} {:>7} {:>6} {:>9} {:>9} {:>8}",
        clip.name,
        clip.rgb.len() / PICTURE,
        "coding",
        "B mean",
        "B worst",
        "bit/px",
        "PSNR",
        "SSIM",
        "SSIMrgb",
        "bus %",
        "instr/px",
        "estimate",
        "ms enc"
    );
    let jpeg = [50, 70].map(|q| run(clip, &plan(Coding::Jpeg, Level::Full, q)));
    jpeg.iter().for_each(line);
    let levels = [Level::Light, Level::Full].map(|level| {
        let name = format!("{level:?}").to_lowercase();
        let wanted = only.is_none_or(|o| *o == name);
        let qualities = if wanted { &QUALITIES[..] } else { &[] };
        qualities
            .iter()
            .map(|&q| {
                let mut outcome = run(clip, &plan(Coding::Patch, level, q));
                outcome.counted = counted(&outcome, level);
                line(&outcome);
                outcome
            })
            .collect::<Vec<_>>()
    });
    let share = |rows: &[Outcome], of: fn(&Outcome) -> f64| {
        let bytes = |o: &Outcome| o.mean;
        [0, 1].map(|i| at_equal(rows, of, bytes, of(&jpeg[i])) / jpeg[i].mean)
    };
    let shares = [
        share(&levels[0], |o| o.luma),
        share(&levels[1], |o| o.luma),
        share(&levels[1], |o| o.colour),
    ];
    for (name, rows) in ["light", "full"].iter().zip(&levels) {
        let work = |o: &Outcome| o.counted.unwrap_or(f64::NAN);
        let [low, high] = [0, 1].map(|i| at_equal(rows, |o| o.luma, work, jpeg[i].luma));
        println!(
            "instructions a pixel at the SSIM of JPEG, {name}: {low:.1} (q50), {high:.1} (q70)"
        );
    }
    for (name, share) in ["light", "full", "full, SSIM of R, G, B"]
        .iter()
        .zip(shares)
    {
        println!(
            "bytes at the SSIM of JPEG, {name}: {:.1} % (q50), {:.1} % (q70)",
            100.0 * share[0],
            100.0 * share[1]
        );
    }
    shares
}

fn line(o: &Outcome) {
    println!(
        "{:18} {:7.0} {:7} {:6.3} {:6.2} {:7.4} {:7.4} {:6.1} {:>9} {:9.1} {:8.2}",
        o.label,
        o.mean,
        o.worst,
        o.mean * 8.0 / (SIDE * SIDE) as f64,
        o.psnr,
        o.luma,
        o.colour,
        100.0 * o.bus,
        o.counted.map_or("-".into(), |i| format!("{i:.1}")),
        o.work,
        o.encode_ms
    );
}

/// `what` at a measure of `at`, between the two nearest outcomes (or beyond).
fn at_equal(rows: &[Outcome], of: fn(&Outcome) -> f64, what: fn(&Outcome) -> f64, at: f64) -> f64 {
    if rows.is_empty() {
        return f64::NAN;
    }
    let scale = |s: f64| -(1.0 - s).ln();
    let mut points: Vec<_> = rows.iter().map(|r| (scale(of(r)), what(r).ln())).collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let x = scale(at);
    let i = points
        .partition_point(|p| p.0 < x)
        .clamp(1, points.len() - 1);
    let ((x0, y0), (x1, y1)) = (points[i - 1], points[i]);
    (y0 + (y1 - y0) * (x - x0) / (x1 - x0)).exp()
}

fn summary(shares: &[(bool, &str, [[f64; 2]; 3])]) {
    let real: Vec<_> = shares.iter().filter(|s| s.0).collect();
    if real.is_empty() {
        return;
    }
    println!();
    for (i, name) in ["light", "full", "full, SSIM of R, G, B"]
        .iter()
        .enumerate()
    {
        let mean = |q: usize| {
            let sum: f64 = real.iter().map(|s| s.2[i][q].ln()).sum();
            100.0 * (sum / real.len() as f64).exp()
        };
        println!(
            "geometric mean of the real clips, {name}: {:.1} % (q50), {:.1} % (q70)",
            mean(0),
            mean(1)
        );
    }
}

/// Callgrind's instructions a pixel over a stream but for its first picture.
fn counted(outcome: &Outcome, level: Level) -> Option<f64> {
    let folder = tempfile::tempdir().ok()?;
    let file = folder.path().join("stream");
    let mut packed = Vec::new();
    for payload in &outcome.payloads {
        packed.extend((payload.len() as u32).to_le_bytes());
        packed.extend(payload);
    }
    std::fs::write(&file, packed).ok()?;
    let coded = outcome.payloads.len();
    let more = valgrind(&file, level, coded)?.checked_sub(valgrind(&file, level, 1)?)?;
    // Pictures that are not sent cost nothing and count all the same.
    Some(more as f64 / ((outcome.pictures - 1) * SIDE * SIDE) as f64)
}

fn valgrind(file: &Path, level: Level, pictures: usize) -> Option<u64> {
    let run = Command::new("valgrind")
        .args(["--tool=callgrind", "--callgrind-out-file=/dev/null"])
        .arg(std::env::current_exe().ok()?)
        .arg("decode")
        .arg(file)
        .args([(level as u8).to_string(), pictures.to_string()])
        .output()
        .ok()?;
    let text = String::from_utf8_lossy(&run.stderr).into_owned();
    let line = text.lines().find(|l| l.contains("Collected"))?;
    line.rsplit(' ').next()?.parse().ok()
}

/// `decode FILE LEVEL PICTURES`: nothing else, for the instruction count.
fn decode_only(arguments: &[String]) {
    let data = std::fs::read(&arguments[0]).expect("a stream");
    let level = Level::from_number(arguments[1].parse().expect("a level")).expect("a level");
    let pictures: usize = arguments[2].parse().expect("a count");
    let mut memory = vec![0; memory_bytes(SIDE as u16, SIDE as u16)];
    let mut decoder =
        Decoder::new(SIDE as u16, SIDE as u16, level, &mut memory).expect("a decoder");
    let mut shown = vec![0u16; SIDE * SIDE];
    let mut rest = &data[..];
    for _ in 0..pictures {
        let Some((head, after)) = rest.split_first_chunk::<4>() else {
            break;
        };
        let (payload, after) = after.split_at(u32::from_le_bytes(*head) as usize);
        rest = after;
        decoder.decode(payload).expect("our own payload");
        decoder.changed().rectangles(|r| {
            for y in r.y..r.y + r.h {
                let at = usize::from(y) * SIDE + usize::from(r.x);
                decoder.row(r.x.into(), y.into(), &mut shown[at..at + usize::from(r.w)]);
            }
        });
    }
    std::hint::black_box(&shown);
}

fn clips() -> Vec<Clip> {
    let real = [
        ("bigbuckbunny", "bigbuckbunny.mp4"),
        ("bikes", "bikes.mp4"),
        ("cup", "cup.mp4"),
    ];
    let mut clips: Vec<Clip> = real
        .into_iter()
        .map(|(name, file)| Clip {
            name,
            real: true,
            rgb: packaged(file),
        })
        .collect();
    clips.push(Clip {
        name: "grain",
        real: false,
        rgb: grain(&clips[2].rgb),
    });
    clips.push(Clip {
        name: "screen",
        real: false,
        rgb: screen(),
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
