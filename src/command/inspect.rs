//! `thumbreel inspect`: what a reel is and what it costs.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::Context;
use serde_json::{Map, Value, json};

use super::out::say;
use super::show::{count, grouped, plain, time};
use crate::board::Board;
use crate::budget::{Link, ReelFacts, StartUp};
use crate::picture::Surround;
use crate::reel::{
    ByteOrder, ChunkHeader, Event, Header, Kind, PictureHeader, ReelFile, Shape, SliceRecord,
    SoundCoding, Survey,
};

/// Show a reel's panel, sound, coding, sizes, rates and index.
///
/// Reads the whole reel and counts its slices. Bytes per second include slice
/// chunks only; the worst second may start at any time.
#[derive(clap::Args)]
pub struct Args {
    /// The reel.
    #[arg(value_name = "REEL")]
    reel: PathBuf,
    /// Also print the start-up time on this board: a built-in one, or a profile's path.
    #[arg(long, short, value_name = "BOARD")]
    board: Option<String>,
    /// Also print every chunk; with --json also its pictures.
    #[arg(long)]
    chunks: bool,
    /// Print one JSON object, with the field names of spec/container.md.
    #[arg(long)]
    json: bool,
}

/// Runs the command.
///
/// # Errors
/// The file cannot be read or is no reel.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let name = args.reel.display().to_string();
    super::nature::reel(&args.reel)?;
    let open = || ReelFile::open(&args.reel).with_context(|| name.clone());
    let survey = Survey::read(&mut open()?).with_context(|| name.clone())?;
    let on_board = args
        .board
        .as_deref()
        .map(|board| OnBoard::new(&args.reel, board))
        .transpose()?;
    if args.json {
        let mut object = json_of(&name, &survey);
        if let Some(on_board) = on_board {
            object["on_board"] = on_board.json();
        }
        if args.chunks {
            object["chunks"] = chunks_json(&mut open()?).with_context(|| name.clone())?;
        }
        super::out::json(&object.to_string());
    } else {
        print(&name, &survey);
        on_board.iter().for_each(OnBoard::print);
        if args.chunks {
            print_chunks(&survey);
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn print(name: &str, s: &Survey) {
    let h = &s.header;
    match h.title() {
        "" => say!("{name}"),
        title => say!("{name}: {title}"),
    }
    let row = |label: &str, text: String| say!("  {label:<10} {text}");
    match surround(s) {
        Some(around) => {
            let round = if around.round { " round" } else { "" };
            row(
                "panel",
                format!("{}x{}{round}", around.width, around.height),
            );
            let place = format!(", at column {}, row {} of the panel", around.x, around.y);
            row("shown on", panel(h) + &place);
        }
        None => row("panel", panel(h)),
    }
    row("pictures", pictures(s));
    row("sound", sound(h));
    row("duration", duration(s));
    if h.parts != 1 {
        let parts = if h.parts == 0 {
            "?".into()
        } else {
            h.parts.to_string()
        };
        let start = time(h.first_tick, h.clock_rate);
        row("part", format!("{} of {parts}, starts at {start}", h.part));
    }
    row(
        "file",
        format!(
            "{} bytes, format {}.{}",
            grouped(s.file_bytes),
            h.version_major,
            h.version_minor
        ),
    );
    row("slices", slices(s));
    row(
        "rate",
        format!(
            "{}; start with {} bytes buffered",
            rates(s),
            grouped(u64::from(h.prebuffer.max(s.prebuffer))),
        ),
    );
    row("start", start_text(s));
    row("picture", picture_sizes(s));
    row(
        "memory",
        format!(
            "{} bytes for a slice, {} for the decoder",
            grouped(largest(s, |c| c.length)),
            grouped(h.working_memory.into()),
        ),
    );
    row("index", index(h));
    row("poster", poster(h));
    row(
        "container",
        format!(
            "{:.2} % of the file: headers, checksums, padding, index",
            s.overhead() * 100.0
        ),
    );
    for note in s.others.iter().filter_map(|o| o.note.as_deref()) {
        for (i, line) in note_lines(note).into_iter().enumerate() {
            row(if i == 0 { "note" } else { "" }, line);
        }
    }
    if !s.damage.is_empty() {
        let found = count(s.damage.len() as u64, "fault");
        row("damage", format!("{found}; see: thumbreel verify {name}"));
    }
}

/// Mean and worst rate; a mean over less than a second would tell nothing.
fn rates(s: &Survey) -> String {
    let worst = grouped(s.worst_rate.into());
    match s.ticks() < u64::from(s.header.clock_rate) {
        true => format!("{worst} bytes in all, as the reel is shorter than a second"),
        false => format!(
            "mean {} bytes/s, worst second {worst} bytes",
            grouped(s.mean_rate.into())
        ),
    }
}

/// The panel around a picture that does not fill it, as the note tells.
fn surround(s: &Survey) -> Option<Surround> {
    let notes = s.others.iter().filter_map(|o| o.note.as_deref());
    let (width, height) = (s.header.width, s.header.height);
    notes
        .filter_map(|note| Surround::of_note(note, width, height))
        .next()
}

/// A note as lines: single values first, then one line per group. A note
/// is data from a file, so no control characters go to the terminal.
fn note_lines(note: &str) -> Vec<String> {
    let lines = match serde_json::from_str(note) {
        Ok(Value::Object(all)) => {
            let (groups, alone): (Map<_, _>, Map<_, _>) =
                all.into_iter().partition(|(_, v)| v.is_object());
            let group = |(name, value)| format!("{name}: {}", plain(&value));
            std::iter::once(plain(&alone.into()))
                .chain(groups.into_iter().map(group))
                .collect()
        }
        _ => vec![note.to_owned()],
    };
    let printable = |line: String| line.chars().filter(|c| !c.is_control()).collect();
    lines.into_iter().map(printable).collect()
}

fn panel(h: &Header) -> String {
    let shape = match h.shape {
        Shape::Rectangle => "",
        Shape::Ellipse => " round",
    };
    let order = match h.pixel_format {
        ByteOrder::HighFirst => "high byte first",
        ByteOrder::LowFirst => "low byte first",
    };
    let swapped = if h.wire.bgr {
        ", red and blue swapped"
    } else {
        ""
    };
    let inverted = if h.wire.inverted { ", inverted" } else { "" };
    let offset = match (h.x_offset, h.y_offset) {
        (0, 0) => String::new(),
        (x, y) => format!(", from column {x}, row {y} of the panel's memory"),
    };
    format!(
        "{}x{}{shape}, RGB565 {order}{swapped}{inverted}{offset}",
        h.width, h.height
    )
}

fn coding(h: &Header) -> &'static str {
    match (h.coding, h.level) {
        (0, _) => "raw",
        (1, _) => "jpeg",
        (2, 1) => "patch light",
        _ => "patch full",
    }
}

fn pictures(s: &Survey) -> String {
    let all: u64 = s.slices.iter().map(|x| u64::from(x.header.pictures)).sum();
    let unchanged: u64 = s.slices.iter().map(|x| u64::from(x.unchanged)).sum();
    let rate = f64::from(s.header.rate.num) / f64::from(s.header.rate.den);
    format!(
        "{} at {rate:.5} fps, {}; {} unchanged",
        grouped(all),
        coding(&s.header),
        grouped(unchanged),
    )
    .replace(".00000 a", " a")
}

fn sound(h: &Header) -> String {
    let coding = match h.sound {
        SoundCoding::None => return "none".into(),
        SoundCoding::PcmS16 => "16-bit PCM",
        SoundCoding::PcmU8 => "8-bit PCM",
        SoundCoding::ImaAdpcm => "IMA ADPCM",
    };
    format!("{coding}, {} Hz, mono", grouped(h.clock_rate.into()))
}

fn duration(s: &Survey) -> String {
    let stated = if s.header.is_live() {
        ", not stated (live)"
    } else {
        ""
    };
    let ticks = s.ticks();
    let time = time(ticks, s.header.clock_rate);
    format!("{time}, {}{stated}", count(ticks, "tick"))
}

fn largest(s: &Survey, of: impl Fn(&ChunkHeader) -> u32) -> u64 {
    s.slices
        .iter()
        .map(|x| of(&x.header))
        .max()
        .unwrap_or(0)
        .into()
}

fn slices(s: &Survey) -> String {
    let n = s.slices.len() as u64;
    let bytes: u64 = s.slices.iter().map(|x| u64::from(x.header.length)).sum();
    let keys = s.slices.iter().filter(|x| x.header.is_key()).count();
    let longest = time(largest(s, |c| c.ticks), s.header.clock_rate);
    format!(
        "{}, {} of them key; mean {} bytes, largest {}, longest {longest}",
        grouped(n),
        grouped(keys as u64),
        grouped(bytes / n.max(1)),
        grouped(largest(s, |c| c.length)),
    )
}

/// The start on a link of the mean rate that can only go forwards.
fn start_up(s: &Survey) -> StartUp {
    let level = s.header.prebuffer.max(s.prebuffer);
    StartUp::streamed(s.header.first_slice, level.into(), s.mean_rate.into())
}

/// What must have come before play begins, and how long that takes.
fn start_text(s: &Survey) -> String {
    let start = start_up(s);
    format!(
        "after {} bytes ({} before the first slice): {:.2} s on a link of the mean rate (computed)",
        grouped(start.bytes),
        grouped(s.header.first_slice),
        start.play_s,
    )
}

/// The start on a board, over each of its links.
struct OnBoard {
    board: Board,
    starts: Vec<(Link, StartUp)>,
}

impl OnBoard {
    fn new(reel: &Path, name: &str) -> anyhow::Result<Self> {
        let board = super::budget::board(name)?;
        let facts = ReelFacts::read(reel)?;
        let start = |link| Some((link, StartUp::new(&facts, &board, link)?));
        let starts = Link::of(&board).into_iter().filter_map(start).collect();
        Ok(Self { board, starts })
    }

    fn print(&self) {
        for (i, (link, start)) in self.starts.iter().enumerate() {
            let label = if i == 0 { "start-up" } else { "" };
            let text = super::budget::page::start(start);
            say!(
                "  {label:<10} on {} from {}: {text}",
                self.board.name,
                link.name()
            );
        }
    }

    fn json(&self) -> Value {
        let start = |(link, start): &(Link, StartUp)| json!({ "link": link, "start": start });
        json!({ "board": self.board.name, "starts": self.starts.iter().map(start).collect::<Vec<_>>() })
    }
}

fn picture_sizes(s: &Survey) -> String {
    let changed: u64 = s
        .slices
        .iter()
        .map(|x| u64::from(x.header.pictures - x.unchanged))
        .sum();
    let bytes: u64 = s.slices.iter().map(|x| x.picture_bytes).sum();
    format!(
        "mean {} bytes; worst {}, {} on the bus, {} instructions",
        grouped(bytes / changed.max(1)),
        grouped(s.header.largest_picture.into()),
        grouped(s.header.worst_bus_bytes.into()),
        grouped(s.header.worst_instructions.into()),
    )
}

fn index(h: &Header) -> String {
    if h.index_entries == 0 {
        return "none".into();
    }
    let step = time(h.index_step.into(), h.clock_rate);
    format!(
        "{} entries, one every {step}",
        grouped(h.index_entries.into())
    )
}

fn poster(h: &Header) -> String {
    if h.poster_length == 0 {
        return "none".into();
    }
    format!(
        "{}x{}, {} bytes",
        h.width,
        h.height,
        grouped(h.poster_length.into())
    )
}

fn print_chunks(s: &Survey) {
    say!(
        "  {:>14} {:>8} {:>8} {:>12} {:>9} {:>8}  kind",
        "offset",
        "chunk",
        "bytes",
        "time",
        "sound",
        "pictures"
    );
    let slices = s.slices.iter().map(|x: &SliceRecord| (x.offset, x.header));
    let mut all: Vec<_> = s
        .others
        .iter()
        .map(|o| (o.offset, o.header))
        .chain(slices)
        .collect();
    all.sort_by_key(|&(offset, _)| offset);
    for (offset, h) in all {
        let time = time(h.time, s.header.clock_rate);
        let kind = kind_name(h.kind);
        let key = if h.kind() == Some(Kind::Slice) && h.is_key() {
            ", key"
        } else {
            ""
        };
        let gap = if h.is_after_gap() {
            ", after a gap"
        } else {
            ""
        };
        say!(
            "  {:>14} {:>8} {:>8} {time:>12} {:>9} {:>8}  {kind}{key}{gap}",
            grouped(offset),
            h.number,
            grouped(h.length.into()),
            h.sound_bytes(),
            h.pictures,
        );
    }
}

fn kind_name(kind: u8) -> String {
    let names = ["poster", "tables", "slice", "index", "end", "note"];
    let name = names.get(usize::from(kind).wrapping_sub(1));
    name.map_or_else(|| format!("kind {kind}"), |&n| n.to_owned())
}

fn object(numbers: &[(&'static str, u64)]) -> Map<String, Value> {
    numbers
        .iter()
        .map(|&(name, n)| (name.to_owned(), n.into()))
        .collect()
}

fn header_json(h: &Header) -> Value {
    let mut map = object(&h.numbers());
    map.insert("title".into(), h.title().into());
    map.insert(
        "rate".into(),
        json!({ "num": h.rate.num, "den": h.rate.den }),
    );
    map.into()
}

fn json_of(name: &str, s: &Survey) -> Value {
    json!({
        "reel": name,
        "header": header_json(&s.header),
        "file_bytes": s.file_bytes,
        "slices": s.slices.len(),
        "ticks": s.ticks(),
        "mean_rate": s.mean_rate,
        "worst_rate": s.worst_rate,
        "prebuffer": s.prebuffer,
        "start": start_up(s),
        "payload_bytes": s.payload_bytes(),
        "side_bytes": s.side_bytes(),
        "overhead": s.overhead(),
        "unchanged": s.slices.iter().map(|x| u64::from(x.unchanged)).sum::<u64>(),
        "notes": s.others.iter().filter_map(|o| o.note.clone()).collect::<Vec<_>>(),
        "end": s.end.map(|end| Value::from(object(&end.numbers()))),
        "faults": s.damage.len(),
    })
}

/// Every chunk with its fields; slices with their pictures.
fn chunks_json<R: std::io::Read + std::io::Seek>(reel: &mut ReelFile<R>) -> anyhow::Result<Value> {
    let mut chunks: Vec<Value> = Vec::new();
    while let Some(()) = reel.next_event_at(|event, offset| match event {
        Event::Chunk(h, _) => chunks.push(chunk_json(h, offset)),
        Event::Slice(h) => {
            let mut chunk = chunk_json(h, offset);
            chunk["picture_headers"] = Vec::<Value>::new().into();
            chunks.push(chunk);
        }
        Event::Picture { header, bytes, .. } => add_picture(&mut chunks, header, bytes),
        _ => {}
    })? {}
    Ok(chunks.into())
}

fn chunk_json(h: &ChunkHeader, offset: u64) -> Value {
    let mut map = object(&h.numbers());
    map.insert("offset".into(), offset.into());
    map.into()
}

fn add_picture(chunks: &mut [Value], header: &PictureHeader, bytes: &[u8]) {
    let mut map = object(&header.numbers());
    map.insert("payload_crc32".into(), crate::reel::crc32(bytes).into());
    let list = chunks
        .last_mut()
        .and_then(|c| c["picture_headers"].as_array_mut());
    if let Some(list) = list {
        list.push(map.into());
    }
}
