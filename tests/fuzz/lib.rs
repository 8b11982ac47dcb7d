//! Helpers of the fuzz targets.

#[path = "../common/faults.rs"]
pub mod faults;

use thumbreel::reel::{Event, Reader, SECTOR, crc32};

/// Largest buffer a target gives to a reader, in bytes.
const BUFFER: usize = 1 << 18;

/// Every event of a reel as text; `piece` says how many bytes to supply next.
pub fn events(reel: &[u8], mut piece: impl FnMut() -> usize) -> Vec<String> {
    let mut reader = Reader::new(vec![0; BUFFER]);
    let (mut at, mut seen) = (0, Vec::new());
    while !reader.is_finished() {
        if reader.need().length > 0 {
            if at == reel.len() {
                reader.end_of_input();
            }
            let end = reel.len().min(at + piece().max(1));
            at += reader.supply(&reel[at..end]);
        }
        match reader.next() {
            Ok(Some(event)) => seen.push(text(&event)),
            Ok(None) => {}
            Err(error) => {
                seen.push(error.to_string());
                break;
            }
        }
        // Each event stands for a picture header or a sector at least.
        assert!(seen.len() <= reel.len() + 2 * SECTOR);
    }
    seen
}

fn text(event: &Event<'_>) -> String {
    match event {
        Event::Chunk(h, bytes) => format!("{h:?} {:08x}", crc32(bytes)),
        Event::Sound { tick, bytes, .. } => format!("sound {tick} {:08x}", crc32(bytes)),
        Event::Picture {
            tick,
            number,
            header,
            bytes,
        } => format!("picture {tick} {number} {header:?} {:08x}", crc32(bytes)),
        other => format!("{other:?}"),
    }
}
