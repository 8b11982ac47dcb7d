//! Written reels read back whole, from any source, at any time.

use crate::common::reels::{header_of, tiny_poster, tiny_reel, tiny_settings, tiny_slices};
use std::io::Cursor;
use thumbreel::reel::{LiveWriter, ReelFile, Slice};

fn read_all(reel: &[u8]) -> Vec<Slice> {
    let mut file = ReelFile::new(Cursor::new(reel)).unwrap();
    let mut slices = Vec::new();
    while let Some(slice) = file.next_slice().unwrap() {
        slices.push(slice);
    }
    assert_eq!(file.damage(), []);
    slices
}

#[test]
fn slices_poster_and_tables_come_back() {
    let reel = tiny_reel(10);
    assert!(read_all(&reel) == tiny_slices(10));
    let mut file = ReelFile::new(Cursor::new(&reel)).unwrap();
    assert_eq!(file.poster().unwrap(), Some(tiny_poster().bytes));
    assert_eq!(file.tables().unwrap(), Some(tiny_settings().tables));
    assert_eq!(file.header().title(), "Harbour at dusk");
}

#[test]
fn header_states_what_the_slices_add_up_to() {
    let reel = tiny_reel(10);
    let header = header_of(&reel);
    assert_eq!(header.file_length, reel.len() as u64);
    assert_eq!(
        (header.duration, header.picture_count, header.slice_count),
        (8000, 10, 10)
    );
    assert_eq!(
        (
            header.most_pictures,
            header.most_ticks,
            header.largest_sound
        ),
        (1, 800, 800)
    );
    assert_eq!(header.index_entries, 5); // one second in steps of 200 ms
    assert_eq!(header.worst_bus_bytes, 43);
    assert_eq!(header.worst_instructions, 109);
}

#[test]
fn every_time_is_found_from_the_key_slice_before_it() {
    let reel = tiny_reel(20);
    let mut file = ReelFile::new(Cursor::new(&reel)).unwrap();
    for tick in (0..16_000).step_by(37) {
        file.seek(tick);
        let first = file.next_slice().unwrap().unwrap();
        assert!(
            first.key && first.time <= tick,
            "tick {tick} starts at {}",
            first.time
        );
        // Index steps are 1600 ticks, key slices 2400 apart.
        assert!(tick - first.time < 1600 + 2400);
    }
    assert_eq!(file.damage(), []);
}

#[test]
fn a_live_reel_reads_and_seeks_without_an_index() {
    let mut writer = LiveWriter::new(Vec::new(), &tiny_settings(), None, 4096).unwrap();
    for slice in tiny_slices(12) {
        writer.slice(&slice).unwrap();
    }
    let reel = writer.finish().unwrap();
    assert!(read_all(&reel) == tiny_slices(12));
    let mut file = ReelFile::new(Cursor::new(&reel)).unwrap();
    file.seek(7 * 800 + 5);
    assert_eq!(file.next_slice().unwrap().unwrap().time, 6 * 800);
}
