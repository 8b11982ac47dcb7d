//! Files made to hurt: a clear error, little memory, little time.

use crate::common::reels::{header_of, tiny_reel, tiny_settings};
use std::cell::Cell;
use std::io::{Cursor, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::rc::Rc;
use thumbreel::reel::{
    CHUNK_HEADER, ChunkHeader, ErrorKind, Header, INDEX_BLOCK, IndexBlock, IndexEntry, Kind,
    PartName, PictureHeader, ReelError, ReelFile, SECTOR, SYNC, UNKNOWN, align4, chunk_length,
    crc32, part_length, repair, verify,
};

fn slice_header(header: &Header, number: u32, time: u64, used: u32) -> ChunkHeader {
    ChunkHeader {
        kind: Kind::Slice as u8,
        flags: 0,
        pictures: 0,
        number,
        length: chunk_length(used.into()) as u32,
        used,
        ticks: 1,
        time,
        bytes: 0,
        first_picture: 0,
        id_low: header.id_low(),
    }
}

/// A live header without sound that promises the widest limits.
fn wide_header() -> Header {
    Header {
        duration: UNKNOWN,
        reel_duration: UNKNOWN,
        file_length: 0,
        sound: thumbreel::reel::SoundCoding::None,
        channels: 0,
        largest_chunk: thumbreel::reel::MAX_CHUNK,
        most_pictures: 512,
        most_ticks: 80_000,
        largest_sound: 0,
        largest_picture: thumbreel::reel::MAX_CHUNK,
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
        ..header_of(&tiny_reel(3))
    }
}

/// Sector 0 and its copy.
fn sectors_of(header: &Header) -> Vec<u8> {
    let mut sector = [0; SECTOR];
    header.emit(&mut sector);
    [sector, sector].concat()
}

/// The header's bytes with a field set to a value `emit` would take but `parse` must not.
fn raw_header(set: impl FnOnce(&mut [u8])) -> Vec<u8> {
    let mut sector = sectors_of(&wide_header());
    sector.truncate(SECTOR);
    set(&mut sector[..508]);
    let crc = crc32(&sector[..508]);
    sector[508..].copy_from_slice(&crc.to_le_bytes());
    sector.repeat(2)
}

/// Appends a chunk with the parts that `parts` holds, each up to 8192 bytes.
fn append_chunk(reel: &mut Vec<u8>, h: &ChunkHeader, parts: &[&[u8]]) {
    let start = reel.len();
    let mut bytes = [0; CHUNK_HEADER];
    h.emit(&mut bytes);
    reel.extend_from_slice(&bytes);
    for part in parts.iter().filter(|part| !part.is_empty()) {
        let at = reel.len();
        reel.extend_from_slice(part);
        reel.resize(at + align4(part.len()), 0);
        let crc = crc32(&reel[at..]);
        reel.extend_from_slice(&crc.to_le_bytes());
    }
    reel.resize(start + h.length as usize, 0);
}

fn first_error(reel: &[u8]) -> ReelError {
    let verdict = verify(Cursor::new(reel)).unwrap();
    verdict.findings[0].error
}

#[test]
fn sizes_of_four_gigabytes_are_refused_by_name() {
    let big = u32::MAX.to_le_bytes();
    for (at, name) in [
        (100, "largest_chunk"),
        (112, "largest_sound"),
        (116, "largest_picture"),
        (120, "working_memory"),
    ] {
        let reel = raw_header(|s| s[at..at + 4].copy_from_slice(&big));
        let kind = first_error(&reel).kind;
        let named =
            matches!(kind, ErrorKind::Limit { name: n, value: 0xFFFF_FFFF, .. } if n == name);
        assert!(named, "{name}: {kind}");
    }
    let counts = raw_header(|s| {
        s[160..172].fill(0xFF);
        s[176..180].fill(0xFF);
    });
    assert_eq!(
        ReelFile::new(Cursor::new(counts))
            .err()
            .map(|e| e.to_string().contains("index_")),
        Some(true)
    );
}

#[test]
fn offsets_past_any_panel_are_refused_by_name() {
    for (at, name) in [(192, "x_offset"), (194, "y_offset")] {
        let with = |offset: u16| {
            let sector = raw_header(|s| s[at..at + 2].copy_from_slice(&offset.to_le_bytes()));
            Header::parse(sector.first_chunk().unwrap())
        };
        assert!(with(1023).is_ok(), "{name}");
        let kind = with(1024).unwrap_err().kind;
        let named = matches!(kind, ErrorKind::Limit { name: n, value: 1024, .. } if n == name);
        assert!(named, "{name}: {kind}");
    }
}

#[test]
fn a_chunk_of_four_gigabytes_is_refused_before_memory_is_taken() {
    let header = wide_header();
    let mut reel = sectors_of(&header);
    let mut h = slice_header(&header, 0, header.first_tick, 0);
    h.length = u32::MAX;
    h.used = u32::MAX - 60;
    let mut bytes = [0; CHUNK_HEADER];
    h.emit(&mut bytes);
    reel.extend_from_slice(&bytes);
    reel.resize(4096, 0);
    assert!(matches!(
        first_error(&reel).kind,
        ErrorKind::Limit { name: "length", .. }
    ));
}

#[test]
fn times_that_pass_64_bits_are_refused() {
    let header = wide_header();
    for time in [u64::MAX, u64::MAX - 1, 1 << 63, (1 << 40) + 1, 1 << 40] {
        let mut reel = sectors_of(&header);
        append_chunk(&mut reel, &slice_header(&header, 0, time, 0), &[]);
        assert!(!verify(Cursor::new(&reel)).unwrap().is_whole(), "{time}");
    }
    let reel = raw_header(|s| s[32..40].fill(0xFF));
    assert!(matches!(
        first_error(&reel).kind,
        ErrorKind::Limit {
            name: "first_tick",
            ..
        }
    ));
}

#[test]
fn a_picture_longer_than_its_slice_is_refused() {
    let header = wide_header();
    for length in [(1 << 22) - 1, (1 << 22) - 4, 1 << 21, 100] {
        let picture = PictureHeader {
            tick_offset: 0,
            length,
            flags: 1,
        };
        let bytes = picture.emit();
        let mut reel = sectors_of(&header);
        let mut h = slice_header(&header, 0, header.first_tick, 12 + 24);
        h.pictures = 1;
        h.flags = ChunkHeader::KEY;
        append_chunk(&mut reel, &h, &[&bytes, &[0; 20]]);
        let error = first_error(&reel);
        assert_eq!((error.offset, error.chunk), (1024, Some(0)), "{length}");
        assert_eq!(error.part, Some(PartName::Directory), "{length}");
    }
}

#[test]
fn a_thousand_empty_slices_are_refused() {
    let header = wide_header();
    let mut reel = sectors_of(&header);
    for i in 0..1000 {
        let mut h = slice_header(&header, i, header.first_tick, 0);
        h.ticks = 0;
        append_chunk(&mut reel, &h, &[]);
    }
    assert_eq!(first_error(&reel).kind, ErrorKind::Field { name: "ticks" });
}

/// A source that counts what is read from it.
struct Counted<'a>(Cursor<&'a [u8]>, Rc<Cell<u64>>);

impl Read for Counted<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let n = self.0.read(buffer)?;
        self.1.set(self.1.get() + n as u64);
        Ok(n)
    }
}

impl Seek for Counted<'_> {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        self.0.seek(to)
    }
}

/// Every sector claims to begin a chunk of four megabytes.
fn overlapping(sectors: u32) -> Vec<u8> {
    let header = wide_header();
    let mut reel = sectors_of(&header);
    for i in 0..sectors {
        let used = thumbreel::reel::MAX_CHUNK - 48;
        let h = slice_header(&header, i, header.first_tick + u64::from(i), used);
        let mut bytes = [0; SECTOR];
        let head: &mut [u8; CHUNK_HEADER] = bytes.first_chunk_mut().unwrap();
        h.emit(head);
        reel.extend_from_slice(&bytes);
    }
    reel
}

#[test]
fn overlapping_chunks_cost_a_few_passes_at_most() {
    let reel = overlapping(32_000);
    let length = reel.len() as u64;
    let count = |work: &dyn Fn(Counted)| {
        let read = Rc::new(Cell::new(0));
        work(Counted(Cursor::new(&reel), read.clone()));
        read.get()
    };
    let verified = count(&|source| assert!(!verify(source).unwrap().is_whole()));
    assert!(verified <= 2 * length, "{verified} of {length}");
    let repaired = count(&|source| {
        assert!(repair(source, Cursor::new(Vec::new())).is_err());
    });
    assert!(repaired <= 4 * length, "{repaired} of {length}");
}

#[test]
fn an_index_that_points_at_itself_does_not_loop() {
    let mut reel = tiny_reel(40);
    let header = header_of(&reel);
    let at = header.index_offset as usize + CHUNK_HEADER;
    for place in [
        header.index_offset / 16,
        header.index_offset / 16 + 1,
        0,
        1,
        u64::from(u32::MAX),
    ] {
        let entry = IndexEntry {
            place: place as u32,
            number: 0,
        };
        let index = IndexBlock {
            first: 0,
            id_low: header.id_low(),
            step: header.index_step,
            entries: [entry; 14],
        };
        let mut bytes = [0; INDEX_BLOCK];
        index.emit(&mut bytes);
        reel[at..at + INDEX_BLOCK].copy_from_slice(&bytes);
        let mut file = ReelFile::new(Cursor::new(&reel)).unwrap();
        file.seek(20 * 200);
        assert_eq!(file.next_slice().unwrap().unwrap().time, 18 * 200);
        assert!(!verify(Cursor::new(&reel)).unwrap().is_whole());
    }
}

#[test]
fn a_newer_reel_is_refused_and_says_so() {
    let newer = raw_header(|s| s[8] = 2);
    assert_eq!(first_error(&newer).kind, ErrorKind::Version { major: 2 });
    let must = raw_header(|s| s[12] = 4);
    assert_eq!(first_error(&must).kind, ErrorKind::MustKnow { flags: 4 });
    // What may be ignored is ignored.
    let mut may = raw_header(|s| {
        s[10] = 9;
        s[17] = 0xFF;
    });
    append_chunk(
        &mut may,
        &slice_header(&wide_header(), 0, wide_header().first_tick, 0),
        &[],
    );
    assert!(ReelFile::new(Cursor::new(&may)).is_ok());
}

#[test]
fn an_unknown_kind_is_skipped_only_if_it_may_be() {
    let header = wide_header();
    let unknown = |flags| {
        let mut reel = sectors_of(&header);
        let used = part_length(30) as u32;
        let mut h = slice_header(&header, 0, header.first_tick, used);
        (h.kind, h.flags, h.ticks, h.bytes) = (99, flags, 0, 30);
        append_chunk(&mut reel, &h, &[&[1; 30]]);
        reel
    };
    assert!(
        verify(Cursor::new(unknown(ChunkHeader::SKIPPABLE)))
            .unwrap()
            .is_whole()
    );
    let kind = first_error(&unknown(0)).kind;
    assert_eq!(kind, ErrorKind::UnknownKind { kind: 99 });
}

#[test]
fn text_mode_and_strangers_are_told_apart() {
    let reel = tiny_reel(1);
    let unix: Vec<u8> = reel.iter().copied().filter(|&b| b != 0x0D).collect();
    let mut seven_bits = reel.clone();
    seven_bits.iter_mut().for_each(|b| *b &= 0x7F);
    assert_eq!(first_error(&unix).kind, ErrorKind::TextMode);
    assert_eq!(first_error(&seven_bits).kind, ErrorKind::TextMode);
    assert_eq!(first_error(&[b'x'; 600]).kind, ErrorKind::NotAReel);
    assert_eq!(first_error(&[b'x'; 1600]).kind, ErrorKind::NotAReel);
    assert_eq!(first_error(&SYNC).kind, ErrorKind::NotAReel);
}

/// Most memory a run of the program takes, in kilobytes, as Python's resource
/// module has it.
fn peak_memory(args: &[&str], path: &Path) -> u64 {
    let script = "import resource,subprocess,sys\n\
        subprocess.run(sys.argv[1:],stdout=subprocess.DEVNULL,stderr=subprocess.DEVNULL)\n\
        print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)";
    let out = Command::new("python3")
        .args(["-c", script, env!("CARGO_BIN_EXE_thumbreel")])
        .args(args)
        .arg(path)
        .output()
        .expect("python3 is missing: run .ci/install test");
    String::from_utf8(out.stdout)
        .unwrap()
        .trim()
        .parse()
        .unwrap()
}

#[test]
fn hostile_files_take_under_16_megabytes() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, bytes: &[u8]| -> PathBuf {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        path
    };
    let tiny = write("tiny.tbr", &tiny_reel(1));
    let header = wide_header();
    let mut many = sectors_of(&header);
    for i in 0..60_000 {
        let h = slice_header(&header, i, header.first_tick + u64::from(i), 0);
        append_chunk(&mut many, &h, &[]);
    }
    let hostile = [
        write("overlapping.tbr", &overlapping(60_000)),
        write("many.tbr", &many),
        write("noise.tbr", &crate::common::reels::bytes(3, 20 << 20)),
    ];
    for command in ["verify", "inspect"] {
        let base = peak_memory(&[command], &tiny);
        for path in &hostile {
            let peak = peak_memory(&[command], path);
            assert!(
                peak < base + 16_000,
                "{command} {}: {peak} kB",
                path.display()
            );
        }
    }
}

#[test]
fn settings_out_of_range_are_the_callers_fault() {
    let sink = || Cursor::new(Vec::new());
    let mut wrong = tiny_settings();
    wrong.width = 0;
    let error = thumbreel::reel::ReelWriter::new(sink(), &wrong, None).err();
    assert!(error.unwrap().to_string().contains("width"));
    let mut wrong = tiny_settings();
    wrong.clock_rate = 0;
    assert!(thumbreel::reel::ReelWriter::new(sink(), &wrong, None).is_err());
}

#[test]
fn a_number_ahead_with_a_time_behind_is_passed_over() {
    // Found by fuzzing: such a chunk was used, and time went back.
    let header = wide_header();
    let mut reel = sectors_of(&header);
    let slice = |number, time| ChunkHeader {
        ticks: 10,
        flags: if number == 0 { ChunkHeader::GAP } else { 0 },
        ..slice_header(&header, number, header.first_tick + time, 0)
    };
    append_chunk(&mut reel, &slice(0, 0), &[]);
    append_chunk(&mut reel, &slice(9, 5), &[]);
    append_chunk(&mut reel, &slice(10, 10), &[]);
    let times: Vec<u64> = crate::common::reels::read_slices(&reel)
        .iter()
        .map(|s| s.time - header.first_tick)
        .collect();
    assert_eq!(times, [0, 10]);
    assert_eq!(
        first_error(&reel).kind,
        ErrorKind::Sequence {
            expected: 1,
            found: 9
        }
    );
}
