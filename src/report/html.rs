//! The page itself: everything inside, nothing fetched.

use std::fmt::Write as _;

use base64_lines::encode;

use super::before_after;
use super::cautions::cautions;
use super::{Curve, Findings, Level, LinkFindings, Measured, OverTime, Plot, ReportError};
use crate::budget::{Budget, Line, Link, Part};
use crate::page::{PLAYER_SCRIPT, REEL_SCRIPT, STYLE, VIEWER};
use crate::reel::Header;

/// A page on a disk may run what it carries and load nothing.
const POLICY: &str = "default-src 'none'; script-src 'unsafe-inline' 'wasm-unsafe-eval'; \
    style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'";
const LOOK: &str = include_str!("report.css");
const SCRIPT: &str = include_str!("report.js");

pub(super) fn page(
    findings: &Findings<'_>,
    header: &Header,
    over_time: &OverTime,
    measured: &Measured,
) -> Result<String, ReportError> {
    let title = name(findings, header);
    let mut out = String::new();
    let body = [
        head(findings, header, measured),
        player(findings),
        sheet(measured),
        needs(findings, over_time)?,
        links(findings)?,
        sound(measured)?,
        quality(findings)?,
        tone(findings)?,
        settings(findings, header),
        caution_list(findings, measured),
    ];
    // Writing to a string cannot fail.
    let _ = write!(
        out,
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"{POLICY}\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta name=\"color-scheme\" content=\"light dark\">\n<title>{} on {}</title>\n\
         <link rel=\"icon\" href=\"data:,\">\n<style>\n{STYLE}{LOOK}</style>\n</head>\n<body>\n<main>\n{}</main>\n{}</body>\n</html>\n",
        escape(&title),
        escape(&findings.board.name),
        body.concat(),
        scripts(findings),
    );
    Ok(out)
}

fn scripts(findings: &Findings<'_>) -> String {
    let Some(reel) = &findings.reel else {
        return String::new();
    };
    let data = |id: &str, bytes: &[u8]| {
        format!(
            "<script type=\"text/plain\" id=\"{id}\">\n{}</script>\n",
            encode(bytes)
        )
    };
    let code =
        [REEL_SCRIPT, PLAYER_SCRIPT, SCRIPT].map(|code| format!("<script>\n{code}</script>\n"));
    [
        data("viewer-bytes", VIEWER),
        data("reel-bytes", reel),
        code.concat(),
    ]
    .concat()
}

/// The title, or the file's name if it has none.
fn name(findings: &Findings<'_>, header: &Header) -> String {
    let file = findings
        .path
        .file_name()
        .unwrap_or_default()
        .to_string_lossy();
    match header.title() {
        "" => file.into_owned(),
        title => title.to_owned(),
    }
}

fn section(heading: &str, content: &str) -> String {
    format!("<section>\n<h2>{heading}</h2>\n{content}</section>\n")
}

fn head(findings: &Findings<'_>, header: &Header, measured: &Measured) -> String {
    let verdicts = findings.links.iter().map(|link| {
        let budget = &link.budget;
        let word = budget.verdict.word();
        format!(
            "<li class=\"{word}\"><strong>{}: {word}.</strong> {}</li>\n",
            link.link.name(),
            escape(&because(link))
        )
    });
    let damage = match measured.damaged {
        0 => String::new(),
        count => format!(
            "<p class=\"bad\">{count} places of the reel are damaged; figures and pictures leave them out.</p>\n"
        ),
    };
    format!(
        "<h1>{}</h1>\n<p class=\"quiet\">{} on the board {}: {}</p>\n<ul class=\"verdicts\">\n{}</ul>\n{damage}",
        escape(&name(findings, header)),
        escape(
            &findings
                .path
                .file_name()
                .unwrap_or_default()
                .to_string_lossy()
        ),
        escape(&findings.board.name),
        escape(&findings.board.description),
        verdicts.collect::<String>(),
    )
}

/// The verdict's reason, and what rehearsals say to it.
fn because(link: &LinkFindings) -> String {
    let tightest = link.budget.bottleneck();
    let budget = format!(
        "Nearest to its limit: {}, {:.0} % used.",
        tightest.part.name(),
        100.0 * tightest.ratio()
    );
    let rehearsed = match &link.rehearsal {
        Ok((tally, _)) => format!(
            "It plays clean in {} of {} rehearsals.",
            tally.clean, tally.runs
        ),
        Err(why) => format!("It cannot be rehearsed: {why}."),
    };
    format!("{budget} {rehearsed}")
}

fn player(findings: &Findings<'_>) -> String {
    let inside = if findings.reel.is_some() {
        "<div class=\"place\"></div>\n<noscript><p>The player needs JavaScript.</p></noscript>\n"
            .to_owned()
    } else {
        "<p>The reel is too long to be carried in this page. <code>thumbreel serve</code> with its folder plays it in a browser.</p>\n".to_owned()
    };
    format!("<section class=\"screen-only\">\n<h2>As the panel shows it</h2>\n{inside}</section>\n")
}

fn sheet(measured: &Measured) -> String {
    let image = format!(
        "<img class=\"sheet\" alt=\"Twelve pictures spread over the reel, with their times\" src=\"data:image/png;base64,{}\">\n",
        encode(&measured.sheet).replace('\n', "")
    );
    section("Contact sheet", &image)
}

fn figure(svg: &str, caption: &str) -> String {
    format!(
        "<figure class=\"chart\">\n{svg}\n<figcaption>{}</figcaption>\n</figure>\n",
        escape(caption)
    )
}

fn draw(plot: &Plot, caption: &str) -> Result<String, ReportError> {
    Ok(figure(&plot.svg().map_err(ReportError::Draw)?, caption))
}

fn curve(name: &str, points: &[(f64, f64)], factor: f64) -> Curve {
    Curve {
        name: name.to_owned(),
        points: points
            .iter()
            .map(|(at, value)| (*at, value * factor))
            .collect(),
    }
}

/// Need against capacity over time: link, bus, core.
fn needs(findings: &Findings<'_>, over_time: &OverTime) -> Result<String, ReportError> {
    let mut link = Plot::new("kB/s");
    link.curves.push(curve("need", &over_time.link, 1e-3));
    let capacity = |link: &LinkFindings| {
        let part = if link.link == Link::Card {
            Part::Card
        } else {
            Part::Wifi
        };
        let line = link.budget.lines.iter().find(|line| line.part == part)?;
        let name = format!("{} {:.0} kB/s", link.link.name(), line.capacity / 1e3);
        Some(Level {
            name,
            value: line.capacity / 1e3,
        })
    };
    link.levels = findings.links.iter().filter_map(capacity).collect();
    let most = over_time.link.iter().map(|p| p.1 / 1e3).fold(0.0, f64::max);
    // Capacities far above the need are named beside the plot's top.
    let (near, far): (Vec<Level>, Vec<Level>) =
        link.levels.into_iter().partition(|l| l.value <= 4.0 * most);
    link.levels = near;
    let beyond: Vec<String> = far.into_iter().map(|level| level.name).collect();
    let beyond = if beyond.is_empty() {
        String::new()
    } else {
        format!(" Far above the plot: {}.", beyond.join(", "))
    };
    let caption = format!(
        "Bytes that the link must carry in each second, and what each link carries.{beyond}"
    );
    let mut busy = Plot::new("% of the time");
    busy.curves.push(curve("panel bus", &over_time.bus, 1.0));
    busy.curves
        .push(curve("drawing core", &over_time.core, 1.0));
    busy.levels.push(Level {
        name: "all of it".into(),
        value: 100.0,
    });
    let top = busy
        .curves
        .iter()
        .flat_map(|c| c.points.iter().map(|p| p.1))
        .fold(0.0, f64::max);
    busy.range = Some((0.0, (top * 1.1).max(110.0)));
    let content = [
        draw(&link, &caption)?,
        draw(
            &busy,
            "How busy sending to the panel and decoding keep bus and core in each second.",
        )?,
    ];
    Ok(section(
        "Need against capacity over time",
        &content.concat(),
    ))
}

fn links(findings: &Findings<'_>) -> Result<String, ReportError> {
    let mut all = String::new();
    for link in &findings.links {
        let heading = format!(
            "From {}",
            match link.link {
                Link::Card => "the card",
                Link::Wifi => "the air",
            }
        );
        let mut content = table(&link.budget);
        match &link.rehearsal {
            Ok((tally, trace)) => {
                let caption = rehearsed(tally, trace);
                content += &draw(&level_plot(trace), &caption)?;
            }
            Err(why) => {
                let _ = writeln!(
                    content,
                    "<p class=\"bad\">No rehearsal: {}</p>",
                    escape(why)
                );
            }
        }
        all += &section(&heading, &content);
    }
    Ok(all)
}

fn level_plot(trace: &crate::rehearsal::Trace) -> Plot {
    let mut plot = Plot::new("kB");
    let mut points = Vec::with_capacity(2 * trace.level.len());
    let mut before = 0.0;
    for (at, bytes) in &trace.level {
        let now = *bytes as f64 / 1e3;
        points.extend([(*at, before), (*at, now)]);
        before = now;
    }
    plot.curves.push(Curve {
        name: "in the ring".into(),
        points,
    });
    plot.levels.push(Level {
        name: format!("ring {:.0} kB", trace.ring_bytes as f64 / 1e3),
        value: trace.ring_bytes as f64 / 1e3,
    });
    plot.marks.extend(worst_moment(trace));
    plot
}

/// The worst fault's moment; without one, the emptiest moment before the film's
/// last bytes are in.
fn worst_moment(trace: &crate::rehearsal::Trace) -> Option<f64> {
    let run = &trace.run;
    if let Some(fault) = run.worst_gap.or(run.worst_late) {
        return Some((run.start_ns + fault.at_ns) as f64 / 1e9);
    }
    let start = run.start_ns as f64 / 1e9;
    // From the last rise on the ring only drains.
    let rises = |w: &&[(f64, u64)]| w[1].1 > w[0].1;
    let last_in = trace
        .level
        .windows(2)
        .filter(rises)
        .map(|w| w[1].0)
        .fold(0.0, f64::max);
    let playing = trace
        .level
        .iter()
        .filter(|(at, _)| *at >= start && *at <= last_in);
    playing.min_by_key(|(_, bytes)| *bytes).map(|(at, _)| *at)
}

fn rehearsed(tally: &crate::rehearsal::Tally, trace: &crate::rehearsal::Trace) -> String {
    let mut words = format!(
        "Clean in {} of {} rehearsals, {:.0} ms to the first sound in the mean.",
        tally.clean,
        tally.runs,
        tally.mean_start_ns() as f64 / 1e6
    );
    if let Some((gap, _)) = tally.worst_gap {
        let _ = write!(
            words,
            " The longest gap of the sound was {:.0} ms at {:.1} s: {}.",
            gap.length_ns as f64 / 1e6,
            gap.at_ns as f64 / 1e9,
            gap.cause.words()
        );
    }
    if tally.late + tally.dropped > 0 {
        let _ = write!(
            words,
            " Pictures late {}, left out {}, in all of them.",
            tally.late, tally.dropped
        );
    }
    if let Some(low) = tally.low_water_bytes {
        let _ = write!(
            words,
            " The ring was never below {:.1} kB as a slice began.",
            low as f64 / 1e3
        );
    }
    let drawn = if trace.run.is_clean() {
        "one of the clean ones"
    } else {
        "the worst of them"
    };
    let _ = write!(words, " Drawn here: {drawn}, its worst moment marked.");
    words
}

fn table(budget: &Budget) -> String {
    let rows: String = budget.lines.iter().map(row).collect();
    format!(
        "<div class=\"wide\" tabindex=\"0\" role=\"region\" aria-label=\"Budget\"><table>\n<thead><tr>\
         <th scope=\"col\">Part</th><th scope=\"col\">Need</th><th scope=\"col\">Capacity</th>\
         <th scope=\"col\">Used</th><th scope=\"col\">Verdict</th><th scope=\"col\">Figures</th></tr></thead>\n\
         <tbody>\n{rows}</tbody></table></div>\n"
    )
}

fn row(line: &Line) -> String {
    let word = line.verdict.word();
    let at = line
        .at_seconds
        .map_or_else(String::new, |at| format!(" at {at:.1} s"));
    let note = line
        .note
        .as_ref()
        .map_or_else(String::new, |note| format!("; {note}"));
    format!(
        "<tr class=\"{word}\"><th scope=\"row\">{}</th><td>{} {}{at}</td><td>{} {}</td><td>{:.0} %</td><td>{word}</td><td>{}</td></tr>\n",
        line.part.name(),
        amount(line.need),
        escape(line.unit),
        amount(line.capacity),
        escape(line.unit),
        100.0 * line.ratio(),
        escape(&format!(
            "need {}, capacity {}{note}",
            line.need_origin.of, line.capacity_origin.of
        )),
    )
}

/// A figure with as many digits as matter, in groups of three.
fn amount(value: f64) -> String {
    if value.abs() < 10.0 {
        return format!("{value:.2}");
    }
    if value.abs() < 1000.0 {
        return format!("{value:.0}");
    }
    let digits = format!("{:.0}", value.abs());
    let mut grouped = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            grouped.push('\u{202f}');
        }
        grouped.push(digit);
    }
    grouped
}

fn sound(measured: &Measured) -> Result<String, ReportError> {
    let mut content = String::new();
    if let Some(integrated) = measured
        .integrated
        .filter(|_| !measured.loudness.is_empty())
    {
        let mut plot = Plot::new("LUFS");
        plot.curves
            .push(curve("momentary", &measured.loudness, 1.0));
        plot.levels.push(Level {
            name: format!("whole {integrated:.1} LUFS"),
            value: integrated,
        });
        plot.range = Some((-60.0, 0.0));
        let peak = measured.true_peak.map_or_else(String::new, |peak| {
            format!(" The highest true peak is {peak:.1} dBTP.")
        });
        let caption = format!(
            "Loudness over 400 ms, and of the whole, of the one channel (ITU-R BS.1770, EBU R 128).{peak}"
        );
        content += &draw(&plot, &caption)?;
    }
    if !measured.current.is_empty() {
        let mut plot = Plot::new("mA");
        plot.curves
            .push(curve("from the source", &measured.current, 1.0));
        content += &draw(
            &plot,
            "Current from the source, computed from the sound's power, the amplifier and the mean work of the other parts.",
        )?;
    }
    if content.is_empty() {
        return Ok(String::new());
    }
    Ok(section("Sound and current over time", &content))
}

fn quality(findings: &Findings<'_>) -> Result<String, ReportError> {
    let Some(scores) = &findings.quality else {
        let words = "<p class=\"quiet\">Not compared: give the clip with --clip to see how near each picture comes to it.</p>\n";
        return Ok(section("Quality over time", words));
    };
    let points = |of: fn(&super::Quality) -> f64| -> Vec<(f64, f64)> {
        scores.iter().map(|s| (s.seconds, of(s))).collect()
    };
    let mut psnr = Plot::new("dB");
    // Equal pictures have no finite figure; 60 dB is beyond what 16 bits hold.
    psnr.curves
        .push(curve("PSNR", &points(|s| s.psnr.min(60.0)), 1.0));
    psnr.range = Some((15.0, 60.0));
    let mut ssim = Plot::new("SSIM");
    ssim.curves.push(curve("SSIM", &points(|s| s.ssim), 1.0));
    let least = scores.iter().map(|s| s.ssim).fold(1.0, f64::min);
    ssim.range = Some(((least - 0.05).clamp(0.0, 0.9), 1.0));
    let content = [
        draw(
            &psnr,
            "Peak signal-to-noise ratio of what the panel shows against the clip at the panel's size.",
        )?,
        draw(
            &ssim,
            "Structural similarity (Wang et al. 2004) of the same; 1 is equal.",
        )?,
    ];
    Ok(section("Quality over time", &content.concat()))
}

fn tone(findings: &Findings<'_>) -> Result<String, ReportError> {
    let Some(pair) = &findings.tone else {
        return Ok(String::new());
    };
    let image = format!(
        "<img class=\"sheet\" alt=\"A picture without the tone on the left, with it on the right\" src=\"data:image/png;base64,{}\">\n",
        encode(&before_after::png(pair)?).replace('\n', "")
    );
    let words = "<p>Without the tone on the left, with it on the right.</p>\n";
    Ok(section("Tone before and after", &(image + words)))
}

fn settings(findings: &Findings<'_>, header: &Header) -> String {
    let facts = findings.facts;
    let rate = f64::from(header.rate.num) / f64::from(header.rate.den);
    let mut pairs = vec![
        (
            "Panel".to_owned(),
            format!("{} x {} pixels", header.width, header.height),
        ),
        (
            "Pictures".to_owned(),
            format!("{} at {rate:.3} a second", facts.pictures.len()),
        ),
        ("Length".to_owned(), format!("{:.2} s", facts.seconds())),
        (
            "File".to_owned(),
            format!("{} bytes", amount(facts.total_bytes as f64)),
        ),
        (
            "Sound clock".to_owned(),
            format!("{} Hz", header.clock_rate),
        ),
        (
            "Before play starts".to_owned(),
            format!("{} bytes", amount(header.prebuffer.into())),
        ),
        (
            "Decoder memory".to_owned(),
            format!("{} bytes", amount(header.working_memory.into())),
        ),
    ];
    match serde_json::from_str::<serde_json::Value>(&findings.note) {
        Ok(note) => flatten("", &note, &mut pairs),
        Err(_) if !findings.note.is_empty() => {
            pairs.push(("Note".to_owned(), findings.note.clone()))
        }
        Err(_) => (),
    }
    let items: String = pairs
        .iter()
        .map(|(name, value)| format!("<dt>{}</dt><dd>{}</dd>\n", escape(name), escape(value)))
        .collect();
    section("Settings", &format!("<dl class=\"facts\">\n{items}</dl>\n"))
}

/// Every value of a note with the names that lead to it.
fn flatten(path: &str, value: &serde_json::Value, out: &mut Vec<(String, String)>) {
    use serde_json::Value;
    let words = |name: &str| {
        let name = name.replace('_', " ");
        if path.is_empty() {
            name
        } else {
            format!("{path} {name}")
        }
    };
    match value {
        Value::Object(fields) => fields
            .iter()
            .for_each(|(name, value)| flatten(&words(name), value, out)),
        Value::Null => (),
        Value::String(text) => out.push((path.to_owned(), text.clone())),
        other => out.push((path.to_owned(), other.to_string())),
    }
}

fn caution_list(findings: &Findings<'_>, measured: &Measured) -> String {
    let items = cautions(findings, measured);
    let items: String = items
        .iter()
        .map(|text| format!("<li>{}</li>\n", escape(text)))
        .collect();
    section(
        "Cautions",
        &format!("<ul class=\"cautions\">\n{items}</ul>\n"),
    )
}

fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            c => out.push(c),
        }
    }
    out
}

mod base64_lines {
    const DIGITS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

    /// Base64 (RFC 4648 section 4), lines of 76 digits.
    pub fn encode(bytes: &[u8]) -> String {
        let mut out = String::with_capacity(bytes.len() * 4 / 3 + bytes.len() / 57 + 4);
        for line in bytes.chunks(57) {
            for three in line.chunks(3) {
                let byte = |i: usize| u32::from(*three.get(i).unwrap_or(&0));
                let bits = byte(0) << 16 | byte(1) << 8 | byte(2);
                for i in 0..4 {
                    let digit = DIGITS[(bits >> (18 - 6 * i) & 63) as usize];
                    out.push(if i <= three.len() { digit.into() } else { '=' });
                }
            }
            out.push('\n');
        }
        out
    }

    #[cfg(test)]
    mod tests {
        use super::encode;

        #[test]
        fn test_vectors_of_rfc_4648_section_10() {
            for (plain, coded) in [
                ("", ""),
                ("f", "Zg==\n"),
                ("fo", "Zm8=\n"),
                ("foo", "Zm9v\n"),
                ("foob", "Zm9vYg==\n"),
                ("fooba", "Zm9vYmE=\n"),
                ("foobar", "Zm9vYmFy\n"),
            ] {
                assert_eq!(encode(plain.as_bytes()), coded);
            }
        }
    }
}
