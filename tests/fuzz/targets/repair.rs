//! Any bytes: what repair makes of them is a whole reel.
#![no_main]

use libfuzzer_sys::fuzz_target;
use std::io::Cursor;
use thumbreel::reel::{ReelFile, repair, split, verify};

fuzz_target!(|reel: &[u8]| {
    let Ok((sink, repaired)) = repair(Cursor::new(reel), Cursor::new(Vec::new())) else {
        return;
    };
    let bytes = sink.into_inner();
    let verdict = verify(Cursor::new(&bytes)).expect("memory does not fail");
    assert!(verdict.is_whole(), "{verdict:?}");
    assert_eq!(verdict.slices, repaired.slices);
    // Repairing what is whole changes nothing.
    let (again, _) = repair(Cursor::new(&bytes), Cursor::new(Vec::new())).expect("it is whole");
    assert!(again.into_inner() == bytes);
    let mut file = ReelFile::new(Cursor::new(&bytes)).expect("it is whole");
    let limit = bytes.len() as u64 / 2;
    if let Ok(parts) = split(&mut file, limit, |_, _| Ok(Cursor::new(Vec::new()))) {
        let slices: u32 = parts.iter().map(|(_, s)| s.end.slices).sum();
        assert_eq!(slices, repaired.slices);
    }
});
