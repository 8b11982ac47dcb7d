//! Pictures of `patch` from any bytes: an error or a picture, never a panic;
//! and an error asks for a key picture.
//!
//! The first byte chooses level and size; each picture has its length before
//! it in two bytes.
#![no_main]

use libfuzzer_sys::fuzz_target;
use thumbreel::coding::DecodeError;
use thumbreel::coding::patch::{Decoder, Level, memory_bytes};

fuzz_target!(|data: &[u8]| {
    let Some((&kind, mut rest)) = data.split_first() else {
        return;
    };
    let level = if kind & 1 == 0 {
        Level::Light
    } else {
        Level::Full
    };
    let (width, height) = [(16, 16), (40, 24), (17, 33), (1, 70)][usize::from(kind >> 1 & 3)];
    let mut memory = vec![0; memory_bytes(width, height)];
    let mut decoder = Decoder::new(width, height, level, &mut memory).unwrap();
    let mut lost = true;
    while let Some((length, after)) = rest.split_first_chunk::<2>() {
        let length = usize::from(u16::from_le_bytes(*length)).min(after.len());
        let (payload, after) = after.split_at(length);
        rest = after;
        let verdict = decoder.decode(payload);
        let key = payload.first().is_some_and(|b| b & 4 != 0);
        if lost && !key && payload.len() >= 2 {
            assert!(verdict.is_err());
        }
        lost = match verdict {
            Ok(()) => false,
            // Heads are refused before anything is touched.
            Err(DecodeError::NeedsKey) => true,
            Err(_) => lost || !decoder.is_ready(),
        };
        let mut row = [0; 40];
        decoder.row(usize::from(kind) % 9, length % 80, &mut row[..31]);
        let mut pixels = 0;
        decoder.changed().rectangles(|r| pixels += r.area());
        assert_eq!(pixels, decoder.changed().pixels());
    }
});
