//! `thumbreel verify`: every checksum and rule of the format.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use serde_json::{Value, json};

use super::bars::Bars;
use super::out::{complain, say};
use super::show::{count, grouped, time};
use crate::coding::raw::Rectangles;
use crate::coding::{
    self, Coding, FLAG_KEY, FLAG_UNCHANGED, PanelDecoder, PanelSettings, Shape, mask,
};
use crate::reel::{
    ErrorKind, FileError, Finding, Header, Picture, Piece, ReelFile, Slice, Verdict,
};
use crate::sound::{SoundCoding, decode_block};
use crate::units::Rect;

/// Check reels: every checksum and every rule of the format.
///
/// If the container is valid, also decodes every picture and sound block. Prints
/// one line per reel. A damaged or unreadable reel gives exit code 1; its line
/// describes the first damage, its position and its effect.
#[derive(clap::Args)]
pub struct Args {
    /// Reels to check.
    #[arg(required = true, value_name = "REEL")]
    reels: Vec<PathBuf>,
    /// Check only the container; do not decode pictures and sound.
    #[arg(long)]
    no_decode: bool,
    /// List all damage, not only the first.
    #[arg(long)]
    all: bool,
    /// Print one JSON object per reel.
    #[arg(long)]
    json: bool,
}

/// Runs the command.
///
/// # Errors
/// None; what is wrong with a reel is printed and makes the exit code 1.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let mut code = ExitCode::SUCCESS;
    for path in &args.reels {
        if !check(path, &args) {
            code = ExitCode::from(1);
        }
    }
    Ok(code)
}

fn check(path: &Path, args: &Args) -> bool {
    let name = path.display().to_string();
    let named = |error: anyhow::Error| match error.to_string() {
        told if told.contains(&name) => error,
        _ => error.context(name.clone()),
    };
    let examined = super::nature::reel(path).and_then(|()| examine(path, args));
    match examined.map_err(named) {
        Err(error) => {
            if args.json {
                let found = json!({ "reel": name, "error": super::told(&error) });
                super::out::json(&found.to_string());
            } else {
                complain!("thumbreel: {}", super::told(&error));
            }
            false
        }
        Ok((verdict, payload)) => {
            if args.json {
                super::out::json(&json_of(path, &verdict, payload.as_ref()).to_string());
            } else {
                print(path, &verdict, payload.as_ref(), args.all);
            }
            verdict.is_whole() && payload.is_none()
        }
    }
}

/// A payload in a whole container that cannot be decoded.
struct BadPayload {
    offset: u64,
    chunk: u32,
    tick: u64,
    reason: String,
}

fn examine(path: &Path, args: &Args) -> anyhow::Result<(Verdict, Option<BadPayload>)> {
    let task = Bars::new(args.json).task(&format!("verifying {}", path.display()));
    let verdict = crate::reel::verify(BufReader::new(task.reading(File::open(path)?)?))?;
    task.close();
    if args.no_decode || !verdict.is_whole() {
        return Ok((verdict, None));
    }
    Ok((verdict, bad_payload(path)?))
}

/// The first picture or sound block that cannot be decoded.
fn bad_payload(path: &Path) -> Result<Option<BadPayload>, FileError> {
    let mut reel = ReelFile::open(path)?;
    let header = *reel.header();
    let tables = reel.tables()?;
    let mut panel = match PanelDecoder::new(PanelSettings::from(&header).with_tables(tables)) {
        Ok(panel) => panel,
        Err(error) => return Ok(Some(first_slice_bad(&header, error.to_string()))),
    };
    while let Some(piece) = reel.next_piece()? {
        let Piece::Slice(whole) = piece else { continue };
        let slice = &whole.slice;
        let bad = |tick: u64, reason: String| BadPayload {
            offset: whole.offset,
            chunk: whole.header.number,
            tick,
            reason,
        };
        if let Err(reason) = check_sound(&header, slice) {
            return Ok(Some(bad(slice.time, reason)));
        }
        for (_, picture) in whole.shown() {
            let decoded = panel.decode(header.coding, picture_flags(picture), &picture.bytes);
            let sent = decoded.map_err(|error| error.to_string());
            if let Err(reason) = sent.and_then(|_| check_raw(&header, picture)) {
                let tick = slice.time + u64::from(picture.tick_offset);
                return Ok(Some(bad(tick, reason)));
            }
        }
    }
    Ok(None)
}

/// What a player need not look at in a raw picture: that the header's `worst_bus_bytes`,
/// where it states them, covers it, and that a key picture sets every visible pixel.
fn check_raw(header: &Header, picture: &Picture) -> Result<(), String> {
    if header.coding != Coding::Raw as u8 || picture.unchanged {
        return Ok(());
    }
    let (width, height) = (header.width, header.height);
    let rects: Vec<Rect> = Rectangles::new(&picture.bytes, width, height)
        .and_then(|pieces| pieces.map(|piece| piece.map(|p| p.rect)).collect())
        .map_err(|error| error.to_string())?;
    let (sent, most) = (coding::bus_bytes(&rects), header.worst_bus_bytes);
    if most > 0 && sent > most {
        return Err(format!(
            "a picture sends {sent} bytes to the panel, and the header says {most} at most"
        ));
    }
    if !picture.key {
        return Ok(());
    }
    let at = |x: u16, y: u16| usize::from(y) * usize::from(width) + usize::from(x);
    let mut set = vec![false; at(0, height)];
    for rect in rects {
        for y in rect.y..rect.y + rect.h {
            set[at(rect.x, y)..][..usize::from(rect.w)].fill(true);
        }
    }
    let left = |y| match header.shape {
        Shape::Rectangle => set[at(0, y)..at(0, y + 1)].contains(&false),
        Shape::Ellipse => mask::row_span(width, height, y)
            .is_some_and(|(from, to)| set[at(from, y)..at(to, y)].contains(&false)),
    };
    match (0..height).any(left) {
        true => Err("a raw key picture leaves visible pixels as they were".to_owned()),
        false => Ok(()),
    }
}

fn first_slice_bad(header: &Header, reason: String) -> BadPayload {
    BadPayload {
        offset: header.first_slice,
        chunk: 0,
        tick: header.first_tick,
        reason,
    }
}

fn picture_flags(picture: &Picture) -> u8 {
    let key = if picture.key { FLAG_KEY } else { 0 };
    let unchanged = if picture.unchanged { FLAG_UNCHANGED } else { 0 };
    key | unchanged
}

fn check_sound(header: &Header, slice: &Slice) -> Result<(), String> {
    let Some(coding) = SoundCoding::from_number(header.sound as u8) else {
        return Ok(());
    };
    let mut samples = vec![0; slice.ticks as usize];
    decode_block(coding, &slice.sound, &mut samples).map_err(|error| error.to_string())
}

fn print(path: &Path, verdict: &Verdict, payload: Option<&BadPayload>, all: bool) {
    let name = path.display();
    let shown = if all { usize::MAX } else { 1 };
    for finding in verdict.findings.iter().take(shown) {
        say!("{name}: {}", sentence(verdict, finding));
    }
    if let (Some(bad), Some(header)) = (payload, &verdict.header) {
        let from = bad.tick - header.first_tick.min(bad.tick);
        say!(
            "{name}: byte {} (chunk {}): at {}: {}",
            grouped(bad.offset),
            bad.chunk,
            time(from, header.clock_rate),
            bad.reason
        );
    } else if let Some(header) = &verdict.header {
        let slices = count(verdict.slices.into(), "slice");
        if verdict.is_whole() {
            let time = header.end_tick().map_or_else(
                || "live".to_owned(),
                |_| time(header.duration, header.clock_rate),
            );
            say!("{name}: whole, {slices}, {time}{}", gaps(verdict));
        } else {
            say!(
                "{name}: damaged, {} found, {slices} whole; try: thumbreel repair {name} -o NEW.tbr",
                count(verdict.count, "fault"),
            );
        }
    }
}

fn gaps(verdict: &Verdict) -> String {
    match verdict.gaps {
        0 => String::new(),
        n => format!("; {} where a repair found nothing", count(n.into(), "gap")),
    }
}

fn sentence(verdict: &Verdict, finding: &Finding) -> String {
    let (from, to) = finding.lost;
    let error = finding.error;
    let chunk = match (error.chunk, error.part) {
        (Some(n), Some(part)) => format!(" (chunk {n}, {part})"),
        (Some(n), None) => format!(" (chunk {n})"),
        (None, _) => String::new(),
    };
    let lost = match verdict.header {
        Some(h) if to > from => {
            let (from, to) = (from - h.first_tick.min(from), to - h.first_tick.min(to));
            format!(
                "; {} to {} is lost",
                time(from, h.clock_rate),
                time(to, h.clock_rate)
            )
        }
        _ => String::new(),
    };
    match error.kind {
        // No place in the file is at fault.
        ErrorKind::Version { .. } | ErrorKind::MustKnow { .. } | ErrorKind::TextMode => {
            error.kind.to_string()
        }
        kind => format!("byte {}{chunk}: {kind}{lost}", grouped(error.offset)),
    }
}

fn json_of(path: &Path, verdict: &Verdict, payload: Option<&BadPayload>) -> Value {
    let findings: Vec<Value> = verdict
        .findings
        .iter()
        .map(|f| {
            json!({
                "offset": f.error.offset,
                "chunk": f.error.chunk,
                "part": f.error.part.map(|part| part.to_string()),
                "reason": f.error.kind.to_string(),
                "lost_from_tick": f.lost.0,
                "lost_to_tick": f.lost.1,
            })
        })
        .collect();
    json!({
        "reel": path.display().to_string(),
        "whole": verdict.is_whole() && payload.is_none(),
        "slices": verdict.slices,
        "gaps": verdict.gaps,
        "faults": verdict.count,
        "findings": findings,
        "bad_payload": payload.map(|bad| json!({
            "offset": bad.offset,
            "chunk": bad.chunk,
            "tick": bad.tick,
            "reason": bad.reason,
        })),
    })
}
