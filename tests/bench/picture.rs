//! The picture stage by itself: cost a picture, and the evidence for the
//! default dither and filter. `cargo bench --bench picture`.
//!
//! Times are medians of single runs on one thread, over 1080p 8-bit 4:2:0
//! frames that stay in the cache less than a decoder's would, so they flatter
//! by a little; ratios between lines are what to read.

use std::time::Instant;

use ffmpeg_next::format::Pixel;
use ffmpeg_next::frame::Video;
use thumbreel::picture::canvas::Canvas;
use thumbreel::picture::dither::{expand, to_rgb565};
use thumbreel::picture::flash::FlashChecker;
use thumbreel::picture::quality::{psnr_of_error, ssim};
use thumbreel::picture::{Dither, Filter, Framing, PicturePlan, PictureStage};
use thumbreel::source::{ColourTags, Interlace, QuarterTurns, SourcePicture, Transfer};
use thumbreel::units::{Nanos, Ratio};

const DITHERS: [Dither; 4] = [
    Dither::None,
    Dither::Bayer,
    Dither::BlueNoise,
    Dither::ErrorDiffusion,
];
const FILTERS: [Filter; 6] = [
    Filter::Box,
    Filter::Bilinear,
    Filter::Hamming,
    Filter::CatmullRom,
    Filter::Mitchell,
    Filter::Lanczos3,
];

fn main() {
    println!("a picture of 1920x1080 on 240x240, microseconds (median of 60)");
    costs();
    println!(
        "\ndither: PSNR in dB after a Gaussian blur of 1 pixel, share of pixels that change under noise of half a level"
    );
    dithers();
    println!(
        "\nfilter: zone plate 8 to 1, RMS of false patterns in levels; contrast kept at half the panel's limit"
    );
    filters();
    println!("\nmeasures");
    measures();
}

fn median_micros(mut run: impl FnMut()) -> f64 {
    run();
    let mut times: Vec<f64> = (0..60)
        .map(|_| {
            let start = Instant::now();
            run();
            start.elapsed().as_secs_f64() * 1e6
        })
        .collect();
    times.sort_by(f64::total_cmp);
    times[30]
}

fn costs() {
    let frame = frame(1920, 1080, |plane, x, y| match plane {
        0 => (16 + (x * 7 + y * 3 + x * y / 97) % 220) as u8,
        _ => (64 + (x + y) % 128) as u8,
    });
    let base = PicturePlan::new(240, 240);
    let line = |name: &str, plan: PicturePlan, frame: &SourcePicture| {
        let mut stage = PictureStage::new(plan).expect("a valid plan");
        let time = median_micros(|| drop(stage.render(frame).expect("a picture")));
        println!("  {name:32} {time:8.0}");
    };
    line("default (whole)", base.clone(), &frame);
    line(
        "fill",
        PicturePlan {
            framing: Framing::Crop,
            ..base.clone()
        },
        &frame,
    );
    for filter in FILTERS {
        line(
            &format!("{filter:?}"),
            PicturePlan {
                filter,
                ..base.clone()
            },
            &frame,
        );
    }
    line(
        "linear light",
        PicturePlan {
            linear_light: true,
            ..base.clone()
        },
        &frame,
    );
    let mut fields = SourcePicture {
        frame: frame.frame.clone().into(),
        ..still()
    };
    fields.interlaced = Interlace::TopFirst;
    line("interlaced", base.clone(), &fields);
    let mut hdr = SourcePicture {
        frame: frame.frame.clone().into(),
        ..still()
    };
    hdr.colour.transfer = Some(Transfer::Pq);
    line("PQ", base.clone(), &hdr);
    let canvas = ramp();
    for dither in DITHERS {
        let time = median_micros(|| drop(to_rgb565(&canvas, dither)));
        println!("  {:32} {time:8.0}", format!("dither alone, {dither:?}"));
    }
    let rgb = canvas.to_rgb8();
    let mut checker = FlashChecker::default();
    let time = median_micros(|| checker.look(Nanos(0), &rgb, 240));
    println!("  {:32} {time:8.0}", "flash check");
}

fn still() -> SourcePicture {
    SourcePicture {
        frame: Video::empty().into(),
        time: Nanos(0),
        duration: Nanos(0),
        colour: ColourTags::default(),
        rotation: QuarterTurns::default(),
        mirrored: false,
        sample_aspect: Ratio { num: 1, den: 1 },
        interlaced: Interlace::Progressive,
    }
}

fn frame(width: u32, height: u32, value: impl Fn(usize, usize, usize) -> u8) -> SourcePicture {
    let mut frame = Video::new(Pixel::YUV420P, width, height);
    for plane in 0..3 {
        let stride = frame.stride(plane);
        for (y, line) in frame.data_mut(plane).chunks_exact_mut(stride).enumerate() {
            line.iter_mut()
                .enumerate()
                .for_each(|(x, v)| *v = value(plane, x, y));
        }
    }
    SourcePicture {
        frame: frame.into(),
        ..still()
    }
}

fn painted(colour: impl Fn(f64, f64) -> [f64; 3]) -> Canvas {
    let mut canvas = Canvas::black(240, 240);
    for (i, pixel) in canvas.pixels.iter_mut().enumerate() {
        let (x, y) = ((i % 240) as f64 / 239.0, (i / 240) as f64 / 239.0);
        *pixel = colour(x, y).map(|v| (v * 256.0) as u16);
    }
    canvas
}

fn ramp() -> Canvas {
    painted(|x, _| [255.0 * x; 3])
}

fn sky() -> Canvas {
    painted(|x, y| {
        [
            70.0 + 90.0 * y + 3.0 * x,
            120.0 + 70.0 * y + 3.0 * x,
            190.0 + 25.0 * y + 3.0 * x,
        ]
    })
}

fn night() -> Canvas {
    painted(|x, y| {
        let lamp = 40.0 * (-20.0 * ((x - 0.6).powi(2) + (y - 0.4).powi(2))).exp();
        [4.0 + lamp, 6.0 + 0.8 * lamp, 12.0 + 0.4 * lamp]
    })
}

fn dithers() {
    println!(
        "  {:16} {:>8} {:>8} {:>8} {:>10}",
        "", "ramp", "sky", "night", "flicker"
    );
    for dither in DITHERS {
        let [a, b, c] = [ramp(), sky(), night()].map(|canvas| seen_psnr(&canvas, dither));
        let name = format!("{dither:?}");
        println!(
            "  {name:16} {a:8.2} {b:8.2} {c:8.2} {:9.1} %",
            100.0 * flicker(dither)
        );
    }
}

fn seen_psnr(canvas: &Canvas, dither: Dither) -> f64 {
    let shown: Vec<[f64; 3]> = to_rgb565(canvas, dither)
        .iter()
        .map(|&p| expand(p).map(f64::from))
        .collect();
    let wanted: Vec<[f64; 3]> = canvas
        .pixels
        .iter()
        .map(|p| p.map(|v| f64::from(v) / 256.0))
        .collect();
    let (shown, wanted) = (blurred(&shown), blurred(&wanted));
    let squares = shown
        .iter()
        .flatten()
        .zip(wanted.iter().flatten())
        .map(|(a, b)| (a - b).powi(2));
    psnr_of_error(squares.sum::<f64>() / (3.0 * shown.len() as f64))
}

/// Gaussian of sigma 1 on 240x240, inner pixels only.
fn blurred(pixels: &[[f64; 3]]) -> Vec<[f64; 3]> {
    let weights: Vec<f64> = (-4..=4_i32)
        .map(|d| (-f64::from(d * d) / 2.0).exp())
        .collect();
    let sum: f64 = weights.iter().sum();
    let pass = |from: &[[f64; 3]], step: usize| -> Vec<[f64; 3]> {
        let at = |i: usize, c: usize| {
            (0..9)
                .map(|t| weights[t] * from[i + t * step - 4 * step][c])
                .sum::<f64>()
                / sum
        };
        let inner = |i: usize| (960..from.len() - 960).contains(&i);
        (0..from.len())
            .map(|i| {
                if inner(i) {
                    [at(i, 0), at(i, 1), at(i, 2)]
                } else {
                    from[i]
                }
            })
            .collect()
    };
    let both = pass(&pass(pixels, 1), 240);
    let inner = |i: &usize| (8..232).contains(&(i % 240)) && (8..232).contains(&(i / 240));
    (0..both.len()).filter(inner).map(|i| both[i]).collect()
}

fn flicker(dither: Dither) -> f64 {
    let noisy = |mut state: u32| {
        let mut canvas = sky();
        for value in canvas.pixels.iter_mut().flatten() {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            *value = value.saturating_add_signed((state >> 24) as i16 - 128);
        }
        to_rgb565(&canvas, dither)
    };
    let (a, b) = (noisy(1), noisy(2));
    a.iter().zip(&b).filter(|(a, b)| a != b).count() as f64 / a.len() as f64
}

fn filters() {
    println!("  {:12} {:>10} {:>10}", "", "false", "contrast");
    for filter in FILTERS {
        let name = format!("{filter:?}");
        println!(
            "  {name:12} {:10.2} {:10.3}",
            false_patterns(filter),
            contrast(filter)
        );
    }
}

fn greys(filter: Filter, luma: impl Fn(usize, usize) -> f64) -> Vec<f64> {
    let code = |v: f64| (16.0 + 219.0 * v).round() as u8;
    let source = frame(
        1920,
        1920,
        |plane, x, y| if plane == 0 { code(luma(x, y)) } else { 128 },
    );
    let plan = PicturePlan {
        filter,
        ..PicturePlan::new(240, 240)
    };
    let mut stage = PictureStage::new(plan).expect("a valid plan");
    let canvas = stage.canvas(&source).expect("a picture");
    canvas
        .pixels
        .iter()
        .map(|p| f64::from(p[1]) / 256.0)
        .collect()
}

/// A zone plate whose frequency grows from the panel's limit (half a cycle a
/// panel pixel) at the inner ring to the source's: all of it must become grey.
fn false_patterns(filter: Filter) -> f64 {
    let centre = 960.0;
    // The phase's slope, in cycles a source pixel, is r / (2 centre).
    let luma = |x: usize, y: usize| {
        let r2 = (x as f64 + 0.5 - centre).powi(2) + (y as f64 + 0.5 - centre).powi(2);
        0.5 + 0.5 * (std::f64::consts::PI * r2 / (2.0 * centre)).cos()
    };
    let out = greys(filter, luma);
    // A source frequency of 0.1 is 0.8 a panel pixel: beyond it nothing may show.
    let outer = out.iter().enumerate().filter(|(i, _)| {
        let r = ((i % 240) as f64 - 119.5).hypot((i / 240) as f64 - 119.5) * 8.0;
        (0.1..0.45).contains(&(r / (2.0 * centre)))
    });
    let squares: Vec<f64> = outer.map(|(_, v)| (v - 127.5).powi(2)).collect();
    (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
}

/// What is left of full contrast at a quarter of a cycle a panel pixel.
fn contrast(filter: Filter) -> f64 {
    let out = greys(filter, |x, _| {
        0.5 + 0.4 * (std::f64::consts::TAU * (x as f64 + 0.5) / 32.0 + 0.4).cos()
    });
    let row = &out[120 * 240 + 20..120 * 240 + 220];
    let wave = |f: fn(f64) -> f64| {
        let turn = |i: usize| f(std::f64::consts::TAU * i as f64 / 4.0);
        row.iter()
            .enumerate()
            .map(|(i, v)| v * turn(i))
            .sum::<f64>()
            / 100.0
    };
    wave(f64::cos).hypot(wave(f64::sin)) / (0.4 * 255.0)
}

fn measures() {
    let (a, b) = (sky().to_rgb8(), night().to_rgb8());
    let time = median_micros(|| {
        std::hint::black_box(ssim(&a, &b, 240, 3));
    });
    println!("  {:32} {time:8.0}", "SSIM of a picture, microseconds");
}
