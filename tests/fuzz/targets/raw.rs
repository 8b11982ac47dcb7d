//! Rectangles of `raw` from any bytes: what passes the check lies inside.
#![no_main]

use libfuzzer_sys::fuzz_target;
use thumbreel::coding::raw::Rectangles;

fuzz_target!(|data: &[u8]| {
    let Ok(pieces) = Rectangles::new(data, 60, 40) else {
        return;
    };
    let sound = pieces.check().is_ok();
    for piece in pieces {
        let Ok(piece) = piece else {
            assert!(!sound);
            return;
        };
        let r = piece.rect;
        assert!(r.w > 0 && r.h > 0 && r.x + r.w <= 60 && r.y + r.h <= 40);
        assert_eq!(piece.wire.len(), 2 * r.area() as usize);
    }
});
