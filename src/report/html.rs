//! The page itself: everything inside, nothing fetched.

use std::fmt::Write as _;

use base64::prelude::{BASE64_STANDARD as BASE64, Engine as _};

use super::before_after;
use super::cautions::cautions;
use super::curves::{quality, sound, speaker};
use super::links::{links, needs};
use super::pieces::section;
use super::text::{amount, decimal, escape};
use super::{Findings, LinkFindings, Measured, OverTime, ReportError};
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
        safe_area(measured),
        needs(findings, over_time)?,
        links(findings)?,
        sound(measured, &findings.note)?,
        speaker(findings)?,
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
    let verdicts = findings.links.iter().map(|link| {
        let word = link.verdict().word();
        format!(
            "<li class=\"{word}\"><strong>{}: {word}.</strong> {}</li>\n",
            link.link.name(),
            escape(&because(link))
        )
    });
    let damage = match measured.damaged {
        0 => String::new(),
        count => format!(
            "<p class=\"bad\">The reel is damaged in {count} places; figures and pictures omit them.</p>\n"
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
        escape(&findings.board.summary()),
        verdicts.collect::<String>(),
    )
}

/// The verdict's reason, and what rehearsals say to it.
fn because(link: &LinkFindings) -> String {
    let tightest = link.judgement.budget.bottleneck();
    let budget = format!(
        "Highest load: {}, {:.0} % of its capacity.",
        tightest.part.name(),
        100.0 * tightest.ratio()
    );
    let judged = link.judgement.line();
    format!("{} {budget}", sentence(&judged))
}

fn player(findings: &Findings<'_>) -> String {
    let inside = if findings.reel.is_some() {
        "<div class=\"place\"></div>\n<noscript><p>The player needs JavaScript.</p></noscript>\n"
            .to_owned()
    } else {
        "<p>The reel is too large to embed in this page. To play it in a browser, run <code>thumbreel serve</code> on its folder.</p>\n".to_owned()
    };
    format!("<section class=\"screen-only\">\n<h2>As the panel shows it</h2>\n{inside}</section>\n")
}

fn sheet(measured: &Measured) -> String {
    let image = format!(
        "<img class=\"sheet\" alt=\"Twelve pictures spread over the reel, with their times\" src=\"data:image/png;base64,{}\">\n",
        BASE64.encode(&measured.sheet)
    );
    section("Contact sheet", &image)
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
    section("Safe area", &content)
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
            format!("{} at {rate:.3} fps", facts.pictures.len()),
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
            "Before playback starts".to_owned(),
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
        Value::Array(items) if items.iter().all(Value::is_string) => {
            let words: Vec<_> = items.iter().filter_map(Value::as_str).collect();
            out.push((path.to_owned(), words.join("; ")));
        }
        Value::Number(number) if number.is_f64() => {
            out.push((
                path.to_owned(),
                decimal(number.as_f64().unwrap_or_default()),
            ));
        }
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

/// With a capital letter and a full stop.
pub(super) fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string());
    format!("{}{}.", first.unwrap_or_default(), letters.as_str())
}
