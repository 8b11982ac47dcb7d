//! Written reels read back whole, from any source, at any time.

use crate::common::reels::{
    TINY_TICKS, header_of, read_slices, slice_ends, tiny_poster, tiny_reel, tiny_settings,
    tiny_slices, write_reel,
};
use std::io::{Cursor, Read, Seek, SeekFrom};
use thumbreel::reel::{Header, LiveWriter, ReelFile, Settings, Survey, WriteError, split, verify};

#[test]
fn slices_poster_tables_and_note_come_back() {
    let reel = tiny_reel(10);
    assert!(read_slices(&reel) == tiny_slices(10));
    let mut file = ReelFile::new(Cursor::new(&reel)).unwrap();
    assert_eq!(file.poster().unwrap(), Some(tiny_poster()));
    assert_eq!(file.tables().unwrap(), Some(tiny_settings().tables));
    assert_eq!(file.note().unwrap(), Some(tiny_settings().note));
    assert_eq!(file.header().title(), "Harbour at dusk");
    assert!(verify(Cursor::new(&reel)).unwrap().is_whole());
}

#[test]
fn header_states_what_the_slices_add_up_to() {
    let reel = tiny_reel(10);
    let header = header_of(&reel);
    assert_eq!(header.file_length, reel.len() as u64);
    assert_eq!(header.duration, 10 * TINY_TICKS);
    assert_eq!((header.picture_count, header.slice_count), (10, 10));
    assert_eq!((header.most_pictures, header.most_ticks), (1, 200));
    assert_eq!((header.largest_sound, header.largest_picture), (200, 309));
    assert_eq!(header.index_entries, 5); // 250 ms in steps of 50 ms
    // Nobody told the writer.
    assert_eq!((header.worst_bus_bytes, header.worst_instructions), (0, 0));
    // Header 48, sound 200 + 4, directory 3 + 1 + 4, picture 309 + 3 + 4: on to 16.
    assert_eq!(header.largest_chunk, 576);
    // Two of ten slices have large pictures, two unchanged ones; all start
    // within a quarter of a second.
    let bytes: u32 = slice_ends(&reel).iter().map(|(a, b)| (b - a) as u32).sum();
    assert_eq!((header.worst_rate, header.mean_rate), (bytes, 4 * bytes));
}

#[test]
fn the_same_input_gives_the_same_bytes_and_other_input_another_id() {
    assert!(tiny_reel(5) == tiny_reel(5));
    let other = Settings {
        seed: 1,
        ..tiny_settings()
    };
    let other = write_reel(&other, Some(&tiny_poster()), &tiny_slices(5)).0;
    assert_ne!(header_of(&other).reel_id, header_of(&tiny_reel(5)).reel_id);
}

#[test]
fn every_time_is_found_from_the_key_slice_before_it() {
    let reel = tiny_reel(80);
    let mut file = ReelFile::new(Cursor::new(&reel)).unwrap();
    for tick in (0..80 * TINY_TICKS).step_by(37) {
        file.seek(tick);
        let first = file.next_slice().unwrap().unwrap();
        let start = first.time;
        assert!(first.key && start <= tick, "tick {tick} starts at {start}");
        // Index steps are 400 ticks, key slices 600 apart.
        assert!(tick - start < 400 + 600, "tick {tick} starts at {start}");
    }
    assert_eq!(file.damage(), []);
}

/// Counts seeks, and sectors read.
struct Card<'a> {
    inner: Cursor<&'a [u8]>,
    jumps: u32,
    bytes: u64,
}

impl Read for Card<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let n = self.inner.read(buffer)?;
        self.bytes += n as u64;
        Ok(n)
    }
}

impl Seek for Card<'_> {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        self.jumps += u32::from(!matches!(to, SeekFrom::Current(0)));
        self.inner.seek(to)
    }
}

#[test]
fn seeking_is_one_block_of_the_index_and_one_slice() {
    let reel = tiny_reel(500);
    let card = Card {
        inner: Cursor::new(&reel),
        jumps: 0,
        bytes: 0,
    };
    let mut file = ReelFile::new(card).unwrap();
    let before = (file.source().jumps, file.source().bytes);
    file.seek(300 * TINY_TICKS);
    let slice = file.next_slice().unwrap().unwrap();
    let after = (file.source().jumps, file.source().bytes);
    assert_eq!(after.0 - before.0, 2);
    assert_eq!(after.1 - before.1, 128 + slice.chunk_length());
}

#[test]
fn without_its_index_a_reel_still_seeks() {
    let mut reel = tiny_reel(80);
    let header = header_of(&reel);
    let index = header.index_offset as usize;
    reel[index..index + 600].fill(0xAA);
    let mut file = ReelFile::new(Cursor::new(&reel)).unwrap();
    file.seek(50 * TINY_TICKS + 5);
    assert_eq!(file.next_slice().unwrap().unwrap().time, 48 * TINY_TICKS);
}

#[test]
fn a_live_reel_reads_and_seeks_without_an_index() {
    let mut writer = LiveWriter::new(Vec::new(), &tiny_settings(), None, 4096).unwrap();
    for slice in tiny_slices(12) {
        writer.slice(&slice).unwrap();
    }
    let reel = writer.finish().unwrap();
    assert!(read_slices(&reel) == tiny_slices(12));
    assert!(verify(Cursor::new(&reel)).unwrap().is_whole());
    let mut file = ReelFile::new(Cursor::new(&reel)).unwrap();
    file.seek(7 * TINY_TICKS + 5);
    assert_eq!(file.next_slice().unwrap().unwrap().time, 6 * TINY_TICKS);
}

#[test]
fn a_stream_joined_in_the_middle_starts_at_its_key_slice() {
    let reel = tiny_reel(12);
    let whole = header_of(&reel);
    let mut file = ReelFile::new(Cursor::new(&reel)).unwrap();
    let survey = Survey::read(&mut file).unwrap();
    let join = &survey.slices[6];
    assert!(join.header.is_key());
    let live = Header {
        first_tick: join.header.time,
        first_picture: join.header.first_picture,
        duration: u64::MAX,
        reel_duration: u64::MAX,
        file_length: 0,
        first_slice: 1024,
        picture_count: 0,
        slice_count: 0,
        prebuffer: 0,
        mean_rate: 0,
        worst_rate: 0,
        worst_bus_bytes: 0,
        worst_instructions: 0,
        index_offset: 0,
        index_length: 0,
        index_step: 0,
        index_entries: 0,
        poster_offset: 0,
        poster_length: 0,
        tables_offset: 0,
        tables_length: 0,
        ..whole
    };
    let mut sector = [0; 512];
    live.emit(&mut sector);
    let last = survey.slices.last().unwrap();
    let end = last.offset + u64::from(last.header.length);
    let stream = [
        &sector[..],
        &sector,
        &reel[join.offset as usize..end as usize],
    ]
    .concat();
    assert!(read_slices(&stream) == tiny_slices(12)[6..]);
    let verdict = verify(Cursor::new(&stream)).unwrap();
    assert!(verdict.is_whole(), "{verdict:?}");
}

#[test]
fn parts_are_reels_that_know_their_neighbours() {
    let reel = tiny_reel(30);
    let mut file = ReelFile::new(Cursor::new(&reel)).unwrap();
    let limit = 6000;
    let parts = split(&mut file, limit, |_, _| Ok(Cursor::new(Vec::new()))).unwrap();
    assert!(parts.len() > 2);
    let mut slices = Vec::new();
    let (mut tick, mut picture) = (0, 0);
    for (i, (part, summary)) in parts.iter().enumerate() {
        let bytes = part.get_ref();
        let header = header_of(bytes);
        assert!(bytes.len() as u64 <= limit);
        assert_eq!(usize::from(header.part), i + 1);
        assert_eq!(usize::from(header.parts), parts.len());
        assert_eq!(header.reel_id, header_of(&reel).reel_id);
        assert_eq!(header.reel_duration, 30 * TINY_TICKS);
        assert_eq!((header.first_tick, header.first_picture), (tick, picture));
        tick += header.duration;
        picture += header.picture_count;
        assert_eq!(summary.length, bytes.len() as u64);
        let verdict = verify(Cursor::new(bytes)).unwrap();
        assert!(verdict.is_whole(), "part {}: {verdict:?}", i + 1);
        slices.extend(read_slices(bytes));
    }
    assert!(slices == tiny_slices(30));
}

#[test]
fn a_reel_too_large_for_its_card_is_refused_with_a_way_out() {
    let settings = Settings {
        size_limit: Some(6000),
        ..tiny_settings()
    };
    let sink = Cursor::new(Vec::new());
    let mut writer = thumbreel::reel::ReelWriter::new(sink, &settings, None).unwrap();
    let refused = tiny_slices(30).iter().find_map(|s| writer.slice(s).err());
    assert!(matches!(
        refused,
        Some(WriteError::TooLarge { limit: 6000 })
    ));
    assert!(refused.unwrap().to_string().contains("--part-size"));
    // What was accepted can still be finished within the limit.
    let (_, summary) = writer.finish().unwrap();
    assert!(summary.length <= 6000);
}

/// What a reader would refuse is not begun.
#[test]
fn a_coding_or_level_that_readers_refuse_is_refused_by_the_writer() {
    for (coding, level) in [(0, 1), (1, 2), (2, 0), (2, 3), (3, 0)] {
        let settings = Settings {
            coding,
            level,
            ..tiny_settings()
        };
        let begun = thumbreel::reel::ReelWriter::new(Cursor::new(Vec::new()), &settings, None);
        assert!(begun.is_err(), "coding {coding}, level {level}");
    }
}
