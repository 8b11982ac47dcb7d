//! The format's text says what the code does: field tables and worked example.

use crate::common::reels::write_reel;
use std::fmt::Write;
use thumbreel::reel::{ChunkHeader, End, Header, Picture, Settings, Slice, SoundCoding};

fn text() -> String {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/spec/container.md");
    std::fs::read_to_string(path).unwrap()
}

/// Named fields of the first table below `heading`: name, offset, size.
fn table(text: &str, heading: &str) -> Vec<(String, usize, usize)> {
    let start = text.find(&format!("\n{heading}\n")).unwrap();
    let rows = text[start + 1..]
        .lines()
        .skip_while(|l| !l.starts_with("| offset"));
    rows.skip(2)
        .take_while(|l| l.starts_with('|'))
        .filter_map(|l| {
            let mut cells = l.split('|').map(str::trim).skip(1);
            let (at, size) = (cells.next()?.parse().ok()?, cells.next()?.parse().ok()?);
            let name = cells.next()?.strip_prefix('`')?.strip_suffix('`')?;
            Some((name.to_owned(), at, size))
        })
        .collect()
}

fn check(heading: &str, fields: &[(&str, usize, usize)], beside: &[&str], size: usize) {
    let text = text();
    let mut rows = table(&text, heading);
    rows.retain(|(name, _, _)| !beside.contains(&name.as_str()));
    let fields: Vec<_> = fields
        .iter()
        .map(|&(n, o, s)| (n.to_owned(), o, s))
        .collect();
    assert_eq!(rows, fields, "{heading}");
    // Fields neither overlap nor leave the structure.
    let ends = fields.windows(2).all(|w| w[0].1 + w[0].2 <= w[1].1);
    assert!(
        ends && fields.last().is_some_and(|f| f.1 + f.2 <= size),
        "{heading}"
    );
}

#[test]
fn tables_are_those_of_the_code() {
    check("## 4 Header", Header::FIELDS, &["magic", "crc"], 512);
    check("## 5 Chunk", ChunkHeader::FIELDS, &["sync", "crc"], 48);
    check("### 8.2 End", End::FIELDS, &["header"], 552);
}

/// The worked example: one picture of 2x2 pixels, eight samples of sound.
fn example() -> Vec<u8> {
    let settings = Settings {
        width: 2,
        height: 2,
        clock_rate: 8000,
        rate: thumbreel::units::Ratio { num: 15, den: 1 },
        sound: SoundCoding::PcmU8,
        title: "Buoy".into(),
        ..Settings::default()
    };
    // One rectangle of 2x2 pixels at 0,0: red, green, blue, white.
    let raw = [
        1, 0, 0, 0, 0, 0, 0, 0, 2, 0, 2, 0, 0xF8, 0x00, 0x07, 0xE0, 0x00, 0x1F, 0xFF, 0xFF,
    ];
    let picture = Picture {
        key: true,
        bytes: raw.to_vec(),
        ..Picture::default()
    };
    let sound = vec![128, 160, 192, 160, 128, 96, 64, 96];
    let slice = Slice::new(0, 8, sound, vec![picture]);
    write_reel(&settings, None, &[slice]).0
}

/// Sixteen bytes per line; lines of zeros are left out.
fn dump(bytes: &[u8]) -> String {
    let mut text = String::new();
    for (i, line) in bytes.chunks(16).enumerate() {
        if line.iter().all(|&b| b == 0) {
            continue;
        }
        write!(text, "{:04X} ", i * 16).unwrap();
        for byte in line {
            write!(text, " {byte:02X}").unwrap();
        }
        text.push('\n');
    }
    text
}

#[test]
fn the_worked_example_is_what_the_writer_makes() {
    let text = text();
    let block = text
        .split("```text\n")
        .nth(1)
        .and_then(|b| b.split("```").next());
    let made = dump(&example());
    assert!(block == Some(&made), "the example should read\n{made}");
}
