//! What the Rust decoder makes of a folder of reels.

use std::path::Path;

use serde_json::{Value, json};
use thumbreel::coding::{PanelDecoder, PanelSettings, Shape};
use thumbreel::reel::{Header, PictureHeader, ReelFile};
use thumbreel::sound::{SoundCoding, decode_block};

/// Every reel of `folder` by name.
pub fn folder(folder: &Path) -> Value {
    let mut paths: Vec<_> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    paths.sort();
    paths.iter().map(|path| reel(path)).collect()
}

pub fn panel(header: &Header, tables: Vec<u8>) -> PanelDecoder {
    PanelDecoder::new(PanelSettings::from(header).with_tables(Some(tables))).unwrap()
}

/// Ten pictures spread over the reel, and all of its sound.
fn reel(path: &Path) -> Value {
    let mut reel = ReelFile::open(path).unwrap();
    let header = *reel.header();
    let tables = reel.tables().unwrap().unwrap_or_default();
    let mut panel = panel(&header, tables);
    let coding = SoundCoding::from_number(header.sound as u8);
    let (mut pictures, mut sound) = (Vec::new(), Vec::new());
    let mut number = header.first_picture;
    while let Some(slice) = reel.next_slice().unwrap() {
        if let Some(coding) = coding {
            let mut samples = vec![0; slice.ticks as usize];
            decode_block(coding, &slice.sound, &mut samples).unwrap();
            let bytes: Vec<u8> = samples.iter().flat_map(|s| s.to_le_bytes()).collect();
            sound.push(
                json!({ "tick": slice.time, "ticks": slice.ticks, "crc": crc32fast::hash(&bytes) }),
            );
        }
        for picture in &slice.pictures {
            let key = if picture.key { PictureHeader::KEY } else { 0 };
            let still = if picture.unchanged {
                PictureHeader::UNCHANGED
            } else {
                0
            };
            panel
                .decode(header.coding, key | still, &picture.bytes)
                .unwrap();
            let bytes = visible(&header, panel.pixels());
            let tick = slice.time + u64::from(picture.tick_offset);
            pictures
                .push(json!({ "tick": tick, "number": number, "crc": crc32fast::hash(&bytes) }));
            number += 1;
        }
    }
    let count = pictures.len();
    assert!(count >= 20, "{} has {count} pictures", path.display());
    // Out of order, so that seeking goes both ways.
    let order = [0, 5, 2, 9, 1, 7, 3, 8, 4, 6];
    let spread: Vec<Value> = order
        .iter()
        .map(|i| pictures[i * (count - 1) / 9].clone())
        .collect();
    json!({
        "path": format!("/reels/{}", path.file_name().unwrap().to_str().unwrap()),
        "title": header.title(),
        "pictures": spread,
        "sound": sound,
    })
}

/// The pixels as bytes; those a round panel hides count as zero. A pixel is
/// hidden if its centre lies outside the inscribed ellipse.
fn visible(header: &Header, pixels: &[u16]) -> Vec<u8> {
    let (width, height) = (i64::from(header.width), i64::from(header.height));
    let round = header.shape == Shape::Ellipse;
    let mut bytes = Vec::with_capacity(2 * pixels.len());
    for (i, pixel) in (0..).zip(pixels) {
        let off = |at: i64, size: i64| (2 * at + 1 - size) as f64 / size as f64;
        let (x, y) = (off(i % width, width), off(i / width, height));
        let hidden = round && x * x + y * y > 1.0;
        bytes.extend(if hidden { 0 } else { *pixel }.to_le_bytes());
    }
    bytes
}
