//! A reel cut at every byte.

use crate::common::reels::{
    header_of, read_slices, slice_ends, tiny_reel, tiny_settings, tiny_slices, write_reel,
};
use std::io::Cursor;
use thumbreel::reel::{ErrorKind, RepairError, Settings, repair, verify};

#[test]
fn a_reel_cut_at_every_byte_gives_back_every_whole_slice() {
    let n = 9;
    let reel = tiny_reel(n);
    let slices = tiny_slices(n);
    let ends = slice_ends(&reel);
    for cut in 0..reel.len() {
        let left = &reel[..cut];
        let whole = ends.iter().filter(|&&(_, end)| end <= cut as u64).count();
        // The reader presents them, and nothing else.
        assert!(read_slices(left) == slices[..whole], "cut at {cut}");
        check_verdict(left, cut);
        check_repair(left, cut, whole);
    }
}

fn check_verdict(left: &[u8], cut: usize) {
    let verdict = verify(Cursor::new(left)).unwrap();
    assert!(!verdict.is_whole(), "cut at {cut}");
    let first = verdict.findings[0].error;
    let expected = match cut {
        0 => ErrorKind::NotAReel,
        _ => ErrorKind::Truncated,
    };
    assert_eq!(first.kind, expected, "cut at {cut}");
    // Where more should have come: the first chunk's place, or before the cut.
    let cut = (cut as u64).max(1024);
    assert!(
        first.offset <= cut && cut - first.offset < 2048,
        "{cut} {first:?}"
    );
}

fn check_repair(left: &[u8], cut: usize, whole: usize) {
    let repaired = repair(Cursor::new(left), Cursor::new(Vec::new()));
    match repaired {
        Err(RepairError::NoHeader(_)) => assert!(cut < 512),
        Err(RepairError::NoSlice) => assert!(cut >= 512 && whole == 0),
        Err(error) => panic!("cut at {cut}: {error}"),
        Ok((sink, repaired)) => {
            assert_eq!(repaired.slices as usize, whole, "cut at {cut}");
            let reel = sink.into_inner();
            assert!(
                read_slices(&reel) == tiny_slices(whole as u64),
                "cut at {cut}"
            );
            let verdict = verify(Cursor::new(&reel)).unwrap();
            assert!(verdict.is_whole(), "cut at {cut}: {verdict:?}");
            let lost: u64 = repaired.lost.iter().map(|l| l.to - l.from).sum();
            assert_eq!(lost, (9 - whole as u64) * 200, "cut at {cut}");
        }
    }
}

/// The step between index entries is kept in ticks and asked for in
/// milliseconds; neither way may it drift.
#[test]
fn repairing_what_was_repaired_changes_nothing() {
    for (clock_rate, index_step_ms) in [(11_025, 23), (6_208, 141), (22_050, 499), (48_000, 1000)] {
        let settings = Settings {
            clock_rate,
            index_step_ms,
            ..tiny_settings()
        };
        let (reel, _) = write_reel(&settings, None, &tiny_slices(12));
        let again = |reel: &[u8]| {
            let (sink, _) = repair(Cursor::new(reel), Cursor::new(Vec::new())).unwrap();
            sink.into_inner()
        };
        let once = again(&reel);
        let step = |reel: &[u8]| header_of(reel).index_step;
        assert_eq!(step(&once), step(&reel), "{clock_rate} {index_step_ms}");
        assert!(again(&once) == once, "{clock_rate} {index_step_ms}");
    }
}
