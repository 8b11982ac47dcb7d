//! The page itself: everything inside, nothing fetched.

use std::fmt::Write as _;

use base64::prelude::{BASE64_STANDARD as BASE64, Engine as _};

use super::before_after;
use super::cautions::cautions;
use super::curves::{quality, sound, speaker};
use super::links::links;
use super::pieces::{folded, list, section};
use super::reel_plot::reel_plot;
use super::sources::Sources;
use super::text::decimal;
use super::{Findings, LinkFindings, Measured, ReportError};
use crate::answer::{axis_end, bars, change, class, limit};
use crate::budget::size;
use crate::chart::escape;
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
    measured: &Measured,
) -> Result<String, ReportError> {
    let title = name(findings, header);
    let mut out = String::new();
    let mut sources = Sources::default();
    let links = links(findings, &mut sources);
    let body = [
        head(findings, header, measured),
        player(findings),
        caution_list(findings, measured),
        sheet(measured),
        safe_area(measured),
        links,
        sound(measured, &findings.note),
        speaker(findings),
        quality(findings),
        tone(findings)?,
        settings(findings, header),
        folded("Sources", &sources.notes()),
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
            BASE64.encode(bytes)
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

fn head(findings: &Findings<'_>, header: &Header, measured: &Measured) -> String {
    let damage = match measured.damaged {
        0 => String::new(),
        count => format!(
            "<p class=\"bad\">The reel is damaged in {count} places; figures and pictures omit them.</p>\n"
        ),
    };
    format!(
        "<h1>{}</h1>\n<p class=\"quiet\">{} on the board {}: {}</p>\n{damage}{}",
        escape(&name(findings, header)),
        escape(
            &findings
                .path
                .file_name()
                .unwrap_or_default()
                .to_string_lossy()
        ),
        escape(&findings.board.name),
        escape(&findings.board.summary()),
        answers(findings),
    )
}

/// Link by link: verdict, limit, change, and a bar a part on one scale.
fn answers(findings: &Findings<'_>) -> String {
    let budgets = findings.links.iter().map(|link| &link.judgement.budget);
    let axis = axis_end(budgets);
    let answers = findings.links.iter().map(|link| answer(link, axis));
    let two = if findings.links.len() == 2 {
        " two"
    } else {
        ""
    };
    format!(
        "<div class=\"links-beside{two}\">\n{}</div>\n",
        answers.collect::<String>()
    )
}

fn answer(link: &LinkFindings, axis: (f64, f64)) -> String {
    let (budget, verdict) = (&link.judgement.budget, link.verdict());
    format!(
        "<section>\n<div class=\"verdict {}\"><p><strong>{}: {}.</strong> {}</p><p>Limited by {}.</p><p>{}.</p></div>\n{}</section>\n",
        class(verdict),
        link.link.name(),
        verdict.word(),
        escape(&sentence(&link.judgement.line())),
        escape(&limit(budget)),
        escape(&change(budget, verdict, link.best.as_ref())),
        bars(budget, axis),
    )
}

fn player(findings: &Findings<'_>) -> String {
    let inside = if findings.reel.is_some() {
        "<div class=\"place\"></div>\n<noscript><p>The player needs JavaScript.</p></noscript>\n"
            .to_owned()
    } else {
        "<p>The reel is too large to embed in this page. To play it in a browser, run <code>thumbreel serve</code> on its folder.</p>\n".to_owned()
    };
    let plot = findings.best();
    let plot = plot.map(|link| reel_plot(findings, link, findings.reel.is_some()));
    format!(
        "<section class=\"screen-only\">\n<h2>As the panel shows it</h2>\n{inside}</section>\n{}",
        plot.map_or_else(String::new, |plot| section(
            "Load and capacity over time",
            &plot
        ))
    )
}

fn sheet(measured: &Measured) -> String {
    // On a phone it is moved sideways rather than shrunk.
    let image = format!(
        "<div class=\"wide\" tabindex=\"0\" role=\"region\" aria-label=\"Contact sheet\"><img class=\"sheet\" alt=\"Twelve pictures spread over the reel, with their times\" src=\"data:image/png;base64,{}\"></div>\n",
        BASE64.encode(&measured.sheet)
    );
    folded("Contact sheet", &image)
}

fn safe_area(measured: &Measured) -> String {
    let Some(png) = &measured.safe_area else {
        return String::new();
    };
    let content = format!(
        "<img class=\"sheet\" alt=\"A picture with the safe area outlined\" src=\"data:image/png;base64,{}\">\n\
         <p>What lies inside the outline is shown whole on this panel, and so are subtitles. The corners outside the circle are never sent.</p>\n",
        BASE64.encode(png)
    );
    folded("Safe area", &content)
}

fn tone(findings: &Findings<'_>) -> Result<String, ReportError> {
    let Some(pair) = &findings.tone else {
        return Ok(String::new());
    };
    let image = format!(
        "<img class=\"sheet\" alt=\"A picture without the tone on the left, with it on the right\" src=\"data:image/png;base64,{}\">\n",
        BASE64.encode(before_after::png(pair)?)
    );
    let words = "<p>Without the tone on the left, with it on the right.</p>\n";
    Ok(folded("Tone before and after", &(image + words)))
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
            format!("{} at {rate:.3} fps", facts.pictures.len()),
        ),
        ("Length".to_owned(), format!("{:.2} s", facts.seconds())),
        ("File".to_owned(), size(facts.total_bytes)),
        (
            "Sound clock".to_owned(),
            format!("{} Hz", header.clock_rate),
        ),
        (
            "Before playback starts".to_owned(),
            size(header.prebuffer.into()),
        ),
        (
            "Decoder memory".to_owned(),
            size(header.working_memory.into()),
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
    folded("Settings", &format!("<dl class=\"facts\">\n{items}</dl>\n"))
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
        Value::Array(items) if items.iter().all(Value::is_string) => {
            let words: Vec<_> = items.iter().filter_map(Value::as_str).collect();
            out.push((path.to_owned(), words.join("; ")));
        }
        Value::Number(number) => {
            let (name, unit) = with_unit(path);
            let number = match number.is_f64() {
                true => decimal(number.as_f64().unwrap_or_default()),
                false => number.to_string(),
            };
            out.push((name.to_owned(), format!("{number}{unit}")));
        }
        Value::Array(_) => out.push((path.to_owned(), value.to_string())),
        Value::Bool(is) => out.push((path.to_owned(), if *is { "yes" } else { "no" }.into())),
    }
}

/// A name whose last word is a unit, without it, and the unit.
fn with_unit(name: &str) -> (&str, &'static str) {
    const UNITS: [(&str, &str); 16] = [
        (" db", " dB"),
        (" dbfs", " dBFS"),
        (" dbtp", " dBTP"),
        (" lufs", " LUFS"),
        (" lu", " LU"),
        (" hz", " Hz"),
        (" ms", " ms"),
        (" seconds", " s"),
        (" mm", " mm"),
        (" ma", " mA"),
        (" v", " V"),
        (" w", " W"),
        (" percent", " %"),
        (" bytes", " bytes"),
        (" ohm", " ohm"),
        (" degrees", " degrees"),
    ];
    let unit = UNITS
        .iter()
        .find_map(|(end, unit)| Some((name.strip_suffix(end)?, *unit)));
    unit.unwrap_or((name, ""))
}

fn caution_list(findings: &Findings<'_>, measured: &Measured) -> String {
    section("Cautions", &list("cautions", &cautions(findings, measured)))
}

/// With a capital letter and a full stop.
pub(super) fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string());
    format!("{}{}.", first.unwrap_or_default(), letters.as_str())
}
