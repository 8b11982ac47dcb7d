//! Subtitles on the panel.

use thumbreel::picture::Shape;
use thumbreel::picture::canvas::{Canvas, WHITE};
use thumbreel::picture::panel::safe_area;
use thumbreel::picture::text::{Cue, READABLE_PIXELS, Subtitles, parse};
use thumbreel::units::{Nanos, mask};

const LINE: &str = "The keeper lights the lamp at dusk.";

fn cue(text: &str) -> Cue {
    Cue::new(Nanos(1_000_000_000), Nanos(2_000_000_000), text).expect("text")
}

fn burnt(subtitles: &mut Subtitles, width: u16, height: u16, seconds: f64) -> Canvas {
    let grey = vec![128; usize::from(width) * usize::from(height) * 3];
    let mut canvas = Canvas::from_rgb8(width, height, &grey);
    subtitles.burn(&mut canvas, Nanos((seconds * 1e9) as i64));
    canvas
}

/// Left, top, right and bottom of what differs from the grey ground.
fn extent(canvas: &Canvas) -> Option<[usize; 4]> {
    let width = usize::from(canvas.width);
    let painted = canvas
        .pixels
        .iter()
        .enumerate()
        .filter(|(_, p)| **p != [128 * 256; 3]);
    painted
        .map(|(i, _)| (i % width, i / width))
        .fold(None, |seen, (x, y)| match seen {
            None => Some([x, y, x, y]),
            Some([a, b, c, d]) => Some([a.min(x), b.min(y), c.max(x), d.max(y)]),
        })
}

#[test]
fn text_shows_in_its_time_at_the_bottom_of_the_safe_area() {
    for (w, h, shape) in [
        (240, 240, Shape::Rectangle),
        (240, 240, Shape::Ellipse),
        (160, 80, Shape::Rectangle),
        (135, 240, Shape::Rectangle),
    ] {
        let mut subtitles = Subtitles::new(vec![cue(LINE)], w, h, shape).unwrap();
        assert!(
            subtitles.warnings().is_empty(),
            "{w}x{h}: {:?}",
            subtitles.warnings()
        );
        assert!(subtitles.pixels() >= READABLE_PIXELS);
        assert_eq!(extent(&burnt(&mut subtitles, w, h, 0.999)), None);
        assert_eq!(extent(&burnt(&mut subtitles, w, h, 2.0)), None);
        let canvas = burnt(&mut subtitles, w, h, 1.0);
        let [left, top, right, bottom] = extent(&canvas).expect("text");
        let safe = safe_area(w, h, shape);
        assert!(top >= usize::from(h) / 2, "{w}x{h}: {top}");
        assert!(left >= usize::from(safe.x) && right < usize::from(safe.x + safe.w));
        assert!(bottom < usize::from(safe.y + safe.h));
        for (i, pixel) in canvas.pixels.iter().enumerate() {
            let (x, y) = ((i % usize::from(w)) as u16, (i / usize::from(w)) as u16);
            let (start, end) = mask::row_span(w, h, y).unwrap_or((0, 0));
            let hidden = shape == Shape::Ellipse && !(start..end).contains(&x);
            assert!(
                !hidden || *pixel == [128 * 256; 3],
                "nothing is lost in the corners"
            );
        }
        // Legible: letters reach white, with black around them.
        assert!(canvas.pixels.contains(&[WHITE; 3]));
        assert!(canvas.pixels.iter().any(|p| p[1] < 8 * 256));
    }
}

#[test]
fn cues_that_ask_for_the_top_get_it() {
    let mut subtitles =
        Subtitles::new(vec![cue("{\\an8}Above")], 240, 240, Shape::Rectangle).unwrap();
    let [_, _, _, bottom] = extent(&burnt(&mut subtitles, 240, 240, 1.5)).expect("text");
    assert!(bottom < 60, "{bottom}");
}

#[test]
fn small_panels_warn_and_never_go_below_the_readable_size() {
    let long = [LINE; 6].join(" ");
    let later = Cue::new(Nanos(3_000_000_000), Nanos(4_000_000_000), "Fog.").expect("text");
    // Beside the long one there is no room for what is short.
    let both = Subtitles::new(vec![cue(&long), cue("Fog.")], 80, 64, Shape::Rectangle).unwrap();
    assert!(both.warnings()[0].contains("2 of 2 do not fit"));
    let mut subtitles = Subtitles::new(vec![cue(&long), later], 80, 64, Shape::Rectangle).unwrap();
    assert_eq!(subtitles.pixels(), READABLE_PIXELS);
    let warnings = subtitles.warnings();
    assert!(warnings[0].contains("1 of 2 do not fit"), "{warnings:?}");
    let [_, top, _, _] = extent(&burnt(&mut subtitles, 80, 64, 1.5)).expect("text");
    assert!(top > 10, "the picture keeps its upper part: {top}");
    let unknown = Subtitles::new(vec![cue("灯台")], 240, 240, Shape::Rectangle).unwrap();
    assert!(
        unknown.warnings()[0].contains("2 letters"),
        "{:?}",
        unknown.warnings()
    );
}

#[test]
fn hostile_files_never_panic() {
    let mut state = 1_u64;
    let alphabet: Vec<char> = "0123456789:,.->\n\r <>{}\\&;aN☃WEBVTT".chars().collect();
    for _ in 0..3000 {
        let text: String = (0..200)
            .map(|_| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1);
                alphabet[(state >> 33) as usize % alphabet.len()]
            })
            .collect();
        let _ = parse(&format!("00:00:01,000 --> 00:00:02,000\n{text}"));
        let _ = parse(&text);
    }
}
