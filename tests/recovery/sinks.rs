//! Disks that fail, shorten and tear at each write.

use crate::common::faults::{FaultySink, SinkFault};
use crate::common::reels::{
    read_slices, tiny_poster, tiny_reel, tiny_settings, tiny_slices, write_reel,
};
use std::io::{Cursor, Seek, Write};
use std::path::Path;
use thumbreel::files::{Destination, Draft, Kind, OutputError};
use thumbreel::reel::{ReelWriter, WriteError, repair, verify};

const SLICES: u64 = 7;

fn begin(path: &Path, overwrite: bool) -> Result<Draft, OutputError> {
    Destination::new(path, Kind::Reel)
        .overwrite(overwrite)
        .begin()
}

/// Writes a reel through a faulty disk under `path`, replacing what is there.
fn write_through(path: &Path, fault: SinkFault) -> Result<(), WriteError> {
    let draft = begin(path, true).map_err(std::io::Error::from)?;
    let draft = write_to(FaultySink::new(draft, fault))?.into_inner();
    Ok(draft.publish().map_err(std::io::Error::from)?)
}

fn write_to<W: Write + Seek>(sink: W) -> Result<W, WriteError> {
    let mut writer = ReelWriter::new(sink, &tiny_settings(), Some(&tiny_poster()))?;
    for slice in tiny_slices(SLICES) {
        writer.slice(&slice)?;
    }
    Ok(writer.finish()?.0)
}

fn writes_of_a_reel() -> u64 {
    let sink = FaultySink::new(Cursor::new(Vec::new()), SinkFault::Full(u64::MAX));
    write_to(sink).unwrap().writes()
}

fn check_old_file_stays(path: &Path, fault: SinkFault) {
    std::fs::write(path, b"the old file").unwrap();
    assert!(write_through(path, fault).is_err(), "{fault:?}");
    assert_eq!(std::fs::read(path).unwrap(), b"the old file", "{fault:?}");
    let names = std::fs::read_dir(path.parent().unwrap()).unwrap();
    assert_eq!(names.count(), 1, "{fault:?} leaves something behind");
}

#[test]
fn a_failing_disk_leaves_the_old_file_or_none() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("harbour.tbr");
    let writes = writes_of_a_reel();
    assert!(writes > SLICES);
    for n in 0..writes {
        check_old_file_stays(&path, SinkFault::Fail(n));
        for torn in [0, 1, 63, 64, 511] {
            check_old_file_stays(&path, SinkFault::Tear(n, torn));
        }
    }
    check_old_file_stays(&path, SinkFault::Seek(0));
    let length = tiny_reel(SLICES).len() as u64;
    for full in (0..length).step_by(97) {
        check_old_file_stays(&path, SinkFault::Full(full));
    }
    std::fs::remove_file(&path).unwrap();
    assert!(write_through(&path, SinkFault::Fail(writes - 1)).is_err());
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn a_disk_that_takes_little_at_a_time_gets_the_same_reel() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("harbour.tbr");
    for most in [1, 7, 512, 1000] {
        write_through(&path, SinkFault::Short(most)).unwrap();
        assert!(std::fs::read(&path).unwrap() == tiny_reel(SLICES));
    }
}

#[test]
fn a_name_that_is_taken_is_left_alone_unless_told() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("harbour.tbr");
    std::fs::write(&path, b"the old file").unwrap();
    let taken = begin(&path, false).err().unwrap();
    assert!(matches!(taken, OutputError::Exists(..)), "{taken}");
    // Taken while the work was done.
    std::fs::remove_file(&path).unwrap();
    let draft = begin(&path, false).unwrap();
    std::fs::write(&path, b"the old file").unwrap();
    assert!(draft.publish().is_err());
    assert_eq!(std::fs::read(&path).unwrap(), b"the old file");
}

#[test]
fn a_reel_whose_writer_was_killed_is_finished_by_repair() {
    let whole = write_reel(&tiny_settings(), Some(&tiny_poster()), &tiny_slices(SLICES)).0;
    let mut left = Cursor::new(Vec::new());
    let mut writer = ReelWriter::new(&mut left, &tiny_settings(), Some(&tiny_poster())).unwrap();
    for slice in tiny_slices(SLICES) {
        writer.slice(&slice).unwrap();
    }
    drop(writer);
    // A player has all of it already, as a live reel.
    let left = left.into_inner();
    assert!(read_slices(&left) == tiny_slices(SLICES));
    let (sink, repaired) = repair(Cursor::new(&left), Cursor::new(Vec::new())).unwrap();
    assert_eq!((repaired.slices, repaired.lost.len()), (SLICES as u32, 0));
    let mut reel = sink.into_inner();
    assert!(verify(Cursor::new(&reel)).unwrap().is_whole());
    // But for the header and its copies, the bytes are those of a whole reel.
    let slices = 1024..repaired_index(&reel);
    reel.truncate(slices.end);
    assert!(reel[slices.clone()] == whole[slices]);
}

fn repaired_index(reel: &[u8]) -> usize {
    let header = crate::common::reels::header_of(reel);
    assert_eq!(header.may_ignore, 1);
    header.index_offset as usize
}
