//! Any bytes, as a file: read, seek, verify. Time never goes back.
#![no_main]

use libfuzzer_sys::fuzz_target;
use std::io::Cursor;
use thumbreel::reel::{ReelFile, Survey, verify};

fuzz_target!(|reel: &[u8]| {
    let verdict = verify(Cursor::new(reel)).expect("memory does not fail");
    let Ok(mut file) = ReelFile::new(Cursor::new(reel)) else {
        assert!(!verdict.is_whole());
        return;
    };
    read(&mut file);
    let _ = (file.poster(), file.tables(), file.note());
    let header = *file.header();
    for tick in [
        0,
        header.first_tick,
        header.first_tick + 1000,
        u64::MAX >> 1,
    ] {
        file.seek(tick);
        read(&mut file);
    }
    file.rewind();
    let _ = Survey::read(&mut file);
});

fn read(file: &mut ReelFile<Cursor<&[u8]>>) {
    let mut time = 0;
    while let Ok(Some(slice)) = file.next_slice() {
        assert!(slice.time >= time && slice.ticks > 0);
        time = slice.time + u64::from(slice.ticks);
    }
}
