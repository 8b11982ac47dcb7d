//! A report is one page that needs nothing else, and says what the budget and
//! the rehearsal say.

#[path = "../page/make.rs"]
mod make;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn thumbreel(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_thumbreel"))
        .args(arguments)
        .output()
        .unwrap()
}

struct Fixture {
    dir: tempfile::TempDir,
}

impl Fixture {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        make::reels(dir.path());
        Self { dir }
    }

    fn at(&self, name: &str) -> String {
        self.path(name).to_str().unwrap().to_owned()
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn report(&self, reel: &str, more: &[&str]) -> String {
        let (reel, page) = (self.at(reel), self.at("page.html"));
        let fixed = [
            "report",
            &reel,
            "-o",
            &page,
            "--rehearsals",
            "20",
            "--overwrite",
        ];
        let own = ["--board", "lantern-room"];
        let board = if more.contains(&"--board") {
            &[][..]
        } else {
            &own
        };
        let output = thumbreel(&[&fixed, board, more].concat());
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{said}");
        std::fs::read_to_string(page).unwrap()
    }
}

#[test]
fn it_holds_everything_and_asks_for_nothing() {
    let fixture = Fixture::new();
    let page = fixture.report("raw-round.tbr", &[]);
    for part in [
        "As the panel shows it",
        "Contact sheet",
        "Load and capacity over time",
        "From the card",
        "Over Wi-Fi",
        "Sound and current over time",
        "Quality over time",
        "Settings",
        "Cautions",
        "default-src 'none'",
        // Every figure says where it comes from.
        "<dt id=\"source-1\">S1</dt><dd>computed from the reel</dd>",
        "load <a href=\"#source-1\">S1</a>, capacity <a href=\"#source-2\">S2</a>",
        "budget and rehearsals are computed from the reel; measured on emulated cores (decode counts of the slowest); assumed card.clock_hz",
        "computed from the reel and measured on emulated cores (decode counts of the slowest) and assumed keys of the profile",
    ] {
        assert!(page.contains(part), "{part}");
    }
    // A title is text, not markup.
    assert!(page.contains("Harbour, round &lt;b&gt;&amp; more&lt;/b&gt;"));
    assert!(!page.contains("<b>& more"));
    // Vector plots, and no address to fetch from but names of standards' own.
    assert!(plots(&page).len() >= 6);
    let outside = [
        "src=\"http",
        "href=\"http",
        "url(",
        "@import",
        "<link rel=\"stylesheet\"",
    ];
    for trace in outside {
        assert!(!page.contains(trace), "{trace}");
    }
    // The reel itself lies in it, byte for byte.
    let data = page.split("id=\"reel-bytes\">").nth(1).unwrap();
    let data = data.split("</script>").next().unwrap();
    assert_eq!(
        unbase64(data),
        std::fs::read(fixture.path("raw-round.tbr")).unwrap()
    );
}

/// Base64 (RFC 4648 section 4), by table.
fn unbase64(text: &str) -> Vec<u8> {
    let value = |b: u8| match b {
        b'A'..=b'Z' => u32::from(b - b'A'),
        b'a'..=b'z' => u32::from(b - b'a') + 26,
        b'0'..=b'9' => u32::from(b - b'0') + 52,
        b'+' => 62,
        _ => 63,
    };
    let digits: Vec<u8> = text
        .bytes()
        .filter(|b| !b.is_ascii_whitespace() && *b != b'=')
        .collect();
    let mut out = Vec::new();
    for four in digits.chunks(4) {
        let bits = four
            .iter()
            .enumerate()
            .fold(0, |bits, (i, b)| bits | value(*b) << (18 - 6 * i));
        out.extend(&bits.to_be_bytes()[1..four.len()]);
    }
    out
}

#[test]
fn its_verdicts_are_those_of_the_budget() {
    let fixture = Fixture::new();
    let reel = fixture.at("patch-full.tbr");
    let page = fixture.report("patch-full.tbr", &[]);
    for (from, name) in [("card", "card"), ("wifi", "Wi-Fi")] {
        let output = thumbreel(&[
            "budget",
            &reel,
            "--board",
            "lantern-room",
            "--link",
            from,
            "--json",
        ]);
        let text = String::from_utf8(output.stdout).unwrap();
        let json: serde_json::Value =
            serde_json::from_str(&text).unwrap_or_else(|e| panic!("{e}: {text}"));
        let verdict = find(&json, "verdict").unwrap().replace('-', " ");
        assert!(
            page.contains(&format!("<strong>{name}: {verdict}.</strong>")),
            "{name} {verdict}"
        );
    }
    assert!(page.contains("20 of 20 rehearsals with stalls and losses by chance are clean"));
}

/// The text of every `<text>` in a picture.
fn texts(plot: &str) -> Vec<String> {
    let inside = plot.split("<text").skip(1);
    let text = |t: &str| {
        t.split_once('>')
            .unwrap()
            .1
            .split('<')
            .next()
            .unwrap()
            .to_owned()
    };
    inside.map(text).collect()
}

/// The pictures of a page.
fn plots(page: &str) -> Vec<&str> {
    let plots = page.split("class=\"plot\"").skip(1);
    plots.map(|p| p.split("</svg>\n").next().unwrap()).collect()
}

/// The plot of the link's need holds the lines of both links, however far above.
#[test]
fn both_capacities_are_drawn_and_every_axis_is_named() {
    let fixture = Fixture::new();
    let page = fixture.report("patch-full.tbr", &[]);
    let plots = plots(&page);
    let need = texts(plots[0]);
    for name in ["card ", "Wi-Fi "] {
        let line = need
            .iter()
            .find(|t| t.starts_with(name) && t.ends_with(" kB/s"));
        assert!(line.is_some(), "{name}: {need:?}");
    }
    for plot in &plots {
        let words = texts(plot);
        let units = [
            "kB/s",
            "% of the time",
            "kB",
            "LUFS",
            "mA",
            "dB",
            "mm",
            "SSIM",
        ];
        assert!(
            units.iter().any(|u| words[0].contains(&format!(", {u}"))),
            "{words:?}"
        );
        // Numbers on the axis upwards, and a label for those who cannot see it.
        assert!(
            words.iter().filter(|w| w.parse::<f64>().is_ok()).count() >= 2,
            "{words:?}"
        );
        assert!(plot.contains("role=\"img\" aria-label=\""));
    }
}

/// Each curve of the plot of the whole reel, as it is drawn: its times and values.
fn drawn(page: &str) -> Vec<Vec<(f64, f64)>> {
    let figure = page
        .split("<figure class=\"chart reel-plot\"")
        .nth(1)
        .unwrap();
    let figure = figure.split("<figcaption").next().unwrap();
    let mut curves = Vec::new();
    for plot in plots(figure) {
        let logarithmic = texts(plot)[0].contains("logarithmic");
        for line in plot.split("<polyline").skip(1) {
            let points = line.split("points=\"").nth(1).unwrap();
            let points = points.split('"').next().unwrap().split(' ');
            let point = |p: &str| -> (f64, f64) {
                let (x, y) = p.split_once(',').unwrap();
                let y = -y.parse::<f64>().unwrap();
                (
                    x.parse().unwrap(),
                    if logarithmic { 10f64.powf(y) } else { y },
                )
            };
            curves.push(points.map(point).collect());
        }
    }
    curves
}

/// What is drawn is what the tables say: at ten moments to the last digit, and the highest
/// of each curve is the load of its part, also with a bus that the card shares, without
/// DMA and with one core.
#[test]
fn plots_and_tables_are_of_the_same_figures() {
    let fixture = Fixture::new();
    let mut own = thumbreel::board::Board::find("lantern-room").unwrap();
    own.name = "gull-post".into();
    own.panel.dma = false;
    own.cpu.cores = 1;
    own.card.as_mut().unwrap().shares_panel_bus = true;
    std::fs::write(fixture.path("gull-post.toml"), own.to_toml()).unwrap();
    let own = fixture.at("gull-post.toml");
    for board in ["lantern-room", &own] {
        let page = fixture.report("patch-full.tbr", &["--board", board]);
        let curves = drawn(&page);
        let table = page
            .split("aria-label=\"Ten places: from the card")
            .nth(1)
            .unwrap();
        let table = table.split("</table>").next().unwrap();
        let rows: Vec<&str> = table.split("<tr><th scope=\"row\">").skip(1).collect();
        assert_eq!(rows.len(), 10);
        for row in rows {
            let (time, cells) = row.split_once('<').unwrap();
            let time: f64 = time.parse().unwrap();
            let cells: Vec<&str> = cells.split("<td>").skip(1).collect();
            assert_eq!(cells.len(), curves.len(), "{board}: a column a curve");
            for (cell, curve) in cells.iter().zip(&curves) {
                let cell: f64 = cell.split('<').next().unwrap().parse().unwrap();
                let past = curve.iter().take_while(|p| p.0 <= time + 1e-9);
                let value = past.last().unwrap().1;
                assert!(
                    (cell - value).abs() < 0.050_001,
                    "{board}: {time} s: {cell}, {value}"
                );
            }
        }
        // Link, bus, display core: in the table of parts by formula.
        let output = thumbreel(&[
            "budget",
            &fixture.at("patch-full.tbr"),
            "--board",
            board,
            "--json",
        ]);
        let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        let lines = json["budgets"][0]["lines"].as_array().unwrap();
        let load = |part: &str| {
            let line = lines.iter().find(|line| line["part"] == part).unwrap();
            line["need"].as_f64().unwrap()
        };
        let most = |n: usize| curves[n].iter().map(|p| p.1).fold(0.0, f64::max);
        let pairs = [
            ("card", 1e3, 0),
            ("bus", 10.0, 1),
            ("display-core", 10.0, 2),
        ];
        for (part, unit, curve) in pairs {
            let (table, plot) = (load(part), most(curve) * unit);
            assert!(
                (table - plot).abs() < 1e-6 * table,
                "{board}: {part}: {table}, {plot}"
            );
        }
        // Three seconds (see make.rs): all of it is drawn.
        for curve in &curves[..3] {
            let (first, last) = (curve[0].0, curve[curve.len() - 1].0);
            assert!(
                first <= 0.0 && (last - 3.0).abs() < 1e-6,
                "{board}: {first} to {last} s"
            );
        }
    }
}

/// Every figure of the page, each series of it: at ten places what its table says is what
/// is drawn, to the last digit shown; in a gap of the curve the table says so.
#[test]
fn every_series_is_in_its_figures_table() {
    let fixture = Fixture::new();
    let page = fixture.report("raw-round.tbr", &[]);
    let mut checked = 0;
    let figures: Vec<&str> = page.split("<figure class=\"chart").skip(1).collect();
    assert!(figures.len() >= 5, "{}", figures.len());
    for figure in figures {
        let figure = figure.split("</figure>").next().unwrap();
        let series: Vec<_> = plots(figure.split("<table").next().unwrap())
            .into_iter()
            .flat_map(pieces_of_series)
            .collect();
        let table = figure.split("<tbody>").nth(1).unwrap();
        let rows: Vec<&str> = table.split("<th scope=\"row\">").skip(1).collect();
        assert_eq!(rows.len(), 10);
        for row in rows {
            let (place, cells) = row.split_once('<').unwrap();
            let place: f64 = place.parse().unwrap();
            let cells: Vec<&str> = cells.split("<td>").skip(1).collect();
            assert_eq!(cells.len(), series.len(), "a column a series: {row}");
            for (cell, pieces) in cells.iter().zip(&series) {
                let cell = cell.split('<').next().unwrap();
                let digits = cell.split('.').nth(1).map_or(0, str::len);
                let past = pieces
                    .concat()
                    .into_iter()
                    .rfind(|p| p.0 <= place * 1.000_01 + 1e-6);
                match cell.parse::<f64>() {
                    Ok(told) => {
                        let drawn = past.unwrap().1;
                        let least =
                            0.5 * 10f64.powi(-(digits as i32)) + 3e-6 * drawn.abs().max(1.0);
                        assert!((told - drawn).abs() <= least, "{place}: {told}, {drawn}");
                        checked += 1;
                    }
                    Err(_) => {
                        assert_eq!(cell, "none");
                        let inside = |p: &Vec<(f64, f64)>| {
                            p[0].0 < place - 1e-6 && p[p.len() - 1].0 > place + 1e-6
                        };
                        assert!(!pieces.iter().any(inside), "{place}: a figure is drawn");
                    }
                }
            }
        }
    }
    assert!(checked >= 100, "{checked}");
}

/// The worst moment of the ring buffer has its name, and the value in it is what the curve
/// has there.
#[test]
fn the_ring_buffers_worst_moment_is_labelled_with_what_is_drawn() {
    let fixture = Fixture::new();
    let page = fixture.report("patch-full.tbr", &[]);
    let ring = plots(&page)
        .into_iter()
        .find(|p| texts(p)[0].starts_with("Ring buffer"))
        .unwrap();
    let names = texts(ring);
    let lowest = names
        .iter()
        .find_map(|t| t.split("lowest: ").nth(1))
        .unwrap();
    let lowest: f64 = lowest.strip_suffix(" kB").unwrap().parse().unwrap();
    let mark = ring.split("<path class=\"mark\"").nth(1).unwrap();
    let mark = mark.split("d=\"M").nth(1).unwrap();
    let at: f64 = mark.split(' ').next().unwrap().parse().unwrap();
    let level = pieces_of_series(ring).swap_remove(0).concat();
    let there: Vec<f64> = level
        .iter()
        .filter(|p| (p.0 - at).abs() < 1e-5)
        .map(|p| p.1)
        .collect();
    assert!(
        there.iter().any(|v| (v - lowest).abs() < 0.051),
        "{lowest} kB at {at} s, drawn {there:?}"
    );
    // And no level is lower between the start and the last byte that comes in, the other mark.
    let last = ring.split("<path class=\"mark\"").nth(2).unwrap();
    let last = last.split("d=\"M").nth(1).unwrap();
    let last: f64 = last.split(' ').next().unwrap().parse().unwrap();
    // Of each step the second point is the new level.
    let levels = level.iter().skip(1).step_by(2);
    let between = levels.filter(|p| p.0 >= -1e-6 && p.0 <= last + 1e-6);
    let least = between.map(|p| p.1).fold(f64::MAX, f64::min);
    assert!(
        (least - lowest).abs() < 0.051,
        "{least} kB is drawn, {lowest} kB told"
    );
    // What a reel is at 300 % of is not near to a limit but beyond it.
    assert!(!page.contains("nearest to its limit"));
}

/// A curve as it is drawn: its pieces, each of places and values.
type Pieces = Vec<Vec<(f64, f64)>>;

/// The curves of a plot as they are drawn.
fn pieces_of_series(plot: &str) -> Vec<Pieces> {
    let title = texts(plot).swap_remove(0);
    let across = plot.contains(", over Hz from ");
    let mut all: Vec<(String, Pieces)> = Vec::new();
    for line in plot.split("<polyline class=\"").skip(1) {
        let class = line.split('"').next().unwrap().to_owned();
        let points = line
            .split("points=\"")
            .nth(1)
            .unwrap()
            .split('"')
            .next()
            .unwrap();
        let point = |p: &str| {
            let (x, y) = p.split_once(',').unwrap();
            let (x, y): (f64, f64) = (x.parse().unwrap(), -y.parse::<f64>().unwrap());
            let up = title.contains("logarithmic");
            (
                if across { 10f64.powf(x) } else { x },
                if up { 10f64.powf(y) } else { y },
            )
        };
        let points: Vec<_> = points.split(' ').map(point).collect();
        match all.last_mut() {
            Some((known, pieces)) if *known == class => pieces.push(points),
            _ => all.push((class, vec![points])),
        }
    }
    all.into_iter().map(|(_, pieces)| pieces).collect()
}

/// A budget that fits and rehearsals that do not: the page says what is worse.
#[test]
fn the_verdict_is_the_worse_of_formula_and_rehearsal() {
    let fixture = Fixture::new();
    let mut board = thumbreel::board::Board::find("lantern-room").unwrap();
    board.name = "gull-post".into();
    // Stalls longer than the start level and the small ring buffer can bear.
    let card = board.card.as_mut().unwrap();
    (
        card.stalls.per_minute,
        card.stalls.typical_ms,
        card.stalls.worst_ms,
    ) = (600.0, 4000.0, 5000.0);
    std::fs::write(fixture.path("gull-post.toml"), board.to_toml()).unwrap();
    let profile = fixture.at("gull-post.toml");
    let page = fixture.report("patch-full.tbr", &["--board", &profile]);
    assert!(
        page.contains("<strong>card: does not fit.</strong>"),
        "{}",
        &page[..6000]
    );
    assert!(page.contains("<strong>Wi-Fi: fits.</strong>"));
    assert!(page.contains("the link stalled"));
}

/// The outermost field of this name.
fn find(json: &serde_json::Value, name: &str) -> Option<String> {
    match json {
        serde_json::Value::Object(fields) => match fields.get(name) {
            Some(value) => value.as_str().map(str::to_owned),
            None => fields.values().find_map(|value| find(value, name)),
        },
        serde_json::Value::Array(items) => items.iter().find_map(|item| find(item, name)),
        _ => None,
    }
}

#[test]
fn a_reel_too_long_to_carry_leaves_the_player_out() {
    let fixture = Fixture::new();
    let page = fixture.report("silent.tbr", &["--carry", "0"]);
    assert!(page.contains("too large to embed") && page.contains("thumbreel serve"));
    assert!(!page.contains("<script"));
    // A silent reel has no loudness, and no caution about sound.
    assert!(!page.contains("LUFS") && !page.contains("H.870"));
}

#[test]
fn refusals_name_the_cause_and_leave_no_page() {
    let fixture = Fixture::new();
    let reel = fixture.at("silent.tbr");
    std::fs::write(fixture.path("noise.tbr"), [7; 3000]).unwrap();
    std::fs::write(fixture.path("taken.html"), "precious").unwrap();
    let taken = fixture.at("taken.html");
    let noise = fixture.at("noise.tbr");
    for (arguments, code, word) in [
        (vec!["report", &reel, "--board", "nowhere"], 2, "nowhere"),
        (vec!["report", &reel], 2, "--board"),
        (
            vec!["report", "none.tbr", "--board", "porthole"],
            1,
            "none.tbr",
        ),
        (
            vec!["report", &noise, "--board", "porthole"],
            1,
            "noise.tbr",
        ),
        (
            vec!["report", &reel, "--board", "porthole", "-o", &taken],
            1,
            "--overwrite",
        ),
    ] {
        let output = thumbreel(&arguments);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(code), "{arguments:?}: {said}");
        assert!(said.contains(word), "{arguments:?}: {said}");
    }
    assert_eq!(std::fs::read_to_string(&taken).unwrap(), "precious");
    assert!(!Path::new(&fixture.at("noise.html")).exists());
}
