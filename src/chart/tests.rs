use super::{Axis, Level, PALETTE, Plot, alone, thin};

#[test]
fn thinning_keeps_every_extreme_and_both_ends() {
    let spike = |i: usize| match i {
        12_345 => 9.0,
        _ => (i % 7) as f64 / 10.0,
    };
    let points: Vec<_> = (0..20_000).map(|i| (i as f64, spike(i))).collect();
    let thinned = thin(&points, 700);
    assert!(thinned.len() <= 704);
    assert!(thinned.contains(&(12_345.0, 9.0)));
    assert_eq!(
        (thinned[0], thinned[thinned.len() - 1]),
        (points[0], points[19_999])
    );
    assert!(thinned.is_sorted_by(|a, b| a.0 <= b.0));
}

#[test]
fn coordinates_are_the_figures_and_words_are_escaped() {
    let mut plot = Plot::over_time("need", "kB/s").with(
        "need <&>",
        vec![(0.0, 10.25), (1.0, f64::NAN), (2.0, 20.125), (3.5, 19.0)],
    );
    plot.levels.push(Level {
        name: "card".into(),
        value: 25.0,
    });
    let svg = alone(&[plot]);
    assert!(svg.starts_with("<svg") && svg.trim_end().ends_with("</svg>"));
    assert!(svg.contains("need &lt;&amp;&gt;") && svg.contains("card"));
    // An interrupted curve is two lines; the level widens the axis.
    assert!(svg.contains("points=\"0,-10.25\"") && svg.contains("points=\"2,-20.125 3.5,-19\""));
    assert!(svg.contains("viewBox=\"0 -25 3.5 25\""), "{svg}");
}

#[test]
fn axes_say_where_they_begin_and_number_what_they_show() {
    let shown = |axis: &Axis| {
        let numbers = axis.numbers().into_iter().map(|(_, word)| word);
        numbers.collect::<Vec<_>>().join(" ")
    };
    let axis = Axis::new("dB").around([-38.0, 4.0].into_iter(), true);
    assert_eq!((axis.from, axis.to), (-40.0, 10.0));
    assert_eq!(shown(&axis), "-40 -30 -20 -10 0 10");
    assert_eq!(axis.words(), "dB, axis from -40");
    let axis = Axis::new("SSIM").between(0.86, 1.0);
    assert_eq!(shown(&axis), "0.90 0.95 1.00");
    let axis = Axis::new("Hz").logarithmic().between(50.0, 10_000.0);
    assert_eq!(shown(&axis), "50 100 200 500 1000 2000 5000 10000");
    assert!(axis.minor().len() > 15);
}

/// WCAG 2.2: relative luminance and contrast, 1.4.3 for text, 1.4.11 for strokes.
#[test]
fn the_palette_keeps_its_contrasts_in_both_themes_and_on_paper() {
    let channel = |hex: &str| {
        let c = f64::from(u8::from_str_radix(hex, 16).unwrap()) / 255.0;
        if c <= 0.040_45 {
            c / 12.92
        } else {
            ((c + 0.055) / 1.055).powf(2.4)
        }
    };
    let luminance = |hex: &str| {
        let hex = match hex.len() {
            3 => hex.chars().flat_map(|c| [c, c]).collect(),
            _ => hex.to_owned(),
        };
        0.2126 * channel(&hex[..2]) + 0.7152 * channel(&hex[2..4]) + 0.0722 * channel(&hex[4..])
    };
    for theme in PALETTE.split(":root").skip(1) {
        let colour = |name: &str| {
            let after = theme.split(&format!("--{name}: #")).nth(1);
            let after = after.unwrap_or_else(|| panic!("--{name}: {theme}"));
            luminance(after.split(';').next().unwrap())
        };
        let contrast = |a: &str, b: &str| {
            let (a, b) = (colour(a) + 0.05, colour(b) + 0.05);
            if a > b { a / b } else { b / a }
        };
        for ground in ["paper", "raised"] {
            for text in ["ink", "quiet", "accent", "tight", "bad"] {
                assert!(contrast(text, ground) >= 4.5, "{text} on {ground}: {theme}");
            }
            for stroke in ["edge", "series-1", "series-2", "series-3", "series-4"] {
                assert!(
                    contrast(stroke, ground) >= 3.0,
                    "{stroke} on {ground}: {theme}"
                );
            }
        }
    }
}

/// Words on a place stand in the key, where nothing crosses them; numbers of near marks
/// stand side by side.
#[test]
fn marks_are_named_in_the_key_and_never_on_one_another() {
    let mut plot = Plot::over_time("level", "kB").with("level", vec![(0.0, 1.0), (10.0, 3.0)]);
    let mark = |at: f64, text: &str| super::Mark {
        at,
        text: text.into(),
    };
    plot.marks = vec![mark(0.2, "lowest"), mark(0.1, "last bytes")];
    let svg = plot.svg();
    let (key, field) = svg.split_once("<svg x=").unwrap();
    assert!(key.contains(">1: lowest<") && key.contains(">2: last bytes<"));
    let after = field.split("</svg>").nth(1).unwrap();
    let places: Vec<f64> = ["2", "1"]
        .iter()
        .map(|n| {
            let text = after
                .split("<text")
                .find(|t| t.ends_with(&format!(">{n}</text>")));
            let x = text.unwrap().split("x=\"").nth(1).unwrap();
            x.split('%').next().unwrap().parse().unwrap()
        })
        .collect();
    assert!(
        (places[0] - 1.0).abs() < 0.01 && places[1] - places[0] >= 3.0,
        "{places:?}"
    );
    plot.marks.truncate(1);
    assert!(plot.svg().contains(">lowest<"));
}
