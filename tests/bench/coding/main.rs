//! The picture codings on real and made clips, 240x240 at 24 pictures a
//! second: `cargo bench --bench coding [-- CLIP [LEVEL]]`. Needs the test tools
//! (`.ci/install test`) and, for instructions, valgrind.
//!
//! Method. Clips are cropped to a square and scaled by the general-purpose
//! tool, so that this bench measures coding alone. A key picture every five
//! seconds, default search, no dither, both codings rounded to RGB565. SSIM
//! and PSNR compare what the panel shows, widened to 8 bits, with the picture
//! before coding; SSIM (Wang et al. 2004) of BT.601 luma, and of R, G and B
//! averaged. JPEG is counted without its tables. "At equal SSIM" interpolates
//! ln bytes linearly over -ln(1 - SSIM) between the two nearest of seven
//! qualities. Instructions are callgrind's, of this machine's build, the
//! difference of two lengths of the same stream, with the conversion of every
//! changed pixel to RGB565. Encode times are one thread's, wall, and depend on
//! what else the machine does. "Pulse" is the mean square of the error's step
//! from picture to picture at key pictures (the first left out) over that at all
//! others: 1 where a key picture cannot be seen coming.

mod clips;

use std::path::Path;
use std::process::Command;
use std::time::Instant;

use thumbreel::coding::patch::{Decoder, Level, memory_bytes};
use thumbreel::coding::{
    ByteOrder, Coding, EncoderPlan, Limits, PanelDecoder, PanelSettings, PictureIn, Shape, Weights,
    denoised, encoder, expand_565, nearest_565,
};
use thumbreel::picture::quality::{psnr, ssim};
use thumbreel::units::Ratio;

use clips::{Clip, PICTURE, SIDE, clips};

const QUALITIES: [u8; 7] = [25, 35, 45, 55, 65, 75, 85];
/// SSIM is taken of every so manieth picture.
const STRIDE: usize = 6;

/// What one coding did to one clip.
struct Outcome {
    label: String,
    mean: f64,
    worst: usize,
    psnr: f64,
    luma: f64,
    colour: f64,
    /// SSIM of luma against the clip without noise.
    truth: f64,
    /// Mean square of the error's step at key pictures over that at others.
    pulse: f64,
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
        search: 2,
        dither: false,
        limits: Limits::default(),
        weights: Weights::default(),
    }
}

fn run(clip: &Clip, plan: &EncoderPlan, denoise: bool) -> Outcome {
    let mut coder = encoder(plan).expect("a plan");
    if denoise {
        coder = denoised(coder, plan.width, plan.height);
    }
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
        truth: 0.0,
        pulse: 0.0,
        bus: 0.0,
        work: 0.0,
        counted: None,
        encode_ms: 0.0,
        payloads: Vec::new(),
        pictures: clip.rgb.len() / PICTURE,
    };
    let mut seen = 0.0;
    let mut last: Vec<i16> = Vec::new();
    let mut steps = [(0.0, 0.0); 2];
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
        let shown: Vec<u8> = panel.pixels().iter().flat_map(|&p| expand_565(p)).collect();
        let error: Vec<i16> = shown
            .iter()
            .zip(rgb)
            .map(|(&a, &b)| i16::from(a) - i16::from(b))
            .collect();
        let squares = error
            .iter()
            .zip(&last)
            .map(|(a, b)| f64::from(a - b).powi(2));
        if n > 0 {
            let (sum, count) = &mut steps[usize::from(coded.key)];
            *sum += squares.sum::<f64>();
            *count += 1.0;
        }
        last = error;
        if n % STRIDE == 0 {
            out.psnr += psnr(rgb, &shown);
            out.luma += ssim(&luma(rgb), &luma(&shown), SIDE, 1);
            out.colour += ssim(rgb, &shown, SIDE, 3);
            if let Some(clean) = &clip.clean {
                let clean = &clean[n * PICTURE..][..PICTURE];
                out.truth += ssim(&luma(clean), &luma(&shown), SIDE, 1);
            }
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
    for total in [
        &mut out.psnr,
        &mut out.luma,
        &mut out.colour,
        &mut out.truth,
    ] {
        *total /= seen;
    }
    let [others, keys] = steps.map(|(sum, count)| sum / count);
    out.pulse = keys / others;
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
        "\n{}: {} pictures\n{:18} {:>7} {:>7} {:>6} {:>6} {:>7} {:>7} {:>6} {:>6} {:>9} {:>9} {:>8}",
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
        "pulse",
        "instr/px",
        "estimate",
        "ms enc"
    );
    let jpeg = [50, 70].map(|q| run(clip, &plan(Coding::Jpeg, Level::Full, q), false));
    jpeg.iter().for_each(line);
    let levels = [Level::Light, Level::Full].map(|level| {
        let name = format!("{level:?}").to_lowercase();
        let wanted = only.is_none_or(|o| *o == name);
        let qualities = if wanted { &QUALITIES[..] } else { &[] };
        qualities
            .iter()
            .map(|&q| {
                let mut outcome = run(clip, &plan(Coding::Patch, level, q), false);
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
            "instructions per pixel at the SSIM of JPEG, {name}: {low:.1} (q50), {high:.1} (q70)"
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
    if clip.clean.is_some() {
        cleaned(clip, &levels[1]);
    }
    shares
}

/// Prints what `denoise` saves at equal SSIM to the clip without noise.
fn cleaned(clip: &Clip, plain: &[Outcome]) {
    let rows: Vec<_> = QUALITIES
        .iter()
        .map(|&q| run(clip, &plan(Coding::Patch, Level::Full, q), true))
        .collect();
    for row in plain.iter().skip(2).step_by(2) {
        let bytes = at_equal(&rows, |o| o.truth, |o| o.mean, row.truth);
        let told = match bytes.is_nan() {
            true => "no quality measured comes to".into(),
            false => format!("{:.1} % of its bytes at", 100.0 * bytes / row.mean),
        };
        println!(
            "{} with denoise: {told} equal SSIM to the clean clip ({:.4})",
            row.label, row.truth
        );
    }
    let best = |rows: &[Outcome]| rows.iter().map(|o| o.truth).fold(0.0, f64::max);
    println!(
        "best SSIM to the clean clip: {:.4}, with denoise {:.4}",
        best(plain),
        best(&rows)
    );
}

fn line(o: &Outcome) {
    println!(
        "{:18} {:7.0} {:7} {:6.3} {:6.2} {:7.4} {:7.4} {:6.1} {:6.2} {:>9} {:9.1} {:8.2}",
        o.label,
        o.mean,
        o.worst,
        o.mean * 8.0 / (SIDE * SIDE) as f64,
        o.psnr,
        o.luma,
        o.colour,
        100.0 * o.bus,
        o.pulse,
        o.counted.map_or("-".into(), |i| format!("{i:.1}")),
        o.work,
        o.encode_ms
    );
}

/// `what` at a measure of `at`, between the two nearest outcomes; not a number
/// where none lies on either side. Outcomes come by quality; past the best one
/// more quality is less true (grain comes back), and they do not count.
fn at_equal(rows: &[Outcome], of: fn(&Outcome) -> f64, what: fn(&Outcome) -> f64, at: f64) -> f64 {
    if rows.is_empty() {
        return f64::NAN;
    }
    let scale = |s: f64| -(1.0 - s).ln();
    let best = (0..rows.len()).max_by(|&a, &b| of(&rows[a]).total_cmp(&of(&rows[b])));
    let rising = &rows[..=best.unwrap_or(0)];
    let mut points: Vec<_> = rising
        .iter()
        .map(|r| (scale(of(r)), what(r).ln()))
        .collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let x = scale(at);
    let i = points.partition_point(|p| p.0 < x).max(1);
    if x < points[0].0 || i >= points.len() {
        return f64::NAN;
    }
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

/// Callgrind's instructions per pixel over a stream but for its first picture.
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
            let at = usize::from(r.y) * SIDE + usize::from(r.x);
            decoder.paint(r, &mut shown[at..], SIDE);
        });
    }
    std::hint::black_box(&shown);
}
